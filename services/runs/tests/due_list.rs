//! The due list where a meter has stopped, or a service was written down between two readings.

#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]

use chrono::{DateTime, Days, NaiveDate, Utc};
use fleet::Hours;
use fleet::engine::Engine;
use fleet::programme::{AccessGroup, ProgrammeInterval, Task};
use fleet::reading::Reading;
use fleet::service::Service;
use runs::due::{DueLine, due_list};
use runs::hours::FleetHours;
use store::snapshot::{self, Snapshot};
use store::{StoreError, Transaction, record};
use tests::database::Database::Sqlite;
use tests::yard::{Yard, author, interval, reading, service, task};

/// Hours of every day of the record.
const A_DAY: u32 = 2;
/// Hours from one change of oil to the next, and what the yard's severe use leaves of them.
const EVERY: u32 = 200;
const SEVERE: f64 = 100.0;

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn evening(on: NaiveDate) -> DateTime<Utc> {
    on.and_hms_opt(18, 0, 0).unwrap().and_utc()
}

/// A yard of two engines that run two hours each day: one read each week to `read_until`, its oil
/// changed on `done_on` with `written` hours; the other read to 1 October.
async fn due(read_until: NaiveDate, done_on: NaiveDate, written: Option<u32>) -> DueLine {
    let database = Sqlite.fresh().await.unwrap();
    let store = &database.store;
    let yard = Yard::found(store, "north").await;
    let first_run_on = day("2026-01-01");
    let of = |serial: &str| Engine { first_run_on: Some(first_run_on), ..yard.engine(serial) };
    let engines = [of("ND-1042"), of("ND-1043")];
    let read = |engine: &Engine, until: NaiveDate| -> Vec<Reading> {
        let weeks = (0..).map(|week| (week, first_run_on + Days::new(7 * u64::from(week))));
        let until = weeks.take_while(|(_, on)| *on <= until);
        until.map(|(week, on)| reading(engine.id, evening(on), 7 * A_DAY * week)).collect()
    };
    let oil: Task = task("Change gear oil", AccessGroup::NothingOff, 25);
    let every = ProgrammeInterval {
        every: Some(Hours::from_seconds(u64::from(EVERY) * 3_600)),
        every_months: None,
        ..interval(&oil)
    };
    let done: Service = Service {
        life: written.map(|hours| Hours::from_seconds(u64::from(hours) * 3_600)),
        ..service(engines[0].id, &oil, done_on)
    };
    let readings = [read(&engines[0], read_until), read(&engines[1], day("2026-10-01"))].concat();
    let work = async |transaction: &Transaction| {
        let organisation = yard.organisation;
        record::create(transaction, organisation, &author(), &engines).await?;
        record::create(transaction, organisation, &author(), std::slice::from_ref(&oil)).await?;
        record::create(transaction, organisation, &author(), std::slice::from_ref(&every)).await?;
        record::append(transaction, organisation, &readings).await?;
        record::append(transaction, organisation, std::slice::from_ref(&done)).await?;
        Ok::<_, StoreError>(())
    };
    store.write(work).await.unwrap();
    let today = day("2026-10-01");
    let snapshot: Snapshot =
        snapshot::take(store, yard.organisation, evening(today)).await.unwrap();
    let fleet = FleetHours::fit(&snapshot, today);
    let lines = due_list(&snapshot, &fleet, today, today);
    lines.into_iter().find(|line| line.engine == engines[0].id).unwrap()
}

fn hours_at(line: &DueLine) -> f64 {
    line.limits().unwrap().hours_at.unwrap().as_decimal()
}

/// Its meter stands still since July and its oil was changed in September: the hundred hours count
/// from there, not from what the meter last showed.
#[tokio::test]
async fn hours_after_a_service_count_from_it_though_the_meter_stopped_before() {
    let line = due(day("2026-07-02"), day("2026-09-17"), None).await;
    let ran = f64::from(A_DAY) * 259.0;
    assert!((hours_at(&line) - ran - SEVERE).abs() < 40.0, "{}", hours_at(&line));
    assert!(line.early_on >= Some(day("2026-09-17")), "{:?}", line.early_on);
    let due_on = line.due_on.unwrap();
    assert!(day("2026-10-15") < due_on && due_on < day("2026-12-10"), "{due_on}");
    let left = line.margins.unwrap().hours_left.unwrap();
    assert!((40.0..=SEVERE).contains(&left), "{left}");
}

/// What the technician wrote is nearer than a straight line between two readings.
#[tokio::test]
async fn hours_written_at_a_service_hold_where_the_readings_leave_room_for_them() {
    let (between, beyond) = (day("2026-09-15"), day("2026-09-30"));
    // 10 September: 504 h; 17 September: 518 h.
    assert_eq!(hours_at(&due(day("2026-10-01"), between, Some(517)).await), 617.0);
    // After the last reading, of 24 September with 532 h.
    assert_eq!(hours_at(&due(day("2026-09-24"), beyond, Some(541)).await), 641.0);
    // No room: as the readings say, by their straight line.
    let line = due(day("2026-10-01"), between, Some(700)).await;
    assert_eq!(hours_at(&line), 614.0);
}
