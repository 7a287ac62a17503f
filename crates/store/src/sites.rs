//! Sites: what day it is there.

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use fleet::calendar::day_of;
use fleet::id::{OrganisationId, SiteId};
use fleet::site::Site;
use sea_orm::ConnectionTrait;

use crate::error::StoreError;
use crate::record;

/// The zone in which a site counts its days.
pub async fn zone(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    site: SiteId,
) -> Result<Tz, StoreError> {
    let site = record::get::<Site>(connection, organisation, site).await?;
    site.time_zone.parse().map_err(StoreError::corrupt)
}

/// The day at a site at `now`.
pub async fn today(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    site: SiteId,
    now: DateTime<Utc>,
) -> Result<NaiveDate, StoreError> {
    Ok(day_of(now, zone(connection, organisation, site).await?))
}
