//! The forecast as a run that is kept: its rows, its replay of a year, and what is read from both.

#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]

#[path = "support/invented.rs"]
mod invented;

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, Datelike as _, Months, NaiveDate, Utc};
use exchange::snapshot::{MonthlyDemand, read_demand, read_paths};
use fleet::id::{OrganisationId, PartId, TaskPartId};
use fleet::programme::{AccessGroup, ProgrammeInterval, TaskPart};
use fleet::run::RunKind;
use fleet::service::Service;
use rstest::rstest;
use runs::looking_back::{Contested, ContestedFleet, Origin, then};
use runs::{Clock, Wanted};
use store::runs::{self as kept, ForecastRow, Run, Scope};
use store::{Store, StoreError, Transaction, record};
use tests::database::Database::Sqlite;
use tests::yard::{Yard, author, interval, part, service, task};

use invented::{now, records};

async fn forecast(store: &Store, organisation: OrganisationId, at: DateTime<Utc>) -> Run {
    let wanted = Wanted::by(organisation, RunKind::Forecast, "tests");
    let run = runs::ask(store, &wanted, at).await.unwrap();
    let clock: Clock = Arc::new(move || at);
    runs::carry_out(store, organisation, run.id, &clock, Arc::new(|_, _| {})).await.unwrap()
}

/// What must add up: means of the streams, by part and months.
type Sums = BTreeMap<(PartId, NaiveDate, i32), [f64; 4]>;

fn sums(rows: &[ForecastRow]) -> Sums {
    let mut sums = Sums::new();
    for row in rows {
        let sum = sums.entry((row.part, row.month, row.months)).or_default();
        let of = [row.mean, row.planned, row.on_finding, row.unplanned];
        sum.iter_mut().zip(of).for_each(|(sum, of)| *sum += of);
    }
    sums
}

fn agree(fleet: &Sums, shares: &Sums) {
    for (key, shares) in shares {
        let fleet = fleet[key];
        for (all, share) in fleet.iter().zip(shares) {
            assert!((all - share).abs() < 1e-6 * all.max(1.0), "{key:?}: {fleet:?} {shares:?}");
        }
    }
}

#[tokio::test]
async fn sites_and_pools_add_up_to_the_fleet_and_the_last_year_is_replayed() {
    let database = Sqlite.fresh().await.unwrap();
    let store = &database.store;
    let (organisation, snapshot) = records(store, 7).await;
    let run = forecast(store, organisation, now()).await;
    let rows = async |scope| {
        let wanted = (None, scope);
        kept::forecast_rows(store.connection(), organisation, run.id, wanted).await.unwrap()
    };
    let fleet = rows(Scope::Fleet).await;
    let fleet_sums = sums(&fleet);
    let (mut sites, mut pools) = (Vec::new(), Vec::new());
    for site in &snapshot.yard.sites {
        sites.extend(rows(Scope::Site(site.id)).await);
    }
    for pool in &snapshot.fleet.pools {
        pools.extend(rows(Scope::Pool(pool.id)).await);
    }
    assert!(snapshot.fleet.pools.len() > 2, "a split needs pools");
    assert_eq!(sums(&sites).len(), fleet_sums.len());
    agree(&fleet_sums, &sums(&sites));
    let single: Sums = fleet_sums.iter().filter(|it| it.0.2 == 1).map(|(a, b)| (*a, *b)).collect();
    assert_eq!(sums(&pools).len(), single.len());
    agree(&single, &sums(&pools));

    let demand = paths_are_those_of_the_rows(store, organisation, &run, &fleet).await;
    // Papers of the time before tell when something was last done; those are no months in which
    // nothing was asked for.
    let services = &snapshot.work.services;
    let told = |it: &&Service| snapshot.work.service_parts.iter().any(|row| row.service == it.id);
    let first_told = services.iter().filter(told).map(|it| it.done_on).min().unwrap();
    assert!(services.iter().any(|it| it.done_on < first_told - Months::new(2)));
    assert_eq!(demand.iter().map(|row| row.month).min(), first_told.with_day(1));
    last_year_is_beside_what_happened(store, organisation, &run).await;
}

/// The Parquet files of a run read back, and say what its rows say.
async fn paths_are_those_of_the_rows(
    store: &Store,
    organisation: OrganisationId,
    run: &Run,
    fleet: &[ForecastRow],
) -> Vec<MonthlyDemand> {
    let file = async |name| {
        kept::file(store.connection(), organisation, run.id, name).await.unwrap().content
    };
    let paths = read_paths(file("paths.parquet").await).unwrap();
    let first = fleet.iter().map(|row| row.month).min().unwrap();
    for of in &paths {
        let months = of.months as usize;
        let mean: f64 = of.values.iter().map(|value| f64::from(*value)).sum::<f64>();
        let mean = mean / (of.values.len() / months) as f64;
        let part: PartId = of.part.parse().unwrap();
        let row = fleet.iter().find(|row| row.part == part && row.months == 12).unwrap();
        assert!((row.mean - mean).abs() <= 0.01 * mean.max(1.0), "{}: {mean}", row.mean);
    }
    let months = fleet.iter().filter(|row| row.months == 12);
    assert_eq!(paths.len(), months.count());
    let demand = read_demand(file("demand.parquet").await).unwrap();
    assert!(demand.iter().all(|row| row.month < first && row.quantity >= 0.0));
    assert!(demand.iter().any(|row| row.quantity > 0.0));
    demand
}

async fn last_year_is_beside_what_happened(store: &Store, organisation: OrganisationId, run: &Run) {
    let stood_on = NaiveDate::from_ymd_opt(2025, 11, 1).unwrap();
    let fleet = ContestedFleet::of(run).unwrap();
    assert_eq!(fleet.stood_on, stood_on);
    assert!(fleet.parts > 30 && fleet.three_streams.months == 12 * fleet.parts);
    let parts = kept::forecast_parts(store.connection(), organisation, run.id, None).await.unwrap();
    let (mut months, mut inside, mut contested) = (0, 0, 0);
    for how in &parts {
        let Some(then) = then(store.connection(), organisation, run, how).await.unwrap() else {
            continue;
        };
        assert_eq!((then.origin, then.stood_on), (Origin::Replay, stood_on));
        assert_eq!((then.months.len(), then.hindsight.months.len()), (12, 12));
        months += 12;
        inside += then.hindsight.inside();
        let Some(scored) = then.contested else { continue };
        let Contested { three_streams, models, history } = &scored;
        assert_eq!(three_streams.months, 12);
        assert!(*models > 10 && history.is_sorted_by_key(|it| it.scores.pinball));
        let says = scored.says(Some(&fleet)).unwrap();
        assert!(says.contains("one forecast of 12 months of one part"), "{says}");
        contested += 1;
    }
    assert_eq!(contested, fleet.parts);
    // Whole quantities: a band of eight in ten holds more than that, and less where the year
    // surprised all parts at once.
    let share = f64::from(u32::try_from(inside).unwrap()) / f64::from(months);
    assert!((0.75..=0.99).contains(&share), "{share:.3} of {months} months inside");
}

/// Two engines of which a task with one part was done every so many months for a year.
async fn renewed(every: u32) -> Vec<ForecastRow> {
    let database = Sqlite.fresh().await.unwrap();
    let (store, yard) = (&database.store, Yard::found(&database.store, "north").await);
    let task = task("Renew the impeller", AccessGroup::GearcaseOff, 30);
    let of = part("B6-IM");
    let engines = ["ND-1", "ND-2"].map(|serial| yard.engine(serial));
    let done = |back: u32| {
        let on = now().date_naive() - Months::new(back);
        engines.each_ref().map(|engine| service(engine.id, &task, on.with_day(10).unwrap()))
    };
    let services: Vec<Service> = (0..=12 / every).flat_map(|n| done(1 + n * every)).collect();
    let takes = TaskPart {
        id: TaskPartId::fresh(),
        version: 1,
        task: task.id,
        model: None,
        part: of.id,
        quantity: 1,
        chance_permille: 1_000,
    };
    let (organisation, who, limb) = (
        yard.organisation,
        author(),
        ProgrammeInterval { every_months: i32::try_from(every).ok(), ..interval(&task) },
    );
    let work = async |tx: &Transaction| {
        record::create(tx, organisation, &who, std::slice::from_ref(&task)).await?;
        record::create(tx, organisation, &who, std::slice::from_ref(&limb)).await?;
        record::create(tx, organisation, &who, &engines).await?;
        record::create(tx, organisation, &who, std::slice::from_ref(&of)).await?;
        record::create(tx, organisation, &who, std::slice::from_ref(&takes)).await?;
        record::append(tx, organisation, &services).await?;
        Ok::<_, StoreError>(())
    };
    store.write(work).await.unwrap();
    let run = forecast(store, organisation, now()).await;
    let wanted = (Some(of.id), Scope::Fleet);
    let connection = store.connection();
    // A year of record is too little to stand a year back in.
    let parts = kept::forecast_parts(connection, organisation, run.id, Some(of.id)).await.unwrap();
    assert!(parts.iter().all(|how| how.hindcast.is_none()) && run.scores.is_none());
    kept::forecast_rows(connection, organisation, run.id, wanted).await.unwrap()
}

/// Renewals follow each other inside the horizon: last done in October, each engine asks for a part
/// in every interval of the twelve months ahead. Some are done late, as yards do.
#[rstest]
#[case::every_quarter(3, 3.0..=4.2)]
#[case::every_half_year(6, 1.5..=2.2)]
#[case::every_second_year(24, 0.0..=0.6)]
#[tokio::test]
async fn an_interval_shorter_than_the_horizon_is_renewed_within_it(
    #[case] every: u32,
    #[case] times: std::ops::RangeInclusive<f64>,
) {
    let rows = renewed(every).await;
    // A part that is asked for on no path has no rows.
    let year = rows.iter().find(|row| row.months == 12).map_or(0.0, |row| row.planned);
    let each = year / 2.0;
    assert!(times.contains(&each), "{each:.2} times an engine, every {every} months");
}
