//! Files over HTTP.

use axum::body::Body;
use exchange::load::Kind;
use fleet::person::Role;
use rstest::rstest;
use serde_json::json;
use tests::database::Database::{self, Postgres, Sqlite};

use crate::caller::{Answer, Caller, Service};

async fn load(caller: &Caller, path: &str, text: impl Into<Body>) -> Answer {
    caller.send("POST", path, &[("content-type", "text/csv")], text.into()).await
}

#[rstest]
#[tokio::test]
async fn a_file_is_loaded_whole_or_not_at_all(#[values(Sqlite, Postgres)] on: Database) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let planner = service.caller(yard.organisation, Role::Planner).await;
    let before = planner.get("/v1/boats").await.expect(200);
    let header = "site;boat;tag\n";
    let good = format!("{header}{site};Tern;T-1\n{site};Skua;T-2\n", site = yard.site.name);
    let bad = format!("{good}Nowhere;Gannet;T-3\n");
    let refused = load(&planner, "/v1/loads/boats", bad.clone()).await;
    assert_eq!(refused.refusal(), (422, "rows-refused".to_owned()));
    let fault = &refused.json()["faults"][0];
    assert_eq!((&fault["line"], &fault["field"]), (&json!(4), &json!("site")));
    assert_eq!(fault["value"], "Nowhere");
    assert_eq!(planner.get("/v1/boats").await.expect(200), before);

    let dry = load(&planner, "/v1/loads/boats?dry_run=true", good.clone()).await.expect(200);
    assert_eq!((&dry["added"], &dry["kept"]), (&json!(2), &json!(false)));
    assert_eq!(planner.get("/v1/boats").await.expect(200), before);
    let dry = load(&planner, "/v1/loads/boats?dry_run=true", bad.clone()).await;
    assert_eq!(dry.refusal().0, 422);

    let kept = load(&planner, "/v1/loads/boats?keep_good=true", bad).await.expect(200);
    assert_eq!((&kept["added"], &kept["kept"]), (&json!(2), &json!(true)));
    assert_eq!(kept["faults"].as_array().unwrap().len(), 1);
    let twice = load(&planner, "/v1/loads/boats", good).await.expect(200);
    assert_eq!((&twice["added"], &twice["unchanged"]), (&json!(0), &json!(2)));
}

#[rstest]
#[tokio::test]
async fn a_workbook_is_read_as_well(#[values(Sqlite, Postgres)] on: Database) {
    use exchange::workbook::{Cell, write_workbook};
    let Some(service) = Service::start(on).await else { return };
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let planner = service.caller(yard.organisation, Role::Planner).await;
    let row = vec![Cell::from(yard.site.name.as_str()), Cell::from("Tern")];
    let book = write_workbook("boats", &["site", "boat"], &[row]).unwrap();
    let kept = load(&planner, "/v1/loads/boats", book).await.expect(200);
    assert_eq!((&kept["read"], &kept["added"]), (&json!(1), &json!(1)));
}

#[rstest]
#[tokio::test]
async fn every_kind_has_a_file_to_fill_in() {
    let service = Service::start(Sqlite).await.unwrap();
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let viewer = service.caller(yard.organisation, Role::Viewer).await;
    let kinds = viewer.get("/v1/loads").await.expect(200);
    assert_eq!(kinds.as_array().unwrap().len(), Kind::ALL.len());
    for kind in kinds.as_array().unwrap() {
        let name = kind["kind"].as_str().unwrap();
        let template = viewer.get(&format!("/v1/loads/{name}/template")).await;
        assert_eq!(template.status, 200);
        for column in kind["columns"].as_array().unwrap() {
            assert!(template.text.contains(column["name"].as_str().unwrap()), "{name}");
        }
    }
    let unknown = viewer.get("/v1/loads/sails/template").await;
    assert_eq!(unknown.refusal(), (404, "not-found".to_owned()));
    let unknown = load(&viewer, "/v1/loads/sails", "a,b\n").await;
    assert_eq!(unknown.refusal(), (404, "not-found".to_owned()));
}
