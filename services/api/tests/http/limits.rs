//! What is too large, unreadable or unknown is refused as such, in time.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use axum::body::Body;
use fleet::person::Role;
use futures_util::stream;
use rstest::rstest;
use serde_json::{Value, json};
use tests::database::Database::{self, Postgres, Sqlite};

use crate::caller::Service;

const TWO_GIGABYTES: u64 = 2 << 30;

/// A line of two gigabytes that is made as it is read, and how much of it was read.
fn endless_line() -> (Body, Arc<AtomicU64>) {
    let read = Arc::new(AtomicU64::new(0));
    let counted = Arc::clone(&read);
    let chunk = vec![b'x'; 16 << 10];
    let chunks = stream::unfold(0, move |sent| {
        let (chunk, counted) = (chunk.clone(), Arc::clone(&counted));
        async move {
            counted.fetch_add(chunk.len() as u64, Ordering::Relaxed);
            let more = sent + chunk.len() as u64;
            (sent < TWO_GIGABYTES).then_some((Ok::<_, std::io::Error>(chunk), more))
        }
    });
    (Body::from_stream(chunks), read)
}

#[rstest]
#[case::readings("/v1/readings", "application/x-ndjson")]
#[case::a_file("/v1/loads/engines", "text/csv")]
#[tokio::test]
async fn a_line_of_two_gigabytes_is_refused_after_a_few_kilobytes(
    #[case] path: &str,
    #[case] kind: &str,
) {
    let service = Service::start(Sqlite).await.unwrap();
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let owner = service.caller(yard.organisation, Role::Owner).await;
    let (body, read) = endless_line();
    let refused = owner.send("POST", path, &[("content-type", kind)], body).await;
    assert_eq!(refused.refusal(), (413, "line-too-long".to_owned()));
    assert_eq!(refused.json()["faults"][0]["line"], 1);
    assert!(read.load(Ordering::Relaxed) < 1 << 20, "read {read:?} bytes");
}

#[rstest]
#[tokio::test]
async fn a_json_body_is_held_to_a_megabyte() {
    let service = Service::start(Sqlite).await.unwrap();
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let owner = service.caller(yard.organisation, Role::Owner).await;
    let long = json!({"name": "x".repeat(1 << 20)});
    let refused = owner.post("/v1/skills", long).await;
    assert_eq!(refused.refusal(), (413, "body-refused".to_owned()));
}

#[rstest]
#[case::cut_off("{\"name\": ", 400, "malformed")]
#[case::not_json("name=x", 400, "malformed")]
#[case::another_shape("[]", 422, "field-refused")]
#[case::unknown_field("{\"name\": \"x\", \"nmae\": \"y\"}", 422, "field-refused")]
#[case::missing_field("{}", 422, "field-refused")]
#[tokio::test]
async fn a_body_that_cant_be_read_is_a_problem(
    #[case] body: &'static str,
    #[case] status: u16,
    #[case] rule: &str,
) {
    let service = Service::start(Sqlite).await.unwrap();
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let owner = service.caller(yard.organisation, Role::Owner).await;
    let headers = [("content-type", "application/json")];
    let refused = owner.send("POST", "/v1/skills", &headers, Body::from(body)).await;
    assert_eq!(refused.refusal(), (status, rule.to_owned()));
    assert_eq!(owner.get("/v1/skills").await.expect(200)["items"], json!([]));
}

#[rstest]
#[case::blank(json!({"name": "  "}), "name", "text-blank", "  ")]
#[case::nothing_to_see(json!({"name": "out\u{0}board"}), "name", "control-character", "out\\0board")]
#[case::too_long(json!({"name": "x".repeat(2_001)}), "name", "text-too-long", "")]
#[case::another_kind(json!({"name": 7}), "name", "field-refused", "7")]
#[case::unknown(json!({"name": "x", "nmae": "y"}), "nmae", "field-refused", "y")]
#[tokio::test]
async fn a_refused_field_is_named_with_its_value_and_its_rule(
    #[case] body: Value,
    #[case] field: &str,
    #[case] rule: &str,
    #[case] value: &str,
) {
    let service = Service::start(Sqlite).await.unwrap();
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let owner = service.caller(yard.organisation, Role::Owner).await;
    let refused = owner.post("/v1/skills", body).await;
    assert_eq!(refused.refusal(), (422, "field-refused".to_owned()));
    let fault = &refused.json()["faults"][0];
    assert_eq!((&fault["field"], &fault["rule"]), (&json!(field), &json!(rule)), "{fault}");
    assert!(fault["value"].as_str().unwrap().starts_with(value), "{fault}");
    assert_eq!(owner.get("/v1/skills").await.expect(200)["items"], json!([]));
}

#[rstest]
#[case::no_address("GET", "/v1/no-such-thing", 404)]
#[case::no_id("GET", "/v1/engines/7", 400)]
#[case::wrong_method("PATCH", "/v1/engines", 405)]
#[case::misspelt_filter("GET", "/v1/due?pol=1", 400)]
#[case::misspelt_page("GET", "/v1/engines?sise=3", 400)]
#[case::page_of_none("GET", "/v1/engines?size=0", 422)]
#[case::page_too_large("GET", "/v1/engines?size=501", 422)]
#[case::no_media_type("POST", "/v1/skills", 415)]
#[tokio::test]
async fn whatever_is_refused_is_a_problem(
    #[case] method: &str,
    #[case] path: &str,
    #[case] status: u16,
) {
    let service = Service::start(Sqlite).await.unwrap();
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let owner = service.caller(yard.organisation, Role::Owner).await;
    let refused = owner.send(method, path, &[], Body::empty()).await;
    assert_eq!(refused.refusal().0, status, "{refused:?}");
}

#[rstest]
#[tokio::test]
async fn a_rule_of_the_database_is_named_and_nothing_else_of_it(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let planner = service.caller(yard.organisation, Role::Planner).await;
    planner.post("/v1/skills", json!({"name": "gearcases"})).await.expect(201);
    let twice = planner.post("/v1/skills", json!({"name": "gearcases"})).await;
    assert_eq!(twice.refusal(), (409, "already-there".to_owned()));
    let nowhere = json!({"site": uuid::Uuid::now_v7(), "name": "x", "water": "salt",
        "severity_percent": 100, "archived": false});
    let dangling = planner.post("/v1/pools", nowhere).await;
    assert_eq!(dangling.refusal(), (422, "names-what-is-not-there".to_owned()));
    for text in [twice.text, dangling.text] {
        let text = text.to_lowercase();
        for word in ["sql", "constraint", "table", "insert", "pg_", "/home"] {
            assert!(!text.contains(word), "{text}");
        }
    }
}

#[rstest]
#[tokio::test]
async fn every_answer_carries_the_request_s_id() {
    let service = Service::start(Sqlite).await.unwrap();
    let stranger = service.stranger();
    let answer = stranger.get("/v1/engines").await;
    assert_eq!(answer.refusal(), (401, "not-signed-in".to_owned()));
    assert!(!answer.header("x-request-id").is_empty());
    let headers = [("x-request-id", "of-the-caller")];
    let answer = stranger.send("GET", "/v1/engines", &headers, Body::empty()).await;
    assert_eq!(answer.header("x-request-id"), "of-the-caller");
}
