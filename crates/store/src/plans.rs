//! Plans, their visits and what is done on each.

use std::collections::HashSet;

use fleet::id::{OrganisationId, PersonId, PlanId, RunId, SiteId, VisitId};
use fleet::visit::{Plan, PlanKind, PlanStatus, Visit, VisitTask};
use sea_orm::{
    ColumnTrait as _, ConnectionTrait, EntityTrait as _, QueryFilter as _, QuerySelect as _,
    QueryTrait as _,
};

use crate::Transaction;
use crate::entity::{plans, visit_tasks, visits};
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::runs;

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

/// Takes away drafts of a site and kind that runs asked for by `requested_by` made and nobody has
/// touched: neither moved, locked nor copied. Answers how many.
pub async fn clear_untouched(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (site, kind): (SiteId, PlanKind),
    requested_by: &str,
) -> Result<usize, StoreError> {
    let of_kind = record::of::<Plan>(organisation)
        .filter(plans::Column::SiteId.eq(site.0))
        .filter(plans::Column::Kind.eq(kind.as_str()));
    let of_kind: Vec<Plan> = record::select(transaction, of_kind).await?;
    let copied: HashSet<PlanId> = of_kind.iter().filter_map(|plan| plan.based_on).collect();
    let asked: HashSet<RunId> =
        runs::asked_by(transaction, organisation, requested_by).await?.into_iter().collect();
    let mut old: Vec<&Plan> = of_kind
        .iter()
        .filter(|plan| plan.status == PlanStatus::Draft && plan.version == 1)
        .filter(|plan| plan.run.is_some_and(|run| asked.contains(&run)))
        .filter(|plan| !copied.contains(&plan.id))
        .collect();
    let keys: Vec<_> = old.iter().map(|plan| plan.id.0).collect();
    let visits: Vec<Visit> =
        record::by_column(transaction, organisation, visits::Column::PlanId, &keys).await?;
    let touched: HashSet<PlanId> =
        visits.iter().filter(|visit| visit.version > 1).map(|visit| visit.plan).collect();
    old.retain(|plan| !touched.contains(&plan.id));
    let of_plans = || old.iter().map(|plan| plan.id.0);
    let of_visits = visits::Entity::find()
        .select_only()
        .column(visits::Column::Id)
        .filter(visits::Column::OrganisationId.eq(organisation.0))
        .filter(visits::Column::PlanId.is_in(of_plans()));
    visit_tasks::Entity::delete_many()
        .filter(visit_tasks::Column::OrganisationId.eq(organisation.0))
        .filter(visit_tasks::Column::VisitId.in_subquery(of_visits.into_query()))
        .exec(transaction)
        .await?;
    visits::Entity::delete_many()
        .filter(visits::Column::OrganisationId.eq(organisation.0))
        .filter(visits::Column::PlanId.is_in(of_plans()))
        .exec(transaction)
        .await?;
    for plan in &old {
        let (id, version) = (plan.id, plan.version);
        record::remove::<Plan>(transaction, organisation, author, id, version).await?;
    }
    Ok(old.len())
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
