//! Calendar feeds are made, listed without their address, and closed.

use axum::body::Body;
use fleet::person::Role;
use rstest::rstest;
use serde_json::json;
use store::feeds;
use store::secret::Secret;
use tests::database::Database::{self, Postgres, Sqlite};

use crate::caller::Service;

#[rstest]
#[tokio::test]
async fn a_feeds_address_opens_until_it_is_closed(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let planner = service.caller(yard.organisation, Role::Planner).await;
    let wanted = json!({"kind": "site", "of": yard.site.id.to_string()});
    let made = planner.post("/v1/feeds", wanted.clone()).await.expect(201);
    let address = made["path"].as_str().unwrap();
    let secret = address.strip_prefix("/feeds/").unwrap().strip_suffix(".ics").unwrap();
    let opens = async || {
        feeds::find(service.store.connection(), &Secret::given(secret)).await.unwrap().is_some()
    };
    assert!(opens().await);
    for list in ["/v1/feeds", "/v1/history?size=500"] {
        let owner = service.caller(yard.organisation, Role::Owner).await;
        assert!(!owner.get(list).await.text.contains(secret), "{list} keeps the secret");
    }
    let path = format!("/v1/feeds/{}", made["feed"]["id"].as_str().unwrap());
    let closed = planner.send("DELETE", &path, &[], Body::empty()).await.expect(200);
    assert!(closed["revoked_at"].is_string());
    assert!(!opens().await);

    let technician = service.caller(yard.organisation, Role::Technician).await;
    assert_eq!(technician.post("/v1/feeds", wanted.clone()).await.refusal().0, 403);
    let (south, _) = service.yard_with_engine("south", "ND-1").await;
    let theirs = service.caller(south.organisation, Role::Planner).await;
    assert_eq!(theirs.send("DELETE", &path, &[], Body::empty()).await.refusal().0, 404);
    let refused = theirs.post("/v1/feeds", wanted).await;
    assert_eq!(refused.refusal(), (422, "names-what-is-not-there".to_owned()));
}
