//! Jobs: proposed, moved from state to state, worked on.

use axum::Json;
use axum::extract::{OriginalUri, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::NaiveDate;
use fleet::Minutes;
use fleet::bench::{Job, JobPart, JobStatus, JobTask, TaskOutcome};
use fleet::engine::Engine;
use fleet::id::{
    BayId, EngineId, FindingId, JobId, JobPartId, JobTaskId, PartId, PersonId, SiteId, TaskId,
};
use fleet::job::{JobState, Shortage};
use fleet::person::Role;
use fleet::pool::Pool;
use fleet::programme::Task;
use serde::{Deserialize, Serialize};
use store::jobs::{self, Done, Followed, JobFilter, NewJob};
use store::{Transaction, record, sites, stock};
use utoipa::openapi::Ref;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::access::Actor;
use crate::body::Body;
use crate::conditional::{IfMatch, entity_tag};
use crate::once::{Answer, OnceKey, Turn};
use crate::paging::{Asked, Listed, link_to_next, page_of};
use crate::path::Id;
use crate::problem::{Problem, Refused};
use crate::resource::{Resource as _, Shown, tagged};
use crate::resources::{JobFields, JobPartFields, JobTaskFields, ReservationFields};
use crate::state::ApiState;

/// Tasks or parts of one job.
const LINES_MAX: usize = 200;

/// A job to be.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ProposedJob {
    engine: Uuid,
    /// The site of the engine's pool where none is given.
    #[serde(default)]
    site: Option<Uuid>,
    #[serde(default)]
    finding: Option<Uuid>,
    #[serde(default)]
    planned_on: Option<NaiveDate>,
    #[serde(default)]
    bay: Option<Uuid>,
    #[serde(default)]
    person: Option<Uuid>,
    #[serde(default)]
    note: Option<String>,
    /// In the order in which they are done.
    tasks: Vec<PlannedTask>,
    /// What the tasks need more often than not, where nothing is given.
    #[serde(default)]
    parts: Option<Vec<NeededPart>>,
}

/// A task of a job to be.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PlannedTask {
    task: Uuid,
    /// The task's own work where none is given.
    #[serde(default)]
    minutes: Option<u32>,
}

/// So many of a part.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NeededPart {
    part: Uuid,
    /// In the part's unit.
    quantity: i64,
}

/// Which jobs are wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct JobsWanted {
    /// `proposed`, `agreed`, `kitted`, `short`, `on_bench`, `on_test`, `released`, `stood_over` or
    /// `dropped`.
    #[param(value_type = Option<String>)]
    state: Option<JobStatus>,
    site: Option<Uuid>,
    /// The day it is planned for.
    planned_on: Option<NaiveDate>,
    person: Option<Uuid>,
    /// The last id seen.
    after: Option<Uuid>,
    /// Rows on the page, 1 to 500.
    size: Option<u64>,
}

/// Where a job is to stand.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WantedState {
    /// `proposed`, `agreed`, `kitted`, `short`, `on_bench`, `on_test`, `released`, `stood_over` or
    /// `dropped`.
    #[schema(value_type = String)]
    state: JobStatus,
    /// The day that a job which is stood over waits for.
    #[serde(default)]
    until: Option<NaiveDate>,
    /// Why it is stood over or dropped.
    #[serde(default)]
    reason: Option<String>,
}

/// When, where and by whom a job is done.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct JobPlan {
    planned_on: Option<NaiveDate>,
    bay: Option<Uuid>,
    person: Option<Uuid>,
    #[serde(default)]
    note: Option<String>,
}

/// A part that a job waits for.
#[derive(Debug, Serialize, ToSchema)]
pub struct MissingPart {
    part: Uuid,
    missing: u32,
    /// When it is expected; absent where not enough is on order.
    #[serde(skip_serializing_if = "Option::is_none")]
    until: Option<NaiveDate>,
}

/// A job after a move.
#[derive(Debug, Serialize, ToSchema)]
pub struct MovedJob {
    #[schema(schema_with = job_schema)]
    pub job: Shown<JobFields>,
    /// What it waits for.
    pub shortages: Vec<MissingPart>,
}

/// All of a job.
#[derive(Debug, Serialize, ToSchema)]
pub struct JobCard {
    #[schema(schema_with = job_schema)]
    job: Shown<JobFields>,
    #[schema(schema_with = tasks_schema)]
    tasks: Vec<Shown<JobTaskFields>>,
    #[schema(schema_with = parts_schema)]
    parts: Vec<Shown<JobPartFields>>,
    /// What is kept back for it, by lot.
    #[schema(schema_with = reservations_schema)]
    held: Vec<Shown<ReservationFields>>,
    shortages: Vec<MissingPart>,
    /// The states that may follow.
    #[schema(value_type = Vec<String>)]
    may_become: Vec<JobStatus>,
}

/// What came of a task.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Outcome {
    /// `done`, `not_needed` or `not_done`.
    #[schema(value_type = String)]
    outcome: TaskOutcome,
    /// Minutes at the bench.
    #[serde(default)]
    spent: Option<u32>,
    #[serde(default)]
    by: Option<Uuid>,
    #[serde(default)]
    note: Option<String>,
}

/// How much of a part went in.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Used {
    used: i64,
    /// Why it is far beyond what such a job takes; kept in the history.
    #[serde(default)]
    why: Option<String>,
}

/// So many of a part beyond the plan.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AskedPart {
    part: Uuid,
    /// In the part's unit.
    quantity: i64,
    /// Why it is far beyond what such a job takes; kept in the history.
    #[serde(default)]
    why: Option<String>,
}

fn job_schema() -> Ref {
    Ref::from_schema_name("Job")
}

fn listed(name: &str) -> utoipa::openapi::Array {
    utoipa::openapi::ArrayBuilder::new().items(Ref::from_schema_name(name)).build()
}

fn tasks_schema() -> utoipa::openapi::Array {
    listed("JobTask")
}

fn parts_schema() -> utoipa::openapi::Array {
    listed("JobPart")
}

fn reservations_schema() -> utoipa::openapi::Array {
    listed("Reservation")
}

impl From<Shortage> for MissingPart {
    fn from(Shortage { part, missing, until }: Shortage) -> Self {
        Self { part: part.0, missing, until }
    }
}

impl From<Followed> for MovedJob {
    fn from(Followed { job, shortages }: Followed) -> Self {
        let shortages = shortages.into_iter().map(MissingPart::from).collect();
        Self { job: JobFields::show(job), shortages }
    }
}

impl MovedJob {
    fn tagged(self) -> Response {
        let version = self.job.version.unwrap_or_default();
        ([(axum::http::header::ETAG, entity_tag(version))], Json(self)).into_response()
    }
}

impl WantedState {
    fn into_state(self) -> Result<JobState, Problem> {
        let Self { state, until, reason } = self;
        let reason = reason.unwrap_or_default();
        Ok(match state {
            JobStatus::Proposed => JobState::Proposed,
            JobStatus::Agreed => JobState::Agreed,
            JobStatus::Kitted => JobState::Kitted,
            // What it is short of is worked out from the shelf.
            JobStatus::Short => JobState::Short { of: Vec::new() },
            JobStatus::OnBench => JobState::OnBench,
            JobStatus::OnTest => JobState::OnTest,
            JobStatus::Released => JobState::Released,
            JobStatus::StoodOver => match until {
                Some(until) => JobState::StoodOver { until, reason },
                None => {
                    let detail = "a job that is stood over waits for a day; give it as until";
                    return Err(Problem::rule("job-until-missing", detail));
                }
            },
            JobStatus::Dropped => JobState::Dropped { reason },
        })
    }
}

/// Propose a job
///
/// Nothing is reserved before somebody agrees. Role: planner.
#[utoipa::path(
    post, path = "/jobs", tag = "jobs",
    params(("Idempotency-Key" = Option<String>, Header)),
    request_body = ProposedJob,
    responses(
        (status = 201, description = "proposed", body = ref("#/components/schemas/Job")),
        (status = 422, description = "a task twice, less than one of a part, no site"),
        Refused,
    ),
)]
pub async fn propose_job(
    State(state): State<ApiState>,
    actor: Actor,
    key: OnceKey,
    Body(body): Body<ProposedJob>,
) -> Result<Response, Problem> {
    actor.needs(Role::Planner)?;
    let key = key.of(&body);
    let now = state.now();
    let (organisation, author) = (actor.organisation, actor.author(now));
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let new = body.build(transaction, &actor).await?;
        let job = jobs::create(transaction, organisation, &author, new).await?;
        let answer = Answer::json(StatusCode::CREATED, Some(1), &JobFields::show(job))?;
        kept.keep(transaction, answer).await
    };
    Ok(state.store.write(work).await?.into_response())
}

impl ProposedJob {
    async fn build(&self, transaction: &Transaction, actor: &Actor) -> Result<NewJob, Problem> {
        let organisation = actor.organisation;
        let given = self.tasks.len().max(self.parts.as_ref().map_or(0, Vec::len));
        if given > LINES_MAX {
            let detail = format!("{given} lines; a job takes at most {LINES_MAX}");
            return Err(Problem::rule("job-too-long", detail));
        }
        let engine =
            record::get::<Engine>(transaction, organisation, EngineId(self.engine)).await?;
        let site = match self.site {
            Some(site) => SiteId(site),
            None => record::get::<Pool>(transaction, organisation, engine.pool).await?.site,
        };
        let ids: Vec<TaskId> = self.tasks.iter().map(|one| TaskId(one.task)).collect();
        let known = record::by_ids::<Task>(transaction, organisation, &ids).await?;
        let mut tasks = Vec::new();
        for (id, given) in ids.iter().zip(&self.tasks) {
            let task = known.iter().find(|task| task.id == *id);
            let task = task.ok_or_else(|| Problem::missing("task"))?;
            tasks.push((*id, given.minutes.map_or(task.own_work, Minutes)));
        }
        let parts = match &self.parts {
            Some(parts) => parts.iter().map(|one| (PartId(one.part), one.quantity)).collect(),
            None => jobs::parts_of_tasks(transaction, organisation, engine.model, &ids).await?,
        };
        Ok(NewJob {
            engine: engine.id,
            site,
            finding: self.finding.map(FindingId),
            planned_on: self.planned_on,
            bay: self.bay.map(BayId),
            person: self.person.map(PersonId),
            tasks,
            parts,
            note: self.note.clone(),
        })
    }
}

/// Find jobs
///
/// By state, site, planned day and person, the oldest first. Role: viewer.
#[utoipa::path(
    get, path = "/jobs/search", tag = "jobs",
    params(JobsWanted),
    responses(
        (status = 200, description = "a page; the header Link names the next",
         body = ref("#/components/schemas/JobList")),
        Refused,
    ),
)]
pub async fn search_jobs(
    State(state): State<ApiState>,
    actor: Actor,
    OriginalUri(uri): OriginalUri,
    Asked(asked): Asked<JobsWanted>,
) -> Result<Response, Problem> {
    let JobsWanted { state: status, site, planned_on, person, after, size } = asked;
    let wanted = page_of(after, size)?;
    let filter = JobFilter {
        states: status.into_iter().collect(),
        site: site.map(SiteId),
        planned_on,
        person: person.map(PersonId),
    };
    let page = jobs::page(state.store.connection(), actor.organisation, &filter, wanted).await?;
    let items: Vec<_> = page.rows.into_iter().map(JobFields::show).collect();
    let links = link_to_next(&uri, wanted, page.next);
    Ok((links, Json(Listed { items, next: page.next })).into_response())
}

/// Read all of a job
///
/// Its tasks, parts, what is kept back for it, what it waits for, and what it may become. Role:
/// viewer.
#[utoipa::path(
    get, path = "/jobs/{id}/card", tag = "jobs",
    params(("id" = Uuid, Path)),
    responses((status = 200, description = "the job", body = JobCard), Refused),
)]
pub async fn get_job_card(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
) -> Result<Response, Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let job = record::get::<Job>(connection, organisation, JobId(id)).await?;
    let one = [job.id];
    let mut shortages = match job.status {
        JobStatus::Short => {
            jobs::shortages(connection, organisation, std::slice::from_ref(&job)).await?
        }
        _ => std::collections::BTreeMap::new(),
    };
    let mut tasks = jobs::tasks(connection, organisation, &one).await?;
    tasks.sort_by_key(|task| task.sequence);
    let parts = jobs::parts(connection, organisation, &one).await?;
    let held = stock::held_for_jobs(connection, organisation, &one).await?;
    let shortages = shortages.remove(&job.id).unwrap_or_default();
    let card = JobCard {
        may_become: job.status.may_become().to_vec(),
        tasks: tasks.into_iter().map(JobTaskFields::show).collect(),
        parts: parts.into_iter().map(JobPartFields::show).collect(),
        held: held.into_iter().map(ReservationFields::show).collect(),
        shortages: shortages.into_iter().map(MissingPart::from).collect(),
        job: JobFields::show(job),
    };
    let version = card.job.version.unwrap_or_default();
    Ok(([(axum::http::header::ETAG, entity_tag(version))], Json(card)).into_response())
}

/// Move a job
///
/// `agreed` keeps back what is there and answers `kitted` or `short`; `kitted` asks again for what
/// was missing; `short` gives all back and asks afresh; `released` issues the parts, books the
/// services done and closes the finding. To propose, agree or drop takes a planner, all else a
/// technician.
#[utoipa::path(
    post, path = "/jobs/{id}/state", tag = "jobs",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = WantedState,
    responses(
        (status = 200, description = "moved", body = MovedJob),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "not a move of a job's life, or it breaks a rule of its own"),
        Refused,
    ),
)]
pub async fn move_job(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(body): Body<WantedState>,
) -> Result<Response, Problem> {
    actor.needs(match body.state {
        JobStatus::Proposed | JobStatus::Agreed | JobStatus::Dropped => Role::Planner,
        _ => Role::Technician,
    })?;
    let wanted = body.into_state()?;
    let now = state.now();
    let (organisation, author) = (actor.organisation, actor.author(now));
    let work = async |transaction: &Transaction| {
        let job = record::get::<Job>(transaction, organisation, JobId(id)).await?;
        let today = sites::today(transaction, organisation, job.site, now).await?;
        let wanted = wanted.clone();
        jobs::follow(transaction, organisation, &author, job.id, version, wanted, today).await
    };
    Ok(MovedJob::from(state.store.write(work).await?).tagged())
}

/// Plan a job
///
/// When, where and by whom; a job that is over stays as it was. Role: planner.
#[utoipa::path(
    put, path = "/jobs/{id}/plan", tag = "jobs",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = JobPlan,
    responses(
        (status = 200, description = "planned", body = ref("#/components/schemas/Job")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "the job is over"),
        Refused,
    ),
)]
pub async fn plan_job(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(body): Body<JobPlan>,
) -> Result<Response, Problem> {
    actor.needs(Role::Planner)?;
    let JobPlan { planned_on, bay, person, note } = body;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let (bay, person) = (bay.map(BayId), person.map(PersonId));
    let work = async |transaction: &Transaction| {
        let job = record::lock::<Job>(transaction, organisation, JobId(id)).await?;
        if job.status.is_closed() {
            let detail = format!("job {} is {}; it is planned no more", job.number, job.status);
            return Err(Problem::rule("job-closed", detail));
        }
        let planned = Job { version, planned_on, bay, person, note: note.clone(), ..job };
        Ok(record::change(transaction, organisation, &author, &planned).await?)
    };
    let planned = state.store.write(work).await?;
    Ok(tagged(StatusCode::OK, &JobFields::show(planned)))
}

/// Record what came of a task
///
/// While its job is on the bench or on test. Role: technician.
#[utoipa::path(
    put, path = "/job-tasks/{id}/outcome", tag = "jobs",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = Outcome,
    responses(
        (status = 200, description = "recorded", body = ref("#/components/schemas/JobTask")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "minutes far beyond the plan without a note, or the job is not being worked on"),
        Refused,
    ),
)]
pub async fn record_task_outcome(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(body): Body<Outcome>,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let Outcome { outcome, spent, by, note } = body;
    let done = Done { outcome, spent: spent.map(Minutes), by: by.map(PersonId), note };
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let work = async |transaction: &Transaction| {
        let (task, done) = (JobTaskId(id), done.clone());
        jobs::done(transaction, organisation, &author, task, version, done).await
    };
    let task: JobTask = state.store.write(work).await?;
    Ok(tagged(StatusCode::OK, &JobTaskFields::show(task)))
}

/// Say how much of a part went in
///
/// While its job is on the bench or on test; what was not used goes back when it is released. Role:
/// technician.
#[utoipa::path(
    put, path = "/job-parts/{id}/used", tag = "jobs",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = Used,
    responses(
        (status = 200, description = "recorded", body = ref("#/components/schemas/JobPart")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "less than none, far beyond what it takes without a reason, or the job is not being worked on"),
        Refused,
    ),
)]
pub async fn record_part_used(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(Used { used, why }): Body<Used>,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let work = async |transaction: &Transaction| {
        let used = (used, why.as_deref());
        jobs::use_part(transaction, organisation, &author, JobPartId(id), version, used).await
    };
    let part = state.store.write(work).await?;
    Ok(tagged(StatusCode::OK, &JobPartFields::show(part)))
}

/// Ask for a part beyond the plan
///
/// What is there is kept back at once; a job that can't have it is short until it arrives. Role:
/// technician.
#[utoipa::path(
    post, path = "/jobs/{id}/parts", tag = "jobs",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = AskedPart,
    responses(
        (status = 200, description = "asked for", body = MovedJob),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "less than one, far beyond what it takes without a reason, or the job is not on the bench"),
        Refused,
    ),
)]
pub async fn ask_for_part(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(AskedPart { part, quantity, why }): Body<AskedPart>,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let now = state.now();
    let (organisation, author) = (actor.organisation, actor.author(now));
    let work = async |transaction: &Transaction| {
        let job = record::get::<Job>(transaction, organisation, JobId(id)).await?;
        let today = sites::today(transaction, organisation, job.site, now).await?;
        let (of, asked) = ((job.id, version), (PartId(part), quantity, why.as_deref()));
        jobs::add_part(transaction, organisation, &author, of, asked, today).await
    };
    Ok(MovedJob::from(state.store.write(work).await?).tagged())
}

/// Take a part off again
///
/// What was asked for beyond the plan, while nothing of it went in: what was kept back of it is free
/// again, and a job that waited for nothing else is kitted. Role: technician.
#[utoipa::path(
    delete, path = "/job-parts/{id}", tag = "jobs",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    responses(
        (status = 200, description = "taken off; the job as it stands now", body = MovedJob),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "planned from the start, some of it went in, or the job is over"),
        Refused,
    ),
)]
pub async fn take_off_job_part(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let now = state.now();
    let (organisation, author) = (actor.organisation, actor.author(now));
    let work = async |transaction: &Transaction| {
        let part = record::get::<JobPart>(transaction, organisation, JobPartId(id)).await?;
        let job = record::get::<Job>(transaction, organisation, part.job).await?;
        let today = sites::today(transaction, organisation, job.site, now).await?;
        jobs::take_off_part(transaction, organisation, &author, part.id, version, today).await
    };
    Ok(MovedJob::from(state.store.write(work).await?).tagged())
}
