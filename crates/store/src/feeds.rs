//! Calendar feeds behind secret, revocable links.

use chrono::{DateTime, Utc};
use fleet::id::{BayId, FeedId, OrganisationId, PersonId, SiteId};
use sea_orm::{
    ActiveModelTrait as _, ColumnTrait as _, ConnectionTrait, EntityTrait as _, QueryFilter as _,
    QueryOrder as _, Set,
};

use crate::Transaction;
use crate::entity::feeds;
use crate::error::StoreError;
use crate::secret::Secret;
use crate::value::{to_microseconds, word};

/// What a feed shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FeedOf {
    Site(SiteId),
    Bay(BayId),
    Person(PersonId),
}

/// A feed as it is listed: never its link.
#[derive(Clone, Debug, PartialEq, Eq)]
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
    of: FeedOf,
    now: DateTime<Utc>,
) -> Result<(Secret, Feed), StoreError> {
    let secret = Secret::fresh()?;
    let (kind, site, bay, person) = match of {
        FeedOf::Site(site) => ("site", Some(site.0), None, None),
        FeedOf::Bay(bay) => ("bay", None, Some(bay.0), None),
        FeedOf::Person(person) => ("person", None, None, Some(person.0)),
    };
    let row = feeds::ActiveModel {
        organisation_id: Set(organisation.0),
        id: Set(FeedId::fresh().0),
        kind: Set(kind.to_owned()),
        site_id: Set(site),
        bay_id: Set(bay),
        person_id: Set(person),
        token_hash: Set(secret.hash()),
        created_at: Set(to_microseconds(now)),
        revoked_at: Set(None),
    };
    let row = row.insert(transaction).await.map_err(|cause| StoreError::on("feed", cause))?;
    Ok((secret, from_row(row)?))
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

pub async fn revoke(
    transaction: &Transaction,
    organisation: OrganisationId,
    feed: FeedId,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let revoked =
        feeds::ActiveModel { revoked_at: Set(Some(to_microseconds(now))), ..Default::default() };
    let update = feeds::Entity::update_many()
        .set(revoked)
        .filter(feeds::Column::OrganisationId.eq(organisation.0))
        .filter(feeds::Column::Id.eq(feed.0))
        .exec(transaction)
        .await?;
    (update.rows_affected == 1).then_some(()).ok_or(StoreError::Missing { noun: "feed" })
}

fn from_row(row: feeds::Model) -> Result<Feed, StoreError> {
    let kind: fleet::feed::FeedKind = word(&row.kind)?;
    let target = match kind {
        fleet::feed::FeedKind::Site => row.site_id.map(|id| FeedOf::Site(SiteId(id))),
        fleet::feed::FeedKind::Bay => row.bay_id.map(|id| FeedOf::Bay(BayId(id))),
        fleet::feed::FeedKind::Person => row.person_id.map(|id| FeedOf::Person(PersonId(id))),
    };
    Ok(Feed {
        id: FeedId(row.id),
        of: target.ok_or(StoreError::Missing { noun: "target of the feed" })?,
        created_at: row.created_at,
        revoked_at: row.revoked_at,
    })
}
