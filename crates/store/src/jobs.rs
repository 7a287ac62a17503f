//! Jobs with their tasks and parts, from proposal to release.
//!
//! Invariants: what a job needs and does not hold is what it is short of, never kept beside it; a
//! job that is released has issued what it used and booked the services done, once; each change is
//! in the history. Levels are locked before jobs, so that no two transactions wait in a ring.

mod between_sites;
mod create;
mod follow;
mod moved;
mod of_finding;
mod of_plan;
mod release;
mod shortage;
mod work;

use chrono::NaiveDate;
use fleet::bench::{Job, JobPart, JobStatus, JobTask};
use fleet::id::{EngineId, JobId, OrganisationId, PersonId, SiteId};
use sea_orm::{
    ColumnTrait as _, Condition, ConnectionTrait, EntityTrait as _, QueryFilter as _,
    QuerySelect as _,
};

use crate::Transaction;
use crate::entity::{job_parts, job_tasks, jobs, organisations};
use crate::error::StoreError;
use crate::record::{self, Page, PageOf};

pub use between_sites::{Transfer, free_at, move_between};
pub use create::{NewJob, create, parts_of_tasks};
pub use follow::{Followed, follow, kit_what_arrived};
pub use moved::{Moved, move_stock};
pub use of_finding::{drop_proposals, propose_for};
pub use of_plan::{PlanJobs, VisitWork, follow_plan};
pub use shortage::shortages;
pub use work::{Done, add_part, done, take_off_part, use_part};

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

/// Which jobs are wanted; what is empty or `None` does not matter.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct JobFilter {
    pub states: Vec<JobStatus>,
    pub site: Option<SiteId>,
    pub planned_on: Option<NaiveDate>,
    pub person: Option<PersonId>,
}

/// Jobs by id.
pub async fn page(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    filter: &JobFilter,
    wanted: PageOf,
) -> Result<Page<Job>, StoreError> {
    let JobFilter { states, site, planned_on, person } = filter;
    let mut condition = Condition::all();
    if !states.is_empty() {
        let words = states.iter().map(|state| state.as_str());
        condition = condition.add(jobs::Column::Status.is_in(words));
    }
    if let Some(site) = site {
        condition = condition.add(jobs::Column::SiteId.eq(site.0));
    }
    if let Some(on) = planned_on {
        condition = condition.add(jobs::Column::PlannedOn.eq(*on));
    }
    if let Some(person) = person {
        condition = condition.add(jobs::Column::PersonId.eq(person.0));
    }
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
