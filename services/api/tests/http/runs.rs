//! Runs: asked for over HTTP, and their results as lists.

use chrono::NaiveDate;
use fleet::engine::Engine;
use fleet::hours::Minutes;
use fleet::id::{RunId, RunRowId, TaskId};
use fleet::person::Role;
use fleet::programme::{AccessGroup, Occasion, Task, Verb};
use fleet::run::{GoverningLimb, RunKind};
use rstest::rstest;
use serde_json::{Value, json};
use store::runs::{self, DueRow, Outcome, Request, RunFile};
use store::{StoreError, Transaction, record};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::yard::{Yard, author, now};

use crate::caller::Service;

#[rstest]
#[tokio::test]
async fn a_run_that_is_asked_for_waits_where_its_answer_says(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let owner = service.caller(yard.organisation, Role::Owner).await;
    let none = owner.get("/v1/due").await;
    assert_eq!(none.refusal(), (404, "not-found".to_owned()));
    let body =
        json!({"kind": "forecast", "site": yard.site.id, "seed": 7, "parameters": {"months": 6}});
    let asked = owner.post("/v1/runs", body).await;
    assert_eq!(asked.status, 202);
    let run = owner.get(asked.header("location")).await.expect(200);
    assert_eq!((&run["status"], &run["seed"]), (&json!("queued"), &json!(7)));
    assert_eq!(run["parameters"], json!({"months": 6}));
    let listed = owner.get("/v1/runs?kind=forecast").await.expect(200);
    assert_eq!(listed["items"][0]["id"], run["id"]);
    assert_eq!(owner.get("/v1/runs?kind=due").await.expect(200)["items"], json!([]));
    let nowhere = json!({"kind": "due", "site": uuid::Uuid::now_v7()});
    let refused = owner.post("/v1/runs", nowhere).await;
    assert_eq!(refused.refusal(), (404, "not-found".to_owned()));
    let refused = owner.post("/v1/runs", json!({"kind": "weather"})).await;
    assert_eq!(refused.refusal(), (422, "field-refused".to_owned()));
    let slip = json!({"kind": "forecast", "parameters": {"months": -3}});
    let refused = owner.post("/v1/runs", slip).await;
    assert_eq!(refused.refusal(), (422, "forecast-months".to_owned()));
}

#[rstest]
#[tokio::test]
async fn a_plan_is_asked_for_by_its_kind_and_ends_at_once_while_it_waits(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let planner = service.caller(yard.organisation, Role::Planner).await;
    let slip = json!({"kind": "plan", "parameters": {"plan": "lay_up", "hurry": true}});
    let refused = planner.post("/v1/runs", slip).await;
    assert_eq!(refused.refusal(), (422, "plan-parameters".to_owned()));
    let body = json!({"kind": "plan", "parameters": {"plan": "lay_up", "seconds": 5}});
    let asked = planner.post("/v1/runs", body).await;
    assert_eq!(asked.status, 202);
    let place = asked.header("location").to_owned();
    let viewer = service.caller(yard.organisation, Role::Viewer).await;
    let stop = format!("{place}/stop");
    let not_theirs = viewer.post(&stop, json!({})).await;
    assert_eq!(not_theirs.refusal(), (403, "role-too-small".to_owned()));
    assert_eq!(planner.post(&stop, json!({})).await.status, 202);
    assert_eq!(planner.get(&place).await.expect(200)["status"], json!("failed"));
    let over = planner.post(&stop, json!({})).await;
    assert_eq!(over.refusal(), (422, "run-finished".to_owned()));
    let nowhere = format!("/v1/plans/{}/standing", uuid::Uuid::now_v7());
    assert_eq!(planner.get(&nowhere).await.refusal(), (404, "not-found".to_owned()));
}

pub fn task() -> Task {
    Task {
        id: TaskId::fresh(),
        version: 1,
        name: "replace the impeller".to_owned(),
        verb: Verb::Replace,
        access: AccessGroup::GearcaseOff,
        occasion: Occasion::Interval,
        own_work: Minutes(35),
        minutes_source: None,
        skill: None,
        safety: false,
        caution: None,
        archived: false,
    }
}

fn row(run: RunId, engine: &Engine, task: &Task, due_on: Option<&str>) -> DueRow {
    let due_on: Option<NaiveDate> = due_on.map(|day| day.parse().unwrap());
    DueRow {
        id: RunRowId::fresh(),
        run,
        engine: engine.id,
        task: task.id,
        governing: due_on.map_or(GoverningLimb::Unknown, |_| GoverningLimb::Hours),
        due_early_on: due_on,
        due_on,
        due_late_on: due_on,
        months_due_on: None,
        hours_left_seconds: Some(-5_400),
        hours_length_seconds: Some(360_000),
        hours_at_seconds: None,
        counts_from_on: None,
        days_left: None,
        used_permille: 1_015,
        source: None,
        explanation: None,
    }
}

/// A finished due run: one row for each day, on an engine of its own.
async fn due_run(service: &Service, yard: &Yard, days: &[Option<&str>]) -> RunId {
    let task = task();
    let engines: Vec<Engine> =
        (0..days.len()).map(|place| yard.engine(&format!("ND-{place}"))).collect();
    let organisation = yard.organisation;
    let work = async |transaction: &Transaction| {
        record::create(transaction, organisation, &author(), std::slice::from_ref(&task)).await?;
        record::create(transaction, organisation, &author(), &engines).await?;
        let request = Request {
            kind: RunKind::Due,
            site: None,
            program_version: "0".to_owned(),
            seed: 1,
            parameters: json!({}),
            requested_by: "tests".to_owned(),
        };
        let run = runs::request(transaction, organisation, &request, now()).await?.id;
        runs::start(transaction, organisation, run, now()).await?;
        let rows: Vec<DueRow> =
            engines.iter().zip(days).map(|(engine, day)| row(run, engine, &task, *day)).collect();
        record::append(transaction, organisation, &rows).await?;
        let outcome = Outcome { input_digest: vec![0xab; 32], scores: None, summary: None };
        let file = RunFile {
            name: "due.csv".to_owned(),
            media_type: "text/csv".to_owned(),
            content: b"serial\nND-0\n".to_vec(),
        };
        runs::finish(transaction, organisation, run, &outcome, &[file], now()).await?;
        Ok::<_, StoreError>(run)
    };
    service.store.write(work).await.unwrap()
}

fn serials(page: &Value) -> Vec<&str> {
    page["items"].as_array().unwrap().iter().map(|row| row["serial"].as_str().unwrap()).collect()
}

#[rstest]
#[tokio::test]
async fn the_due_list_is_worst_first_and_stays_with_its_run(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let days = [Some("2026-09-01"), None, Some("2026-06-01"), Some("2026-07-01")];
    let run = due_run(&service, &yard, &days).await;
    let viewer = service.caller(yard.organisation, Role::Viewer).await;
    let all = viewer.get("/v1/due").await.expect(200);
    assert_eq!(serials(&all), ["ND-2", "ND-3", "ND-0", "ND-1"]);
    assert_eq!(all["run"], json!(run));
    let first = &all["items"][0];
    assert_eq!((&first["hours_left"], &first["hours_length"]), (&json!(-1.5), &json!(100.0)));
    assert_eq!(first["task_name"], "replace the impeller");

    let before = viewer.get("/v1/due?before=2026-07-02").await.expect(200);
    assert_eq!(serials(&before), ["ND-2", "ND-3"]);
    let pool = format!("/v1/due?pool={}", yard.pool.id);
    assert_eq!(serials(&viewer.get(&pool).await.expect(200)).len(), 4);
    let none = format!("/v1/due?site={}", uuid::Uuid::now_v7());
    assert_eq!(serials(&viewer.get(&none).await.expect(200)).len(), 0);

    let page = viewer.get("/v1/due?size=3").await;
    assert_eq!(serials(&page.json()), ["ND-2", "ND-3", "ND-0"]);
    let link = page.header("link").split(['<', '>']).nth(1).unwrap().to_owned();
    // A newer run comes in between; the link leads on through the one that was begun.
    let file = viewer.get(&format!("/v1/runs/{run}/files/due.csv")).await;
    assert_eq!((file.header("content-type"), file.text.as_str()), ("text/csv", "serial\nND-0\n"));
    let rest = viewer.get(&link).await.expect(200);
    assert_eq!(serials(&rest), ["ND-1"]);
    assert!(rest.get("next").is_none());
    let lost = format!("/v1/due?after={}", uuid::Uuid::now_v7());
    let refused = viewer.get(&lost).await;
    assert_eq!(refused.refusal(), (422, "page-of-another-list".to_owned()));

    // What is over is due by any day; what is unknown has no probability.
    let by = viewer.get("/v1/due?by=2026-08-31").await.expect(200);
    let chance = |serial: &str| {
        let rows = by["items"].as_array().unwrap();
        rows.iter().find(|row| row["serial"] == serial).unwrap()["probability_by"].clone()
    };
    assert_eq!((chance("ND-2"), chance("ND-1")), (json!(1.0), Value::Null));
    let plain = viewer.get("/v1/due").await.expect(200);
    assert_eq!(plain["items"][0].get("probability_by"), None);

    let (south, _) = service.yard_with_engine("south", "ND-7").await;
    let theirs = service.caller(south.organisation, Role::Owner).await;
    for path in [format!("/v1/runs/{run}"), format!("/v1/due?run={run}"), "/v1/due".to_owned()] {
        assert_eq!(theirs.get(&path).await.refusal(), (404, "not-found".to_owned()), "{path}");
    }
    let file = theirs.get(&format!("/v1/runs/{run}/files/due.csv")).await;
    assert_eq!(file.refusal(), (404, "not-found".to_owned()));
}
