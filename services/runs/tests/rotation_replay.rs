//! A season replayed under the rotation and two rules of thumb, on a fleet whose every hour is known.

#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]

use chrono::{DateTime, Days, NaiveDate, Utc};
use fleet::Hours;
use fleet::boat::{Boat, Fitting};
use fleet::engine::Engine;
use fleet::hire::Hire;
use fleet::id::{BayId, FittingId, HireId, PersonSkillId, SkillId};
use fleet::person::{Bay, Person, PersonSkill, Role, Skill};
use fleet::programme::{AccessGroup, ProgrammeInterval, Task};
use fleet::reading::Reading;
use fleet::service::Service;
use rstest::rstest;
use runs::check_rotation::{Outcome, Rule, SeasonPast};
use store::snapshot::{self, Snapshot};
use store::{Store, StoreError, Transaction, record};
use tests::database::Database::Sqlite;
use tests::yard::{Yard, author, interval, person, reading, service, task};

const ENGINES: u32 = 4;
const SEASON_DAYS: u64 = 61;
/// Hours that a boat runs on a day of hire.
const A_DAY: u32 = 4;
/// Hours from one change of oil to the next.
const EVERY: u32 = 50;
/// What a plan of a Monday may take: a moment.
const EFFORT: (u64, u64) = (1, 20_000);

fn day(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

fn at(day: NaiveDate, hour: u32) -> DateTime<Utc> {
    day.and_hms_opt(hour, 0, 0).expect("an hour").and_utc()
}

/// Whether a boat goes out on a day of its season: four days of five, not all on the same.
fn goes_out(boat: u32, day: u64) -> bool {
    !(day + u64::from(boat)).is_multiple_of(5)
}

/// Hires of a season and a reading each Sunday evening and at its end, hours counted on from `life`.
fn season(
    (engine, boat, number): (&Engine, &Boat, u32),
    from: NaiveDate,
    life: &mut u32,
) -> (Vec<Hire>, Vec<Reading>) {
    let (mut hires, mut readings) = (Vec::new(), vec![reading(engine.id, at(from, 4), *life)]);
    for passed in 0..SEASON_DAYS {
        let on = from + Days::new(passed);
        if goes_out(number, passed) {
            *life += A_DAY;
            hires.push(Hire {
                id: HireId::fresh(),
                boat: boat.id,
                out_at: at(on, 8),
                back_at: at(on, 16),
                used_for: None,
                booking: None,
                source: "invented".to_owned(),
            });
        }
        if passed % 7 == 6 || passed + 1 == SEASON_DAYS {
            readings.push(reading(engine.id, at(on, 18), *life));
        }
    }
    (hires, readings)
}

/// Two seasons of a small yard with one mechanic and one bench.
struct Small {
    yard: Yard,
    snapshot: Snapshot,
    /// Hours that all engines ran in the last season.
    ran: f64,
}

impl Small {
    async fn begin() -> Self {
        let database = Sqlite.fresh().await.unwrap();
        let store = &database.store;
        let yard = Yard::found(store, "small").await;
        let engines: Vec<Engine> =
            (0..ENGINES).map(|number| yard.engine(&format!("ND-{number}"))).collect();
        let boats: Vec<Boat> =
            (0..ENGINES).map(|number| yard.boat(&format!("Wherry {number}"))).collect();
        hands_and_oil(store, &yard, &engines, &boats).await;
        let (mut hires, mut readings) = (Vec::new(), Vec::new());
        let mut ran = 0;
        for (number, (engine, boat)) in (0..).zip(engines.iter().zip(&boats)) {
            let mut life = 0;
            for from in ["2024-06-01", "2025-06-01"] {
                let before = life;
                let of = season((engine, boat, number), day(from), &mut life);
                hires.extend(of.0);
                readings.extend(of.1);
                ran = if from == "2025-06-01" { ran + life - before } else { ran };
            }
        }
        let organisation = yard.organisation;
        let write = async |tx: &Transaction| {
            record::append(tx, organisation, &hires).await?;
            record::append(tx, organisation, &readings).await
        };
        store.write::<_, StoreError>(write).await.unwrap();
        let snapshot = snapshot::take(store, organisation, at(day("2025-10-01"), 6)).await.unwrap();
        Self { yard, snapshot, ran: f64::from(ran) }
    }

    fn season(&self) -> SeasonPast<'_> {
        let past = SeasonPast::of(&self.snapshot, &self.yard.site, day("2025-10-01"));
        past.unwrap().expect("boats were hired")
    }
}

/// Engines on their boats, their oil changed on the eve of the last season, and who can do it.
async fn hands_and_oil(store: &Store, yard: &Yard, engines: &[Engine], boats: &[Boat]) {
    let skill = Skill { id: SkillId::fresh(), version: 1, name: "outboards".to_owned() };
    let mechanic = Person { site: Some(yard.site.id), ..person("Una Rask", Role::Technician) };
    let has = PersonSkill { id: PersonSkillId::fresh(), person: mechanic.id, skill: skill.id };
    let bay = Bay {
        id: BayId::fresh(),
        version: 1,
        site: yard.site.id,
        name: "Bench 1".to_owned(),
        kind: "bench".to_owned(),
        archived: false,
    };
    let oil = task("Change the engine oil", AccessGroup::NothingOff, 30);
    let oil = Task { skill: Some(skill.id), ..oil };
    let interval =
        ProgrammeInterval { every: Some(Hours::from_whole_hours(EVERY)), ..interval(&oil) };
    let fittings: Vec<Fitting> = engines
        .iter()
        .zip(boats)
        .map(|(engine, boat)| Fitting {
            id: FittingId::fresh(),
            version: 1,
            engine: engine.id,
            boat: boat.id,
            position: 0,
            fitted_at: at(day("2024-05-01"), 8),
            removed_at: None,
        })
        .collect();
    let services: Vec<Service> =
        engines.iter().map(|engine| service(engine.id, &oil, day("2025-05-20"))).collect();
    let organisation = yard.organisation;
    let write = async |tx: &Transaction| {
        let who = author();
        record::create(tx, organisation, &who, std::slice::from_ref(&skill)).await?;
        record::create(tx, organisation, &who, std::slice::from_ref(&mechanic)).await?;
        record::append(tx, organisation, std::slice::from_ref(&has)).await?;
        record::create(tx, organisation, &who, std::slice::from_ref(&bay)).await?;
        record::create(tx, organisation, &who, std::slice::from_ref(&oil)).await?;
        record::create(tx, organisation, &who, std::slice::from_ref(&interval)).await?;
        record::create(tx, organisation, &who, engines).await?;
        record::create(tx, organisation, &who, boats).await?;
        record::create(tx, organisation, &who, &fittings).await?;
        record::append(tx, organisation, &services).await
    };
    store.write::<_, StoreError>(write).await.unwrap();
}

/// Laws that hold whichever rule chose the services.
fn assert_adds_up(small: &Small, rule: Rule, outcome: Outcome) {
    let Outcome { visits, before_hire, boat_days_lost, overdue_hours, overtime_minutes } = outcome;
    assert!(visits > 0 && before_hire <= visits, "{rule:?}: {outcome:?}");
    let on_the_bench = (visits - before_hire) as i64;
    assert!((0..=on_the_bench).contains(&boat_days_lost), "{rule:?}: {outcome:?}");
    assert!((0.0..=small.ran).contains(&overdue_hours), "{rule:?}: {outcome:?}");
    assert!(overtime_minutes >= 0, "{rule:?}: {outcome:?}");
    // Every hour was run within an interval, the first of which began with the season, or overdue.
    let covered = f64::from(EVERY) * (f64::from(ENGINES) + visits as f64) + overdue_hours;
    assert!(small.ran <= covered + 1e-6, "{rule:?}: {} ran, {outcome:?}", small.ran);
}

#[rstest]
fn under_every_rule_the_seasons_hours_add_up(
    #[values(Rule::Rotation, Rule::WhenDue, Rule::MondayHighest)] rule: Rule,
) {
    // Computing has no place on the runtime's own thread.
    let small = tokio::runtime::Runtime::new().unwrap().block_on(Small::begin());
    let season = small.season();
    assert_eq!((season.from, season.until), (day("2025-06-01"), day("2025-07-31")));
    let days = std::cell::Cell::new(0);
    let outcome = season.replay(rule, EFFORT, &|_| days.set(days.get() + 1)).unwrap();
    assert_eq!(days.get(), season.days());
    assert_adds_up(&small, rule, outcome);
    let again = small.season().replay(rule, EFFORT, &|_| ()).unwrap();
    assert_eq!(outcome, again, "the same seed and work give the same season");
}

/// With hands to spare, whoever serves on the day that an engine is due is late by that day alone.
#[test]
fn serving_when_due_is_late_by_less_than_a_day_of_hire_a_visit() {
    let small = tokio::runtime::Runtime::new().unwrap().block_on(Small::begin());
    let outcome = small.season().replay(Rule::WhenDue, EFFORT, &|_| ()).unwrap();
    let most = f64::from(A_DAY) * outcome.visits as f64;
    assert!(outcome.overdue_hours <= most, "{outcome:?}");
}

#[test]
fn a_season_that_is_not_over_is_not_replayed() {
    let small = tokio::runtime::Runtime::new().unwrap().block_on(Small::begin());
    let early = SeasonPast::of(&small.snapshot, &small.yard.site, day("2025-08-10"));
    let season = early.unwrap().expect("the one before is whole");
    assert_eq!((season.from, season.until), (day("2024-06-01"), day("2024-07-31")));
    let first = SeasonPast::of(&small.snapshot, &small.yard.site, day("2024-08-10"));
    assert_eq!(first.err().map(|error| error.rule()), Some("record-too-short"));
}
