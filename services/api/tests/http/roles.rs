//! What each role may do.

use axum::body::Body;
use fleet::person::Role;
use rstest::rstest;
use serde_json::{Value, json};
use tests::database::Database::Sqlite;

use crate::caller::Service;

const WORKERS: &[Role] = &[Role::Technician, Role::Planner, Role::Buyer, Role::Owner];
const PLANNERS: &[Role] = &[Role::Planner, Role::Owner];
const BUYERS: &[Role] = &[Role::Buyer, Role::Owner];
const ID: &str = "018f0000-0000-7000-8000-000000000000";

/// The body has the right shape and names what is not there: whoever may write is told so, and
/// nobody else gets that far.
#[rstest]
#[case::readings("/v1/engines/018f0000-0000-7000-8000-000000000000/readings",
    json!({"read_at": "2026-07-05T18:30:00Z", "shown": 412.6}), WORKERS)]
#[case::meter_swaps("/v1/engines/018f0000-0000-7000-8000-000000000000/meter-swaps",
    json!({"swapped_at": "2026-07-05T18:30:00Z", "old_last": 412.6, "new_first": 0}), WORKERS)]
#[case::fittings("/v1/fittings", json!({"engine": ID, "boat": ID}), PLANNERS)]
#[case::hire("/v1/hire-log", json!({"boat": ID, "out_at": "2026-07-05T08:00:00Z",
    "back_at": "2026-07-05T18:30:00Z"}), WORKERS)]
#[case::checks("/v1/hire-checks", json!({"boat": ID, "kind": "return", "items": []}), WORKERS)]
#[case::findings("/v1/findings", json!({"engine": ID, "title": "x", "urgency": "stop"}), WORKERS)]
#[case::holds("/v1/holds", json!({"engine": ID, "reason": "x"}), WORKERS)]
#[case::services("/v1/services",
    json!({"engine": ID, "task": ID, "done_on": "2026-07-05", "reason": "due"}), WORKERS)]
#[case::boats("/v1/boats", json!({"site": ID, "name": "Tern", "archived": false}), PLANNERS)]
#[case::due_runs("/v1/runs", json!({"kind": "due", "site": ID}), PLANNERS)]
#[case::forecasts("/v1/runs", json!({"kind": "forecast", "site": ID}),
    &[Role::Planner, Role::Buyer, Role::Owner])]
#[case::advice("/v1/runs", json!({"kind": "order_advice", "site": ID}), BUYERS)]
#[case::snapshots("/v1/runs", json!({"kind": "snapshot", "site": ID}), &[Role::Owner])]
#[case::kits("/v1/kit-lines", json!({"kit": ID, "part": ID, "quantity": 1}), BUYERS)]
#[case::prices("/v1/site-prices",
    json!({"site": ID, "kind": "day_late", "basis": "x",
        "amount": {"amount": "12.50", "currency": "EUR"}}), &[Role::Owner])]
#[case::tokens("/v1/tokens", json!({"name": " ", "role": "viewer"}), &[Role::Owner])]
#[tokio::test]
async fn a_role_does_its_own_work_and_no_other(
    #[case] path: &str,
    #[case] body: Value,
    #[case] allowed: &[Role],
) {
    let service = Service::start(Sqlite).await.unwrap();
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    for role in Role::ALL {
        let caller = service.caller(yard.organisation, *role).await;
        let (status, rule) = caller.post(path, body.clone()).await.refusal();
        if allowed.contains(role) {
            assert!([404, 422].contains(&status), "{role}: {status} {rule}");
            assert_ne!(rule, "field-refused", "{role}");
        } else {
            assert_eq!((status, rule.as_str()), (403, "role-too-small"), "{role}");
        }
    }
}

#[rstest]
#[case::parts("/v1/loads/parts", BUYERS)]
#[case::people("/v1/loads/people", &[Role::Owner])]
#[case::engines("/v1/loads/engines", PLANNERS)]
#[case::hire("/v1/loads/hire", WORKERS)]
#[case::readings("/v1/readings", WORKERS)]
#[tokio::test]
async fn a_file_needs_the_role_of_its_rows(#[case] path: &str, #[case] allowed: &[Role]) {
    let service = Service::start(Sqlite).await.unwrap();
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    for role in Role::ALL {
        let caller = service.caller(yard.organisation, *role).await;
        let headers = [("content-type", "application/x-ndjson")];
        let body = Body::from("{\"no such column\": 1}\n");
        let status = caller.send("POST", path, &headers, body).await.refusal().0;
        assert_eq!(status, if allowed.contains(role) { 422 } else { 403 }, "{role}");
    }
}

#[rstest]
#[tokio::test]
async fn a_viewer_reads_everything_but_secrets() {
    let service = Service::start(Sqlite).await.unwrap();
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let viewer = service.caller(yard.organisation, Role::Viewer).await;
    let document: Value = viewer.get("/v1/openapi.json").await.expect(200);
    let paths = document["paths"].as_object().unwrap();
    let lists =
        paths.iter().filter(|(path, item)| item.get("get").is_some() && !path.contains('{'));
    for (path, _) in lists {
        let status = viewer.get(path).await.status.as_u16();
        match path.as_str() {
            "/v1/tokens" | "/v1/feeds" => assert_eq!(status, 403, "{path}"),
            "/v1/due" | "/v1/order-advice" | "/v1/lives" | "/v1/lives/engines" => {
                assert_eq!(status, 404, "no run yet");
            }
            _ => assert_eq!(status, 200, "{path}"),
        }
    }
}
