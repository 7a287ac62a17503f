//! The document describes what is there, and its page asks nobody else.

use std::path::Path;

use rstest::rstest;
use serde_json::Value;
use tests::database::Database::Sqlite;

use crate::caller::Service;

/// Puts the document where it is kept when `SLACKWATER_WRITE_OPENAPI` is set.
#[test]
fn the_kept_document_is_the_routes_own() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../openapi/slackwater.json");
    let made = api::document_text().unwrap();
    if std::env::var_os("SLACKWATER_WRITE_OPENAPI").is_some() {
        std::fs::write(&path, &made).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == made,
        "openapi/slackwater.json is stale; write it with `slackwater openapi > openapi/slackwater.json`"
    );
}

fn references(value: &Value, found: &mut Vec<String>) {
    match value {
        Value::Object(object) => {
            if let Some(Value::String(reference)) = object.get("$ref") {
                found.push(reference.clone());
            }
            object.values().for_each(|value| references(value, found));
        }
        Value::Array(array) => array.iter().for_each(|value| references(value, found)),
        _ => {}
    }
}

#[test]
fn the_document_is_whole() {
    let document: Value = serde_json::from_str(&api::document().to_json().unwrap()).unwrap();
    assert!(document["openapi"].as_str().unwrap().starts_with("3.1"));
    let mut found = Vec::new();
    references(&document, &mut found);
    for reference in &found {
        let pointer = reference.strip_prefix('#').unwrap();
        assert!(document.pointer(pointer).is_some(), "{reference} leads nowhere");
    }
    let mut operations = Vec::new();
    for (path, item) in document["paths"].as_object().unwrap() {
        assert!(path.starts_with("/v1/"), "{path}");
        for (method, operation) in item.as_object().unwrap() {
            if !["get", "put", "post", "delete"].contains(&method.as_str()) {
                continue;
            }
            operations.push(operation["operationId"].as_str().unwrap().to_owned());
            let responses = operation["responses"].as_object().unwrap();
            assert!(responses.contains_key("default"), "{method} {path} lists its problems");
            assert!(operation["summary"].is_string(), "{method} {path} says what it does");
            for part in path.split('/').filter_map(|part| part.strip_prefix('{')) {
                let name = part.trim_end_matches('}');
                let named = operation["parameters"].as_array().unwrap();
                assert!(named.iter().any(|one| one["name"] == name), "{method} {path}: {name}");
            }
        }
    }
    let count = operations.len();
    operations.sort_unstable();
    operations.dedup();
    assert_eq!(operations.len(), count, "operation ids are unique");
}

/// Whatever the document says can be asked for is there: it asks who calls, not what that is.
#[rstest]
#[tokio::test]
async fn every_described_operation_is_routed() {
    let service = Service::start(Sqlite).await.unwrap();
    let document: Value = serde_json::from_str(&api::document().to_json().unwrap()).unwrap();
    for (path, item) in document["paths"].as_object().unwrap() {
        let id = "018f0000-0000-7000-8000-000000000000";
        let path = path.replace("{id}", id).replace("{kind}", "due").replace("{name}", "x");
        for method in item.as_object().unwrap().keys() {
            if !["get", "put", "post", "delete"].contains(&method.as_str()) {
                continue;
            }
            let headers = [("content-type", "application/json")];
            let method = method.to_uppercase();
            let body = axum::body::Body::from("{}");
            let answer = service.stranger().send(&method, &path, &headers, body).await;
            assert_eq!(answer.refusal().0, 401, "{method} {path}");
        }
    }
}

#[rstest]
#[tokio::test]
async fn the_page_asks_no_other_host() {
    let service = Service::start(Sqlite).await.unwrap();
    let stranger = service.stranger();
    let page = stranger.get("/docs/").await;
    assert_eq!(page.status, 200);
    let policy = page.header("content-security-policy").to_owned();
    assert!(policy.contains("default-src 'none'") && policy.contains("script-src 'self'"));
    assert!(!policy.contains("http") && !policy.contains('*'));
    // What the page needs is beside it; no script stands in the page itself, which the policy refuses.
    for tag in page.text.split('<').filter(|tag| tag.starts_with("script")) {
        assert!(tag.contains("src=") && tag.trim_end().ends_with('>'), "{tag}");
    }
    let mut assets = 0;
    for attribute in ["src=\"", "href=\""] {
        for rest in page.text.split(attribute).skip(1) {
            let address = rest.split('"').next().unwrap();
            assert!(!address.contains("//"), "{address}");
            let address = format!("/docs/{}", address.trim_start_matches("./"));
            assert_eq!(stranger.get(&address).await.status, 200, "{address}");
            assets += 1;
        }
    }
    assert!(assets >= 4, "style and scripts, {assets} found");
    let settings = stranger.get("/docs/swagger-initializer.js").await;
    assert!(settings.text.contains("\"validatorUrl\": \"none\""), "{}", settings.text);
    let document = stranger.get("/v1/openapi.json").await.expect(200);
    assert!(document["paths"].get("/v1/engines").is_some());
}
