//! Findings hold engines, and who may let them go.

use fleet::person::{Person, Role};
use rstest::rstest;
use serde_json::{Value, json};
use store::{Transaction, people, record, secret};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::yard::{Yard, author, now, person};

use crate::caller::Service;

#[rstest]
#[case::says_stop("stop", false, true)]
#[case::can_hurt_somebody("lay_up", true, true)]
#[case::can_wait("next_service", false, false)]
#[tokio::test]
async fn what_is_about_safety_or_says_stop_holds_the_engine(
    #[values(Sqlite, Postgres)] on: Database,
    #[case] urgency: &str,
    #[case] safety: bool,
    #[case] holds: bool,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let technician = service.caller(yard.organisation, Role::Technician).await;
    let body = json!({"engine": engine, "title": "found", "urgency": urgency, "safety": safety});
    let found = technician.post("/v1/findings", body).await.expect(201);
    assert_eq!(found.get("hold").is_some(), holds, "{found}");
    let listed = technician.get("/v1/holds").await.expect(200);
    assert_eq!(listed["items"].as_array().unwrap().len(), usize::from(holds));
    let finding = found["finding"]["id"].as_str().unwrap();
    let closing = format!("/v1/findings/{finding}/closing");
    let headers = [("if-match", "\"1\"")];
    let closed = technician.post_with(&closing, &headers, json!({"note": "done"})).await;
    let job = format!("/v1/jobs/{}", found["job"]["id"].as_str().unwrap());
    let proposed = technician.get(&job).await.expect(200);
    assert_eq!(proposed["finding"], found["finding"]["id"]);
    if holds {
        assert_eq!(closed.refusal(), (422, "finding-held".to_owned()));
        assert_eq!(proposed["status"], "proposed");
    } else {
        assert_eq!(closed.expect(200)["status"], "closed");
        assert_eq!(proposed["status"], "dropped");
        assert_eq!(proposed["reason"], "the finding was closed: done");
        let headers = [("if-match", "\"2\"")];
        let again = technician.post_with(&closing, &headers, json!({"note": "done"})).await;
        assert_eq!(again.refusal(), (422, "finding-closed".to_owned()));
    }
}

async fn somebody(service: &Service, yard: &Yard, name: &str, may_clear_holds: bool) -> Person {
    let email = Some(format!("{}@north.example", name.to_lowercase()));
    let somebody = Person { may_clear_holds, email, ..person(name, Role::Technician) };
    let hash = secret::hash_password(&format!("the password of {name}")).unwrap();
    let work = async |transaction: &Transaction| {
        let added = std::slice::from_ref(&somebody);
        record::create(transaction, yard.organisation, &author(), added).await?;
        people::set_password(transaction, yard.organisation, somebody.id, &hash, now()).await
    };
    service.store.write(work).await.unwrap();
    somebody
}

#[rstest]
#[tokio::test]
async fn a_safety_hold_is_cleared_by_a_competent_person_in_person(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let competent = somebody(&service, &yard, "Solveig", true).await;
    let other = somebody(&service, &yard, "Tord", false).await;
    // The owner's token alone opens no safety hold.
    let owner = service.caller(yard.organisation, Role::Owner).await;
    let body = json!({"engine": engine, "title": "fuel leak", "urgency": "stop", "safety": true});
    let hold: Value = owner.post("/v1/findings", body).await.expect(201)["hold"].clone();
    let path = format!("/v1/holds/{}/clearing", hold["id"].as_str().unwrap());
    let clear = async |person: &Person, password: Option<&str>| {
        let body = json!({"person": person.id, "note": "hose replaced", "password": password});
        owner.post_with(&path, &[("if-match", "\"1\"")], body).await
    };
    for (person, password, refusal) in [
        (&competent, None, (403, "not-confirmed")),
        (&competent, Some("the password of Tord"), (403, "not-confirmed")),
        (&other, Some("the password of Tord"), (422, "hold-needs-right")),
    ] {
        let (status, rule) = clear(person, password).await.refusal();
        assert_eq!((status, rule.as_str()), refusal);
    }
    let cleared = clear(&competent, Some("the password of Solveig")).await.expect(200);
    assert_eq!(cleared["cleared_by"], json!(competent.id));
    let stale = clear(&competent, Some("the password of Solveig")).await;
    assert_eq!(stale.refusal(), (412, "changed-meanwhile".to_owned()));
    let history = owner.get("/v1/history?size=500").await.expect(200).to_string();
    assert!(history.contains("Solveig (through a owner of the tests)"), "{history}");
    assert!(!history.contains("the password"), "no password is kept");
}

#[rstest]
#[tokio::test]
async fn what_settles_a_finding_clears_its_hold_and_closes_it_in_one_step(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let technician = service.caller(yard.organisation, Role::Technician).await;
    let body = json!({"engine": engine, "title": "weak tell-tale", "urgency": "stop"});
    let found = technician.post("/v1/findings", body).await.expect(201);
    let path = format!("/v1/holds/{}/clearing", found["hold"]["id"].as_str().unwrap());
    let body = json!({"person": yard.owner.id, "note": "intake cleaned", "settles_finding": true});
    technician.post_with(&path, &[("if-match", "\"1\"")], body).await.expect(200);
    let finding = format!("/v1/findings/{}", found["finding"]["id"].as_str().unwrap());
    let finding = technician.get(&finding).await.expect(200);
    assert_eq!(
        (&finding["status"], &finding["closing_note"]),
        (&json!("closed"), &json!("intake cleaned"))
    );
    let job = format!("/v1/jobs/{}", found["job"]["id"].as_str().unwrap());
    assert_eq!(technician.get(&job).await.expect(200)["status"], "dropped");
}

#[rstest]
#[case::three_days("three_days", json!("2025-07-09"))]
#[case::with_the_next_service("next_service", Value::Null)]
#[tokio::test]
async fn what_is_promised_within_days_is_proposed_for_that_day(
    #[case] urgency: &str,
    #[case] day: Value,
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let technician = service.caller(yard.organisation, Role::Technician).await;
    // Half past eleven at night in UTC is the next day at the site.
    let body = json!({"engine": engine, "title": "found", "urgency": urgency,
        "found_at": "2025-07-05T23:30:00Z"});
    let found = technician.post("/v1/findings", body).await.expect(201);
    assert_eq!(found["job"]["planned_on"], day, "{found}");
}

#[rstest]
#[tokio::test]
async fn another_hold_is_cleared_by_anybody_who_works_there(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(service) = Service::start(on).await else { return };
    let (yard, engine) = service.yard_with_engine("north", "ND-1042").await;
    let technician = service.caller(yard.organisation, Role::Technician).await;
    let body = json!({"engine": engine, "reason": "waits for the insurer"});
    let hold = technician.post("/v1/holds", body).await.expect(201);
    let path = format!("/v1/holds/{}/clearing", hold["id"].as_str().unwrap());
    let clear = async |note: &str, tag: &str| {
        let body = json!({"person": yard.owner.id, "note": note});
        technician.post_with(&path, &[("if-match", tag)], body).await
    };
    assert_eq!(clear(" ", "\"1\"").await.refusal(), (422, "hold-note-missing".to_owned()));
    let settles = json!({"person": yard.owner.id, "note": "he came", "settles_finding": true});
    let refused = technician.post_with(&path, &[("if-match", "\"1\"")], settles).await;
    assert_eq!(refused.refusal(), (422, "hold-without-finding".to_owned()));
    clear("he came", "\"1\"").await.expect(200);
    assert_eq!(clear("he came", "\"2\"").await.refusal(), (422, "hold-cleared".to_owned()));
}
