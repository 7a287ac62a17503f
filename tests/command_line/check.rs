//! The past replayed from the command line.

use serde_json::Value;
use tests::program::Folder;

use crate::yard;

#[test]
fn the_advice_and_the_other_rule_meet_the_same_demand() {
    let folder = Folder::demo();
    let text = folder.run(["check", "orders", "--on", "2026-07-06", "--json"]).good();
    let rows: Vec<Value> = serde_json::from_str(&text).expect("JSON");
    let of = |rule: &str| rows.iter().filter(|row| row["rule"] == rule).collect::<Vec<_>>();
    let (advice, other) = (of("advice"), of("min-max"));
    assert!(advice.len() > 12, "{} months", advice.len());
    let asked = |rows: &[&Value]| rows.iter().map(|row| row["asked"].clone()).collect::<Vec<_>>();
    assert_eq!(asked(&advice), asked(&other));
    for rows in [&advice, &other] {
        let (all, months) = rows.split_last().expect("a last row");
        assert_eq!(all["month"], "all");
        for count in ["asked", "jobs_delayed", "orders", "rush", "expired"] {
            let sum: u64 = months.iter().map(|row| row[count].as_u64().expect("a count")).sum();
            assert_eq!(all[count], sum, "{count}");
        }
        let served = all["fill_rate"].as_f64().expect("something was asked for");
        let delayed = all["jobs_delayed"].as_f64().expect("a count");
        let asked = all["asked"].as_f64().expect("a count");
        assert!((served - (1.0 - delayed / asked)).abs() < 1e-9, "{all}");
    }
    // The target of both is 0.95.
    let (all, _) = advice.split_last().expect("a last row");
    assert!(all["fill_rate"].as_f64() > Some(0.95), "{all}");
}

#[test]
fn too_short_a_record_is_said_and_nothing_is_made_up() {
    let folder = yard::small();
    let said = folder.run(["check", "orders"]);
    assert_eq!((said.code, said.out.as_str()), (1, ""));
    assert!(said.err.contains("0 months of services are on record"), "{}", said.err);
}

/// The rules of thumb know the hours of each engine every day; the rotation knows what was read
/// before its Monday. One that waits for work of later weeks is overdue three times as long.
#[test]
fn the_rotation_keeps_up_with_the_rules_of_thumb() {
    let folder = Folder::demo();
    let text = folder.run(["check", "rotation", "--on", "2026-07-06", "--json"]).good();
    let rows: Vec<Value> = serde_json::from_str(&text).expect("JSON");
    rows.iter().for_each(|row| println!("{row}"));
    let of = |rule: &str, what: &str| -> f64 {
        let rows = rows.iter().filter(|row| row["rule"] == rule);
        rows.map(|row| row[what].as_f64().expect("a number")).sum()
    };
    for rule in ["rotation", "when-due", "monday-highest"] {
        assert!(of(rule, "visits") > 200.0, "{rule}: a season of a fleet: {text}");
    }
    for rule in ["when-due", "monday-highest"] {
        let overdue = "overdue_hours";
        assert!(of("rotation", overdue) < 1.25 * of(rule, overdue), "{rule}: {text}");
    }
    // All three lose next to none: hire is short on a visit in fifty at the most.
    assert!(of("rotation", "boat_days_lost") <= of("rotation", "visits") / 50.0, "{text}");
}
