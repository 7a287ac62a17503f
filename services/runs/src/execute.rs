//! A run from its request to its end: asked for, claimed, computed, kept or failed.
//!
//! Invariants: rows and end are written in one transaction; whoever claims a run is the only one; a
//! run that fails says so where its result would stand, and the last good one stays.

use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};
use fleet::calendar::day_of;
use fleet::id::{OrganisationId, RunId, SiteId};
use fleet::run::RunKind;
use serde_json::Value;
use store::runs::{self, AdviceRow, DueRow, ForecastPart, ForecastRow, Outcome, Run, RunFile};
use store::snapshot::{self, Snapshot};
use store::{Store, Transaction, record};

use crate::error::RunError;
use crate::hours::zones;
use crate::{advice, due_run, forecast};

/// The caller's clock.
pub type Clock = Arc<dyn Fn() -> DateTime<Utc> + Send + Sync>;
/// Hears how far a run is: thousandths, and at what.
pub type Progress = Arc<dyn Fn(i32, &str) + Send + Sync>;

/// Who wants a run, and of what.
#[derive(Clone, Debug)]
pub struct Wanted {
    pub organisation: OrganisationId,
    pub kind: RunKind,
    pub site: Option<SiteId>,
    pub requested_by: String,
    pub seed: i64,
    pub parameters: Value,
}

impl Wanted {
    /// For all sites, with the seed 1 and nothing else said.
    pub fn by(organisation: OrganisationId, kind: RunKind, requested_by: &str) -> Self {
        Self {
            organisation,
            kind,
            site: None,
            requested_by: requested_by.to_owned(),
            seed: 1,
            parameters: Value::Object(serde_json::Map::new()),
        }
    }

    /// The request as the store keeps it, for whoever asks within a transaction of their own.
    pub fn request(&self) -> runs::Request {
        runs::Request {
            kind: self.kind,
            site: self.site,
            program_version: env!("CARGO_PKG_VERSION").to_owned(),
            seed: self.seed,
            parameters: self.parameters.clone(),
            requested_by: self.requested_by.clone(),
        }
    }
}

/// What a computation gives to be kept.
#[derive(Default)]
pub struct Computed {
    pub scores: Option<Value>,
    pub summary: Option<Value>,
    pub files: Vec<RunFile>,
    pub due: Vec<DueRow>,
    pub forecast_parts: Vec<ForecastPart>,
    pub forecast_rows: Vec<ForecastRow>,
    pub advice: Vec<AdviceRow>,
}

/// What a computation starts from.
pub struct Task {
    pub run: Run,
    pub snapshot: Snapshot,
    /// The latest forecast and its sample paths, for what builds on it.
    pub paths: Option<(Run, RunFile)>,
    /// The day of the yard on which it is made.
    pub today: NaiveDate,
    pub progress: Progress,
}

/// Asks for a run, to be carried out by whoever claims it.
///
/// # Errors
/// The store failed.
pub async fn ask(store: &Store, wanted: &Wanted, now: DateTime<Utc>) -> Result<Run, RunError> {
    let request = wanted.request();
    let work = async |transaction: &Transaction| {
        runs::request(transaction, wanted.organisation, &request, now).await
    };
    Ok(store.write(work).await?)
}

/// Claims a run and carries it out. A failure is kept with the run, and answered.
///
/// # Errors
/// Somebody else has it; the computation or the store failed.
pub async fn carry_out(
    store: &Store,
    organisation: OrganisationId,
    run: RunId,
    clock: &Clock,
    progress: Progress,
) -> Result<Run, RunError> {
    let now = clock();
    let claim =
        async |transaction: &Transaction| runs::start(transaction, organisation, run, now).await;
    if !store.write(claim).await? {
        return Err(RunError::NotWaiting);
    }
    match compute_and_keep(store, organisation, run, clock, progress).await {
        Ok(()) => Ok(runs::get(store.connection(), organisation, run).await?),
        Err(error) => {
            let (failure, now) = (error.to_string(), clock());
            tracing::error!(%run, %failure, "a run failed");
            let fail = async |transaction: &Transaction| {
                runs::fail(transaction, organisation, run, &failure, now).await
            };
            store.write(fail).await?;
            Err(error)
        }
    }
}

async fn compute_and_keep(
    store: &Store,
    organisation: OrganisationId,
    run: RunId,
    clock: &Clock,
    progress: Progress,
) -> Result<(), RunError> {
    let now = clock();
    let row = runs::get(store.connection(), organisation, run).await?;
    let snapshot = snapshot::take(store, organisation, now).await?;
    let paths = match row.kind {
        RunKind::OrderAdvice => forecast::latest_paths(store, organisation).await?,
        _ => None,
    };
    let task = Task { today: today(&snapshot, now), run: row, snapshot, paths, progress };
    let compute = move || {
        let digest = task.snapshot.digest();
        compute(&task).map(|computed| (digest, computed))
    };
    let computed = tokio::task::spawn_blocking(compute).await;
    let (input_digest, computed) =
        computed.map_err(|cause| RunError::Stopped(cause.to_string()))??;
    let Computed { scores, summary, files, due, forecast_parts, forecast_rows, advice } = computed;
    let outcome = Outcome { input_digest, scores, summary };
    let now = clock();
    let keep = async |transaction: &Transaction| {
        record::append(transaction, organisation, &due).await?;
        record::append(transaction, organisation, &forecast_parts).await?;
        record::append(transaction, organisation, &forecast_rows).await?;
        record::append(transaction, organisation, &advice).await?;
        runs::finish(transaction, organisation, run, &outcome, &files, now).await
    };
    Ok(store.write(keep).await?)
}

fn compute(task: &Task) -> Result<Computed, RunError> {
    match task.run.kind {
        RunKind::Due => Ok(due_run::compute(task)),
        RunKind::Forecast => forecast::compute(task),
        RunKind::OrderAdvice => advice::compute(task),
        kind => Err(RunError::OtherKind { kind }),
    }
}

/// The day of the first site's calendar.
pub fn today(snapshot: &Snapshot, now: DateTime<Utc>) -> NaiveDate {
    let zones = zones(snapshot);
    let first = snapshot.yard.sites.iter().find(|site| !site.archived);
    let zone = first.and_then(|site| zones.get(&site.id)).copied().unwrap_or(chrono_tz::Tz::UTC);
    day_of(now, zone)
}
