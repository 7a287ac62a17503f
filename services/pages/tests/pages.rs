//! The pages over their own router, on a small fleet: who may see and do what, and what a form
//! does. How pages look and behave in a browser is tested with the whole program.

use std::sync::Arc;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::header::{CONTENT_TYPE, COOKIE, LOCATION, SET_COOKIE};
use axum::http::{Request, Response, StatusCode};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use fleet::bench::{Job, JobStatus};
use fleet::boat::{Boat, Fitting};
use fleet::engine::{Engine, EngineModel, EngineStatus, FuelSystem};
use fleet::finding::Hold;
use fleet::hours::Hours;
use fleet::id::{
    BoatId, EngineId, FindingKindId, FittingId, JobId, ModelId, OrganisationId, PersonId, PoolId,
    PoolMinimumId, ReadingId, SiteId,
};
use fleet::money::Currency;
use fleet::person::{Person, Role};
use fleet::pool::{Pool, PoolMinimum, Water};
use fleet::programme::{FindingKind, Urgency};
use fleet::reading::{Reading, ReadingKind};
use fleet::site::Site;
use pages::{Cookies, PagesState, router};
use store::{Author, Store, Transaction, organisations, people, record, secret, sessions};
use tower::ServiceExt as _;

/// Monday 6 July 2026, 07:10 in Oslo.
fn now() -> DateTime<Utc> {
    "2026-07-06T05:10:00Z".parse().expect("an instant")
}

/// A yard with one boat, its engine, and people of every role.
struct Yard {
    pages: Router,
    store: Arc<Store>,
    organisation: OrganisationId,
    engine: EngineId,
    kind: FindingKindId,
    _folder: tempfile::TempDir,
}

/// Somebody's browser.
struct Browser<'a> {
    yard: &'a Yard,
    cookie: String,
}

impl Yard {
    async fn open() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("fleet.sqlite");
        let store = Store::open(file.to_str().expect("a path")).await.expect("a database");
        store.migrate().await.expect("a schema");
        let store = Arc::new(store);
        let state = PagesState::new(Arc::clone(&store), Cookies::Loopback).with_clock(now);
        let pages = router(state);
        let euro = Currency::parse("EUR").expect("a currency");
        let organisation = store
            .write(async |tx: &Transaction| organisations::create(tx, "North", euro, now()).await)
            .await
            .expect("an organisation")
            .id;
        let (engine, kind) = (EngineId::fresh(), FindingKindId::fresh());
        let yard = Self { pages, store, organisation, engine, kind, _folder: folder };
        yard.fill().await;
        yard
    }

    async fn fill(&self) {
        let (site, pool, model, boat) =
            (SiteId::fresh(), PoolId::fresh(), ModelId::fresh(), BoatId::fresh());
        let author = Author { id: None, name: "test".into(), at: now(), note: None };
        let organisation = self.organisation;
        let fill = async |tx: &Transaction| {
            record::create(tx, organisation, &author, &[self.site(site)]).await?;
            record::create(tx, organisation, &author, &[self.pool(pool, site)]).await?;
            record::create(tx, organisation, &author, &[self.model(model)]).await?;
            record::create(tx, organisation, &author, &[self.boat(boat, site, pool)]).await?;
            record::create(tx, organisation, &author, &[self.outboard(model, pool)]).await?;
            record::create(tx, organisation, &author, &[self.fitting(boat)]).await?;
            record::create(tx, organisation, &author, &[self.finding_kind()]).await?;
            for (days_ago, hours) in [(28, 391), (14, 402), (7, 412)] {
                record::append(tx, organisation, &[self.reading(days_ago, hours)]).await?;
            }
            for (name, role) in
                [("viewer", Role::Viewer), ("technician", Role::Technician), ("owner", Role::Owner)]
            {
                record::create(tx, organisation, &author, &[person(name, role)]).await?;
            }
            Ok::<(), store::StoreError>(())
        };
        self.store.write(fill).await.expect("a fleet");
    }

    fn site(&self, id: SiteId) -> Site {
        Site {
            id,
            version: 1,
            name: "North quay".into(),
            time_zone: "Europe/Oslo".into(),
            calendar: None,
            first_hire_on: None,
            last_hire_on: None,
            finish_days_before_hire: 14,
            archived: false,
        }
    }

    fn pool(&self, id: PoolId, site: SiteId) -> Pool {
        Pool {
            id,
            version: 1,
            site,
            name: "Wherries".into(),
            water: Water::Salt,
            used_for: None,
            severity_percent: 100,
            running_factor_permille: None,
            archived: false,
        }
    }

    fn model(&self, id: ModelId) -> EngineModel {
        EngineModel {
            id,
            version: 1,
            maker: "Kvalsund".into(),
            name: "Six".into(),
            strokes: 4,
            power_watts: None,
            premix_ratio: None,
            engine_oil_grade: None,
            engine_oil_ml: None,
            fuel_system: FuelSystem::Carburettor,
            gear_oil_grade: None,
            gear_oil_ml: None,
            last_made_in: None,
            manual_edition: None,
            source: "invented".into(),
            archived: false,
        }
    }

    fn boat(&self, id: BoatId, site: SiteId, pool: PoolId) -> Boat {
        Boat {
            id,
            version: 1,
            site,
            pool: Some(pool),
            name: "Wherry <14>".into(),
            tag: None,
            jetty: Some("A".into()),
            jetty_order: Some(1),
            severity_percent: None,
            archived: false,
        }
    }

    fn outboard(&self, model: ModelId, pool: PoolId) -> Engine {
        Engine {
            id: self.engine,
            version: 1,
            serial: "KV-2041".into(),
            model,
            pool,
            tag: Some("A 14".into()),
            bought_on: None,
            first_run_on: NaiveDate::from_ymd_opt(2023, 5, 1),
            status: EngineStatus::InService,
            severity_percent: None,
            note: None,
        }
    }

    fn fitting(&self, boat: BoatId) -> Fitting {
        Fitting {
            id: FittingId::fresh(),
            version: 1,
            engine: self.engine,
            boat,
            position: 0,
            fitted_at: now() - TimeDelta::days(60),
            removed_at: None,
        }
    }

    fn finding_kind(&self) -> FindingKind {
        FindingKind {
            id: self.kind,
            version: 1,
            name: "Pops out of gear".into(),
            likely_cause: None,
            urgency: Urgency::Stop,
            safety: true,
            task: None,
            source: "common practice, no source".into(),
            archived: false,
        }
    }

    fn reading(&self, days_ago: i64, hours: u32) -> Reading {
        Reading {
            id: ReadingId::fresh(),
            engine: self.engine,
            kind: ReadingKind::Reading,
            read_at: now() - TimeDelta::days(days_ago),
            shown: Hours::from_whole_hours(hours),
            shown_before: None,
            corrects: None,
            source: "test".into(),
            recorded_by: None,
            recorded_at: now() - TimeDelta::days(days_ago),
            note: None,
        }
    }

    async fn send(&self, request: Request<Body>) -> Response<Body> {
        self.pages.clone().oneshot(request).await.expect("an answer")
    }

    /// Signs `name` in through a link that does so once.
    async fn sign_in(&self, name: &str) -> Browser<'_> {
        let person = people::by_names(self.store.connection(), self.organisation, &[name]).await;
        let person = person.expect("people").remove(0);
        let link = async |tx: &Transaction| {
            let lasts = TimeDelta::minutes(5);
            sessions::create_link(tx, self.organisation, person.id, now(), lasts).await
        };
        let link = self.store.write(link).await.expect("a link");
        let path = format!("/sign-in/once/{}", link.reveal());
        let answer = self.send(get(&path, "")).await;
        assert_eq!(answer.status(), StatusCode::SEE_OTHER);
        let cookie = answer.headers()[SET_COOKIE].to_str().expect("text");
        assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Lax"), "{cookie}");
        let cookie = cookie.split(';').next().expect("a pair").to_owned();
        let again = self.send(get(&path, "")).await;
        assert_eq!(again.status(), StatusCode::UNPROCESSABLE_ENTITY, "a link works once");
        Browser { yard: self, cookie }
    }
}

fn person(name: &str, role: Role) -> Person {
    Person {
        id: PersonId::fresh(),
        version: 1,
        name: name.to_owned(),
        email: Some(format!("{name}@north.example")),
        role,
        may_clear_holds: role == Role::Owner,
        site: None,
        calendar: None,
        productive_percent: 80,
        archived: false,
    }
}

fn get(path: &str, cookie: &str) -> Request<Body> {
    Request::get(path).header(COOKIE, cookie).body(Body::empty()).expect("a request")
}

async fn text(answer: Response<Body>) -> String {
    let bytes = to_bytes(answer.into_body(), 1 << 22).await.expect("a body");
    String::from_utf8(bytes.to_vec()).expect("text")
}

impl Browser<'_> {
    async fn get(&self, path: &str) -> (StatusCode, String) {
        let answer = self.yard.send(get(path, &self.cookie)).await;
        (answer.status(), text(answer).await)
    }

    /// The key of the forms on the page at `path`.
    async fn key(&self, path: &str) -> String {
        let (_, page) = self.get(path).await;
        let rest = page.split("name=\"form_key\" value=\"").nth(1).expect("a form with a key");
        rest.split('"').next().expect("a key").to_owned()
    }

    async fn post(&self, path: &str, form: &str) -> Response<Body> {
        let request = Request::post(path)
            .header(COOKIE, &self.cookie)
            .header(CONTENT_TYPE, "application/x-www-form-urlencoded")
            .body(Body::from(form.to_owned()))
            .expect("a request");
        self.yard.send(request).await
    }
}

impl Browser<'_> {
    /// Sends the form with a file, as a browser does (RFC 7578).
    async fn post_file(&self, key: &str, kind: &str, name: &str, file: &str) -> Response<Body> {
        let field = |name: &str, value: &str| {
            format!("--b\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n")
        };
        let file = format!(
            "--b\r\nContent-Disposition: form-data; name=\"file\"; filename=\"{name}\"\r\n\
             Content-Type: text/csv\r\n\r\n{file}\r\n--b--\r\n"
        );
        let body = field("form_key", key) + &field("kind", kind) + &file;
        let request = Request::post("/yard/files")
            .header(COOKIE, &self.cookie)
            .header(CONTENT_TYPE, "multipart/form-data; boundary=b")
            .body(Body::from(body))
            .expect("a request");
        self.yard.send(request).await
    }
}

async fn readings(yard: &Yard) -> Vec<Reading> {
    let (connection, one) = (yard.store.connection(), [yard.engine]);
    let all = store::readings::of_engines(connection, yard.organisation, &one).await;
    all.expect("readings").remove(&yard.engine).unwrap_or_default()
}

const ROOMS: [&str; 10] = [
    "/afloat",
    "/lay-up",
    "/bench",
    "/stores",
    "/stores/order",
    "/stores/shelf-life",
    "/fleet",
    "/yard",
    "/afloat?by=2026-08-31&pool=nonsense&all=yes",
    "/fleet?sort=-hours&find=kv&from=999999",
];

#[tokio::test]
async fn every_page_shows_itself_to_a_viewer_and_none_to_a_stranger() {
    let yard = Yard::open().await;
    let viewer = yard.sign_in("viewer").await;
    let engine = format!("/fleet/engines/{}", yard.engine);
    for path in ROOMS.into_iter().chain([engine.as_str()]) {
        let (status, page) = viewer.get(path).await;
        assert_eq!(status, StatusCode::OK, "{path}");
        assert!(page.contains("<h1>") && !page.contains("Wherry <14>"), "{path}");
        let stranger = yard.send(get(path, "")).await;
        assert_eq!(stranger.status(), StatusCode::SEE_OTHER, "{path}");
        let to = stranger.headers()[LOCATION].to_str().expect("text");
        assert!(to.starts_with("/sign-in?onward=%2F"), "{to}");
    }
}

#[tokio::test]
async fn a_viewer_is_told_what_is_for_others() {
    let yard = Yard::open().await;
    let viewer = yard.sign_in("viewer").await;
    let finding = format!("/fleet/engines/{}/finding", yard.engine);
    for path in ["/fleet/hours", finding.as_str()] {
        let (status, page) = viewer.get(path).await;
        assert_eq!(status, StatusCode::FORBIDDEN, "{path}");
        assert!(page.contains("Your role does not let you"), "{path}");
    }
    let (_, page) = viewer.get("/afloat").await;
    assert!(!page.contains("href=\"/fleet/hours\""));
}

/// Three engines are fit, and there is one boat to hang them on.
#[tokio::test]
async fn spare_engines_are_not_counted_as_boats() {
    let yard = Yard::open().await;
    let author = Author { id: None, name: "test".into(), at: now(), note: None };
    let first: Engine = record::get(yard.store.connection(), yard.organisation, yard.engine)
        .await
        .expect("the engine");
    let spare = |serial: &str| Engine {
        id: EngineId::fresh(),
        serial: serial.into(),
        tag: None,
        ..first.clone()
    };
    let minimum = PoolMinimum {
        id: PoolMinimumId::fresh(),
        version: 1,
        pool: first.pool,
        from_on: now().date_naive(),
        until_on: now().date_naive() + TimeDelta::days(30),
        boats: 2,
    };
    let work = async |tx: &Transaction| {
        let spares = [spare("KV-2042"), spare("KV-2043")];
        record::create(tx, yard.organisation, &author, &spares).await?;
        record::create(tx, yard.organisation, &author, std::slice::from_ref(&minimum)).await
    };
    yard.store.write(work).await.expect("two spares and a minimum");
    let (_, page) = yard.sign_in("viewer").await.get("/afloat").await;
    assert!(page.contains("2 wanted, 1 there"), "{page}");
    assert!(page.contains("The pool has 1 boat in all."), "{page}");
}

#[tokio::test]
async fn a_form_without_the_sessions_key_changes_nothing() {
    let yard = Yard::open().await;
    let technician = yard.sign_in("technician").await;
    let line = format!("read_at=2026-07-05T20:00&h-{}=420", yard.engine);
    for key in ["", "form_key=&", "form_key=00&"] {
        let answer = technician.post("/fleet/hours", &format!("{key}{line}")).await;
        assert_eq!(answer.status(), StatusCode::FORBIDDEN, "{key}");
    }
    assert_eq!(readings(&yard).await.len(), 3);
}

#[tokio::test]
async fn a_fall_is_asked_about_and_what_was_typed_stays() {
    let yard = Yard::open().await;
    let technician = yard.sign_in("technician").await;
    let key = technician.key("/fleet/hours").await;
    let form = |hours| format!("form_key={key}&read_at=2026-07-05T20:00&h-{}={hours}", yard.engine);
    let answer = technician.post("/fleet/hours", &form("41.2")).await;
    assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let page = text(answer).await;
    assert!(page.contains("value=\"41.2\"") && page.contains("is below"), "{page}");
    assert_eq!(readings(&yard).await.len(), 3);

    let answer = technician.post("/fleet/hours", &form("418.5")).await;
    assert_eq!(answer.status(), StatusCode::SEE_OTHER);
    let saved = readings(&yard).await;
    let last = saved.last().expect("a reading");
    assert_eq!((saved.len(), last.shown), (4, Hours::from_decimal(418.5).expect("hours")));
    assert_eq!(last.read_at.to_rfc3339(), "2026-07-05T18:00:00+00:00", "on the site's clock");
}

#[tokio::test]
async fn what_was_saved_is_said_once() {
    let yard = Yard::open().await;
    let technician = yard.sign_in("technician").await;
    let key = technician.key("/fleet/hours").await;
    let form = format!("form_key={key}&read_at=2026-07-05T20:00&h-{}=418", yard.engine);
    let answer = technician.post("/fleet/hours", &form).await;
    let notice = answer.headers()[SET_COOKIE].to_str().expect("text");
    let both = format!("{}; {}", technician.cookie, notice.split(';').next().expect("a pair"));
    let shown = yard.send(get("/fleet/hours", &both)).await;
    let cleared = shown.headers()[SET_COOKIE].to_str().expect("text").to_owned();
    assert!(cleared.contains("Max-Age=0"), "{cleared}");
    assert!(text(shown).await.contains("1 reading saved."));
}

#[tokio::test]
async fn a_swapped_meter_goes_on_from_the_same_life_hours() {
    let yard = Yard::open().await;
    let technician = yard.sign_in("technician").await;
    let path = format!("/fleet/engines/{}/meter", yard.engine);
    let key = technician.key(&path).await;
    let form = |old| {
        format!("form_key={key}&old_last={old}&new_first=0&swapped_at=2026-07-06T07:00&onward=")
    };
    let wrong = technician.post(&path, &form("12")).await;
    assert_eq!(wrong.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(technician.post(&path, &form("415")).await.status(), StatusCode::SEE_OTHER);
    let ledger = store::readings::ledger(&readings(&yard).await).expect("a ledger");
    let life = ledger.life(Hours::ZERO).last().expect("a point").life;
    assert_eq!(life, Hours::from_whole_hours(415));
}

#[tokio::test]
async fn a_mistyped_swap_is_put_right_or_undone_with_a_reason() {
    let yard = Yard::open().await;
    let technician = yard.sign_in("technician").await;
    let home = format!("/fleet/engines/{}", yard.engine);
    let path = format!("{home}/meter/correction");
    assert_eq!(technician.get(&path).await.0, StatusCode::NOT_FOUND, "nothing was swapped");
    let key = technician.key(&format!("{home}/meter")).await;
    let swap =
        format!("form_key={key}&old_last=417&new_first=0&swapped_at=2026-07-06T07:00&onward=");
    let swapped = technician.post(&format!("{home}/meter"), &swap).await;
    assert_eq!(swapped.status(), StatusCode::SEE_OTHER);
    let (_, page) = technician.get(&path).await;
    assert!(page.contains("the old meter ended at 417"), "{page}");
    let form = |old: &str, why: &str| {
        let at = "swapped_at=2026-07-06T07:00";
        format!("form_key={key}&go=correct&old_last={old}&new_first=0&{at}&reason={why}")
    };
    for (old, why, fault) in [("415", "", "Say why"), ("12", "typo", "shown before")] {
        let refused = technician.post(&path, &form(old, why)).await;
        assert_eq!(refused.status(), StatusCode::UNPROCESSABLE_ENTITY);
        assert!(text(refused).await.contains(fault), "{fault}");
    }
    let right = technician.post(&path, &form("415", "typo")).await;
    assert_eq!(right.status(), StatusCode::SEE_OTHER);
    let all = readings(&yard).await;
    let life = |of: &[Reading]| {
        let ledger = store::readings::ledger(of).expect("a ledger");
        ledger.life(Hours::ZERO).last().expect("a point").life
    };
    assert_eq!(life(&all), Hours::from_whole_hours(415));
    let last = all.last().expect("a reading");
    assert_eq!((last.note.as_deref(), last.corrects.is_some()), (Some("typo"), true));
    // Undone: the old meter goes on, so its next reading is no fall.
    let undo = format!("form_key={key}&go=undo&shown=415&undo_reason=wrong+engine");
    let undone = technician.post(&path, &undo).await;
    assert_eq!(undone.status(), StatusCode::SEE_OTHER);
    assert_eq!(technician.get(&path).await.0, StatusCode::NOT_FOUND, "no swap is left");
    let (_, page) = technician.get(&home).await;
    assert!(page.contains("put right") && !page.contains("Correct the meter swap"), "{page}");
}

/// What the button that keeps a file sends.
fn waiting(page: &str) -> &str {
    let rest = page.split("name=\"file\" value=\"").nth(1).expect("a file waits");
    rest.split('"').next().expect("its id")
}

#[tokio::test]
async fn a_file_is_looked_at_first_and_kept_when_it_is_said() {
    let yard = Yard::open().await;
    let technician = yard.sign_in("technician").await;
    let key = technician.key("/yard/files").await;
    let bad = "serial,read_at,hours\nKV-2041,2026-07-05 20:00,418.5\nKV-2041,2026-07-05 21:00,41\n\
               XX-1,2026-07-05 20:00,<b>3</b>\n";
    let answer = technician.post_file(&key, "readings", "sunday.csv", bad).await;
    assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let page = text(answer).await;
    assert!(page.contains("sunday.csv, looked at") && page.contains("is below 418.5 h"), "{page}");
    assert!(page.contains(">4</th>") && !page.contains("<b>3</b>"), "{page}");
    assert!(page.contains("Load the 1 row without fault, leave the others out"), "{page}");
    assert!(page.contains("value=\"readings\" selected"), "what was chosen stays");
    assert_eq!(readings(&yard).await.len(), 3, "nothing is kept by looking");

    let good = "serial,read_at,hours\nKV-2041,2026-07-05 20:00,418.5\n";
    let answer = technician.post_file(&key, "readings", "sunday.csv", good).await;
    assert_eq!(answer.status(), StatusCode::OK);
    let page = text(answer).await;
    assert!(page.contains("1 row read: 1 row is new. Nothing is kept yet."), "{page}");
    let id = waiting(&page).to_owned();
    let keep = format!("form_key={key}&file={id}");
    // Somebody else's browser can't keep it.
    let owner = yard.sign_in("owner").await;
    let theirs = format!("form_key={}&file={id}", owner.key("/yard/files").await);
    let refused = owner.post("/yard/files/keep", &theirs).await;
    assert_eq!(refused.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let kept = technician.post("/yard/files/keep", &keep).await;
    assert_eq!(kept.status(), StatusCode::SEE_OTHER);
    assert_eq!(readings(&yard).await.len(), 4);
    let again = technician.post("/yard/files/keep", &keep).await;
    assert!(text(again).await.contains("Choose it again."));

    let answer = technician.post_file(&key, "readings", "sunday.csv", good).await;
    let page = text(answer).await;
    assert!(
        page.contains("There is nothing to load.") && !page.contains("/yard/files/keep"),
        "{page}"
    );
    assert_eq!(readings(&yard).await.len(), 4, "loading twice is loading once");
}

#[tokio::test]
async fn good_rows_are_kept_and_others_left_out_where_that_is_said() {
    let yard = Yard::open().await;
    let technician = yard.sign_in("technician").await;
    let key = technician.key("/yard/files").await;
    let file = "serial;read_at;hours\nKV-2041;2026-07-05 20:00;418,5\nXX-1;2026-07-05 20:00;3\n";
    let page = text(technician.post_file(&key, "readings", "a.csv", file).await).await;
    let keep = format!("form_key={key}&file={}", waiting(&page));
    let kept = technician.post("/yard/files/keep", &keep).await;
    let notice = kept.headers()[SET_COOKIE].to_str().expect("text");
    let both = format!("{}; {}", technician.cookie, notice.split(';').next().expect("a pair"));
    let shown = text(yard.send(get("/yard/files", &both)).await).await;
    let says = "a.csv: 1 row is on record now. 1 value that breaks a rule is left out.";
    assert!(shown.contains(says), "{shown}");
    assert_eq!(readings(&yard).await.len(), 4);
}

#[tokio::test]
async fn a_file_needs_its_kind_its_role_and_the_forms_key() {
    let yard = Yard::open().await;
    let viewer = yard.sign_in("viewer").await;
    assert_eq!(viewer.get("/yard/files").await.0, StatusCode::FORBIDDEN);
    assert!(!viewer.get("/yard").await.1.contains("/yard/files"));
    let technician = yard.sign_in("technician").await;
    assert!(technician.get("/yard").await.1.contains("href=\"/yard/files\""));
    let key = technician.key("/yard/files").await;
    let file = "site,time_zone\nElsewhere,Europe/Oslo\n";
    for (kind, name, told) in [
        ("", "sites.csv", "Choose what the file holds."),
        ("sites", "sites.csv", "Choose what the file holds."),
        ("readings", "", "Choose a file."),
    ] {
        let content = if name.is_empty() { "" } else { file };
        let answer = technician.post_file(&key, kind, name, content).await;
        assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY, "{kind}");
        assert!(text(answer).await.contains(told), "{kind} {name}");
    }
    for key in ["", "00"] {
        let answer = technician.post_file(key, "readings", "a.csv", file).await;
        assert_eq!(answer.status(), StatusCode::FORBIDDEN);
    }
    let large = "x".repeat(17 << 20);
    let answer = technician.post_file(&key, "readings", "a.csv", &large).await;
    assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert!(text(answer).await.contains("The file is larger than 16 MB."));
    let (status, template) = technician.get("/yard/files/readings").await;
    assert!(status == StatusCode::OK && template.contains("# Example:"), "{template}");
    assert_eq!(technician.get("/yard/files/nonsense").await.0, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_safety_finding_holds_its_engine_until_a_named_person_clears_it() {
    let yard = Yard::open().await;
    let technician = yard.sign_in("technician").await;
    let engine = format!("/fleet/engines/{}", yard.engine);
    let path = format!("{engine}/finding");
    let key = technician.key(&path).await;
    let empty = technician.post(&path, &format!("form_key={key}&note=hm")).await;
    assert_eq!(empty.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert!(text(empty).await.contains(">hm</textarea>"), "what was typed stays");
    let form = format!("form_key={key}&kind={}", yard.kind);
    assert_eq!(technician.post(&path, &form).await.status(), StatusCode::SEE_OTHER);

    let holds = store::findings::open_holds(yard.store.connection(), yard.organisation).await;
    let hold: Hold = holds.expect("holds").remove(0);
    assert!(hold.safety && hold.engine == yard.engine);
    let (_, bench) = technician.get("/bench").await;
    assert!(bench.contains("Pops out of gear"), "a job is proposed");

    let clear = format!("/holds/{}/clear", hold.id);
    let form = format!("form_key={key}&note=clutch+dog+replaced");
    assert_eq!(technician.post(&clear, &form).await.status(), StatusCode::FORBIDDEN);
    let owner = yard.sign_in("owner").await;
    let key = owner.key(&engine).await;
    let form = format!("form_key={key}&note=clutch+dog+replaced");
    let asked = owner.post(&clear, &form).await;
    assert_eq!(asked.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let asked = text(asked).await;
    assert!(asked.contains("Say whether what was found is settled."), "{asked}");
    assert!(asked.contains("value=\"clutch dog replaced\""), "what was typed stays");
    let form = format!("{form}&settled=yes");
    assert_eq!(owner.post(&clear, &form).await.status(), StatusCode::SEE_OTHER);
    let (connection, organisation) = (yard.store.connection(), yard.organisation);
    let holds = store::findings::open_holds(connection, organisation).await;
    assert!(holds.expect("holds").is_empty());
    let open = store::findings::open(connection, organisation).await.expect("findings");
    assert!(open.is_empty(), "the finding is closed in the same step: {open:?}");
    let (_, bench) = owner.get("/bench").await;
    assert!(!bench.contains("Pops out of gear"), "what was proposed for it is dropped");
}

#[tokio::test]
async fn a_hold_cleared_without_settling_leaves_its_finding_open() {
    let yard = Yard::open().await;
    let owner = yard.sign_in("owner").await;
    let engine = format!("/fleet/engines/{}", yard.engine);
    let key = owner.key(&engine).await;
    let form = format!("form_key={key}&kind={}", yard.kind);
    let path = format!("{engine}/finding");
    assert_eq!(owner.post(&path, &form).await.status(), StatusCode::SEE_OTHER);
    let (connection, organisation) = (yard.store.connection(), yard.organisation);
    let holds = store::findings::open_holds(connection, organisation).await;
    let hold: Hold = holds.expect("holds").remove(0);
    let form = format!("form_key={key}&note=runs+until+the+part+comes&settled=no");
    let cleared = owner.post(&format!("/holds/{}/clear", hold.id), &form).await;
    assert_eq!(cleared.status(), StatusCode::SEE_OTHER);
    let open = store::findings::open(connection, organisation).await.expect("findings");
    assert_eq!(open.len(), 1);
}

#[tokio::test]
async fn a_check_with_a_bad_line_is_kept_with_its_finding_hold_and_hours() {
    let yard = Yard::open().await;
    let technician = yard.sign_in("technician").await;
    let engine = format!("/fleet/engines/{}", yard.engine);
    let path = format!("{engine}/check");
    let key = technician.key(&path).await;
    let seen = "stop_cord=bad&tell_tale=good&note=cord+frayed";
    let asked = technician.post(&path, &format!("form_key={key}&{seen}")).await;
    assert_eq!(asked.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let asked = text(asked).await;
    assert!(asked.contains("Say whether it goes out or came back."), "{asked}");
    assert!(asked.contains("value=\"bad\" checked") && asked.contains("cord frayed"), "{asked}");
    let falls = format!("form_key={key}&kind=return&{seen}&meter=12");
    let refused = technician.post(&path, &falls).await;
    assert_eq!(refused.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let (connection, organisation) = (yard.store.connection(), yard.organisation);
    let open = store::findings::open(connection, organisation).await.expect("findings");
    assert!(open.is_empty(), "nothing is kept where the hours are refused");
    let form = format!("form_key={key}&kind=return&{seen}&meter=415");
    assert_eq!(technician.post(&path, &form).await.status(), StatusCode::SEE_OTHER);
    let open = store::findings::open(connection, organisation).await.expect("findings");
    let of: Vec<_> = open.iter().map(|one| (one.title.as_str(), one.safety)).collect();
    assert_eq!(of, [("stop cord does not stop the engine", true)]);
    let holds = store::findings::open_holds(connection, organisation).await.expect("holds");
    assert_eq!(holds.len(), 1);
    assert_eq!(readings(&yard).await.last().expect("a reading").shown.as_decimal(), 415.0);
    let (_, page) = technician.get(&engine).await;
    assert!(page.contains("not good: stop cord: cord frayed"), "{page}");
}

#[tokio::test]
async fn a_held_engine_offers_the_spare_of_its_pool_and_one_press_fits_it() {
    let yard = Yard::open().await;
    let owner = yard.sign_in("owner").await;
    let engine = format!("/fleet/engines/{}", yard.engine);
    let (connection, organisation) = (yard.store.connection(), yard.organisation);
    let fitted = record::get::<Engine>(connection, organisation, yard.engine).await;
    let fitted = fitted.expect("an engine");
    let spare =
        Engine { id: EngineId::fresh(), serial: "KV-2090".into(), tag: None, ..fitted.clone() };
    let author = Author { id: None, name: "test".into(), at: now(), note: None };
    let add = async |tx: &Transaction| {
        record::create(tx, organisation, &author, std::slice::from_ref(&spare)).await
    };
    yard.store.write::<_, store::StoreError>(add).await.expect("a spare");
    let (_, page) = owner.get(&engine).await;
    assert!(!page.contains("Fit KV-2090 now"), "nothing is in its way");
    let key = owner.key(&engine).await;
    let finding = format!("form_key={key}&kind={}", yard.kind);
    owner.post(&format!("{engine}/finding"), &finding).await;
    let (_, page) = owner.get(&engine).await;
    assert!(page.contains("Fit KV-2090 now") && page.contains("is on hold"), "{page}");
    let form = format!("form_key={key}&spare={}", spare.id);
    let fitted = owner.post(&format!("{engine}/spare"), &form).await;
    assert_eq!(fitted.status(), StatusCode::SEE_OTHER);
    let open = store::boats::open_fittings(connection, organisation).await.expect("fittings");
    assert_eq!(open.iter().map(|one| one.engine).collect::<Vec<_>>(), [spare.id]);
    let again = owner.post(&format!("{engine}/spare"), &form).await;
    assert_eq!(again.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let again = text(again).await;
    assert!(again.contains("sits on no boat"), "{again}");
    let technician = yard.sign_in("technician").await;
    assert_eq!(technician.get(&format!("{engine}/spare")).await.0, StatusCode::FORBIDDEN);
}

/// A yard of which nothing is known yet: each page says where to begin.
#[tokio::test]
async fn pages_of_an_empty_yard_say_what_to_load_first() {
    let yard = Yard::open().await;
    let euro = Currency::parse("EUR").expect("a currency");
    let begin = async |tx: &Transaction| {
        let made = organisations::create(tx, "Empty", euro, now()).await?;
        let author = Author { id: None, name: "test".into(), at: now(), note: None };
        let owner = Person { email: None, ..person("first", Role::Owner) };
        record::create(tx, made.id, &author, std::slice::from_ref(&owner)).await?;
        let lasts = TimeDelta::minutes(5);
        sessions::create_link(tx, made.id, owner.id, now(), lasts).await
    };
    let link = yard.store.write(begin).await.expect("an empty yard");
    let answer = yard.send(get(&format!("/sign-in/once/{}", link.reveal()), "")).await;
    let cookie = answer.headers()[SET_COOKIE].to_str().expect("text");
    let cookie = cookie.split(';').next().expect("a pair").to_owned();
    let owner = Browser { yard: &yard, cookie };
    for path in ["/stores/count", "/stores/shelf-life", "/fleet/hours"] {
        let (status, page) = owner.get(path).await;
        assert_eq!(status, StatusCode::OK, "{path}");
        assert!(page.contains("Load the sites first"), "{path}: {page}");
        assert!(page.contains("href=\"/yard/files\""), "{path}: {page}");
        assert!(!page.contains("<select"), "{path} offers no choice of nothing: {page}");
    }
}

#[tokio::test]
async fn a_password_signs_in_and_a_wrong_one_tells_nothing() {
    let yard = Yard::open().await;
    let person = people::by_names(yard.store.connection(), yard.organisation, &["owner"]).await;
    let person = person.expect("people").remove(0).id;
    let hash = secret::hash_password("ten knots").expect("a hash");
    let set = async |tx: &Transaction| {
        people::set_password(tx, yard.organisation, person, &hash, now()).await
    };
    yard.store.write(set).await.expect("a password");
    let browser = Browser { yard: &yard, cookie: String::new() };
    let form = |email, password| format!("email={email}&password={password}&onward=/stores");
    for (email, password) in [("owner%40north.example", "nine"), ("nobody%40x.example", "nine")] {
        let answer = browser.post("/sign-in", &form(email, password)).await;
        assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
        assert!(text(answer).await.contains("Address or password is not right."));
    }
    let answer = browser.post("/sign-in", &form("Owner%40North.example", "ten+knots")).await;
    assert_eq!(answer.status(), StatusCode::SEE_OTHER);
    assert_eq!(answer.headers()[LOCATION], "/stores");
}

#[tokio::test]
async fn a_scanned_tag_leads_to_where_a_finding_is_recorded() {
    let yard = Yard::open().await;
    let technician = yard.sign_in("technician").await;
    let answer = yard.send(get("/tag/A%2014", &technician.cookie)).await;
    let to = answer.headers()[LOCATION].to_str().expect("text").to_owned();
    assert_eq!(to, format!("/fleet/engines/{}/finding", yard.engine));
    assert_eq!(technician.get("/tag/B").await.0, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn another_organisations_engine_looks_like_none() {
    let (north, south) = (Yard::open().await, Yard::open().await);
    let technician = north.sign_in("technician").await;
    let none = technician.get(&format!("/fleet/engines/{}", EngineId::fresh())).await;
    assert_eq!(none.0, StatusCode::NOT_FOUND);
    let theirs = technician.get(&format!("/fleet/engines/{}", south.engine)).await;
    assert_eq!(theirs, none);
}

#[tokio::test]
async fn signing_out_ends_the_session() {
    let yard = Yard::open().await;
    let viewer = yard.sign_in("viewer").await;
    let key = viewer.key("/afloat").await;
    let answer = viewer.post("/sign-out", &format!("form_key={key}")).await;
    assert_eq!(answer.status(), StatusCode::SEE_OTHER);
    assert_eq!(viewer.get("/afloat").await.0, StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn every_answer_forbids_what_is_not_ours_and_is_kept_nowhere() {
    let yard = Yard::open().await;
    let answer = yard.send(get("/sign-in", "")).await;
    let header = |name: &str| answer.headers()[name].to_str().expect("text").to_owned();
    assert!(header("content-security-policy").contains("default-src 'none'"));
    assert_eq!(
        (header("cache-control"), header("x-frame-options")),
        ("no-store".into(), "DENY".into())
    );
}

/// A job of the yard's engine on a day.
fn job(yard: &Yard, site: SiteId, number: i32) -> Job {
    Job {
        id: JobId::fresh(),
        version: 1,
        number,
        engine: yard.engine,
        site,
        finding: None,
        status: JobStatus::Agreed,
        reason: None,
        stood_over_until: None,
        planned_on: NaiveDate::from_ymd_opt(2026, 7, 9),
        bay: None,
        person: None,
        note: Some("gear oil; look at the seals, both of them, and say how they were".into()),
        created_at: now(),
        released_at: None,
    }
}

#[tokio::test]
async fn a_calendar_reads_the_benchs_work_by_its_address_until_it_is_closed() {
    let yard = Yard::open().await;
    let sites: Vec<Site> = record::all(yard.store.connection(), yard.organisation).await.unwrap();
    let site = sites[0].id;
    let (author, job) =
        (Author { id: None, name: "test".into(), at: now(), note: None }, job(&yard, site, 41));
    let add = async |tx: &Transaction| {
        record::create(tx, yard.organisation, &author, std::slice::from_ref(&job)).await
    };
    yard.store.write(add).await.expect("a job");

    let owner = yard.sign_in("owner").await;
    let key = owner.key("/yard/calendars").await;
    let form = format!("form_key={key}&of=site+{site}");
    let made = owner.post("/yard/calendars", &form).await;
    assert_eq!(made.status(), StatusCode::CREATED);
    let page = text(made).await;
    let at = page.find("/feeds/").expect("an address");
    let path: String = page[at..].chars().take_while(|c| *c != '"').collect();

    let read = async |tag: &str| {
        let request = Request::get(&path).header("if-none-match", tag);
        yard.send(request.body(Body::empty()).expect("a request")).await
    };
    let answer = read("").await;
    assert_eq!(answer.status(), StatusCode::OK, "nobody is signed in");
    let header = |name: &str| answer.headers()[name].to_str().expect("text").to_owned();
    let (kind, tag, changed) = (header("content-type"), header("etag"), header("last-modified"));
    assert_eq!(kind, "text/calendar; charset=utf-8");
    assert_eq!(changed, "Mon, 06 Jul 2026 05:10:00 GMT");
    let feed = text(answer).await;
    assert!(feed.contains("SUMMARY:Wherry <14> (KV-2041): gear oil"), "{feed}");
    assert!(feed.contains("DTSTART;VALUE=DATE:20260709\r\n"), "{feed}");
    assert!(feed.contains(&format!("UID:{}@slackwater\r\n", job.id)), "{feed}");
    // RFC 5545, section 3.1.
    assert!(feed.split("\r\n").all(|line| line.len() <= 75), "{feed}");
    assert_eq!(read(&tag).await.status(), StatusCode::NOT_MODIFIED);

    let (_, list) = owner.get("/yard/calendars").await;
    assert!(!list.contains("/feeds/"), "the address is shown once");
    let at = list.find("/close").expect("a way to close it");
    let close = &list[list[..at].rfind("/yard").expect("a path")..at + "/close".len()];
    let closed = owner.post(close, &format!("form_key={key}")).await;
    assert_eq!(closed.status(), StatusCode::SEE_OTHER);
    assert_eq!(read("").await.status(), StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_technician_makes_a_calendar_of_their_own_and_of_nothing_else() {
    let yard = Yard::open().await;
    let sites: Vec<Site> = record::all(yard.store.connection(), yard.organisation).await.unwrap();
    let own = people::by_names(yard.store.connection(), yard.organisation, &["technician"]).await;
    let own = own.expect("people").remove(0).id;
    let technician = yard.sign_in("technician").await;
    let key = technician.key("/yard/calendars").await;
    let form = |of: String| format!("form_key={key}&of={of}");
    let refused = technician.post("/yard/calendars", &form(format!("site+{}", sites[0].id))).await;
    assert_eq!(refused.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let made = technician.post("/yard/calendars", &form(format!("person+{own}"))).await;
    assert_eq!(made.status(), StatusCode::CREATED);
}
