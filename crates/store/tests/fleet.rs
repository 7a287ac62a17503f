//! Hours, fittings, holds and runs, on both databases.

#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]

use chrono::TimeDelta;
use fleet::engine::Engine;
use fleet::finding::Hold;
use fleet::id::{HoldId, MeterId, RunRowId};
use fleet::ledger::Accepted;
use fleet::reading::{Meter, MeterKind, Reading, ReadingKind};
use fleet::run::{GoverningLimb, RunKind, RunStatus};
use fleet::{Hours, Minutes};
use rstest::rstest;
use store::readings::ReadingError;
use store::runs::{DueRow, Outcome, Request, RunFile};
use store::{
    PageOf, Store, StoreError, Transaction, between_nights, boats, findings, meters, readings,
    record, runs, snapshot,
};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::yard::{Yard, author, now, person, reading};

async fn one_engine(store: &Store) -> (Yard, Engine) {
    let yard = Yard::found(store, "north").await;
    let engine = yard.engine("ND-1042");
    let create = async |transaction: &Transaction| {
        let rows = std::slice::from_ref(&engine);
        record::create(transaction, yard.organisation, &author(), rows).await
    };
    store.write(create).await.unwrap();
    (yard, engine)
}

async fn write_down(store: &Store, yard: &Yard, one: &Reading) -> Result<Accepted, ReadingError> {
    let work = async |transaction: &Transaction| {
        readings::append(transaction, yard.organisation, one, now()).await
    };
    store.write(work).await
}

fn rule(error: &ReadingError) -> &'static str {
    match error {
        ReadingError::Ledger(cause) => cause.rule(),
        ReadingError::Store(cause) => cause.rule(),
    }
}

#[rstest]
#[tokio::test]
async fn a_reading_obeys_the_ledger_and_is_kept_once(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let (yard, engine) = one_engine(&database.store).await;
    let store = &database.store;
    let day = |days| now() - TimeDelta::days(days);
    let first = reading(engine.id, day(10), 100);
    assert_eq!(write_down(store, &yard, &first).await.unwrap(), Accepted::New);
    let again = reading(engine.id, day(10), 100);
    assert_eq!(write_down(store, &yard, &again).await.unwrap(), Accepted::Known);
    for (given, broken) in [
        (reading(engine.id, day(9), 99), "reading-falls"),
        (reading(engine.id, day(9), 126), "reading-faster-than-time"),
        (reading(engine.id, day(10), 101), "reading-two-values"),
        (reading(engine.id, now() + TimeDelta::seconds(1), 101), "reading-in-future"),
        (reading(fleet::id::EngineId::fresh(), day(9), 1), "missing"),
    ] {
        let refused = write_down(store, &yard, &given).await.unwrap_err();
        assert_eq!(rule(&refused), broken);
    }
    let swapped = Reading {
        kind: ReadingKind::MeterReplaced,
        shown_before: Some(Hours::from_whole_hours(110)),
        ..reading(engine.id, day(8), 0)
    };
    write_down(store, &yard, &swapped).await.unwrap();
    write_down(store, &yard, &reading(engine.id, day(7), 5)).await.unwrap();

    let connection = store.connection();
    let kept = readings::of_engines(connection, yard.organisation, &[engine.id]).await.unwrap();
    let ledger = readings::ledger(&kept[&engine.id]).unwrap();
    let life = ledger.life(Hours::default());
    assert_eq!(life.last().unwrap().life, Hours::from_whole_hours(115), "110 and 5");
    let page = PageOf::new(None, 2);
    let page = readings::page_of_engine(connection, yard.organisation, engine.id, page).await;
    let page = page.unwrap();
    assert_eq!((page.rows.len(), page.next.is_some()), (2, true));
}

#[rstest]
#[tokio::test]
async fn a_swap_put_right_moves_its_meters_and_undone_joins_them(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let (yard, engine) = one_engine(&database.store).await;
    let store = &database.store;
    let organisation = yard.organisation;
    let day = |days| now() - TimeDelta::days(days);
    let hours = Hours::from_whole_hours;
    let first = Meter {
        id: MeterId::fresh(),
        version: 1,
        engine: engine.id,
        kind: MeterKind::HourMeter,
        serial: None,
        fitted_at: day(400),
        removed_at: None,
    };
    let told = meters::MeterSwap {
        engine: engine.id,
        at: day(10),
        old_last: hours(901),
        new_first: hours(0),
        kind: None,
        serial: Some("M-2".to_owned()),
        source: "test".to_owned(),
        recorded_by: None,
        note: None,
    };
    let make = async |tx: &Transaction| {
        record::create(tx, organisation, &author(), std::slice::from_ref(&first)).await?;
        readings::append(tx, organisation, &reading(engine.id, day(200), 80), now()).await?;
        meters::swap(tx, organisation, &author(), told.clone()).await?;
        Ok::<_, ReadingError>(())
    };
    store.write(make).await.unwrap();
    let correct = async |swap, right, reason: &str| {
        let correction = meters::SwapCorrection {
            engine: engine.id,
            swap,
            right,
            source: "test".to_owned(),
            recorded_by: None,
            reason: reason.to_owned(),
        };
        let work = async |tx: &Transaction| {
            meters::correct_swap(tx, organisation, &author(), correction.clone()).await
        };
        store.write(work).await
    };
    let on = async || {
        let connection = store.connection();
        let found = readings::meters_of_engines(connection, organisation, &[engine.id]).await;
        let mut found = found.unwrap();
        found.sort_by_key(|meter| meter.fitted_at);
        found.iter().map(|meter| (meter.fitted_at, meter.removed_at)).collect::<Vec<_>>()
    };
    let right = |at, old_last| meters::RightSwap::Swap {
        at,
        old_last: hours(old_last),
        new_first: hours(0),
    };
    let refused = correct(day(10), right(day(10), 90), " ").await.unwrap_err();
    assert_eq!(rule(&refused), "correction-reason-missing");
    let refused = correct(day(11), right(day(10), 90), "typo").await.unwrap_err();
    assert_eq!(rule(&refused), "correction-without-reading");
    let refused = correct(day(10), right(day(10), 70), "typo").await.unwrap_err();
    assert_eq!(rule(&refused), "reading-falls");
    let refused = correct(day(10), right(day(401), 70), "typo").await.unwrap_err();
    assert_eq!(rule(&refused), "swap-past-another");
    // At its own moment, then on another day.
    correct(day(10), right(day(10), 90), "typo").await.unwrap();
    assert_eq!(on().await, [(day(400), Some(day(10))), (day(10), None)]);
    correct(day(10), right(day(12), 90), "it was on Monday").await.unwrap();
    assert_eq!(on().await, [(day(400), Some(day(12))), (day(12), None)]);
    let last = reading(engine.id, day(9), 6);
    write_down(store, &yard, &last).await.unwrap();
    let none = |shown| meters::RightSwap::NoSwap { shown: hours(shown) };
    let refused = correct(day(12), none(90), "wrong engine").await.unwrap_err();
    assert_eq!(rule(&refused), "reading-above-next", "a later reading rests on the swap");
    let putting_right = Reading { kind: ReadingKind::Correction, ..reading(engine.id, day(9), 0) };
    write_down(store, &yard, &putting_right).await.unwrap();
    let kept = readings::of_engines(store.connection(), organisation, &[engine.id]).await.unwrap();
    let ledger = readings::ledger(&kept[&engine.id]).unwrap();
    assert_eq!(ledger.life(Hours::ZERO).last().unwrap().life, hours(90));
    assert_eq!(kept[&engine.id].len(), 6, "nothing that was written is gone");
}

#[rstest]
#[tokio::test]
async fn a_swap_that_nothing_rests_on_is_undone(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let (yard, engine) = one_engine(&database.store).await;
    let store = &database.store;
    let organisation = yard.organisation;
    let day = |days| now() - TimeDelta::days(days);
    let hours = Hours::from_whole_hours;
    let first = Meter {
        id: MeterId::fresh(),
        version: 1,
        engine: engine.id,
        kind: MeterKind::HourMeter,
        serial: None,
        fitted_at: day(400),
        removed_at: None,
    };
    let told = meters::MeterSwap {
        engine: engine.id,
        at: day(10),
        old_last: hours(90),
        new_first: hours(0),
        kind: None,
        serial: None,
        source: "test".to_owned(),
        recorded_by: None,
        note: None,
    };
    let undo = meters::SwapCorrection {
        engine: engine.id,
        swap: day(10),
        right: meters::RightSwap::NoSwap { shown: hours(90) },
        source: "test".to_owned(),
        recorded_by: None,
        reason: "wrong engine".to_owned(),
    };
    let work = async |tx: &Transaction| {
        record::create(tx, organisation, &author(), std::slice::from_ref(&first)).await?;
        readings::append(tx, organisation, &reading(engine.id, day(200), 80), now()).await?;
        meters::swap(tx, organisation, &author(), told.clone()).await?;
        meters::correct_swap(tx, organisation, &author(), undo.clone()).await
    };
    store.write(work).await.unwrap();
    let found = readings::meters_of_engines(store.connection(), organisation, &[engine.id]).await;
    let found: Vec<_> = found.unwrap().into_iter().map(|one| (one.id, one.removed_at)).collect();
    assert_eq!(found, [(first.id, None)], "the old meter is on as if nothing had been");
    assert_eq!(
        write_down(store, &yard, &reading(engine.id, day(9), 95)).await.unwrap(),
        Accepted::New
    );
}

#[rstest]
#[tokio::test]
async fn many_readings_are_all_kept_or_none(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let (yard, engine) = one_engine(&database.store).await;
    let store = &database.store;
    let days = 30_i64;
    let mut given: Vec<_> = (0..days)
        .map(|day| reading(engine.id, now() - TimeDelta::days(days - day), 2 * day as u32))
        .collect();
    let append = async |given: &[Reading]| {
        let work = async |transaction: &Transaction| {
            let done = readings::append_many(transaction, yard.organisation, given, now()).await;
            done.map_err(|(place, cause)| Refused { place, rule: rule(&cause) })
        };
        store.write(work).await
    };
    given[20].shown = Hours::from_whole_hours(1);
    assert_eq!(append(&given).await.unwrap_err(), Refused { place: 20, rule: "reading-falls" });
    let count = record::count::<Reading>(store.connection(), yard.organisation);
    assert_eq!(count.await.unwrap(), 0);
    given[20].shown = Hours::from_whole_hours(40);
    append(&given).await.unwrap();
    let again = append(&given).await.unwrap();
    assert!(again.iter().all(|one| *one == Accepted::Known));
    let count = record::count::<Reading>(store.connection(), yard.organisation);
    assert_eq!(count.await.unwrap(), days as u64);
}

#[derive(Debug, PartialEq)]
struct Refused {
    place: usize,
    rule: &'static str,
}

impl From<StoreError> for Refused {
    fn from(cause: StoreError) -> Self {
        Self { place: usize::MAX, rule: cause.rule() }
    }
}

#[rstest]
#[tokio::test]
async fn a_spare_takes_the_place_of_a_held_engine_and_two_engines_change_places(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let (yard, engine) = one_engine(&database.store).await;
    let store = &database.store;
    let organisation = yard.organisation;
    let [spare, held, other] = ["ND-7", "ND-8", "ND-9"].map(|serial| yard.engine(serial));
    let hulls = [yard.boat("Sula"), yard.boat("Skarv")];
    let hold = Hold {
        id: HoldId::fresh(),
        version: 1,
        engine: held.id,
        finding: None,
        safety: false,
        reason: "fuel leak".to_owned(),
        placed_at: now(),
        placed_by: None,
        cleared_at: None,
        cleared_by: None,
        clearing_note: None,
    };
    let day = |days| now() - TimeDelta::days(days);
    let make = async |tx: &Transaction| {
        let engines = [spare.clone(), held.clone(), other.clone()];
        record::create(tx, organisation, &author(), &engines).await?;
        record::create(tx, organisation, &author(), &hulls).await?;
        record::create(tx, organisation, &author(), std::slice::from_ref(&hold)).await?;
        boats::fit(tx, organisation, &author(), engine.id, hulls[0].id, 0, day(9)).await?;
        boats::fit(tx, organisation, &author(), other.id, hulls[1].id, 1, day(9)).await?;
        Ok::<_, StoreError>(())
    };
    store.write(make).await.unwrap();
    let fit = async |spare, instead_of| {
        let both = (spare, instead_of);
        let work = async |tx: &Transaction| {
            boats::fit_spare(tx, organisation, &author(), both, day(1)).await
        };
        store.write(work).await
    };
    for (spare, instead_of, rule) in [
        (held.id, engine.id, "spare-held"),
        (other.id, engine.id, "spare-fitted"),
        (spare.id, held.id, "engine-not-fitted"),
    ] {
        assert_eq!(fit(spare, instead_of).await.unwrap_err().rule(), rule);
    }
    let fitted = fit(spare.id, engine.id).await.unwrap();
    assert_eq!((fitted.boat, fitted.position, fitted.fitted_at), (hulls[0].id, 0, day(1)));
    let of_old = boats::fittings_of_engines(store.connection(), organisation, &[engine.id]).await;
    assert_eq!(of_old.unwrap()[0].removed_at, Some(day(1)), "off in the same moment");

    let exchange = async |one, two, at| {
        let work = async |tx: &Transaction| {
            boats::exchange(tx, organisation, &author(), (one, two), at).await
        };
        store.write(work).await
    };
    for (one, two, at, rule) in [
        (spare.id, spare.id, now(), "same-engine"),
        (spare.id, engine.id, now(), "engine-not-fitted"),
        (spare.id, other.id, day(1), "fitting-before-last"),
        (spare.id, other.id, now() + TimeDelta::hours(1), "in-the-future"),
    ] {
        assert_eq!(exchange(one, two, at).await.unwrap_err().rule(), rule);
    }
    exchange(spare.id, other.id, now()).await.unwrap();
    let open = boats::open_fittings(store.connection(), organisation).await.unwrap();
    let mut sits: Vec<_> =
        open.iter().map(|one| (one.engine, one.boat, one.position, one.fitted_at)).collect();
    sits.sort_by_key(|one| one.2);
    assert_eq!(sits, [(other.id, hulls[0].id, 0, now()), (spare.id, hulls[1].id, 1, now())]);
}

#[rstest]
#[tokio::test]
async fn a_fitting_ends_when_the_next_begins(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let (yard, engine) = one_engine(&database.store).await;
    let store = &database.store;
    let (spare, boats) = (yard.engine("ND-7"), [yard.boat("Sula"), yard.boat("Skarv")]);
    let create = async |transaction: &Transaction| {
        let rows = std::slice::from_ref(&spare);
        record::create(transaction, yard.organisation, &author(), rows).await?;
        record::create(transaction, yard.organisation, &author(), &boats).await
    };
    store.write(create).await.unwrap();
    let fit = async |engine, boat, days| {
        let at = now() - TimeDelta::days(days);
        let work = async |transaction: &Transaction| {
            boats::fit(transaction, yard.organisation, &author(), engine, boat, 0, at).await
        };
        store.write(work).await
    };
    fit(engine.id, boats[0].id, 30).await.unwrap();
    fit(spare.id, boats[0].id, 20).await.unwrap();
    fit(engine.id, boats[1].id, 10).await.unwrap();
    let (connection, organisation) = (store.connection(), yard.organisation);
    let open = boats::open_fittings(connection, organisation).await.unwrap();
    let mut sits: Vec<_> = open.iter().map(|fitting| (fitting.engine, fitting.boat)).collect();
    sits.sort_unstable();
    assert_eq!(sits, [(engine.id, boats[1].id), (spare.id, boats[0].id)]);
    let past = boats::fittings_of_engines(connection, organisation, &[engine.id]).await.unwrap();
    assert_eq!(past[0].removed_at, Some(now() - TimeDelta::days(20)));
    let back = fit(engine.id, boats[0].id, 15).await.unwrap_err();
    assert_eq!(back.rule(), "fitting-before-last");
}

#[rstest]
#[tokio::test]
async fn a_safety_hold_is_cleared_by_whoever_has_the_right(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let (yard, engine) = one_engine(&database.store).await;
    let store = &database.store;
    let hold = Hold {
        id: HoldId::fresh(),
        version: 1,
        engine: engine.id,
        finding: None,
        safety: true,
        reason: "pops out of gear".to_owned(),
        placed_at: now(),
        placed_by: None,
        cleared_at: None,
        cleared_by: None,
        clearing_note: None,
    };
    let mut competent = person("Odd Vik", fleet::person::Role::Technician);
    competent.may_clear_holds = true;
    let create = async |transaction: &Transaction| {
        let rows = std::slice::from_ref(&competent);
        record::create(transaction, yard.organisation, &author(), rows).await?;
        record::create(transaction, yard.organisation, &author(), std::slice::from_ref(&hold)).await
    };
    store.write(create).await.unwrap();
    let clear = async |by: &fleet::person::Person| {
        let work = async |transaction: &Transaction| {
            let note = "clutch dog renewed, ran in gear";
            findings::clear_hold(transaction, yard.organisation, &author(), by, hold.id, note).await
        };
        store.write(work).await
    };
    assert_eq!(clear(&yard.owner).await.unwrap_err().rule(), "hold-needs-right");
    let open = findings::open_holds(store.connection(), yard.organisation).await.unwrap();
    assert_eq!(open, std::slice::from_ref(&hold));
    assert_eq!(clear(&competent).await.unwrap().cleared_by, Some(competent.id));
    assert_eq!(clear(&competent).await.unwrap_err().rule(), "hold-cleared");
    let open = findings::open_holds(store.connection(), yard.organisation).await.unwrap();
    assert!(open.is_empty());
}

#[rstest]
#[tokio::test]
async fn a_finished_run_never_changes_and_the_last_good_one_stays(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let (yard, engine) = one_engine(&database.store).await;
    let store = &database.store;
    let organisation = yard.organisation;
    let ask = async || {
        let work = async |transaction: &Transaction| {
            runs::request(transaction, organisation, &wanted(), now()).await
        };
        store.write(work).await.unwrap()
    };
    let (good, bad) = (ask().await, ask().await);
    let task = fleet::programme::Task {
        id: fleet::id::TaskId::fresh(),
        version: 1,
        name: "Change gear oil".to_owned(),
        verb: fleet::programme::Verb::Replace,
        access: fleet::programme::AccessGroup::NothingOff,
        occasion: fleet::programme::Occasion::Interval,
        own_work: Minutes(25),
        minutes_source: None,
        skill: None,
        safety: false,
        caution: None,
        archived: false,
    };
    let row = DueRow {
        id: RunRowId::fresh(),
        run: good.id,
        engine: engine.id,
        task: task.id,
        governing: GoverningLimb::Hours,
        due_early_on: None,
        due_on: "2025-07-12".parse().ok(),
        due_late_on: None,
        months_due_on: None,
        hours_left_seconds: Some(23_400),
        hours_length_seconds: Some(180_000),
        hours_at_seconds: Some(900_000),
        counts_from_on: "2025-04-01".parse().ok(),
        days_left: Some(5),
        used_permille: 870,
        source: None,
        explanation: None,
    };
    let outcome = Outcome {
        input_digest: vec![7; 32],
        scores: None,
        summary: Some(serde_json::json!({ "rows": 1 })),
    };
    let file = RunFile {
        name: "snapshot.json".to_owned(),
        media_type: "application/json".to_owned(),
        content: vec![b'x'; 300_000],
    };
    let finish = async |transaction: &Transaction| {
        runs::finish(
            transaction,
            organisation,
            good.id,
            &outcome,
            std::slice::from_ref(&file),
            now(),
        )
        .await
    };
    let work = async |transaction: &Transaction| {
        record::create(transaction, organisation, &author(), std::slice::from_ref(&task)).await?;
        assert!(runs::start(transaction, organisation, good.id, now()).await?);
        assert!(!runs::start(transaction, organisation, good.id, now()).await?, "started before");
        runs::progress(transaction, organisation, good.id, 500, Some("half of it")).await?;
        record::append(transaction, organisation, std::slice::from_ref(&row)).await?;
        finish(transaction).await?;
        runs::fail(transaction, organisation, bad.id, "no readings", now()).await
    };
    store.write(work).await.unwrap();

    let connection = store.connection();
    let shown = runs::latest(connection, organisation, RunKind::Due, None).await.unwrap().unwrap();
    assert_eq!((shown.id, shown.status), (good.id, RunStatus::Done));
    assert_eq!(shown.input_digest, Some(vec![7; 32]));
    let asked = runs::latest_asked(connection, organisation, RunKind::Due).await.unwrap().unwrap();
    assert_eq!((asked.id, asked.failure.as_deref()), (bad.id, Some("no readings")));
    assert_eq!(runs::due_rows(connection, organisation, good.id).await.unwrap(), [row]);
    let kept = runs::file(connection, organisation, good.id, "snapshot.json").await.unwrap();
    assert_eq!(kept, file);
    assert_eq!(store.write(finish).await.unwrap_err().rule(), "run-finished");
    let newest = runs::page(connection, organisation, None, PageOf::new(None, 1)).await.unwrap();
    assert_eq!((newest.rows[0].id, newest.next), (bad.id, Some(bad.id.0)));
}

fn wanted() -> Request {
    Request {
        kind: RunKind::Due,
        site: None,
        program_version: "0.1.0".to_owned(),
        seed: 1,
        parameters: serde_json::json!({ "severity": true }),
        requested_by: "nightly".to_owned(),
    }
}

#[rstest]
#[tokio::test]
async fn a_snapshot_holds_ours_alone_and_its_digest_follows_the_records(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let (yard, engine) = one_engine(&database.store).await;
    let store = &database.store;
    let theirs = Yard::found(store, "south").await;
    write_down(store, &yard, &reading(engine.id, now(), 3)).await.unwrap();
    let first = snapshot::take(store, yard.organisation, now()).await.unwrap();
    assert_eq!(first.fleet.engines, [engine]);
    assert_eq!(first.fleet.readings.len(), 1);
    assert_eq!((first.yard.sites.len(), first.yard.people.len()), (1, 1));
    assert_eq!(first.yard.sites[0], yard.site);
    assert_ne!(first.yard.sites[0].id, theirs.site.id);
    let short = snapshot::take_without_logs(store, yard.organisation, now()).await.unwrap();
    let mut emptied = first.clone();
    emptied.fleet.readings.clear();
    assert_eq!(short, emptied, "all but the long lists");
    let later = snapshot::take(store, yard.organisation, now() + TimeDelta::days(1)).await.unwrap();
    assert_eq!(first.digest(), later.digest(), "nothing changed but the time");
    let mut rougher = first.fleet.engines[0].clone();
    rougher.note = Some("runs rough".to_owned());
    let change = async |transaction: &Transaction| {
        record::change(transaction, yard.organisation, &author(), &rougher).await
    };
    store.write(change).await.unwrap();
    let changed = snapshot::take(store, yard.organisation, now()).await.unwrap();
    assert_ne!(first.digest(), changed.digest());
}

#[rstest]
#[tokio::test]
async fn what_belongs_to_another_is_missing_everywhere(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let (theirs, engine) = one_engine(&database.store).await;
    let store = &database.store;
    let us = Yard::found(store, "south").await.organisation;
    write_down(store, &theirs, &reading(engine.id, now(), 3)).await.unwrap();
    let run = async |transaction: &Transaction| {
        runs::request(transaction, theirs.organisation, &wanted(), now()).await
    };
    let run = store.write(run).await.unwrap().id;
    let (connection, engines) = (store.connection(), [engine.id]);

    assert!(readings::of_engines(connection, us, &engines).await.unwrap().is_empty());
    assert!(boats::fittings_of_engines(connection, us, &engines).await.unwrap().is_empty());
    assert!(findings::of_engines(connection, us, &engines).await.unwrap().is_empty());
    assert!(store::services::of_engines(connection, us, &engines).await.unwrap().is_empty());
    assert!(store::jobs::of_engines(connection, us, &engines).await.unwrap().is_empty());
    assert_eq!(runs::get(connection, us, run).await.unwrap_err().rule(), "missing");
    let page = PageOf::new(None, 10);
    assert!(runs::page(connection, us, None, page).await.unwrap().rows.is_empty());
    let asked = runs::latest_asked(connection, us, RunKind::Due).await.unwrap();
    assert!(asked.is_none());
    let take_over = async |transaction: &Transaction| {
        assert!(!runs::start(transaction, us, run, now()).await?, "not ours to start");
        runs::fail(transaction, us, run, "meddled with", now()).await
    };
    assert_eq!(store.write(take_over).await.unwrap_err().rule(), "missing");
    let written = async |transaction: &Transaction| {
        readings::append(transaction, us, &reading(engine.id, now(), 4), now()).await
    };
    assert_eq!(rule(&store.write(written).await.unwrap_err()), "missing");
}

#[rstest]
#[tokio::test]
async fn lists_between_two_nights_make_room_but_for_the_one_on_show(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let (store, yard) = (&database.store, Yard::found(&database.store, "north").await);
    let organisation = yard.organisation;
    let outcome = Outcome { input_digest: vec![7; 32], scores: None, summary: None };
    let mut made = Vec::new();
    for by in ["records", "schedule", "records", "records"] {
        let asked = Request { requested_by: by.to_owned(), ..wanted() };
        let work = async |transaction: &Transaction| {
            let run = runs::request(transaction, organisation, &asked, now()).await?.id;
            runs::start(transaction, organisation, run, now()).await?;
            runs::finish(transaction, organisation, run, &outcome, &[], now()).await?;
            Ok::<_, StoreError>(run)
        };
        made.push(store.write(work).await.unwrap());
    }
    let clear = async |before| {
        let work = async |transaction: &Transaction| {
            between_nights::clear(transaction, organisation, "records", before).await
        };
        store.write(work).await.unwrap()
    };
    assert_eq!(clear(now()).await, 0, "none is older");
    assert_eq!(clear(now() + TimeDelta::hours(1)).await, 2);
    let page = runs::page(store.connection(), organisation, None, PageOf::new(None, 9)).await;
    let left: Vec<_> = page.unwrap().rows.iter().map(|run| run.id).collect();
    assert_eq!(left, [made[3], made[1]]);
}
