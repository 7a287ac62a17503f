//! Plans on their way to the wall: as they stand, moved, locked, copied, published, compared.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::http::header::ETAG;
use axum::response::{IntoResponse, Response};
use chrono::NaiveDate;
use fleet::Money;
use fleet::id::{JobId, PersonId, PlanId, RunId, VisitId};
use fleet::person::{Person, Role};
use runs::RunError;
use runs::plan::account::{DatedDifference, LeftOut};
use runs::plan::standing::{self, DatedOpening, Destination, Standing};
use serde::{Deserialize, Serialize};
use store::jobs::PlanJobs;
use store::{Transaction, record, runs as kept};
use utoipa::openapi::Ref;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::access::Actor;
use crate::body::Body;
use crate::conditional::{IfMatch, entity_tag};
use crate::paging::Asked;
use crate::path::Id;
use crate::problem::{Problem, Refused};
use crate::quantity::Amount;
use crate::resource::{Resource as _, Shown, tagged};
use crate::resources::{PlanFields, VisitFields};
use crate::state::ApiState;

/// A plan as it stands, hand-made moves counted in.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanStanding {
    pub plan: Uuid,
    /// What the plan costs: lateness, risk, hire lost, overtime, what is left out.
    pub costs: Amount,
    /// No plan of the same problem can cost less; proven.
    pub no_plan_below: Option<Amount>,
    /// Share of the cost by which a better plan might still be better.
    pub gap: Option<f64>,
    /// Days that the plan is about.
    pub first_on: NaiveDate,
    pub last_on: NaiveDate,
    pub planned: usize,
    pub left_out: Vec<VisitLeftOut>,
    /// Minutes above contract by skill.
    pub overtime_minutes: BTreeMap<String, i64>,
    /// Boats below the minimum, by pool, added up over days.
    pub boat_days_short: BTreeMap<String, i64>,
    pub notes: Vec<String>,
}

/// A plan that holds, and what became of its jobs.
#[derive(Debug, Serialize, ToSchema)]
pub struct PublishedPlan {
    #[schema(schema_with = plan_schema)]
    plan: Shown<PlanFields>,
    jobs: JobsOfPlan,
}

/// Jobs of a plan, by what became of them.
#[derive(Debug, Serialize, ToSchema)]
pub struct JobsOfPlan {
    pub made: Vec<Uuid>,
    /// Given another day, bay, person or other work.
    pub moved: Vec<Uuid>,
    pub kept: Vec<Uuid>,
    /// Their engines have no visit any more.
    pub dropped: Vec<Uuid>,
    /// Not touched: work has begun, or they stand over to a later day.
    pub left: Vec<Uuid>,
    /// Of those made, moved and kept: they wait for a part.
    pub short: Vec<Uuid>,
    /// Visits whose work is another job's or was done since the plan was made.
    pub elsewhere: usize,
}

fn plan_schema() -> Ref {
    Ref::from_schema_name("Plan")
}

impl From<PlanJobs> for JobsOfPlan {
    fn from(jobs: PlanJobs) -> Self {
        let PlanJobs { made, moved, kept, dropped, left, short, elsewhere } = jobs;
        let ids = |of: Vec<JobId>| of.into_iter().map(|id| id.0).collect();
        Self {
            made: ids(made),
            moved: ids(moved),
            kept: ids(kept),
            dropped: ids(dropped),
            left: ids(left),
            short: ids(short),
            elsewhere,
        }
    }
}

/// A visit that is not planned, why, and what would let it be done.
#[derive(Debug, Serialize, ToSchema)]
pub struct VisitLeftOut {
    pub engine: Uuid,
    pub name: String,
    pub tasks: Vec<Uuid>,
    /// `skill:NAME`, `kit:NUMBER`, `bay:KIND`, `engine:NAME`, `dates` or `cost`.
    pub reason: String,
    /// The least sum of changes first.
    pub ways: Vec<WayToDoIt>,
}

/// Changes that together let a visit be done.
#[derive(Debug, Serialize, ToSchema)]
pub struct WayToDoIt {
    pub on: NaiveDate,
    pub sentence: String,
    /// Beyond what leaving it out costs; may be below zero.
    pub extra: Amount,
}

/// Where a visit stands and where else it might.
#[derive(Debug, Serialize, ToSchema)]
pub struct VisitMoves {
    pub visit: Uuid,
    /// None where it is left out.
    pub now: Option<VisitOpening>,
    /// What the plan's cost changes by without it; none where it is locked.
    pub leaving_out: Option<Amount>,
    pub openings: Vec<VisitOpening>,
}

/// A day and a way for a visit, everything else as it stands.
#[derive(Debug, Serialize, ToSchema)]
pub struct VisitOpening {
    pub on: NaiveDate,
    pub last_on: NaiveDate,
    pub mode: String,
    /// What the plan's cost changes by; exact for this move alone.
    pub change: Amount,
    /// What the visit costs there, in parts.
    pub mode_cost: Amount,
    /// Lateness, risk and life thrown away.
    pub start_day: Amount,
    pub hire_lost: Amount,
    /// For not standing where the published plan has it.
    pub moved: Amount,
    pub overtime: Amount,
    pub boats_short: Amount,
    /// What stands in the way; empty where it may move here.
    pub blocked_by: Vec<String>,
}

/// A visit whose tasks are not the same.
#[derive(Debug, Serialize, ToSchema)]
pub struct VisitReworked {
    /// The engine's serial.
    pub visit: String,
    pub added: Vec<Uuid>,
    pub dropped: Vec<Uuid>,
}

/// What one plan has otherwise than another.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanDifference {
    pub plan: Uuid,
    pub beside: Uuid,
    /// The plan's cost less the other's; of two problems where the records changed between them.
    pub costs: Amount,
    pub shifted: Vec<VisitShifted>,
    /// Planned here only, and there only; by name.
    pub gained: Vec<String>,
    pub lost: Vec<String>,
    /// Minutes above contract by skill, this plan's less the other's.
    pub overtime_minutes: BTreeMap<String, i64>,
    pub boat_days_short: BTreeMap<String, i64>,
    /// Visits of both that do other work.
    pub reworked: Vec<VisitReworked>,
}

/// A visit that stands otherwise.
#[derive(Debug, Serialize, ToSchema)]
pub struct VisitShifted {
    pub visit: String,
    pub from_on: NaiveDate,
    pub from_mode: String,
    pub to_on: NaiveDate,
    pub to_mode: String,
}

/// Where a visit is to go.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct VisitMove {
    /// None leaves it out.
    on: Option<NaiveDate>,
    /// One of its openings' modes; the cheapest where none is given.
    #[serde(default)]
    mode: Option<String>,
}

/// Whether a visit is to stay where it stands.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct VisitLock {
    locked: bool,
}

/// Who publishes.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Publishing {
    /// The person in whose name it is published.
    #[serde(default)]
    person: Option<Uuid>,
}

/// Which plan it is compared with.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Beside {
    /// A plan of the same site and kind.
    beside: Uuid,
}

impl From<RunError> for Problem {
    fn from(error: RunError) -> Self {
        match error {
            RunError::Store(error) => error.into(),
            RunError::Stopped(cause) => Self::internal(&cause),
            error => Self::rule(error.rule(), error.to_string()),
        }
    }
}

/// A plan as it stands
///
/// Its cost counted from its visits, the proven bound, what is left out and why, what is short. Role:
/// viewer.
#[utoipa::path(
    get, path = "/plans/{id}/standing", tag = "plans",
    params(("id" = Uuid, Path)),
    responses(
        (status = 200, description = "as it stands", body = PlanStanding),
        (status = 404, description = "no such plan"),
        Refused,
    ),
)]
pub async fn get_plan_standing(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
) -> Result<Json<PlanStanding>, Problem> {
    let standing = standing::read(state.store.connection(), actor.organisation, PlanId(id)).await?;
    let shown = off_the_threads_that_serve(move || stands(&standing)).await?;
    Ok(Json(shown))
}

/// Where a visit might stand
///
/// Every day and way with the exact change in cost of moving this visit alone. Role: viewer.
#[utoipa::path(
    get, path = "/visits/{id}/moves", tag = "visits",
    params(("id" = Uuid, Path)),
    responses(
        (status = 200, description = "by day", body = VisitMoves),
        (status = 404, description = "no such visit"),
        Refused,
    ),
)]
pub async fn get_visit_moves(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
) -> Result<Json<VisitMoves>, Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let visit: fleet::visit::Visit = record::get(connection, organisation, VisitId(id)).await?;
    let standing = standing::read(connection, organisation, visit.plan).await?;
    let moves = move || moves(&standing, visit.id);
    Ok(Json(off_the_threads_that_serve(moves).await??))
}

/// Move a visit of a draft
///
/// Everything else stays; what can't be done is refused with what stands in the way. Role: planner.
#[utoipa::path(
    post, path = "/visits/{id}/move", tag = "visits",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = VisitMove,
    responses(
        (status = 200, description = "moved", body = ref("#/components/schemas/Visit")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "not a draft, locked, or something is in the way"),
        Refused,
    ),
)]
pub async fn move_visit(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(body): Body<VisitMove>,
) -> Result<Response, Problem> {
    actor.needs(Role::Planner)?;
    let author = actor.author(state.now());
    let to = Destination { on: body.on, mode: body.mode };
    let visit = (VisitId(id), version);
    let moved = standing::move_visit(&state.store, actor.organisation, &author, visit, &to).await?;
    Ok(tagged(StatusCode::OK, &VisitFields::show(moved)))
}

/// Lock a visit of a draft where it stands, or unlock it
///
/// The next plan made from this one leaves a locked visit on its day. Role: planner.
#[utoipa::path(
    post, path = "/visits/{id}/lock", tag = "visits",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = VisitLock,
    responses(
        (status = 200, description = "as it is now", body = ref("#/components/schemas/Visit")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "not a draft, or left out"),
        Refused,
    ),
)]
pub async fn lock_visit(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(body): Body<VisitLock>,
) -> Result<Response, Problem> {
    actor.needs(Role::Planner)?;
    let author = actor.author(state.now());
    let visit = (VisitId(id), version);
    let organisation = actor.organisation;
    let locked =
        standing::lock_visit(&state.store, organisation, &author, visit, body.locked).await?;
    Ok(tagged(StatusCode::OK, &VisitFields::show(locked)))
}

/// Make a draft of a plan
///
/// The same visits, to be moved beside the plan that holds. Role: planner.
#[utoipa::path(
    post, path = "/plans/{id}/draft", tag = "plans",
    params(("id" = Uuid, Path)),
    responses(
        (status = 201, description = "a draft", body = ref("#/components/schemas/Plan")),
        (status = 404, description = "no such plan"),
        Refused,
    ),
)]
pub async fn draft_plan(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
) -> Result<Response, Problem> {
    actor.needs(Role::Planner)?;
    let author = actor.author(state.now());
    let draft = standing::draft_of(&state.store, actor.organisation, &author, PlanId(id)).await?;
    Ok(tagged(StatusCode::CREATED, &PlanFields::show(draft)))
}

/// Publish a draft
///
/// It holds from now on and is never changed again; the plan that held is superseded. Its visits
/// become jobs that are agreed, with their parts kept back in the order of days; an engine's job
/// stays the same job from version to version, and is dropped where the plan leaves it out, unless
/// work has begun. Role: planner.
#[utoipa::path(
    post, path = "/plans/{id}/publishing", tag = "plans",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = Publishing,
    responses(
        (status = 200, description = "published", body = PublishedPlan),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "not a draft"),
        Refused,
    ),
)]
pub async fn publish_plan(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(body): Body<Publishing>,
) -> Result<Response, Problem> {
    actor.needs(Role::Planner)?;
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let person = body.person.map(PersonId);
    if let Some(person) = person {
        record::get::<Person>(connection, organisation, person).await?;
    }
    let author = actor.author(state.now());
    let plan = (PlanId(id), version);
    let published = standing::publish(&state.store, organisation, &author, plan, person).await?;
    let tag = [(ETAG, entity_tag(published.plan.version))];
    let (plan, jobs) = (PlanFields::show(published.plan), published.jobs.into());
    Ok((tag, Json(PublishedPlan { plan, jobs })).into_response())
}

/// Compare two plans
///
/// What this plan has otherwise than the other. Role: viewer.
#[utoipa::path(
    get, path = "/plans/{id}/difference", tag = "plans",
    params(("id" = Uuid, Path), Beside),
    responses(
        (status = 200, description = "this plan beside the other", body = PlanDifference),
        (status = 404, description = "no such plan"),
        (status = 422, description = "plans of two sites or kinds"),
        Refused,
    ),
)]
pub async fn compare_plans(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    Asked(asked): Asked<Beside>,
) -> Result<Json<PlanDifference>, Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let after = standing::read(connection, organisation, PlanId(id)).await?;
    let before = standing::read(connection, organisation, PlanId(asked.beside)).await?;
    if (after.plan.site, after.plan.kind) != (before.plan.site, before.plan.kind) {
        let detail = "these plans are of two sites or of two kinds: there is nothing to compare";
        return Err(Problem::rule("plans-not-alike", detail));
    }
    let difference = after.difference(&before);
    Ok(Json(differs(&after, &before, difference)))
}

/// Ask a run to end early
///
/// A plan ends with the best that it has by then; a run that still waits ends at once. Role: planner.
#[utoipa::path(
    post, path = "/runs/{id}/stop", tag = "runs",
    params(("id" = Uuid, Path)),
    responses(
        (status = 202, description = "asked"),
        (status = 404, description = "no such run"),
        (status = 422, description = "it has ended"),
        Refused,
    ),
)]
pub async fn stop_run(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
) -> Result<Response, Problem> {
    actor.needs(Role::Planner)?;
    let (organisation, run, now) = (actor.organisation, RunId(id), state.now());
    let work = async |transaction: &Transaction| {
        kept::get(transaction, organisation, run).await?;
        kept::ask_to_stop(transaction, organisation, run, &actor.name, now).await
    };
    state.store.write(work).await?;
    Ok(StatusCode::ACCEPTED.into_response())
}

/// Working out moves and ways takes a while on a large plan.
async fn off_the_threads_that_serve<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, Problem> {
    tokio::task::spawn_blocking(work).await.map_err(|cause| Problem::internal(&cause))
}

fn stands(standing: &Standing) -> PlanStanding {
    let Standing { plan, problem, schedule, account, .. } = standing;
    let amount = |minor| Amount::show(Money::new(minor, problem.currency));
    let mut overtime = BTreeMap::new();
    for row in &schedule.overtime {
        *overtime.entry(row.skill.clone()).or_default() += row.minutes;
    }
    let mut short = BTreeMap::new();
    for row in &schedule.shortfalls {
        *short.entry(row.pool.clone()).or_default() += row.engines;
    }
    let left_out = |out: LeftOut| VisitLeftOut {
        engine: out.engine.0,
        name: out.name,
        tasks: out.tasks.into_iter().map(|task| task.0).collect(),
        reason: out.reason,
        ways: out
            .ways
            .into_iter()
            .map(|way| WayToDoIt { on: way.on, sentence: way.sentence, extra: amount(way.extra) })
            .collect(),
    };
    PlanStanding {
        plan: plan.id.0,
        costs: amount(schedule.objective),
        no_plan_below: schedule.bound.map(amount),
        gap: schedule.gap,
        first_on: problem.first,
        last_on: problem.date(problem.instance.days as i64 - 1),
        planned: schedule.visits.len(),
        left_out: standing.left_out().into_iter().map(left_out).collect(),
        overtime_minutes: overtime,
        boat_days_short: short,
        notes: account.as_ref().map(|account| account.notes.clone()).unwrap_or_default(),
    }
}

fn moves(standing: &Standing, visit: VisitId) -> Result<VisitMoves, Problem> {
    let currency = standing.problem.currency;
    let amount = |minor| Amount::show(Money::new(minor, currency));
    let opening = |it: DatedOpening| VisitOpening {
        on: it.on,
        last_on: it.last_on,
        mode: it.mode,
        change: amount(it.change),
        mode_cost: amount(it.parts.mode),
        start_day: amount(it.parts.start_day),
        hire_lost: amount(it.parts.hire_lost),
        moved: amount(it.parts.moved),
        overtime: amount(it.parts.overtime),
        boats_short: amount(it.parts.boats_short),
        blocked_by: it.blocked_by,
    };
    let moves = standing.moves(visit)?;
    Ok(VisitMoves {
        visit: visit.0,
        now: moves.now.map(opening),
        leaving_out: moves.leaving_out.map(amount),
        openings: moves.openings.into_iter().map(opening).collect(),
    })
}

fn differs(after: &Standing, before: &Standing, difference: DatedDifference) -> PlanDifference {
    let costs = Amount::show(Money::new(difference.objective, after.problem.currency));
    let shifted = difference.shifted.into_iter().map(|shift| VisitShifted {
        visit: shift.visit,
        from_on: shift.from_on,
        from_mode: shift.from_mode,
        to_on: shift.to_on,
        to_mode: shift.to_mode,
    });
    PlanDifference {
        plan: after.plan.id.0,
        beside: before.plan.id.0,
        costs,
        shifted: shifted.collect(),
        gained: difference.gained,
        lost: difference.lost,
        reworked: difference
            .reworked
            .into_iter()
            .map(|reworked| VisitReworked {
                visit: reworked.visit,
                added: reworked.added.into_iter().map(|task| task.0).collect(),
                dropped: reworked.dropped.into_iter().map(|task| task.0).collect(),
            })
            .collect(),
        overtime_minutes: difference.overtime,
        boat_days_short: difference.shortfall,
    }
}
