//! Lists come in pages; the links lead through all rows, each once.

use fleet::person::Role;
use rstest::rstest;
use serde_json::json;
use tests::database::Database::{self, Postgres, Sqlite};

use crate::caller::{Caller, Service};

/// Follows the links from `path`; the names met and the number of pages.
async fn walk(caller: &Caller, path: &str, field: &str) -> (Vec<String>, usize) {
    let (mut met, mut pages, mut next) = (Vec::new(), 0, Some(path.to_owned()));
    while let Some(path) = next {
        let page = caller.get(&path).await;
        pages += 1;
        let items = page.json()["items"].as_array().unwrap().clone();
        met.extend(items.iter().map(|item| item[field].as_str().unwrap().to_owned()));
        next = page.headers.get("link").map(|link| {
            let link = link.to_str().unwrap();
            let (path, rest) = link.strip_prefix('<').unwrap().split_once('>').unwrap();
            assert_eq!(rest, "; rel=\"next\"");
            path.to_owned()
        });
        assert_eq!(next.is_some(), page.json().get("next").is_some(), "both tell the same");
    }
    (met, pages)
}

#[rstest]
#[tokio::test]
async fn links_lead_through_all_rows_each_once(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let planner = service.caller(yard.organisation, Role::Planner).await;
    let names: Vec<String> = (0..7).map(|place| format!("skill {place}")).collect();
    for name in &names {
        planner.post("/v1/skills", json!({"name": name})).await.expect(201);
    }
    for (size, pages) in [(1, 7), (3, 3), (7, 1), (500, 1)] {
        let path = format!("/v1/skills?size={size}");
        assert_eq!(walk(&planner, &path, "name").await, (names.clone(), pages), "size {size}");
    }
    let (changes, _) = walk(&planner, "/v1/history?size=3", "noun").await;
    assert_eq!(changes.iter().filter(|noun| *noun == "skill").count(), names.len());
}

#[rstest]
#[tokio::test]
async fn a_search_for_parts_keeps_its_text_over_pages(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let buyer = service.caller(yard.organisation, Role::Buyer).await;
    for number in ["IMP-1", "IMP-2", "IMP-3", "ANO-1"] {
        let part = json!({"number": number, "name": "a part", "kind": "part", "unit": "each",
            "sealing": false, "returnable": true, "archived": false});
        buyer.post("/v1/parts", part).await.expect(201);
    }
    let (found, pages) = walk(&buyer, "/v1/parts/search?text=IMP&size=2", "number").await;
    assert_eq!((found, pages), (["IMP-1", "IMP-2", "IMP-3"].map(str::to_owned).to_vec(), 2));
}
