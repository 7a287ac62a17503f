//! `Idempotency-Key`: sent twice, done once.

use fleet::person::Role;
use rstest::rstest;
use serde_json::json;
use tests::database::Database::{self, Postgres, Sqlite};

use crate::caller::Service;

#[rstest]
#[tokio::test]
async fn a_repeated_create_answers_the_same_and_adds_nothing(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let owner = service.caller(yard.organisation, Role::Owner).await;
    let finding = json!({"engine": engine, "title": "oil is milky", "urgency": "stop"});
    let hold = json!({"engine": engine, "reason": "waits"});
    let service_done = json!({"engine": engine, "reason": "due", "done_on": "2026-07-01",
        "task": uuid::Uuid::now_v7()});
    let run = json!({"kind": "due"});
    let skill = json!({"name": "gearcases"});
    let requests = [
        ("/v1/findings", finding, 201),
        ("/v1/holds", hold, 201),
        ("/v1/skills", skill, 201),
        ("/v1/runs", run, 202),
        // Refused, so that it may be put right and sent with the same key again.
        ("/v1/services", service_done, 422),
    ];
    for (place, (path, body, status)) in requests.into_iter().enumerate() {
        let key = format!("key {place}");
        let headers = [("idempotency-key", key.as_str())];
        let first = owner.post_with(path, &headers, body.clone()).await;
        let second = owner.post_with(path, &headers, body).await;
        assert_eq!((first.status.as_u16(), second.status.as_u16()), (status, status), "{path}");
        assert_eq!(first.text, second.text, "{path}");
        for header in ["etag", "location", "content-type"] {
            assert_eq!(first.headers.get(header), second.headers.get(header), "{path}");
        }
    }
    for (path, count) in [("/v1/findings", 1), ("/v1/holds", 2), ("/v1/runs", 1)] {
        let listed = owner.get(path).await.expect(200);
        assert_eq!(listed["items"].as_array().unwrap().len(), count, "{path}");
    }
}

#[rstest]
#[tokio::test]
async fn a_key_with_another_request_is_a_mistake(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let planner = service.caller(yard.organisation, Role::Planner).await;
    let other = service.caller(yard.organisation, Role::Planner).await;
    let headers = [("idempotency-key", "k1")];
    planner.post_with("/v1/skills", &headers, json!({"name": "a"})).await.expect(201);
    let reused = planner.post_with("/v1/skills", &headers, json!({"name": "b"})).await;
    assert_eq!(reused.refusal(), (422, "idempotency-key-reused".to_owned()));
    // A key is its program's own.
    other.post_with("/v1/skills", &headers, json!({"name": "b"})).await.expect(201);
}

#[rstest]
#[tokio::test]
async fn of_many_sent_at_once_one_is_done(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let technician = service.caller(yard.organisation, Role::Technician).await;
    let mut requests = tokio::task::JoinSet::new();
    for _ in 0..6 {
        let technician = technician.clone();
        let hold = json!({"engine": engine, "reason": "waits"});
        requests.spawn(async move {
            let headers = [("idempotency-key", "the same")];
            technician.post_with("/v1/holds", &headers, hold).await.expect(201)["id"].clone()
        });
    }
    let ids = requests.join_all().await;
    assert!(ids.iter().all(|id| *id == ids[0]), "{ids:?}");
    let holds = technician.get("/v1/holds").await.expect(200);
    assert_eq!(holds["items"].as_array().unwrap().len(), 1);
}
