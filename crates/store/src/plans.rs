//! Plans, their visits and what is done on each.

use fleet::id::{OrganisationId, PersonId, PlanId, RunId, SiteId, VisitId};
use fleet::visit::{Plan, PlanKind, PlanStatus, Visit, VisitTask};
use sea_orm::{ColumnTrait as _, ConnectionTrait, EntityTrait as _, QueryFilter as _};

use crate::Transaction;
use crate::entity::{plans, visit_tasks, visits};
use crate::error::StoreError;
use crate::record::{self, Author};

/// A plan's visits, by id: in the order in which its run made them.
pub async fn visits(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    plan: PlanId,
) -> Result<Vec<Visit>, StoreError> {
    record::by_column(connection, organisation, visits::Column::PlanId, &[plan.0]).await
}

/// What is done on visits.
pub async fn tasks(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[VisitId],
) -> Result<Vec<VisitTask>, StoreError> {
    let keys: Vec<_> = of.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, visit_tasks::Column::VisitId, &keys).await
}

/// The plan that holds at a site.
pub async fn published(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    site: SiteId,
    kind: PlanKind,
) -> Result<Option<Plan>, StoreError> {
    let query = record::of::<Plan>(organisation)
        .filter(plans::Column::SiteId.eq(site.0))
        .filter(plans::Column::Kind.eq(kind.as_str()))
        .filter(plans::Column::Status.eq(PlanStatus::Published.as_str()));
    Ok(record::select(connection, query).await?.pop())
}

/// The plans that a run made, one a site.
pub async fn of_run(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    run: RunId,
) -> Result<Vec<Plan>, StoreError> {
    record::by_column(connection, organisation, plans::Column::RunId, &[run.0]).await
}

/// Takes the tasks of a visit away and gives it others: for a draft that is changed by hand.
pub async fn replace_tasks(
    transaction: &Transaction,
    organisation: OrganisationId,
    visit: VisitId,
    tasks: &[VisitTask],
) -> Result<(), StoreError> {
    visit_tasks::Entity::delete_many()
        .filter(visit_tasks::Column::OrganisationId.eq(organisation.0))
        .filter(visit_tasks::Column::VisitId.eq(visit.0))
        .exec(transaction)
        .await?;
    record::append(transaction, organisation, tasks).await
}

/// Publishes a draft: the plan that held before is superseded.
///
/// # Errors
/// `plan-not-draft` where it is published already or was; `Stale` where somebody changed it.
pub async fn publish(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    plan: PlanId,
    version: i64,
    by: Option<PersonId>,
) -> Result<Plan, StoreError> {
    let draft = record::lock::<Plan>(transaction, organisation, plan).await?;
    if draft.status != PlanStatus::Draft {
        let what = format!("this plan is {}: only a draft is published", draft.status);
        return Err(StoreError::Broken { rule: "plan-not-draft", what });
    }
    if let Some(before) = published(transaction, organisation, draft.site, draft.kind).await? {
        let superseded = Plan { status: PlanStatus::Superseded, ..before };
        record::change(transaction, organisation, author, &superseded).await?;
    }
    let holds = Plan {
        version,
        status: PlanStatus::Published,
        published_at: Some(author.at),
        published_by: by,
        ..draft
    };
    record::change(transaction, organisation, author, &holds).await
}
