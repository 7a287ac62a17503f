//! Entity tags: nobody's change is lost under another's.

use axum::body::Body;
use fleet::person::Role;
use rstest::rstest;
use serde_json::{Value, json};
use tests::database::Database::{self, Postgres, Sqlite};

use crate::caller::Service;

#[rstest]
#[tokio::test]
async fn the_second_of_two_changes_must_look_again(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let (one, two) = (
        service.caller(yard.organisation, Role::Planner).await,
        service.caller(yard.organisation, Role::Planner).await,
    );
    let path = format!("/v1/engines/{engine}");
    let read = one.get(&path).await;
    let tag = read.header("etag").to_owned();
    let fields = |note: &str| {
        let mut fields: Value = read.json();
        let object = fields.as_object_mut().unwrap();
        object.remove("id");
        object.remove("version");
        object.insert("note".to_owned(), json!(note));
        fields
    };
    let changed = one.put(&path, &tag, fields("tiller cracked")).await;
    assert_eq!(changed.header("etag"), "\"2\"");
    let refused = two.put(&path, &tag, fields("new propeller")).await;
    assert_eq!(refused.refusal(), (412, "changed-meanwhile".to_owned()));
    assert_eq!(one.get(&path).await.expect(200)["note"], "tiller cracked");
    let again = two.put(&path, changed.header("etag"), fields("new propeller")).await;
    assert_eq!(again.expect(200)["version"], 3);

    let without = two.json("PUT", &path, &[], fields("x")).await;
    assert_eq!(without.refusal(), (428, "if-match-missing".to_owned()));
    let removed = two.send("DELETE", &path, &[("if-match", &tag)], Body::empty()).await;
    assert_eq!(removed.refusal(), (412, "changed-meanwhile".to_owned()));
}

#[rstest]
#[tokio::test]
async fn of_two_changes_at_once_one_wins(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let planner = service.caller(yard.organisation, Role::Planner).await;
    let path = format!("/v1/engines/{engine}");
    let mut fields = planner.get(&path).await.expect(200);
    let object = fields.as_object_mut().unwrap();
    object.remove("id");
    object.remove("version");
    let mut changes = tokio::task::JoinSet::new();
    for place in 0..6 {
        let (planner, path, mut fields) = (planner.clone(), path.clone(), fields.clone());
        fields["note"] = json!(format!("note {place}"));
        changes.spawn(async move { planner.put(&path, "\"1\"", fields).await.status.as_u16() });
    }
    let mut answers = changes.join_all().await;
    answers.sort_unstable();
    assert_eq!(answers, [200, 412, 412, 412, 412, 412]);
}
