//! The due list, as the last run left it.

use std::collections::HashMap;

use axum::extract::{OriginalUri, State};
use axum::response::Response;
use chrono::NaiveDate;
use fleet::engine::Engine;
use fleet::id::{EngineId, PoolId, SiteId, TaskId};
use fleet::pool::Pool;
use fleet::programme::Task;
use fleet::run::{GoverningLimb, RunKind};
use runs::due::chance_by;
use serde::{Deserialize, Serialize};
use store::record;
use store::runs::{self as kept, DueRow};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::run_page::{RunListed, answer_page, find_run};
use crate::access::Actor;
use crate::paging::{Asked, page_of};
use crate::problem::{Problem, Refused};
use crate::state::ApiState;

/// A task that falls due on an engine.
#[derive(Debug, Serialize, ToSchema)]
pub struct Due {
    pub id: Uuid,
    pub engine: Uuid,
    pub serial: String,
    pub pool: Uuid,
    pub task: Uuid,
    pub task_name: String,
    /// The limb that comes first: `hours` or `months`; `unknown` where nobody knows when it was last
    /// done, which is not overdue.
    #[schema(value_type = String)]
    pub governing: GoverningLimb,
    /// One chance in ten that it falls due before this day.
    pub due_early_on: Option<NaiveDate>,
    /// As likely before as after.
    pub due_on: Option<NaiveDate>,
    /// One chance in ten that it falls due after this day.
    pub due_late_on: Option<NaiveDate>,
    pub months_due_on: Option<NaiveDate>,
    /// Below zero where it is over.
    pub hours_left: Option<f64>,
    /// Of the hours limb, severity taken in.
    pub hours_length: Option<f64>,
    pub counts_from_on: Option<NaiveDate>,
    pub days_left: Option<i32>,
    /// Thousandths of the interval.
    pub used_permille: i32,
    /// Probability that it falls due on or before the day given as `by`; absent without one, and where
    /// it is not known when the task was last done.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub probability_by: Option<f64>,
    /// Where the interval's figures come from.
    pub source: Option<String>,
    pub explanation: Option<String>,
}

/// What part of the list is wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct DueWanted {
    pool: Option<Uuid>,
    site: Option<Uuid>,
    engine: Option<Uuid>,
    /// Only what falls due before this day; what is unknown then stays out.
    before: Option<NaiveDate>,
    /// Adds to each row the probability that it falls due on or before this day: the end of the month,
    /// the season's end. From the same fit as the run's dates.
    by: Option<NaiveDate>,
    /// A certain run; the last good one where none is given.
    run: Option<Uuid>,
    /// The last id seen.
    after: Option<Uuid>,
    /// Rows on the page, 1 to 500.
    size: Option<u64>,
}

/// List what is due
///
/// Worst first, as of the last good run. Role: viewer.
#[utoipa::path(
    get, path = "/due", tag = "due",
    params(DueWanted),
    responses(
        (status = 200, description = "a page; the header Link names the next", body = RunListed<Due>),
        (status = 404, description = "no run has been finished yet"),
        Refused,
    ),
)]
pub async fn list_due(
    State(state): State<ApiState>,
    actor: Actor,
    OriginalUri(uri): OriginalUri,
    Asked(asked): Asked<DueWanted>,
) -> Result<Response, Problem> {
    let wanted = page_of(asked.after, asked.size)?;
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let run = find_run(connection, &actor, RunKind::Due, asked.run).await?;
    let names = Names {
        engines: by_id(record::all(connection, organisation).await?, |one: &Engine| one.id),
        pools: by_id(record::all(connection, organisation).await?, |one: &Pool| one.id),
        tasks: by_id(record::all(connection, organisation).await?, |one: &Task| one.id),
    };
    let mut rows = kept::due_rows(connection, organisation, run.id).await?;
    rows.retain(|row| asked.takes(row, &names));
    // Overdue by the most first; what is unknown last. The id makes the order whole.
    rows.sort_by_key(|row| (row.due_on.is_none(), row.due_on, -row.used_permille, row.id));
    let fleet = match asked.by {
        Some(by) => Some((by, state.outlooks.of_run(&state.store, organisation, &run).await?)),
        None => None,
    };
    let show = |row: DueRow| {
        let chance = fleet.as_ref().and_then(|(by, fleet)| chance_by(fleet, &row, *by));
        Due { probability_by: chance, ..names.show(row) }
    };
    answer_page(&run, rows, |row| row.id.0, show, (&uri, wanted))
}

impl DueWanted {
    fn takes(&self, row: &DueRow, names: &Names) -> bool {
        let pool = names.engines.get(&row.engine).map(|engine| engine.pool);
        let site = pool.and_then(|pool| names.pools.get(&pool)).map(|pool| pool.site);
        self.engine.is_none_or(|engine| row.engine == EngineId(engine))
            && self.pool.is_none_or(|wanted| pool == Some(PoolId(wanted)))
            && self.site.is_none_or(|wanted| site == Some(SiteId(wanted)))
            && self.before.is_none_or(|before| row.due_on.is_some_and(|due_on| due_on < before))
    }
}

/// What rows refer to.
struct Names {
    engines: HashMap<EngineId, Engine>,
    pools: HashMap<PoolId, Pool>,
    tasks: HashMap<TaskId, Task>,
}

impl Names {
    fn show(&self, row: DueRow) -> Due {
        let engine = self.engines.get(&row.engine);
        let hours = |seconds: i64| seconds as f64 / 3_600.0;
        Due {
            id: row.id.0,
            engine: row.engine.0,
            serial: engine.map(|engine| engine.serial.clone()).unwrap_or_default(),
            pool: engine.map(|engine| engine.pool.0).unwrap_or_default(),
            task: row.task.0,
            task_name: self.tasks.get(&row.task).map(|task| task.name.clone()).unwrap_or_default(),
            governing: row.governing,
            due_early_on: row.due_early_on,
            due_on: row.due_on,
            due_late_on: row.due_late_on,
            months_due_on: row.months_due_on,
            hours_left: row.hours_left_seconds.map(hours),
            hours_length: row.hours_length_seconds.map(hours),
            counts_from_on: row.counts_from_on,
            days_left: row.days_left,
            used_permille: row.used_permille,
            probability_by: None,
            source: row.source,
            explanation: row.explanation,
        }
    }
}

fn by_id<I: std::hash::Hash + Eq, T>(all: Vec<T>, id: impl Fn(&T) -> I) -> HashMap<I, T> {
    all.into_iter().map(|one| (id(&one), one)).collect()
}
