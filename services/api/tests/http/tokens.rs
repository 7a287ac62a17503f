//! Tokens open what their role may, until they are revoked.

use axum::body::Body;
use fleet::person::Role;
use rstest::rstest;
use serde_json::json;
use tests::database::Database::{self, Postgres, Sqlite};

use crate::caller::Service;

#[rstest]
#[tokio::test]
async fn a_token_opens_until_it_is_revoked(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let owner = service.caller(yard.organisation, Role::Owner).await;
    let made = owner.post("/v1/tokens", json!({"name": "counter", "role": "technician"})).await;
    let made = made.expect(201);
    let secret = made["secret"].as_str().unwrap();
    let bearer = format!("Bearer {secret}");
    let headers = [("authorization", bearer.as_str())];
    let stranger = service.stranger();
    let read = stranger.send("GET", "/v1/engines", &headers, Body::empty()).await;
    assert_eq!(read.status, 200);

    let listed = owner.get("/v1/tokens").await;
    assert!(!listed.text.contains(secret), "a secret is shown once");
    let history = owner.get("/v1/history?size=500").await;
    assert!(!history.text.contains(secret));

    let path = format!("/v1/tokens/{}", made["token"]["id"].as_str().unwrap());
    let revoked = owner.send("DELETE", &path, &[], Body::empty()).await.expect(200);
    assert!(revoked["revoked_at"].is_string());
    let refused = stranger.send("GET", "/v1/engines", &headers, Body::empty()).await;
    assert_eq!(refused.refusal(), (401, "not-signed-in".to_owned()));
    assert_eq!(refused.header("www-authenticate"), "Bearer");

    let (south, _) = service.yard_with_engine("south", "ND-1").await;
    let theirs = service.caller(south.organisation, Role::Owner).await;
    let refused = theirs.send("DELETE", &path, &[], Body::empty()).await;
    assert_eq!(refused.refusal(), (404, "not-found".to_owned()));
}

#[rstest]
#[case::none("")]
#[case::not_bearer("Basic Zm9v")]
#[case::unknown("Bearer 0123456789abcdef")]
#[case::empty("Bearer ")]
#[tokio::test]
async fn without_a_good_token_nothing_opens(#[case] given: &str) {
    let service = Service::start(Sqlite).await.unwrap();
    let headers = [("authorization", given)];
    let headers = if given.is_empty() { &[][..] } else { &headers[..] };
    for path in ["/v1/engines", "/v1/due", "/v1/tokens", "/v1/loads", "/v1/loads/boats/template"] {
        let refused = service.stranger().send("GET", path, headers, Body::empty()).await;
        assert_eq!(refused.refusal(), (401, "not-signed-in".to_owned()), "{path}");
    }
}
