//! Lives of parts: listed, and what they propose accepted by a person or not at all.

use ::runs::lives::kept::ENGINES_FILE;
use ::runs::lives::kept::{
    EnginesKept, Group, GroupOf, ItemLives, LIVES_FILE, LivesKept, Proposal, Verdict,
};
use fleet::id::{IntervalId, PartId, RunId};
use fleet::person::Role;
use fleet::programme::{IntervalBasis, ProgrammeInterval};
use fleet::run::RunKind;
use fleet::{Currency, Hours};
use rstest::rstest;
use serde_json::json;
use store::runs::{self, Outcome, Request, RunFile};
use store::{StoreError, Transaction, record};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::yard::{Yard, author, now, part};

use crate::caller::Service;
use crate::runs::task;

const SENTENCE: &str = "impeller: 9 failures in 212 lives; replacing at 180 h costs least; between 140 \
                        and 260 h it hardly matters";

/// A finished life run that proposes 180 h for an interval of 300 h.
async fn life_run(service: &Service, yard: &Yard) -> (PartId, IntervalId, RunId) {
    let (task, impeller) = (task(), part("IM-1"));
    let interval = ProgrammeInterval {
        id: IntervalId::fresh(),
        version: 1,
        task: task.id,
        model: None,
        every: Hours::from_decimal(300.0).ok(),
        every_months: None,
        first: None,
        first_months: None,
        severity_on_months: false,
        basis: IntervalBasis::Maker,
        source: "owner's book".to_owned(),
        page: Some("31".to_owned()),
        serial_from: None,
        serial_until: None,
        verified_by: None,
    };
    let group = Group {
        of: GroupOf::All,
        name: String::new(),
        lives: 212,
        failures: 9,
        intervals: 0,
        method: "kaplan_meier".to_owned(),
        sentence: SENTENCE.to_owned(),
        law: None,
        mean_life: None,
        range: None,
        survival: vec![(150.0, 0.9)],
        costs: None,
        cheapest: None,
    };
    let proposal = Proposal {
        interval: interval.id,
        version: 1,
        model: None,
        model_name: "every model".to_owned(),
        every_h: 300.0,
        severity: 1.0,
        verdict: Verdict::Shorten,
        to_h: Some(180.0),
        of_maker: true,
        sentence: "consider shortening the interval of 300 h to 180 h".to_owned(),
        rests_on: SENTENCE.to_owned(),
    };
    let item = ItemLives {
        name: "Impeller".to_owned(),
        parts: vec![impeller.id],
        task: Some(task.id),
        task_name: Some(task.name.clone()),
        on_condition: false,
        left_out: 3,
        unknown_reason: 0,
        groups: vec![group],
        comparisons: vec![],
        proposals: vec![proposal],
    };
    let on = now().date_naive();
    let lives = LivesKept { on, currency: Currency::EUR, items: vec![item] };
    let engines = EnginesKept { on, currency: Currency::EUR, assumptions: vec![], engines: vec![] };
    let json = |name: &str, content: Vec<u8>| RunFile {
        name: name.to_owned(),
        media_type: "application/json".to_owned(),
        content,
    };
    let files = [
        json(LIVES_FILE, serde_json::to_vec(&lives).unwrap()),
        json(ENGINES_FILE, serde_json::to_vec(&engines).unwrap()),
    ];
    let organisation = yard.organisation;
    let work = async |transaction: &Transaction| {
        record::create(transaction, organisation, &author(), std::slice::from_ref(&task)).await?;
        let parts = std::slice::from_ref(&impeller);
        record::create(transaction, organisation, &author(), parts).await?;
        let rows = std::slice::from_ref(&interval);
        record::create(transaction, organisation, &author(), rows).await?;
        let request = Request {
            kind: RunKind::Life,
            site: None,
            program_version: "0".to_owned(),
            seed: 1,
            parameters: json!({}),
            requested_by: "tests".to_owned(),
        };
        let run = runs::request(transaction, organisation, &request, now()).await?.id;
        runs::start(transaction, organisation, run, now()).await?;
        let outcome = Outcome { input_digest: vec![0xab; 32], scores: None, summary: None };
        runs::finish(transaction, organisation, run, &outcome, &files, now()).await?;
        Ok::<_, StoreError>(run)
    };
    let run = service.store.write(work).await.unwrap();
    (impeller.id, interval.id, run)
}

#[rstest]
#[tokio::test]
async fn lives_are_listed_in_sentences_and_one_part_in_full(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let viewer = service.caller(yard.organisation, Role::Viewer).await;
    assert_eq!(viewer.get("/v1/lives").await.refusal(), (404, "not-found".to_owned()));
    let (part, _, run) = life_run(&service, &yard).await;
    let listed = viewer.get("/v1/lives").await.expect(200);
    assert_eq!(listed["run"], json!(run));
    assert_eq!(listed["items"][0]["part"], json!(part));
    assert_eq!(listed["items"][0]["sentences"], json!([SENTENCE]));
    let whole = viewer.get(&format!("/v1/lives/{part}")).await.expect(200);
    assert_eq!(whole["left_out"], json!(3));
    assert_eq!(whole["groups"][0]["survival"], json!([{"age": 150.0, "share": 0.9}]));
    assert_eq!(whole["proposals"][0]["verdict"], json!("shorten"));
    let other = viewer.get(&format!("/v1/lives/{}", uuid::Uuid::now_v7())).await;
    assert_eq!(other.refusal(), (404, "not-found".to_owned()));
    assert_eq!(viewer.get("/v1/lives/engines").await.expect(200)["items"], json!([]));
    // Another organisation's lives look like none.
    let (south, _) = service.yard_with_engine("south", "SD-1").await;
    let stranger = service.caller(south.organisation, Role::Owner).await;
    let theirs = stranger.get(&format!("/v1/lives/{part}?run={run}")).await;
    assert_eq!(theirs.refusal(), (404, "not-found".to_owned()));
}

#[rstest]
#[tokio::test]
async fn a_proposal_changes_the_programme_once_and_only_with_a_reason(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, _) = service.yard_with_engine("north", "ND-1042").await;
    let (part, interval, _) = life_run(&service, &yard).await;
    let accept = format!("/v1/lives/{part}/proposals/{interval}/acceptance");
    let reason = json!({"note": "agreed with the mechanics"});
    let technician = service.caller(yard.organisation, Role::Technician).await;
    let not_theirs = technician.post(&accept, reason.clone()).await;
    assert_eq!(not_theirs.refusal(), (403, "role-too-small".to_owned()));
    let planner = service.caller(yard.organisation, Role::Planner).await;
    let silent = planner.post(&accept, json!({"note": " "})).await;
    assert_eq!(silent.refusal(), (422, "proposal-note-missing".to_owned()));
    let row = format!("/v1/programme-intervals/{interval}");
    assert_eq!(planner.get(&row).await.expect(200)["every"], json!(300.0));
    let changed = planner.post(&accept, reason.clone()).await.expect(200);
    assert_eq!((&changed["every"], &changed["basis"]), (&json!(180.0), &json!("site")));
    let source = changed["source"].as_str().unwrap();
    assert!(source.contains("9 failures in 212 lives") && source.contains("owner's book, p. 31"));
    let history = planner
        .get(&format!("/v1/history?noun=programme%20interval&entity={interval}"))
        .await
        .expect(200);
    let last = history["items"].as_array().unwrap().iter().find(|it| it["kind"] == "changed");
    assert_eq!(last.unwrap()["note"], json!("agreed with the mechanics"), "{history}");
    // The row is no longer the one that the run looked at.
    let again = planner.post(&accept, reason).await;
    assert_eq!(again.status, 412, "{:?}", again.refusal());
    let nowhere = format!("/v1/lives/{part}/proposals/{}/acceptance", uuid::Uuid::now_v7());
    let refused = planner.post(&nowhere, json!({"note": "x"})).await;
    assert_eq!(refused.refusal(), (404, "not-found".to_owned()));
}
