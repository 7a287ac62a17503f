//! A job comes into being.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use fleet::Minutes;
use fleet::bench::{Job, JobPart, JobStatus, JobTask};
use fleet::engine::Engine;
use fleet::id::{
    BayId, EngineId, FindingId, JobId, JobPartId, JobTaskId, ModelId, OrganisationId, PartId,
    PersonId, SiteId, TaskId,
};
use fleet::programme::TaskPart;
use sea_orm::ConnectionTrait;

use crate::Transaction;
use crate::entity::task_parts;
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::value::to_microseconds;

/// A part goes into a job's kit from here on: more often needed than not (common practice, no
/// source).
const LIKELY_PERMILLE: i32 = 500;

/// What a job is to be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewJob {
    pub engine: EngineId,
    pub site: SiteId,
    pub finding: Option<FindingId>,
    pub planned_on: Option<NaiveDate>,
    pub bay: Option<BayId>,
    pub person: Option<PersonId>,
    /// In the order in which they are done.
    pub tasks: Vec<(TaskId, Minutes)>,
    /// A part may stand there more than once; what is needed adds up.
    pub parts: Vec<(PartId, i64)>,
    pub note: Option<String>,
}

/// Proposes a job. Nothing is reserved before somebody agrees.
///
/// # Errors
/// `Missing` where the engine is not there, `job-part-nothing` where less than one of a part is
/// asked for, what the database refuses where a task stands there twice.
pub async fn create(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    new: NewJob,
) -> Result<Job, StoreError> {
    let NewJob { engine, site, finding, planned_on, bay, person, tasks, parts, note } = new;
    record::get::<Engine>(transaction, organisation, engine).await?;
    let job = Job {
        id: JobId::fresh(),
        version: 1,
        number: super::next_number(transaction, organisation).await?,
        engine,
        site,
        finding,
        status: JobStatus::Proposed,
        reason: None,
        stood_over_until: None,
        planned_on,
        bay,
        person,
        note,
        created_at: to_microseconds(who.at),
        released_at: None,
    };
    let tasks: Vec<JobTask> =
        (1..).zip(tasks).map(|(sequence, task)| task_of(job.id, sequence, task)).collect();
    let mut needed: BTreeMap<PartId, i64> = BTreeMap::new();
    for (part, quantity) in parts {
        if quantity < 1 {
            let what = format!("{quantity} of a part is asked for; leave it out or ask for some");
            return Err(StoreError::Broken { rule: "job-part-nothing", what });
        }
        let sum = needed.entry(part).or_default();
        *sum = sum.saturating_add(quantity);
    }
    let parts: Vec<JobPart> =
        needed.into_iter().map(|(part, quantity)| part_of(job.id, part, quantity)).collect();
    record::create(transaction, organisation, who, std::slice::from_ref(&job)).await?;
    record::create(transaction, organisation, who, &tasks).await?;
    record::create(transaction, organisation, who, &parts).await?;
    Ok(job)
}

pub(super) fn task_of(job: JobId, sequence: i32, (task, planned): (TaskId, Minutes)) -> JobTask {
    JobTask {
        id: JobTaskId::fresh(),
        version: 1,
        job,
        task,
        sequence,
        planned,
        spent: None,
        outcome: None,
        done_at: None,
        done_by: None,
        note: None,
    }
}

pub(super) fn part_of(job: JobId, part: PartId, quantity: i64) -> JobPart {
    let id = JobPartId::fresh();
    JobPart { id, version: 1, job, part, quantity, used: None, beyond_plan: 0 }
}

/// What tasks on a model need more often than not. A row of the model goes before the row for every
/// model.
pub async fn parts_of_tasks(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    model: ModelId,
    tasks: &[TaskId],
) -> Result<Vec<(PartId, i64)>, StoreError> {
    let rows = rows_of(connection, organisation, model, tasks).await?;
    Ok(needed(rows.iter()).into_iter().collect())
}

/// What rows need more often than not, by part.
pub(super) fn needed<'a>(rows: impl Iterator<Item = &'a TaskPart>) -> BTreeMap<PartId, i64> {
    let mut needed: BTreeMap<PartId, i64> = BTreeMap::new();
    for row in rows.filter(|row| row.chance_permille >= LIKELY_PERMILLE) {
        *needed.entry(row.part).or_default() += row.quantity;
    }
    needed
}

/// The rows of a model's tasks, and those for every model where it has none of that task and part.
pub(super) async fn rows_of(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    model: ModelId,
    tasks: &[TaskId],
) -> Result<Vec<TaskPart>, StoreError> {
    let keys: Vec<_> = tasks.iter().map(|id| id.0).collect();
    let column = task_parts::Column::TaskId;
    let rows: Vec<TaskPart> = record::by_column(connection, organisation, column, &keys).await?;
    Ok(of_model(&rows, model).cloned().collect())
}

/// The rows of a model, and those for every model where it has none of that task.
pub(super) fn of_model(rows: &[TaskPart], model: ModelId) -> impl Iterator<Item = &TaskPart> {
    let of = |row: &&TaskPart| row.model == Some(model);
    let own: BTreeSet<TaskId> = rows.iter().filter(of).map(|row| row.task).collect();
    let goes = move |row: &&TaskPart| match row.model {
        Some(of) => of == model,
        None => !own.contains(&row.task),
    };
    rows.iter().filter(goes)
}
