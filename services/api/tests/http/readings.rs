//! Readings: the ledger's rules over HTTP, one at a time and many at once.

use fleet::person::Role;
use rstest::rstest;
use serde_json::json;
use tests::database::Database::{self, Postgres, Sqlite};

use crate::caller::Service;

#[rstest]
#[tokio::test]
async fn a_reading_neither_falls_nor_comes_twice(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let technician = service.caller(yard.organisation, Role::Technician).await;
    let path = format!("/v1/engines/{engine}/readings");
    let first = json!({"read_at": "2026-07-05T18:30:00Z", "shown": 412.6});
    let taken = technician.post(&path, first.clone()).await.expect(201);
    assert_eq!((&taken["outcome"], &taken["reading"]["shown"]), (&json!("new"), &json!(412.6)));
    let again = technician.post(&path, first).await.expect(200);
    assert_eq!(again["outcome"], "known");
    assert_eq!(again["reading"]["id"], taken["reading"]["id"]);

    let later = json!({"read_at": "2026-07-06T18:30:00Z", "shown": 412.5});
    let refused = technician.post(&path, later).await;
    assert_eq!(refused.refusal(), (422, "reading-falls".to_owned()));
    let outran = json!({"read_at": "2026-07-06T18:30:00Z", "shown": 437.6});
    let refused = technician.post(&path, outran).await;
    assert_eq!(refused.refusal(), (422, "reading-faster-than-time".to_owned()));
    let tomorrow = json!({"read_at": "2199-01-01T00:00:00Z", "shown": 500});
    let refused = technician.post(&path, tomorrow).await;
    assert_eq!(refused.refusal(), (422, "reading-in-future".to_owned()));
    let negative = json!({"read_at": "2026-07-06T18:30:00Z", "shown": -1});
    assert_eq!(technician.post(&path, negative).await.status, 422);

    let wrong = json!({"read_at": "2026-07-05T18:30:00Z", "shown": 402.6, "kind": "correction"});
    technician.post(&path, wrong).await.expect(201);
    let all = technician.get(&path).await.expect(200);
    assert_eq!(all["items"].as_array().unwrap().len(), 2, "what was wrong stays on record");
}

#[rstest]
#[tokio::test]
async fn a_far_too_busy_week_is_kept_and_asked_about(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let technician = service.caller(yard.organisation, Role::Technician).await;
    let path = format!("/v1/engines/{engine}/readings");
    let days = [("2026-05-01", 100), ("2026-05-11", 105), ("2026-05-21", 110), ("2026-05-31", 115)];
    for (day, shown) in days {
        let reading = json!({"read_at": format!("{day}T18:00:00Z"), "shown": shown});
        assert_eq!(technician.post(&path, reading).await.expect(201)["outcome"], "new");
    }
    let busy = json!({"read_at": "2026-06-10T18:00:00Z", "shown": 175});
    let taken = technician.post(&path, busy).await.expect(201);
    assert_eq!(taken["outcome"], "unusual");
    // 6 h a day where it was half an hour.
    assert!((taken["times_usual"].as_f64().unwrap() - 12.0).abs() < 1e-9, "{taken}");
}

#[rstest]
#[tokio::test]
async fn of_many_readings_all_are_kept_or_none(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let technician = service.caller(yard.organisation, Role::Technician).await;
    let bad = concat!(
        r#"{"serial": "ND-1042", "read_at": "2026-07-05T18:30:00Z", "hours": 10}"#,
        "\n",
        r#"{"serial": "ND-1042", "read_at": "2026-07-06T18:30:00Z", "hours": 9}"#,
        "\n",
        r#"{"serial": "XX-0001", "read_at": "2026-07-06T18:30:00Z", "hours": 9}"#,
        "\n",
        "{\"serial\": \n",
    );
    let refused = technician.lines("/v1/readings", bad).await;
    assert_eq!(refused.refusal(), (422, "rows-refused".to_owned()));
    let problem = refused.json();
    let faults = problem["faults"].as_array().unwrap();
    let place = |line: u64| faults.iter().find(|fault| fault["line"] == line).unwrap();
    assert_eq!(place(2)["rule"], "reading-falls", "{problem}");
    assert_eq!((&place(3)["field"], &place(3)["value"]), (&json!("serial"), &json!("XX-0001")));
    assert!(place(4)["rule"].is_string());
    assert_eq!(faults.len(), 3, "{problem}");
    let path = format!("/v1/engines/{engine}/readings");
    assert_eq!(technician.get(&path).await.expect(200)["items"], json!([]));

    let good: String = (0..1_500)
        .map(|hour| {
            let (day, hour_of_day) = (1 + hour / 24 % 28, hour % 24);
            let month = 1 + hour / (24 * 28);
            let at = format!("2026-{month:02}-{day:02}T{hour_of_day:02}:00:00Z");
            format!("{{\"serial\": \"ND-1042\", \"read_at\": \"{at}\", \"hours\": {hour}}}\n")
        })
        .collect();
    let dry = technician.lines("/v1/readings?dry_run=true", good.clone()).await.expect(200);
    assert_eq!((&dry["added"], &dry["kept"]), (&json!(1_500), &json!(false)));
    assert_eq!(technician.get(&path).await.expect(200)["items"], json!([]));
    let kept = technician.lines("/v1/readings", good.clone()).await.expect(200);
    assert_eq!((&kept["added"], &kept["kept"]), (&json!(1_500), &json!(true)));
    let twice = technician.lines("/v1/readings", good).await.expect(200);
    assert_eq!((&twice["added"], &twice["unchanged"]), (&json!(0), &json!(1_500)));
}

#[rstest]
#[tokio::test]
async fn many_readings_are_sent_as_lines(#[values(Sqlite)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let technician = service.caller(yard.organisation, Role::Technician).await;
    let refused = technician.post("/v1/readings", json!([])).await;
    assert_eq!(refused.refusal(), (415, "media-type".to_owned()));
}
