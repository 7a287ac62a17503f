//! Jobs and stock over HTTP: from receipt to release.

use axum::body::Body;
use fleet::bench::JobStatus;
use fleet::person::Role;
use rstest::rstest;
use serde_json::{Value, json};
use store::{StoreError, Transaction, record};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::yard::{Yard, author, part};

use crate::caller::{Caller, Service};

struct Shop {
    service: Service,
    yard: Yard,
    engine: String,
    part: String,
    planner: Caller,
    technician: Caller,
    buyer: Caller,
}

impl Shop {
    /// `None` where PostgreSQL is asked for and can't be had here.
    async fn open(on: Database) -> Option<Self> {
        let service = Service::start(on).await?;
        let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
        let impeller = part("BV-6-IMP");
        let part = impeller.id.to_string();
        let work = async |transaction: &Transaction| {
            record::create(transaction, yard.organisation, &author(), &[impeller]).await?;
            Ok::<_, StoreError>(())
        };
        service.store.write(work).await.unwrap();
        let planner = service.caller(yard.organisation, Role::Planner).await;
        let technician = service.caller(yard.organisation, Role::Technician).await;
        let buyer = service.caller(yard.organisation, Role::Buyer).await;
        Some(Self { service, yard, engine, part, planner, technician, buyer })
    }

    async fn receive(&self, quantity: i64) -> Value {
        let site = self.yard.site.id.to_string();
        let step = json!({
            "kind": "receipt", "part": self.part, "site": site, "quantity": quantity,
            "lot": {"code": "L1", "received_on": "2025-07-01"},
        });
        self.buyer.post("/v1/stock-moves", json!({"move": step})).await.expect(201)
    }

    async fn propose(&self) -> String {
        let body = json!({
            "engine": self.engine, "tasks": [],
            "parts": [{"part": self.part, "quantity": 1}],
        });
        let job = self.planner.post("/v1/jobs", body).await.expect(201);
        assert_eq!(job["status"], "proposed");
        job["id"].as_str().unwrap().to_owned()
    }
}

async fn to_state(caller: &Caller, job: &str, version: i64, state: JobStatus) -> Value {
    let tag = format!("\"{version}\"");
    let headers = [("if-match", tag.as_str())];
    let body = json!({"state": state});
    caller.post_with(&format!("/v1/jobs/{job}/state"), &headers, body).await.expect(200)
}

#[rstest]
#[tokio::test]
async fn a_job_goes_from_proposed_to_released_and_its_stock_is_booked_once(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(shop) = Shop::open(on).await else { return };
    shop.receive(2).await;
    let job = shop.propose().await;
    let moved = to_state(&shop.planner, &job, 1, JobStatus::Agreed).await;
    assert_eq!(moved["job"]["status"], "kitted");
    let card = shop.technician.get(&format!("/v1/jobs/{job}/card")).await.expect(200);
    assert_eq!(card["held"][0]["quantity"], 1);
    assert!(card["may_become"].as_array().unwrap().contains(&json!("on_bench")), "{card}");
    let mut version = moved["job"]["version"].as_i64().unwrap();
    for state in [JobStatus::OnBench, JobStatus::OnTest, JobStatus::Released] {
        let moved = to_state(&shop.technician, &job, version, state).await;
        assert_eq!(moved["job"]["status"], state.as_str());
        version = moved["job"]["version"].as_i64().unwrap();
    }
    let stock = shop.technician.get("/v1/stock").await.expect(200);
    assert_eq!(stock["items"][0]["on_hand"], 1, "{stock}");
    let found = shop.technician.get("/v1/jobs/search?state=released").await.expect(200);
    assert_eq!(found["items"].as_array().unwrap().len(), 1);
    let none = shop.technician.get("/v1/jobs/search?state=short").await.expect(200);
    assert_eq!(none["items"], json!([]));
    let before = shop.technician.get("/v1/stock?at=2000-01-01T00:00:00Z").await.expect(200);
    assert_eq!(before["items"], json!([]));
    drop(shop.service);
}

#[rstest]
#[tokio::test]
async fn a_job_without_its_part_is_short_until_it_comes(#[values(Sqlite, Postgres)] on: Database) {
    let Some(shop) = Shop::open(on).await else { return };
    let job = shop.propose().await;
    let moved = to_state(&shop.planner, &job, 1, JobStatus::Agreed).await;
    assert_eq!(moved["job"]["status"], "short");
    assert_eq!(moved["shortages"][0]["part"], shop.part.as_str());
    assert_eq!(moved["shortages"][0]["missing"], 1);
    let booked = shop.receive(1).await;
    assert_eq!(booked["kitted"][0]["id"], job.as_str(), "{booked}");
    assert_eq!(booked["lots"][0]["dated_by"], "receipt");
}

#[rstest]
#[tokio::test]
async fn what_breaks_a_rule_of_the_shelf_is_refused_by_its_name(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(shop) = Shop::open(on).await else { return };
    let booked = shop.receive(2).await;
    let lot = booked["lots"][0]["id"].as_str().unwrap();
    let site = shop.yard.site.id.to_string();
    let place = |kind: &str, more: Value| {
        let mut step = json!({"kind": kind, "part": shop.part, "site": site, "lot": lot});
        step.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        json!({"move": step, "reason": "tried"})
    };
    for (kind, more, rule) in [
        ("scrapped", json!({"quantity": 3}), "stock-below-zero"),
        ("adjustment", json!({"quantity": 0}), "stock-nothing-moved"),
        ("transfer", json!({"quantity": 1, "to": site}), "same-site"),
        ("kit_opened", json!({"kits": 1}), "not-a-kit"),
        ("count", json!({"counted": -1}), "stock-negative"),
    ] {
        let refused = shop.buyer.post("/v1/stock-moves", place(kind, more)).await;
        assert_eq!(refused.refusal(), (422, rule.to_owned()), "{kind}");
    }
    let unreasoned = json!({"move": {"kind": "count", "part": shop.part, "site": site,
        "lot": lot, "counted": 1}});
    let refused = shop.technician.post("/v1/stock-moves", unreasoned).await;
    assert_eq!(refused.refusal(), (422, "stock-reason-missing".to_owned()));
    let beyond = place("scrapped", json!({"quantity": 3}));
    let mut allowed = beyond.clone();
    allowed["allowed_by"] = json!(shop.yard.owner.id);
    let booked = shop.buyer.post("/v1/stock-moves", allowed).await.expect(201);
    assert_eq!(booked["moves"][0]["moved_by"], json!(shop.yard.owner.id));
    let goods = shop.technician.post("/v1/stock-moves", beyond).await;
    assert_eq!(goods.refusal(), (403, "role-too-small".to_owned()));
}

#[rstest]
#[tokio::test]
async fn a_count_sent_twice_with_its_key_is_booked_once(#[values(Sqlite, Postgres)] on: Database) {
    let Some(shop) = Shop::open(on).await else { return };
    let booked = shop.receive(5).await;
    let lot = &booked["lots"][0]["id"];
    let site = shop.yard.site.id;
    let body = json!({
        "move": {"kind": "count", "part": shop.part, "site": site, "lot": lot, "counted": 4},
        "reason": "one cracked",
    });
    let headers = [("idempotency-key", "count of Tuesday")];
    let path = "/v1/stock-moves";
    let first = shop.technician.post_with(path, &headers, body.clone()).await.expect(201);
    let again = shop.technician.post_with(path, &headers, body).await.expect(201);
    assert_eq!(first, again);
    let moves = shop.technician.get(path).await.expect(200);
    assert_eq!(moves["items"].as_array().unwrap().len(), 2, "the receipt and one count");
}

#[rstest]
#[tokio::test]
async fn a_part_asked_for_by_mistake_is_taken_off_again(#[values(Sqlite, Postgres)] on: Database) {
    let Some(shop) = Shop::open(on).await else { return };
    shop.receive(2).await;
    let job = shop.propose().await;
    let moved = to_state(&shop.planner, &job, 1, JobStatus::Agreed).await;
    let version = moved["job"]["version"].as_i64().unwrap();
    let moved = to_state(&shop.technician, &job, version, JobStatus::OnBench).await;
    let tag = format!("\"{}\"", moved["job"]["version"]);
    let headers = [("if-match", tag.as_str())];
    let asked = json!({"part": shop.part, "quantity": 2});
    let path = format!("/v1/jobs/{job}/parts");
    let short = shop.technician.post_with(&path, &headers, asked).await.expect(200);
    assert_eq!(short["job"]["status"], "short");
    let card = shop.technician.get(&format!("/v1/jobs/{job}/card")).await.expect(200);
    let line = &card["parts"][0];
    assert_eq!((&line["quantity"], &line["beyond_plan"]), (&json!(3), &json!(2)));
    let path = format!("/v1/job-parts/{}", line["id"].as_str().unwrap());
    let off = async |version: i64| {
        let tag = format!("\"{version}\"");
        let headers = [("if-match", tag.as_str())];
        shop.technician.send("DELETE", &path, &headers, Body::empty()).await
    };
    let first = line["version"].as_i64().unwrap() - 1;
    assert_eq!(off(first).await.refusal(), (412, "changed-meanwhile".to_owned()));
    let kitted = off(first + 1).await.expect(200);
    assert_eq!(kitted["job"]["status"], "kitted", "{kitted}");
    assert_eq!(off(first + 2).await.refusal(), (422, "job-part-planned".to_owned()));
}

#[rstest]
#[tokio::test]
async fn only_a_planner_agrees_and_only_from_what_was_read(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(shop) = Shop::open(on).await else { return };
    let job = shop.propose().await;
    let path = format!("/v1/jobs/{job}/state");
    let headers = [("if-match", "\"1\"")];
    let agreed = json!({"state": "agreed"});
    let refused = shop.technician.post_with(&path, &headers, agreed.clone()).await;
    assert_eq!(refused.refusal(), (403, "role-too-small".to_owned()));
    let refused = shop.planner.post(&path, agreed.clone()).await;
    assert_eq!(refused.refusal(), (428, "if-match-missing".to_owned()));
    shop.planner.post_with(&path, &headers, agreed.clone()).await.expect(200);
    let refused = shop.planner.post_with(&path, &headers, agreed).await;
    assert_eq!(refused.refusal(), (412, "changed-meanwhile".to_owned()));
    let refused = shop
        .planner
        .post(
            "/v1/jobs",
            json!({"engine": shop.engine, "tasks": [],
        "parts": [{"part": shop.part, "quantity": 0}]}),
        )
        .await;
    assert_eq!(refused.refusal(), (422, "job-part-nothing".to_owned()));
}
