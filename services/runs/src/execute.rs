//! A run from its request to its end: asked for, claimed, computed, kept or failed.
//!
//! Invariants: rows and end are written in one transaction; whoever claims a run is the only one; a
//! run that fails says so where its result would stand, and the last good one stays.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use fleet::calendar::day_of;
use fleet::id::{OrganisationId, RunId, SiteId};
use fleet::run::RunKind;
use serde_json::Value;
use store::runs::{self, AdviceRow, DueRow, ForecastPart, ForecastRow, Outcome, Run, RunFile};
use store::snapshot::{self, Snapshot};
use store::{Author, Store, Transaction, between_nights, plans, record};

use crate::error::RunError;
use crate::hours::zones;
use crate::plan::parameters::PlanParameters;
use crate::plan::rows::Draft;
use crate::plan::standing::{self, Standing};
use crate::{advice, due_run, forecast, lives, plan_run};

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
    pub drafts: Vec<Draft>,
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
    /// The plan beside which something is tried.
    pub beside: Option<Standing>,
    /// Set where somebody asks for the run to end with what it has.
    pub stop: Arc<AtomicBool>,
    pub clock: Clock,
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
    let stop = Arc::new(AtomicBool::new(false));
    let task = Task {
        today: today(&snapshot, now),
        beside: beside(store, organisation, &row).await?,
        run: row,
        snapshot,
        paths,
        progress,
        stop: Arc::clone(&stop),
        clock: Arc::clone(clock),
    };
    let requested_by = task.run.requested_by.clone();
    let listener = tokio::spawn(listen_for_stop(store.clone(), organisation, run, stop));
    let compute = move || {
        let digest = task.snapshot.digest();
        compute(&task).map(|computed| (digest, computed))
    };
    let computed = tokio::task::spawn_blocking(compute).await;
    listener.abort();
    let (input_digest, computed) =
        computed.map_err(|cause| RunError::Stopped(cause.to_string()))??;
    let Computed { scores, summary, files, due, forecast_parts, forecast_rows, advice, drafts } =
        computed;
    let outcome = Outcome { input_digest, scores, summary };
    let now = clock();
    let author = Author { id: None, name: requested_by, at: now, note: None };
    let keep = async |transaction: &Transaction| {
        record::append(transaction, organisation, &due).await?;
        record::append(transaction, organisation, &forecast_parts).await?;
        record::append(transaction, organisation, &forecast_rows).await?;
        record::append(transaction, organisation, &advice).await?;
        keep_drafts(transaction, organisation, &author, &drafts).await?;
        runs::finish(transaction, organisation, run, &outcome, &files, now).await?;
        if author.name == RECORDS {
            let before = now - TimeDelta::hours(RECORDS_KEPT_HOURS);
            between_nights::clear(transaction, organisation, RECORDS, before).await?;
        }
        Ok::<_, store::StoreError>(())
    };
    Ok(store.write(keep).await?)
}

/// Who asks for the runs of every night.
pub const SCHEDULE: &str = "schedule";
/// Who asks for a due list because of what went on record since the last one.
pub const RECORDS: &str = "records";
/// For how long a due list that [`RECORDS`] asked for is kept once a later one is on show: somebody
/// may be turning its pages.
const RECORDS_KEPT_HOURS: i64 = 1;

/// Drafts with a line in the history each; their visits are the run's result, and their history
/// begins where a person changes them. A night's draft takes the place of those of earlier nights
/// that nobody has touched.
async fn keep_drafts(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    drafts: &[Draft],
) -> Result<(), store::StoreError> {
    for draft in drafts {
        if author.name == SCHEDULE {
            let of = (draft.plan.site, draft.plan.kind);
            plans::clear_untouched(transaction, organisation, author, of, SCHEDULE).await?;
        }
        let plan = std::slice::from_ref(&draft.plan);
        record::create(transaction, organisation, author, plan).await?;
        record::append(transaction, organisation, &draft.visits).await?;
        record::append(transaction, organisation, &draft.tasks).await?;
    }
    Ok(())
}

/// The plan beside which a what-if is tried: the one named, else the one that holds at the site.
async fn beside(
    store: &Store,
    organisation: OrganisationId,
    run: &Run,
) -> Result<Option<Standing>, RunError> {
    if run.kind != RunKind::Plan {
        return Ok(None);
    }
    let parameters = PlanParameters::read(&run.parameters)?;
    let connection = store.connection();
    let plan = match (parameters.what_if, parameters.from, run.site) {
        (None, ..) => None,
        (Some(_), Some(from), _) => Some(from),
        (Some(_), None, Some(site)) => {
            let holds = plans::published(connection, organisation, site, parameters.plan).await?;
            holds.map(|plan| plan.id)
        }
        (Some(_), None, None) => None,
    };
    match plan {
        Some(plan) => Ok(Some(standing::read(connection, organisation, plan).await?)),
        None => Ok(None),
    }
}

/// How often a run looks whether it is to stop.
const LOOKS_EVERY: Duration = Duration::from_secs(1);

async fn listen_for_stop(
    store: Store,
    organisation: OrganisationId,
    run: RunId,
    stop: Arc<AtomicBool>,
) {
    loop {
        tokio::time::sleep(LOOKS_EVERY).await;
        match runs::get(store.connection(), organisation, run).await {
            Ok(row) if row.stop_asked_at.is_some() => return stop.store(true, Ordering::Relaxed),
            Ok(_) => {}
            Err(error) => tracing::warn!(%run, %error, "could not look whether to stop"),
        }
    }
}

fn compute(task: &Task) -> Result<Computed, RunError> {
    match task.run.kind {
        RunKind::Due => Ok(due_run::compute(task)),
        RunKind::Forecast => forecast::compute(task),
        RunKind::OrderAdvice => advice::compute(task),
        RunKind::Plan => plan_run::compute(task),
        RunKind::Life => lives::compute(task),
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
