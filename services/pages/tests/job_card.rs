//! A job's card over the pages' own router: what stands on it, what it asks about, and how a part
//! comes from another site.

use std::sync::Arc;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::header::{CONTENT_TYPE, COOKIE, SET_COOKIE};
use axum::http::{Request, StatusCode};
use chrono::TimeDelta;
use fleet::engine::{Engine, TestFigure, TestKind, Torque};
use fleet::id::{SiteId, TestFigureId, TorqueId};
use fleet::job::JobState;
use fleet::part::{Part, Unit};
use fleet::programme::{AccessGroup, Task};
use fleet::site::Site;
use pages::{Cookies, PagesState, router};
use store::jobs::{self, NewJob};
use store::stock::{Order, Wish};
use store::{Store, StoreError, Transaction, record, sessions};
use tests::database::Database::Sqlite;
use tests::database::Fresh;
use tests::yard::{Yard, author, now, part, task};
use tower::ServiceExt as _;

/// A yard of two sites whose oil lies at the one that has no job.
struct Bench {
    /// Its folder goes with it.
    _database: Fresh,
    store: Arc<Store>,
    pages: Router,
    cookie: String,
    yard: Yard,
    other: SiteId,
    oil: Part,
    card: String,
}

async fn bench() -> Bench {
    let database = Sqlite.fresh().await.expect("SQLite is always there");
    let store = Arc::new(Store::open(&database.address).await.expect("the same database"));
    let yard = Yard::found(&store, "north").await;
    let organisation = yard.organisation;
    let engine: Engine = yard.engine("ND-1042");
    let other = Site { id: SiteId::fresh(), name: "South jetty".to_owned(), ..yard.site.clone() };
    let oil = Part { unit: Unit::Millilitre, ..part("GO-90") };
    let work: Task = task("Change the gear oil", AccessGroup::GearcaseOff, 25);
    let torque = Torque {
        id: TorqueId::fresh(),
        version: 1,
        model: yard.model.id,
        fastener: "drain plug".to_owned(),
        low_mnm: 6_000,
        high_mnm: 7_000,
        source: "manual, p. 40".to_owned(),
    };
    let figure = TestFigure {
        id: TestFigureId::fresh(),
        version: 1,
        model: yard.model.id,
        kind: TestKind::GearcasePressure,
        target_pa: 70_000,
        ceiling_pa: Some(100_000),
        hold_seconds: 300,
        drop_max_pa: Some(0),
        shafts_turned: true,
        source: "manual, p. 41".to_owned(),
    };
    let make = async |tx: &Transaction| {
        record::create(tx, organisation, &author(), std::slice::from_ref(&other)).await?;
        record::create(tx, organisation, &author(), std::slice::from_ref(&engine)).await?;
        record::create(tx, organisation, &author(), std::slice::from_ref(&oil)).await?;
        record::create(tx, organisation, &author(), std::slice::from_ref(&work)).await?;
        record::create(tx, organisation, &author(), std::slice::from_ref(&torque)).await?;
        record::create(tx, organisation, &author(), std::slice::from_ref(&figure)).await?;
        let wish = Wish::Receive { part: oil.id, site: other.id, quantity: 20_000, lot: None };
        let order = Order { wish, moved_at: now(), reason: None, overruled: None };
        jobs::move_stock(tx, organisation, &author(), order).await?;
        let new = NewJob {
            engine: engine.id,
            site: yard.site.id,
            finding: None,
            planned_on: None,
            bay: None,
            person: None,
            tasks: vec![(work.id, work.own_work)],
            parts: vec![(oil.id, 195)],
            note: None,
        };
        let job = jobs::create(tx, organisation, &author(), new).await?;
        let (today, agreed) = (now().date_naive(), JobState::Agreed);
        jobs::follow(tx, organisation, &author(), job.id, 1, agreed, today).await?;
        let link =
            sessions::create_link(tx, organisation, yard.owner.id, now(), TimeDelta::minutes(5));
        Ok::<_, StoreError>((job.id, link.await?))
    };
    let (job, link) = store.write(make).await.expect("a bench");
    let pages = router(PagesState::new(Arc::clone(&store), Cookies::Loopback).with_clock(now));
    let path = format!("/sign-in/once/{}", link.reveal());
    let request = Request::get(path).body(Body::empty()).expect("a request");
    let answer = pages.clone().oneshot(request).await.expect("an answer");
    let cookie = answer.headers()[SET_COOKIE].to_str().expect("text");
    let cookie = cookie.split(';').next().expect("a pair").to_owned();
    let card = format!("/bench/jobs/{job}");
    Bench { _database: database, store, pages, cookie, yard, other: other.id, oil, card }
}

impl Bench {
    async fn get_card(&self) -> String {
        self.get(&self.card).await
    }

    async fn get(&self, path: &str) -> String {
        let request = Request::get(path).header(COOKIE, &self.cookie).body(Body::empty());
        self.send(request.expect("a request")).await.1
    }

    async fn send(&self, request: Request<Body>) -> (StatusCode, String) {
        let answer = self.pages.clone().oneshot(request).await.expect("an answer");
        let status = answer.status();
        let bytes = to_bytes(answer.into_body(), 1 << 22).await.expect("a body");
        (status, String::from_utf8(bytes.to_vec()).expect("text"))
    }

    async fn post(&self, path: &str, form: &str) -> (StatusCode, String) {
        let page = self.get(&self.card).await;
        let form = format!("form_key={}&{form}", value(&page, "name=\"form_key\" value=\""));
        let request = Request::post(path)
            .header(COOKIE, &self.cookie)
            .header(CONTENT_TYPE, "application/x-www-form-urlencoded")
            .body(Body::from(form))
            .expect("a request");
        self.send(request).await
    }

    /// Sends the card's own form with these fields.
    async fn card(&self, form: &str) -> (StatusCode, String) {
        let page = self.get(&self.card).await;
        let version = value(&page, "name=\"version\" value=\"");
        self.post(&self.card, &format!("version={version}&{form}")).await
    }

    /// Takes the oil from the other site and starts the job.
    async fn started(&self) {
        let (part, from, to) = (self.oil.id, self.other, self.yard.site.id);
        let form = format!("from={from}&to={to}&quantity=195&job=");
        self.post(&format!("/stores/parts/{part}/transfer"), &form).await;
        assert_eq!(self.card("go=on_bench").await.0, StatusCode::SEE_OTHER);
    }
}

/// What follows `mark` up to the next quote.
fn value<'a>(page: &'a str, mark: &str) -> &'a str {
    let rest = page.split(mark).nth(1).unwrap_or_else(|| panic!("{mark} in {page}"));
    rest.split('"').next().expect("a value")
}

#[tokio::test]
async fn a_card_shows_torques_tests_and_oils_with_their_source() {
    let page = bench().await.get_card().await;
    for says in [
        "6 to 7 N·m",
        "manual, p. 40",
        "70 kPa; never above 100 kPa; hold 5 min, shafts turned; no drop",
        "manual, p. 41",
        "195 mL of SAE 90",
        "manual for the Brattvik B6",
    ] {
        assert!(page.contains(says), "{says} in {page}");
    }
}

#[tokio::test]
async fn what_another_site_has_is_offered_on_the_card_and_kits_the_job() {
    let bench = bench().await;
    let page = bench.get_card().await;
    assert!(page.contains("195 mL missing"), "{page}");
    assert!(page.contains("Move 195 mL of GO-90 from South jetty"), "{page}");
    let form = format!(
        "from={}&to={}&quantity=195&job={}",
        value(&page, "name=\"from\" value=\""),
        value(&page, "name=\"to\" value=\""),
        value(&page, "name=\"job\" value=\""),
    );
    let action = format!("/stores/parts/{}/transfer", bench.oil.id);
    assert_eq!(bench.post(&action, &form).await.0, StatusCode::SEE_OTHER);
    let page = bench.get_card().await;
    assert!(page.contains("kitted") && !page.contains("missing"), "{page}");
    // The part's own page offers what is left there.
    let page = bench.get(&format!("/stores/parts/{}", bench.oil.id)).await;
    assert!(page.contains("Move from South jetty"), "{page}");
    assert!(!page.contains("Move from North jetty"), "all of it is promised: {page}");
}

#[tokio::test]
async fn a_quantity_far_beyond_the_task_is_booked_only_with_a_reason() {
    let bench = bench().await;
    bench.started().await;
    let page = bench.get_card().await;
    let id = value(&page, "name=\"pv-");
    let (status, asked) = bench.card(&format!("go=save&u-{id}=9999")).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(asked.contains("9999 mL is far beyond the 195 mL"), "{asked}");
    assert!(asked.contains("Why so much") && asked.contains("value=\"9999\""), "{asked}");
    let told = bench.card(&format!("go=save&u-{id}=9999&w-{id}=flushed+twice")).await;
    assert_eq!(told.0, StatusCode::SEE_OTHER);
    let (connection, organisation) = (bench.store.connection(), bench.yard.organisation);
    let of = store::PageOf::new(None, 500);
    let history = store::history::of_all(connection, organisation, of).await.expect("a history");
    assert!(history.rows.iter().any(|row| row.note.as_deref() == Some("flushed twice")));
}

#[tokio::test]
async fn minutes_far_beyond_the_plan_take_a_note() {
    let bench = bench().await;
    bench.started().await;
    let page = bench.get_card().await;
    let id = value(&page, "name=\"tv-");
    let (status, asked) = bench.card(&format!("go=save&o-{id}=done&m-{id}=1400")).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(asked.contains("1400 min is far beyond"), "{asked}");
    let told = bench.card(&format!("go=save&o-{id}=done&m-{id}=1400&n-{id}=drilled+out")).await;
    assert_eq!(told.0, StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn a_part_added_by_mistake_is_taken_off_on_the_card() {
    let bench = bench().await;
    bench.started().await;
    let wrong = part("BV-9-XX");
    let make = async |tx: &Transaction| {
        record::create(tx, bench.yard.organisation, &author(), std::slice::from_ref(&wrong)).await
    };
    bench.store.write::<_, StoreError>(make).await.expect("a part");
    let added = bench.card("go=add&add-number=BV-9-XX&add-quantity=1").await;
    assert_eq!(added.0, StatusCode::SEE_OTHER);
    let page = bench.get_card().await;
    assert!(page.contains(">short<") && page.contains("Take off 1 of BV-9-XX"), "{page}");
    let id = value(&page, "value=\"off-").to_owned();
    let version = value(&page, &format!("name=\"ov-{id}\" value=\"")).to_owned();
    let off = bench.card(&format!("go=off-{id}&ov-{id}={version}")).await;
    assert_eq!(off.0, StatusCode::SEE_OTHER);
    let page = bench.get_card().await;
    assert!(page.contains(">kitted<") && !page.contains("BV-9-XX"), "{page}");
}

/// Two people have the card open; the second one saves what the first has changed.
#[tokio::test]
async fn a_conflict_shows_what_was_typed_beside_what_stands_now() {
    let bench = bench().await;
    bench.started().await;
    let opened = bench.get_card().await;
    let id = value(&opened, "name=\"tv-").to_owned();
    let version = value(&opened, "name=\"version\" value=\"").to_owned();
    let task = value(&opened, &format!("name=\"tv-{id}\" value=\"")).to_owned();
    let first = format!("version={version}&tv-{id}={task}&go=save&o-{id}=done&m-{id}=20");
    assert_eq!(bench.post(&bench.card, &first).await.0, StatusCode::SEE_OTHER);
    let second =
        format!("version={version}&tv-{id}={task}&go=save&o-{id}=not_needed&m-{id}=5&n-{id}=clean");
    let (status, page) = bench.post(&bench.card, &second).await;
    assert_eq!(status, StatusCode::CONFLICT);
    assert!(page.contains("changed this job meanwhile"), "{page}");
    assert!(page.contains("not needed, 5 min, clean"), "what was typed: {page}");
    assert!(page.contains("done, 20 min"), "what stands now: {page}");
    assert!(page.contains("value=\"clean\""), "and it is still in its field: {page}");
    // Seen by whoever typed it, the same form puts theirs in its place.
    let task = value(&page, &format!("name=\"tv-{id}\" value=\"")).to_owned();
    let again = second.replace(
        &format!("tv-{id}={}", value(&opened, &format!("name=\"tv-{id}\" value=\""))),
        &format!("tv-{id}={task}"),
    );
    assert_eq!(bench.post(&bench.card, &again).await.0, StatusCode::SEE_OTHER);
}
