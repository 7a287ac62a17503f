//! An organisation never sees, changes or names another's rows.

use axum::body::Body;
use fleet::person::Role;
use rstest::rstest;
use serde_json::json;
use tests::database::Database::{self, Postgres, Sqlite};
use uuid::Uuid;

use crate::caller::Service;

#[rstest]
#[tokio::test]
async fn anothers_engine_looks_like_none(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (north, ours) = service.yard_with_engine("north", "ND-1042").await;
    let (_, theirs) = service.yard_with_engine("south", "ND-1042").await;
    let owner = service.caller(north.organisation, Role::Owner).await;
    let none = Uuid::now_v7().to_string();
    let shown = owner.get(&format!("/v1/engines/{ours}")).await.expect(200);
    let reading = json!({"read_at": "2026-07-05T18:30:00Z", "shown": 4});
    let mut fields = shown.clone();
    let object = fields.as_object_mut().unwrap();
    object.remove("id");
    object.remove("version");
    for id in [&theirs, &none] {
        let engine = format!("/v1/engines/{id}");
        let read = owner.get(&engine).await;
        let changed = owner.put(&engine, "\"1\"", fields.clone()).await;
        let removed = owner.send("DELETE", &engine, &[("if-match", "\"1\"")], Body::empty()).await;
        let readings = owner.get(&format!("{engine}/readings")).await;
        let recorded = owner.post(&format!("{engine}/readings"), reading.clone()).await;
        let finding = json!({"engine": id, "title": "oil is milky", "urgency": "stop"});
        let found = owner.post("/v1/findings", finding).await;
        let held = owner.post("/v1/holds", json!({"engine": id, "reason": "waits"})).await;
        let swap = json!({"swapped_at": "2026-07-05T18:30:00Z", "old_last": 4, "new_first": 0});
        let swapped = owner.post(&format!("{engine}/meter-swaps"), swap).await;
        let sat = owner.get(&format!("{engine}/fittings")).await;
        let hired = owner.get(&format!("{engine}/hire-log")).await;
        let checked = owner.get(&format!("{engine}/hire-checks")).await;
        let boat = none.as_str();
        let fitted = owner.post("/v1/fittings", json!({"engine": id, "boat": boat})).await;
        for answer in [
            read, changed, removed, readings, recorded, found, held, swapped, sat, hired, checked,
            fitted,
        ] {
            assert_eq!(answer.refusal(), (404, "not-found".to_owned()));
            assert_eq!(answer.json()["detail"], "there is no such engine");
        }
    }
    let listed = owner.get("/v1/engines").await.expect(200);
    let ids: Vec<_> = listed["items"].as_array().unwrap().iter().map(|one| &one["id"]).collect();
    assert_eq!(ids, [&json!(ours)]);
    let history = owner.get("/v1/history?size=500").await.expect(200);
    assert!(!history.to_string().contains(&theirs));
}

#[rstest]
#[tokio::test]
async fn a_row_can_t_name_anothers(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (north, _) = service.yard_with_engine("north", "ND-1042").await;
    let (south, _) = service.yard_with_engine("south", "ND-7").await;
    let planner = service.caller(north.organisation, Role::Planner).await;
    let engine = json!({"serial": "ND-2", "model": north.model.id, "pool": south.pool.id,
        "status": "in_service"});
    let refused = planner.post("/v1/engines", engine).await;
    assert_eq!(refused.refusal(), (422, "names-what-is-not-there".to_owned()));
}
