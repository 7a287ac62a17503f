//! Calendar feeds behind secret, revocable links.

use chrono::{DateTime, NaiveDate, Utc};
use fleet::bench::Job;
use fleet::change::ChangeKind;
use fleet::feed::FeedKind;
use fleet::id::{BayId, FeedId, OrganisationId, PersonId, PlanId, SiteId, VisitId};
use fleet::visit::{Visit, VisitTask};
use sea_orm::{
    ActiveModelTrait as _, ColumnTrait as _, ConnectionTrait, EntityTrait as _, QueryFilter as _,
    QueryOrder as _, Set,
};
use serde::Serialize;

use crate::Transaction;
use crate::entity::{feeds, jobs, visit_tasks, visits};
use crate::error::StoreError;
use crate::history::{self, Change};
use crate::record::{self, Author};
use crate::secret::Secret;
use crate::value::{to_microseconds, word};

const NOUN: &str = "feed";

/// What a feed shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum FeedOf {
    Site(SiteId),
    Bay(BayId),
    Person(PersonId),
}

/// A feed as it is listed: never its link.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Feed {
    pub id: FeedId,
    pub of: FeedOf,
    pub created_at: DateTime<Utc>,
    pub revoked_at: Option<DateTime<Utc>>,
}

/// Makes a feed; the secret of its link is shown this once.
pub async fn create(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    of: FeedOf,
) -> Result<(Secret, Feed), StoreError> {
    let secret = Secret::fresh()?;
    let (kind, site, bay, person) = match of {
        FeedOf::Site(site) => (FeedKind::Site, Some(site.0), None, None),
        FeedOf::Bay(bay) => (FeedKind::Bay, None, Some(bay.0), None),
        FeedOf::Person(person) => (FeedKind::Person, None, None, Some(person.0)),
    };
    let row = feeds::ActiveModel {
        organisation_id: Set(organisation.0),
        id: Set(FeedId::fresh().0),
        kind: Set(kind.as_str().to_owned()),
        site_id: Set(site),
        bay_id: Set(bay),
        person_id: Set(person),
        token_hash: Set(secret.hash()),
        created_at: Set(to_microseconds(author.at)),
        revoked_at: Set(None),
    };
    let row = row.insert(transaction).await.map_err(|cause| StoreError::on(NOUN, cause))?;
    let feed = from_row(row)?;
    keep(transaction, organisation, author, ChangeKind::Created, None, &feed).await?;
    Ok((secret, feed))
}

pub async fn all(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
) -> Result<Vec<Feed>, StoreError> {
    let rows = feeds::Entity::find()
        .filter(feeds::Column::OrganisationId.eq(organisation.0))
        .order_by_asc(feeds::Column::Id)
        .all(connection)
        .await?;
    rows.into_iter().map(from_row).collect()
}

/// The feed behind a link's secret, unless it was revoked.
pub async fn find(
    connection: &impl ConnectionTrait,
    secret: &Secret,
) -> Result<Option<(OrganisationId, Feed)>, StoreError> {
    let row = feeds::Entity::find()
        .filter(feeds::Column::TokenHash.eq(secret.hash()))
        .filter(feeds::Column::RevokedAt.is_null())
        .one(connection)
        .await?;
    row.map(|row| Ok((OrganisationId(row.organisation_id), from_row(row)?))).transpose()
}

/// Closes a feed's link for good; a link that is closed stays closed.
pub async fn revoke(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    feed: FeedId,
) -> Result<Feed, StoreError> {
    let before = get(transaction, organisation, feed).await?;
    if before.revoked_at.is_some() {
        return Ok(before);
    }
    let revoked = feeds::ActiveModel {
        revoked_at: Set(Some(to_microseconds(author.at))),
        ..Default::default()
    };
    feeds::Entity::update_many()
        .set(revoked)
        .filter(feeds::Column::OrganisationId.eq(organisation.0))
        .filter(feeds::Column::Id.eq(feed.0))
        .exec(transaction)
        .await?;
    let after = get(transaction, organisation, feed).await?;
    keep(transaction, organisation, author, ChangeKind::Changed, Some(&before), &after).await?;
    Ok(after)
}

pub async fn get(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    feed: FeedId,
) -> Result<Feed, StoreError> {
    let row = feeds::Entity::find_by_id((organisation.0, feed.0)).one(connection).await?;
    row.map(from_row).transpose()?.ok_or(StoreError::Missing { noun: NOUN })
}

/// The jobs that stand on a day from `since` on.
pub async fn jobs_from(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    since: NaiveDate,
) -> Result<Vec<Job>, StoreError> {
    let query = record::of::<Job>(organisation).filter(jobs::Column::PlannedOn.gte(since));
    record::select(connection, query).await
}

/// The visits that `plans` put on days that end on `since` or later.
pub async fn visits_from(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    plans: &[PlanId],
    since: NaiveDate,
) -> Result<Vec<Visit>, StoreError> {
    let plans = plans.iter().map(|plan| plan.0);
    let query = record::of::<Visit>(organisation)
        .filter(visits::Column::PlanId.is_in(plans))
        .filter(visits::Column::EndsOn.gte(since));
    record::select(connection, query).await
}

/// What is done on visits.
pub async fn visit_tasks(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[VisitId],
) -> Result<Vec<VisitTask>, StoreError> {
    let keys: Vec<_> = of.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, visit_tasks::Column::VisitId, &keys).await
}

async fn keep(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    kind: ChangeKind,
    before: Option<&Feed>,
    after: &Feed,
) -> Result<(), StoreError> {
    let change = Change {
        noun: NOUN,
        entity: after.id.0,
        kind,
        before: before.and_then(history::values),
        after: history::values(after),
    };
    history::append(transaction, organisation, author, &[change]).await
}

fn from_row(row: feeds::Model) -> Result<Feed, StoreError> {
    let kind: FeedKind = word(&row.kind)?;
    let target = match kind {
        FeedKind::Site => row.site_id.map(|id| FeedOf::Site(SiteId(id))),
        FeedKind::Bay => row.bay_id.map(|id| FeedOf::Bay(BayId(id))),
        FeedKind::Person => row.person_id.map(|id| FeedOf::Person(PersonId(id))),
    };
    Ok(Feed {
        id: FeedId(row.id),
        of: target.ok_or(StoreError::Missing { noun: "target of the feed" })?,
        created_at: row.created_at,
        revoked_at: row.revoked_at,
    })
}
