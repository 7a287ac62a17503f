//! The commands that take bare files: their columns are published, and people's sheets rest on them.

use rstest::rstest;
use tests::program::Folder;

const USE: &str = "unit,pool,start,end,use,estimated\n\
                   A,Day,2025-04-01,2025-06-01,60,false\n\
                   A,Day,2025-06-01,2025-09-01,140,false\n\
                   A,Day,2025-09-01,2026-04-01,20,true\n\
                   B,Day,2025-04-01,2025-09-01,160,false\n";

fn files() -> Folder {
    let folder = Folder::empty();
    folder.write("use.csv", USE);
    folder.write("targets.csv", "unit,start,end\nA,2026-06-01,2026-07-01\n");
    folder.write(
        "intervals.csv",
        "unit,task,hours,months,first_hours,first_months,last_done_hours,last_done_on,severity\n\
         A,Gear oil,100,12,20,,60,2025-06-01,0.5\n\
         A,Impeller,200,24,,,,,\n",
    );
    let mut history = String::from("part,month,quantity\n");
    for month in 1..=12 {
        history.push_str(&format!("SEAL,2025-{month:02},{}\n", month % 3));
    }
    folder.write("history.csv", history);
    let forecast = ["demand", "--history", "history.csv", "--months", "6", "--cumulated"];
    folder.run(forecast.iter().chain(&["--out", "forecast.csv"])).good();
    folder.write("stock.csv", "part,on_hand,reserved,on_order,due_on,expires_on\nSEAL,1,0,0,,\n");
    folder.write(
        "terms.csv",
        "part,supplier,lead_days,lead_days_worst,review_days,pack,minimum,price,currency,breaks,\
         order_cost,supplier_minimum,freight,policy,target,boat_days_lost\n\
         SEAL,Skerry,12,30,14,1,1,4.50,EUR,10:4.20;50:3.90,12,50,9,fill_rate,0.95,2\n",
    );
    folder.write(
        "tests.csv",
        "test,kind,gauge_start_kpa,gauge_end_kpa,start_c,end_c,ambient_kpa,hold_s,\
         gauge_division_kpa,limit_kpa,shafts_turned\n\
         T1,pressure,70,69.9,18,18,101.3,300,0.2,0,true\n",
    );
    folder.write("lives.csv", "part,lower,upper,group\nSEAL,100,100,\nSEAL,120,,\n");
    folder.write("repairs.csv", "system,event,age,observed_to\nX,1,10,100\nX,2,40,100\n");
    folder
}

/// The published columns of these files, in their order. They are kept beside the reference data as
/// FILES.md; whoever reads a result by place rather than by name rests on the order too.
#[rstest]
#[case::demand(
    &["demand", "--history", "history.csv", "--months", "2"],
    "part,month,mean,q05,q10,q20,q30,q40,q50,q60,q70,q80,q90,q95,q99,model"
)]
#[case::usage(
    &["usage", "--readings", "use.csv", "--targets", "targets.csv"],
    "unit,start,end,mean,q025,q10,q25,q50,q75,q90,q975,own_share"
)]
#[case::due(
    &["due", "--readings", "use.csv", "--intervals", "intervals.csv", "--from", "2026-04-01",
      "--by", "2026-07-01"],
    "unit,task,governing,hours_left,months_limb_on,q10,q50,q90,probability_by"
)]
#[case::order(
    &["order", "--forecast", "forecast.csv", "--stock", "stock.csv", "--terms", "terms.csv",
      "--on", "2026-01-02"],
    "part,supplier,quantity,order_by,unit_price,money,currency,expected_fill_rate,reason"
)]
#[case::gearcase(
    &["gearcase", "--data", "tests.csv"],
    "test,raw_drop_kpa,corrected_drop_kpa,uncertainty_kpa,outcome,reason"
)]
fn a_result_has_the_published_columns(#[case] arguments: &[&str], #[case] header: &str) {
    let folder = files();
    let said = folder.run(arguments).good();
    let mut lines = said.lines();
    assert_eq!(lines.next(), Some(header));
    let columns = header.split(',').count();
    let first = lines.next().expect("a row");
    assert!(first.split(',').count() >= columns, "{first}");
    // To a file it is the same, and nothing is said.
    let to_file = folder.run(arguments.iter().chain(&["--out", "out.csv"]));
    assert_eq!(to_file.good(), "");
    assert_eq!(std::fs::read_to_string(folder.file("out.csv")).expect("a file"), said);
}

#[rstest]
#[case::lives(&["life", "--data", "lives.csv"], &["parts", "log_rank"], "parts",
    &["part", "group", "n", "failures", "method", "weibull", "survival", "mean_life", "range_only"])]
#[case::repairs(&["life", "--repairs", "repairs.csv"], &["systems"], "systems",
    &["system", "n", "laplace", "p", "shape", "shape_unbiased", "scale", "shape_low", "shape_high",
      "mtbf_at_end"])]
fn a_result_has_the_published_keys(
    #[case] arguments: &[&str],
    #[case] whole: &[&str],
    #[case] list: &str,
    #[case] one: &[&str],
) {
    let said = files().run(arguments).good();
    let result: serde_json::Value = serde_json::from_str(&said).expect("JSON");
    for key in whole {
        assert!(result.get(key).is_some(), "{key} in {result}");
    }
    for key in one {
        assert!(result[list][0].get(key).is_some(), "{key} in {}", result[list][0]);
    }
}

/// The worked example of `tests/data/planner/README.md`, whose optimum both its references prove.
const MICRO: &str = include_str!("../data/planner/micro.json");

#[test]
fn an_instance_is_planned_with_its_proof_and_summed_up() {
    let folder = Folder::empty();
    folder.write("micro.json", MICRO);
    let asked = ["plan", "--instance", "micro.json", "--work", "100000"];
    let said = folder.run(asked.iter().chain(&["--certificate", "proof.json"]));
    let plan: serde_json::Value = serde_json::from_str(&said.out).expect("JSON");
    assert_eq!((&plan["objective"], &plan["bound"]), (&1450.into(), &1450.into()));
    let proof = std::fs::read(folder.file("proof.json")).expect("a file");
    let proof: serde_json::Value = serde_json::from_slice(&proof).expect("JSON");
    assert_eq!(proof["bound"], 1450);
    let summary = "micro.json: 3 planned, 0 left out. It costs 1450 cents; no plan can cost less \
                   than 1450: proven within 0.00 %.";
    assert!(said.err.contains(summary), "{}", said.err);
}

#[test]
fn an_instance_that_breaks_a_rule_is_refused_by_its_path_and_nothing_is_written() {
    let folder = Folder::empty();
    folder.write("micro.json", MICRO.replacen("\"unplanned_cost\": ", "\"unplanned_cost\": -", 1));
    let said =
        folder.run(["plan", "--instance", "micro.json", "--work", "1", "--out", "plan.json"]);
    assert_eq!((said.code, said.out.as_str()), (1, ""), "{said:?}");
    assert!(said.err.contains("visits[0].unplanned_cost"), "{}", said.err);
    assert!(!folder.file("plan.json").exists());
}

#[test]
fn a_file_that_breaks_a_rule_leaves_what_was_there() {
    let folder = files();
    folder.write("history.csv", "part,month,quantity\nSEAL,2025-01,3\nSEAL,2025-02,-1\n");
    folder.write("kept.csv", "as it was\n");
    let said =
        folder.run(["demand", "--history", "history.csv", "--months", "2", "--out", "kept.csv"]);
    assert_eq!((said.code, said.out.as_str()), (1, ""), "{said:?}");
    assert!(said.err.contains("line 3, column quantity, \"-1\""), "{}", said.err);
    assert_eq!(std::fs::read_to_string(folder.file("kept.csv")).expect("a file"), "as it was\n");
    let beside = std::fs::read_dir(folder.path()).expect("a folder");
    let part = beside.flatten().any(|file| file.file_name().to_string_lossy().ends_with(".part"));
    assert!(!part, "nothing half-written is left");
}

/// Rows of one part from January 2001 on, a quantity a month.
fn monthly(quantities: impl IntoIterator<Item = f64>) -> String {
    let row = |(at, quantity): (usize, f64)| {
        format!("SEAL,{}-{:02},{quantity}\n", 2001 + at / 12, at % 12 + 1)
    };
    quantities.into_iter().enumerate().map(row).collect()
}

fn reversed(rows: &str) -> String {
    rows.lines().rev().map(|row| format!("{row}\n")).collect()
}

/// Months of three years without the others of each half year.
fn with_gaps() -> String {
    let rows = monthly([2.0; 36]);
    rows.lines().step_by(6).map(|row| format!("{row}\n")).collect()
}

fn huge(largest: f64) -> String {
    monthly((0..36).map(|month| if month == 20 { largest } else { 0.0 }))
}

/// What a yard's file may hold: each forecast is a number, none below zero, quantiles rise, and what
/// was asked for in whole pieces is forecast in whole pieces.
#[rstest]
#[case::one_month(monthly([3.0]))]
#[case::nothing_ever_asked_for(monthly([0.0; 36]))]
#[case::one_huge_month(huge(1e12))]
#[case::halves(monthly((0..36).map(|month| f64::from(month % 3) / 2.0)))]
#[case::gaps(with_gaps())]
#[case::unsorted(reversed(&monthly((0..36).map(|month| f64::from(month % 4)))))]
#[case::forty_years(monthly((0..480).map(|month| f64::from(month % 7))))]
#[case::a_part_that_began_last_month_beside_an_old_one(monthly([1.0; 36]) + "NEW,2003-12,2\n")]
fn an_odd_history_is_answered(#[case] rows: String) {
    let folder = Folder::empty();
    let whole = !rows.contains(".5");
    folder.write("history.csv", format!("part,month,quantity\n{rows}"));
    let said = folder.run(["demand", "--history", "history.csv", "--months", "4"]).good();
    let parts = if rows.contains("NEW") { 2 } else { 1 };
    assert_eq!(said.lines().count(), 1 + 4 * parts);
    for line in said.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let figures: Vec<f64> =
            cells[2..15].iter().map(|cell| cell.parse().expect("a number")).collect();
        assert!(figures.iter().all(|figure| figure.is_finite() && *figure >= 0.0), "{line}");
        assert!(figures[1..].is_sorted(), "{line}");
        assert!(!whole || figures[1..].iter().all(|figure| figure.fract() == 0.0), "{line}");
    }
}

#[rstest]
#[case::below_zero("SEAL,2025-01,3\nSEAL,2025-02,-2\n", &[], "line 3, column quantity", "out-of-bounds")]
#[case::no_number("SEAL,2025-01,NaN\n", &[], "line 2, column quantity", "not-a-number")]
#[case::too_much("SEAL,2025-01,1000000000001\n", &[], "line 2, column quantity", "out-of-bounds")]
#[case::nothing_written("SEAL,2025-01,\n", &[], "line 2, column quantity", "value-missing")]
#[case::no_part(",2025-01,3\n", &[], "line 2, column part", "value-missing")]
#[case::a_month_twice("SEAL,2025-01,1\nSEAL,2025-01,2\n", &[], "line 3, column month", "month-twice")]
#[case::no_month("SEAL,2025-13,1\n", &[], "line 2, column month", "not-a-month")]
#[case::a_gap_that_may_not_be("SEAL,2025-01,1\nSEAL,2025-03,2\n", &["--missing", "refuse"],
    "line 2, column month", "month-missing")]
#[case::more_than_a_century("SEAL,1900-01,1\nSEAL,2025-03,2\n", &[], "line 2, column month",
    "history-too-long")]
#[case::only_a_header("", &[], "line 1", "history-empty")]
fn a_history_that_breaks_a_rule_is_refused_by_its_line(
    #[case] rows: &str,
    #[case] more: &[&str],
    #[case] place: &str,
    #[case] rule: &str,
) {
    let folder = Folder::empty();
    folder.write("history.csv", format!("part,month,quantity\n{rows}"));
    let arguments = ["demand", "--history", "history.csv", "--months", "4"];
    let said = folder.run(arguments.iter().chain(more));
    assert_eq!((said.code, said.out.as_str()), (1, ""), "{said:?}");
    assert!(said.err.contains(place) && said.err.contains(&format!("[{rule}]")), "{}", said.err);
}
