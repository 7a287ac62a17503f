//! Jobs with their tasks and parts.

use fleet::bench::{Job, JobPart, JobStatus, JobTask};
use fleet::id::{EngineId, JobId, OrganisationId};
use sea_orm::{
    ColumnTrait as _, Condition, ConnectionTrait, EntityTrait as _, QueryFilter as _,
    QuerySelect as _,
};

use crate::Transaction;
use crate::entity::{job_parts, job_tasks, jobs, organisations};
use crate::error::StoreError;
use crate::record::{self, Page, PageOf};

/// The number of the next job. Nobody else gets it until the transaction ends.
pub async fn next_number(
    transaction: &Transaction,
    organisation: OrganisationId,
) -> Result<i32, StoreError> {
    organisations::Entity::find_by_id(organisation.0)
        .lock_exclusive()
        .one(transaction)
        .await?
        .ok_or(StoreError::Missing { noun: "organisation" })?;
    let last: Option<Option<i32>> = jobs::Entity::find()
        .filter(jobs::Column::OrganisationId.eq(organisation.0))
        .select_only()
        .column_as(jobs::Column::Number.max(), "last")
        .into_tuple()
        .one(transaction)
        .await?;
    Ok(last.flatten().unwrap_or(0) + 1)
}

/// Jobs in any of `states`, by id.
pub async fn page(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    states: &[JobStatus],
    wanted: PageOf,
) -> Result<Page<Job>, StoreError> {
    let condition = if states.is_empty() {
        Condition::all()
    } else {
        let words = states.iter().map(|state| state.as_str());
        Condition::all().add(jobs::Column::Status.is_in(words))
    };
    record::page_where(connection, organisation, condition, wanted).await
}

pub async fn of_engines(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    engines: &[EngineId],
) -> Result<Vec<Job>, StoreError> {
    let keys: Vec<_> = engines.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, jobs::Column::EngineId, &keys).await
}

pub async fn tasks(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[JobId],
) -> Result<Vec<JobTask>, StoreError> {
    let keys: Vec<_> = of.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, job_tasks::Column::JobId, &keys).await
}

pub async fn parts(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[JobId],
) -> Result<Vec<JobPart>, StoreError> {
    let keys: Vec<_> = of.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, job_parts::Column::JobId, &keys).await
}
