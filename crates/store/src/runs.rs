//! Runs of the computations: asked for, worked on, finished. A finished run never changes again.

use chrono::{DateTime, NaiveDate, Utc};
use fleet::Money;
use fleet::id::{
    EngineId, OrganisationId, PartId, PoolId, RunId, RunRowId, SiteId, SupplierId, TaskId,
};
use fleet::run::{GoverningLimb, RunKind, RunStatus};
use sea_orm::entity::prelude::Json;
use sea_orm::{
    ActiveModelTrait as _, ColumnTrait as _, Condition, ConnectionTrait, EntityTrait as _,
    QueryFilter as _, QueryOrder as _, QuerySelect as _, Select, Set,
};
use serde::Serialize;
use uuid::Uuid;

use crate::Transaction;
use crate::entity::{due_rows, forecast_parts, forecast_rows, order_advice_rows, run_files, runs};
use crate::error::StoreError;
use crate::record::{self, Page, PageOf};
use crate::value::{to_microseconds, word};

const NOUN: &str = "run";
/// Files of a run, and files in one list.
const FILES_MAX: u64 = 100;

/// What is asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Request {
    pub kind: RunKind,
    pub site: Option<SiteId>,
    pub program_version: String,
    pub seed: i64,
    pub parameters: Json,
    pub requested_by: String,
}

/// One computation: what went in, by which version of the program, what came out.
#[derive(Clone, Debug, PartialEq)]
pub struct Run {
    pub id: RunId,
    pub kind: RunKind,
    pub status: RunStatus,
    pub site: Option<SiteId>,
    pub program_version: String,
    pub seed: i64,
    /// SHA-256 of the snapshot that it was computed from.
    pub input_digest: Option<Vec<u8>>,
    pub parameters: Json,
    pub scores: Option<Json>,
    pub summary: Option<Json>,
    pub failure: Option<String>,
    pub progress_permille: i32,
    pub progress_note: Option<String>,
    pub requested_by: String,
    pub requested_at: DateTime<Utc>,
    pub started_at: Option<DateTime<Utc>>,
    pub finished_at: Option<DateTime<Utc>>,
    /// Somebody asked for it to end early, with what it has by then.
    pub stop_asked_at: Option<DateTime<Utc>>,
}

/// What came out, beside the rows.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    pub input_digest: Vec<u8>,
    pub scores: Option<Json>,
    pub summary: Option<Json>,
}

/// A file kept with a run: snapshot, sample paths, plan, certificate.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RunFile {
    pub name: String,
    pub media_type: String,
    pub content: Vec<u8>,
}

/// One engine × task of a due run.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DueRow {
    pub id: RunRowId,
    pub run: RunId,
    pub engine: EngineId,
    pub task: TaskId,
    pub governing: GoverningLimb,
    /// 10 % quantile.
    pub due_early_on: Option<NaiveDate>,
    /// Median.
    pub due_on: Option<NaiveDate>,
    /// 90 % quantile.
    pub due_late_on: Option<NaiveDate>,
    pub months_due_on: Option<NaiveDate>,
    pub hours_left_seconds: Option<i64>,
    /// The hours limb's length, severity taken in.
    pub hours_length_seconds: Option<i64>,
    /// Life hours at which the hours limb is reached; not on runs before it was kept.
    pub hours_at_seconds: Option<i64>,
    /// From when the interval counts.
    pub counts_from_on: Option<NaiveDate>,
    pub days_left: Option<i32>,
    /// Share of the interval used.
    pub used_permille: i32,
    pub source: Option<String>,
    pub explanation: Option<String>,
}

/// How one part was forecast, and how well such forecasts did before.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ForecastPart {
    pub id: RunRowId,
    pub run: RunId,
    pub part: PartId,
    pub site: Option<SiteId>,
    pub model: String,
    pub reason: String,
    pub scores: Json,
    /// Months and quantities that it rests on.
    pub history: Json,
    /// What the run's own code says from a year back; `None` where the record was too short, and in
    /// runs from before it was kept.
    pub hindcast: Option<Json>,
}

/// Demand of one part in a month, or in the first so many months together.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ForecastRow {
    pub id: RunRowId,
    pub run: RunId,
    pub part: PartId,
    pub site: Option<SiteId>,
    pub pool: Option<PoolId>,
    /// First day of the month; of the first month where cumulated.
    pub month: NaiveDate,
    /// 1, or how many are added up.
    pub months: i32,
    pub mean: f64,
    pub planned: f64,
    pub on_finding: f64,
    pub unplanned: f64,
    /// Percent to quantity.
    pub quantiles: Json,
}

/// Whose demand a row counts. Pools add up to their site, sites to the fleet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scope {
    Fleet,
    Site(SiteId),
    Pool(PoolId),
}

impl Scope {
    fn condition(self) -> Condition {
        let (site, pool) = (forecast_rows::Column::SiteId, forecast_rows::Column::PoolId);
        match self {
            Self::Fleet => Condition::all().add(site.is_null()).add(pool.is_null()),
            Self::Site(of) => Condition::all().add(site.eq(of.0)).add(pool.is_null()),
            Self::Pool(of) => Condition::all().add(pool.eq(of.0)),
        }
    }
}

/// A line of advice: what to order.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AdviceRow {
    pub id: RunRowId,
    pub run: RunId,
    pub part: PartId,
    pub supplier: SupplierId,
    pub site: Option<SiteId>,
    pub quantity: i64,
    pub order_by: NaiveDate,
    pub unit_price: Money,
    pub total: Money,
    pub fill_rate_permille: Option<i32>,
    pub reason: String,
    pub detail: Option<Json>,
}

impl AdviceRow {
    /// Whether it is bought now: always, unless the yard has so much to spend in a month and the
    /// advice laid this line into a later one, or into none.
    pub fn is_for_now(&self) -> bool {
        let month = self.detail.as_ref().and_then(|detail| detail.get("buy_in_month"));
        month.is_none_or(|month| month.as_u64() == Some(0))
    }
}

/// Asks for a run; it waits until somebody starts it.
pub async fn request(
    transaction: &Transaction,
    organisation: OrganisationId,
    wanted: &Request,
    now: DateTime<Utc>,
) -> Result<Run, StoreError> {
    let row = runs::ActiveModel {
        organisation_id: Set(organisation.0),
        id: Set(RunId::fresh().0),
        kind: Set(wanted.kind.as_str().to_owned()),
        status: Set(RunStatus::Queued.as_str().to_owned()),
        site_id: Set(wanted.site.map(|site| site.0)),
        program_version: Set(wanted.program_version.clone()),
        seed: Set(wanted.seed),
        input_digest: Set(None),
        parameters: Set(wanted.parameters.clone()),
        scores: Set(None),
        summary: Set(None),
        failure: Set(None),
        progress_permille: Set(0),
        progress_note: Set(None),
        requested_by: Set(wanted.requested_by.clone()),
        requested_at: Set(to_microseconds(now)),
        started_at: Set(None),
        finished_at: Set(None),
        stop_asked_at: Set(None),
    };
    from_row(row.insert(transaction).await.map_err(|cause| StoreError::on(NOUN, cause))?)
}

/// Starts a run that waits; `false` where another process was quicker.
pub async fn start(
    transaction: &Transaction,
    organisation: OrganisationId,
    run: RunId,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let started = runs::ActiveModel {
        status: Set(RunStatus::Running.as_str().to_owned()),
        started_at: Set(Some(to_microseconds(now))),
        ..Default::default()
    };
    update(transaction, organisation, run, &[RunStatus::Queued], started).await
}

/// Says how far a run is.
pub async fn progress(
    transaction: &Transaction,
    organisation: OrganisationId,
    run: RunId,
    permille: i32,
    note: Option<&str>,
) -> Result<(), StoreError> {
    let progressed = runs::ActiveModel {
        progress_permille: Set(permille.clamp(0, 1_000)),
        progress_note: Set(note.map(str::to_owned)),
        ..Default::default()
    };
    update(transaction, organisation, run, &[RunStatus::Running], progressed).await.map(drop)
}

/// Asks a run to end early with what it has by then; one that still waits ends at once.
///
/// # Errors
/// `run-finished` where it has ended.
pub async fn ask_to_stop(
    transaction: &Transaction,
    organisation: OrganisationId,
    run: RunId,
    by: &str,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let asked =
        runs::ActiveModel { stop_asked_at: Set(Some(to_microseconds(now))), ..Default::default() };
    if update(transaction, organisation, run, &[RunStatus::Running], asked).await? {
        return Ok(());
    }
    let why = format!("stopped by {by} before it began");
    fail(transaction, organisation, run, &why, now).await
}

/// Finishes a run with its files. Its rows are appended in the same transaction, before or after.
///
/// # Errors
/// `run-finished` where it is done or failed already.
pub async fn finish(
    transaction: &Transaction,
    organisation: OrganisationId,
    run: RunId,
    outcome: &Outcome,
    files: &[RunFile],
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let done = runs::ActiveModel {
        status: Set(RunStatus::Done.as_str().to_owned()),
        input_digest: Set(Some(outcome.input_digest.clone())),
        scores: Set(outcome.scores.clone()),
        summary: Set(outcome.summary.clone()),
        progress_permille: Set(1_000),
        progress_note: Set(None),
        finished_at: Set(Some(to_microseconds(now))),
        ..Default::default()
    };
    end(transaction, organisation, run, done).await?;
    // One statement a file: a file may be large, and a run has a handful.
    for file in files {
        let row = run_files::ActiveModel {
            organisation_id: Set(organisation.0),
            id: Set(Uuid::now_v7()),
            run_id: Set(run.0),
            name: Set(file.name.clone()),
            media_type: Set(file.media_type.clone()),
            content: Set(file.content.clone()),
        };
        let insert = run_files::Entity::insert(row).exec_without_returning(transaction).await;
        insert.map_err(|cause| StoreError::on("file of a run", cause))?;
    }
    Ok(())
}

/// Finishes a run without a result; the last good one stays on show.
///
/// # Errors
/// `run-finished` where it is done or failed already.
pub async fn fail(
    transaction: &Transaction,
    organisation: OrganisationId,
    run: RunId,
    failure: &str,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let failed = runs::ActiveModel {
        status: Set(RunStatus::Failed.as_str().to_owned()),
        failure: Set(Some(failure.to_owned())),
        finished_at: Set(Some(to_microseconds(now))),
        ..Default::default()
    };
    end(transaction, organisation, run, failed).await
}

pub async fn get(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    run: RunId,
) -> Result<Run, StoreError> {
    let row = of(organisation).filter(runs::Column::Id.eq(run.0)).one(connection).await?;
    row.map(from_row).transpose()?.ok_or(StoreError::Missing { noun: NOUN })
}

/// The last good run of a kind: what is on show. With a site, that site's.
pub async fn latest(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    kind: RunKind,
    site: Option<SiteId>,
) -> Result<Option<Run>, StoreError> {
    let mut query = done(organisation, kind);
    if let Some(site) = site {
        query = query.filter(runs::Column::SiteId.eq(site.0));
    }
    let row = query.order_by_desc(runs::Column::Id).one(connection).await?;
    row.map(from_row).transpose()
}

/// The last good run of the same kind before `run`.
pub async fn before(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    run: &Run,
) -> Result<Option<Run>, StoreError> {
    let query = done(organisation, run.kind).filter(runs::Column::Id.lt(run.id.0));
    query.order_by_desc(runs::Column::Id).one(connection).await?.map(from_row).transpose()
}

/// The last good run of a kind that was finished by `until`.
pub async fn done_until(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    kind: RunKind,
    until: DateTime<Utc>,
) -> Result<Option<Run>, StoreError> {
    let query = done(organisation, kind).filter(runs::Column::FinishedAt.lte(until));
    query.order_by_desc(runs::Column::Id).one(connection).await?.map(from_row).transpose()
}

/// The first good run of a kind.
pub async fn first_done(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    kind: RunKind,
) -> Result<Option<Run>, StoreError> {
    let query = done(organisation, kind).order_by_asc(runs::Column::Id);
    query.one(connection).await?.map(from_row).transpose()
}

/// The last run of a kind, however it ended: to say that a newer one failed.
pub async fn latest_asked(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    kind: RunKind,
) -> Result<Option<Run>, StoreError> {
    let query = of(organisation).filter(runs::Column::Kind.eq(kind.as_str()));
    query.order_by_desc(runs::Column::Id).one(connection).await?.map(from_row).transpose()
}

/// Runs in a state, the oldest first: those that wait for a worker, or that one works on.
pub async fn in_state(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    status: RunStatus,
) -> Result<Vec<Run>, StoreError> {
    let query = of(organisation).filter(runs::Column::Status.eq(status.as_str()));
    let rows = query.order_by_asc(runs::Column::Id).all(connection).await?;
    rows.into_iter().map(from_row).collect()
}

/// The runs that somebody asked for.
pub async fn asked_by(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    requested_by: &str,
) -> Result<Vec<RunId>, StoreError> {
    let query = of(organisation).filter(runs::Column::RequestedBy.eq(requested_by));
    let ids: Vec<Uuid> =
        query.select_only().column(runs::Column::Id).into_tuple().all(connection).await?;
    Ok(ids.into_iter().map(RunId).collect())
}

/// Runs, the newest first.
pub async fn page(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    kind: Option<RunKind>,
    wanted: PageOf,
) -> Result<Page<Run>, StoreError> {
    let mut condition = Condition::all();
    if let Some(kind) = kind {
        condition = condition.add(runs::Column::Kind.eq(kind.as_str()));
    }
    let mut cursor = of(organisation).filter(condition).cursor_by(runs::Column::Id);
    cursor.desc();
    if let Some(after) = wanted.after {
        cursor.after(after);
    }
    let mut rows = cursor.first(wanted.size() + 1).all(connection).await?;
    let more = rows.len() as u64 > wanted.size();
    rows.truncate(wanted.size() as usize);
    let rows = rows.into_iter().map(from_row).collect::<Result<Vec<_>, _>>()?;
    let next = rows.last().filter(|_| more).map(|last| last.id.0);
    Ok(Page { rows, next })
}

/// Names and media types of a run's files.
pub async fn files(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    run: RunId,
) -> Result<Vec<(String, String)>, StoreError> {
    let query = files_of(organisation, run)
        .select_only()
        .columns([run_files::Column::Name, run_files::Column::MediaType])
        .order_by_asc(run_files::Column::Name)
        .limit(FILES_MAX);
    Ok(query.into_tuple().all(connection).await?)
}

/// One file of a run.
pub async fn file(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    run: RunId,
    name: &str,
) -> Result<RunFile, StoreError> {
    let query = files_of(organisation, run).filter(run_files::Column::Name.eq(name));
    let row = query.one(connection).await?.ok_or(StoreError::Missing { noun: "file of a run" })?;
    Ok(RunFile { name: row.name, media_type: row.media_type, content: row.content })
}

/// The rows of a due run.
pub async fn due_rows(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    run: RunId,
) -> Result<Vec<DueRow>, StoreError> {
    let query = record::of::<DueRow>(organisation).filter(due_rows::Column::RunId.eq(run.0));
    record::select(connection, query).await
}

/// How the parts of a forecast run were forecast; with a part, only that one.
pub async fn forecast_parts(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    run: RunId,
    part: Option<PartId>,
) -> Result<Vec<ForecastPart>, StoreError> {
    let mut query =
        record::of::<ForecastPart>(organisation).filter(forecast_parts::Column::RunId.eq(run.0));
    if let Some(part) = part {
        query = query.filter(forecast_parts::Column::PartId.eq(part.0));
    }
    record::select(connection, query).await
}

/// The months of a forecast run; with a part, only that one's.
pub async fn forecast_rows(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    run: RunId,
    (part, scope): (Option<PartId>, Scope),
) -> Result<Vec<ForecastRow>, StoreError> {
    let mut query = record::of::<ForecastRow>(organisation)
        .filter(forecast_rows::Column::RunId.eq(run.0))
        .filter(scope.condition());
    if let Some(part) = part {
        query = query.filter(forecast_rows::Column::PartId.eq(part.0));
    }
    record::select(connection, query).await
}

/// What the fleet needs of `parts` over the first `months` months of a forecast run together.
pub async fn cumulated_rows(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    run: RunId,
    parts: &[PartId],
    months: i32,
) -> Result<Vec<ForecastRow>, StoreError> {
    let query = record::of::<ForecastRow>(organisation)
        .filter(forecast_rows::Column::RunId.eq(run.0))
        .filter(Scope::Fleet.condition())
        .filter(forecast_rows::Column::Months.eq(months))
        .filter(forecast_rows::Column::PartId.is_in(parts.iter().map(|part| part.0)));
    record::select(connection, query).await
}

/// The lines of an order-advice run.
pub async fn advice_rows(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    run: RunId,
) -> Result<Vec<AdviceRow>, StoreError> {
    let query =
        record::of::<AdviceRow>(organisation).filter(order_advice_rows::Column::RunId.eq(run.0));
    record::select(connection, query).await
}

fn of(organisation: OrganisationId) -> Select<runs::Entity> {
    runs::Entity::find().filter(runs::Column::OrganisationId.eq(organisation.0))
}

fn done(organisation: OrganisationId, kind: RunKind) -> Select<runs::Entity> {
    of(organisation)
        .filter(runs::Column::Kind.eq(kind.as_str()))
        .filter(runs::Column::Status.eq(RunStatus::Done.as_str()))
}

fn files_of(organisation: OrganisationId, run: RunId) -> Select<run_files::Entity> {
    run_files::Entity::find()
        .filter(run_files::Column::OrganisationId.eq(organisation.0))
        .filter(run_files::Column::RunId.eq(run.0))
}

async fn end(
    transaction: &Transaction,
    organisation: OrganisationId,
    run: RunId,
    values: runs::ActiveModel,
) -> Result<(), StoreError> {
    let open = [RunStatus::Queued, RunStatus::Running];
    if update(transaction, organisation, run, &open, values).await? {
        return Ok(());
    }
    let found = get(transaction, organisation, run).await?;
    let what = format!("this run is {}: a finished run never changes again", found.status);
    Err(StoreError::Broken { rule: "run-finished", what })
}

/// Whether the run was in one of `states`, and so has `values` now.
async fn update(
    transaction: &Transaction,
    organisation: OrganisationId,
    run: RunId,
    states: &[RunStatus],
    values: runs::ActiveModel,
) -> Result<bool, StoreError> {
    let update = runs::Entity::update_many()
        .set(values)
        .filter(runs::Column::OrganisationId.eq(organisation.0))
        .filter(runs::Column::Id.eq(run.0))
        .filter(runs::Column::Status.is_in(states.iter().map(|state| state.as_str())))
        .exec(transaction)
        .await
        .map_err(|cause| StoreError::on(NOUN, cause))?;
    Ok(update.rows_affected == 1)
}

fn from_row(row: runs::Model) -> Result<Run, StoreError> {
    Ok(Run {
        id: RunId(row.id),
        kind: word(&row.kind)?,
        status: word(&row.status)?,
        site: row.site_id.map(SiteId),
        program_version: row.program_version,
        seed: row.seed,
        input_digest: row.input_digest,
        parameters: row.parameters,
        scores: row.scores,
        summary: row.summary,
        failure: row.failure,
        progress_permille: row.progress_permille,
        progress_note: row.progress_note,
        requested_by: row.requested_by,
        requested_at: row.requested_at,
        started_at: row.started_at,
        finished_at: row.finished_at,
        stop_asked_at: row.stop_asked_at,
    })
}
