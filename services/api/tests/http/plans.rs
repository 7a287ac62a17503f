//! A plan over HTTP: asked for, published, and the jobs that come of it.

use std::collections::BTreeSet;
use std::sync::Arc;

use fleet::id::RunId;
use fleet::person::Role;
use rstest::rstest;
use serde_json::{Value, json};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::winter::{WinterYard, YardHas, now};

use crate::caller::{Answer, Caller, Service};

struct Office {
    service: Service,
    winter: WinterYard,
    planner: Caller,
}

impl Office {
    /// `None` where PostgreSQL is asked for and can't be had here.
    async fn open(on: Database) -> Option<Self> {
        let service = Service::start(on).await?;
        let winter = WinterYard::found(&service.store, YardHas::HandsAndBench).await;
        let planner = service.caller(winter.yard.organisation, Role::Planner).await;
        Some(Self { service, winter, planner })
    }

    /// Puts kits for the pump on the shelf.
    async fn receive(&self, quantity: i64) {
        let buyer = self.service.caller(self.winter.yard.organisation, Role::Buyer).await;
        let step = json!({
            "kind": "receipt", "part": self.winter.kit.id, "site": self.winter.yard.site.id,
            "quantity": quantity, "lot": {"code": "L1", "received_on": "2025-10-01"},
        });
        buyer.post("/v1/stock-moves", json!({"move": step})).await.expect(201);
    }

    /// Asks for a lay-up plan, lets it be made, and answers its draft's place.
    async fn drafted(&self) -> String {
        let body = json!({
            "kind": "plan", "site": self.winter.yard.site.id,
            "parameters": {"plan": "lay_up", "work": 200_000},
        });
        let asked = self.planner.post("/v1/runs", body).await;
        assert_eq!(asked.status, 202, "{asked:?}");
        let place = asked.header("location").to_owned();
        let run: RunId = asked.json()["id"].as_str().unwrap().parse().unwrap();
        let (store, organisation) = (&self.service.store, self.winter.yard.organisation);
        let clock: ::runs::Clock = Arc::new(now);
        ::runs::carry_out(store, organisation, run, &clock, Arc::new(|_, _| {})).await.unwrap();
        let run = self.planner.get(&place).await.expect(200);
        let plan = run["summary"]["plans"][0]["plan"].as_str().unwrap();
        format!("/v1/plans/{plan}")
    }

    async fn publish(&self, plan: &str) -> Answer {
        let tag = self.planner.get(plan).await.header("etag").to_owned();
        let headers = [("if-match", tag.as_str())];
        self.planner.post_with(&format!("{plan}/publishing"), &headers, json!({})).await
    }

    /// Open jobs by their days.
    async fn jobs(&self) -> Vec<Value> {
        let jobs = self.planner.get("/v1/jobs").await.expect(200);
        let mut jobs = jobs["items"].as_array().unwrap().clone();
        jobs.sort_by_key(|job| job["planned_on"].to_string());
        jobs
    }

    /// Pieces that lie ready for a job.
    async fn held(&self, job: &str) -> i64 {
        let card = self.planner.get(&format!("/v1/jobs/{job}/card")).await.expect(200);
        let held = card["held"].as_array().unwrap();
        held.iter().map(|held| held["quantity"].as_i64().unwrap()).sum()
    }
}

fn ids(jobs: &Value) -> BTreeSet<String> {
    jobs.as_array().unwrap().iter().map(|id| id.as_str().unwrap().to_owned()).collect()
}

#[rstest]
#[tokio::test]
async fn a_published_plan_makes_jobs_that_the_next_version_keeps(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(office) = Office::open(on).await else { return };
    office.receive(2).await;
    let first = office.drafted().await;
    assert_eq!(office.jobs().await, [] as [Value; 0], "a draft makes no job");
    let viewer = office.service.caller(office.winter.yard.organisation, Role::Viewer).await;
    let publishing = format!("{first}/publishing");
    let refused = viewer.post_with(&publishing, &[("if-match", "\"1\"")], json!({})).await;
    assert_eq!(refused.refusal(), (403, "role-too-small".to_owned()));
    let refused = office.planner.post(&publishing, json!({})).await;
    assert_eq!(refused.refusal(), (428, "if-match-missing".to_owned()));

    let published = office.publish(&first).await.expect(200);
    assert_eq!(published["plan"]["status"], "published");
    let (made, short) = (ids(&published["jobs"]["made"]), ids(&published["jobs"]["short"]));
    assert_eq!((made.len(), short.len()), (3, 1), "{published}");
    let jobs = office.jobs().await;
    let states: Vec<&str> = jobs.iter().map(|job| job["status"].as_str().unwrap()).collect();
    assert_eq!(states, ["kitted", "kitted", "short"], "two kits go to the first two days");
    let engines: BTreeSet<String> =
        office.winter.engines.iter().map(|engine| engine.id.to_string()).collect();
    let of_jobs: BTreeSet<String> =
        jobs.iter().map(|job| job["engine"].as_str().unwrap().to_owned()).collect();
    assert_eq!(of_jobs, engines);
    for job in &jobs {
        let id = job["id"].as_str().unwrap();
        assert_eq!(office.held(id).await, i64::from(job["status"] == "kitted"), "{job}");
        assert!(made.contains(id));
        assert_eq!(short.contains(id), job["status"] == "short");
    }
    let again = office.publish(&first).await;
    assert_eq!(again.refusal(), (422, "plan-not-draft".to_owned()));

    // The next version: the same jobs, with what was kept back for them.
    let second = office.drafted().await;
    let published = office.publish(&second).await.expect(200);
    assert_eq!(ids(&published["jobs"]["kept"]), made, "{published}");
    assert_eq!(published["jobs"]["made"], json!([]));
    assert_eq!(office.jobs().await, jobs, "nothing of them changed");
    assert_eq!(office.planner.get(&first).await.expect(200)["status"], "superseded");
    let mut held = 0;
    for id in &made {
        held += office.held(id).await;
    }
    assert_eq!(held, 2);
}
