//! What was found asks for work.

use chrono::Days;
use fleet::bench::{Job, JobStatus};
use fleet::engine::Engine;
use fleet::finding::Finding;
use fleet::id::{FindingId, OrganisationId, TaskId};
use fleet::pool::Pool;
use fleet::programme::{FindingKind, Task};

use sea_orm::{ColumnTrait as _, QueryFilter as _};

use super::create::{NewJob, create, parts_of_tasks};
use crate::Transaction;
use crate::entity::jobs;
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::sites;

/// Proposes the job that a finding asks for, with the task of its kind and that task's parts.
/// Nothing is reserved before somebody agrees. What is promised within days has its day.
///
/// # Errors
/// `Missing` where the engine, its pool or the finding's kind is not there.
pub async fn propose_for(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    finding: &Finding,
) -> Result<Job, StoreError> {
    let engine = record::get::<Engine>(transaction, organisation, finding.engine).await?;
    let pool = record::get::<Pool>(transaction, organisation, engine.pool).await?;
    let task = match finding.kind {
        None => None,
        Some(kind) => record::get::<FindingKind>(transaction, organisation, kind).await?.task,
    };
    let task = match task {
        None => None,
        Some(task) => Some(record::get::<Task>(transaction, organisation, task).await?),
    };
    let tasks: Vec<TaskId> = task.iter().map(|task| task.id).collect();
    let planned_on = match finding.urgency.promised_days() {
        None => None,
        Some(days) => {
            let at = finding.found_at;
            let found_on = sites::today(transaction, organisation, pool.site, at).await?;
            Some(found_on + Days::new(days))
        }
    };
    let parts = parts_of_tasks(transaction, organisation, engine.model, &tasks).await?;
    let new = NewJob {
        engine: engine.id,
        site: pool.site,
        finding: Some(finding.id),
        planned_on,
        bay: None,
        person: None,
        tasks: task.map(|task| (task.id, task.own_work)).into_iter().collect(),
        parts,
        note: None,
    };
    create(transaction, organisation, who, new).await
}

/// Drops what a finding proposed and nobody agreed to: it is done with.
pub async fn drop_proposals(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    finding: FindingId,
    reason: &str,
) -> Result<(), StoreError> {
    let query = record::of::<Job>(organisation)
        .filter(jobs::Column::FindingId.eq(finding.0))
        .filter(jobs::Column::Status.eq(JobStatus::Proposed.as_str()));
    for job in record::select::<Job>(transaction, query).await? {
        let reason = Some(reason.to_owned());
        let dropped = Job { status: JobStatus::Dropped, reason, ..job };
        record::change(transaction, organisation, who, &dropped).await?;
    }
    Ok(())
}
