//! Bookings, the hire log and the checks at hand-over and return.

use chrono::{DateTime, Utc};
use fleet::hire::{Booking, BookingStatus, CheckItem, Hire, HireCheck};
use fleet::id::{BoatId, OrganisationId};
use sea_orm::{ColumnTrait as _, ConnectionTrait, QueryFilter as _};

use crate::entity::{bookings, hire_check_items, hire_checks, hire_log};
use crate::error::StoreError;
use crate::record;
use crate::value::to_microseconds;

/// Boats still wanted after a moment: booked, not cancelled, and not over by then.
pub async fn bookings_ending_after(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    after: DateTime<Utc>,
) -> Result<Vec<Booking>, StoreError> {
    let query = record::of::<Booking>(organisation)
        .filter(bookings::Column::Status.eq(BookingStatus::Booked.as_str()))
        .filter(bookings::Column::EndsAt.gt(to_microseconds(after)));
    record::select(connection, query).await
}

/// When boats were out on hire.
pub async fn log_of_boats(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    boats: &[BoatId],
) -> Result<Vec<Hire>, StoreError> {
    let keys: Vec<_> = boats.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, hire_log::Column::BoatId, &keys).await
}

/// Checks of boats and what was looked at in each.
pub async fn checks_of_boats(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    boats: &[BoatId],
) -> Result<(Vec<HireCheck>, Vec<CheckItem>), StoreError> {
    let keys: Vec<_> = boats.iter().map(|id| id.0).collect();
    let checks: Vec<HireCheck> =
        record::by_column(connection, organisation, hire_checks::Column::BoatId, &keys).await?;
    let keys: Vec<_> = checks.iter().map(|check| check.id.0).collect();
    let items =
        record::by_column(connection, organisation, hire_check_items::Column::CheckId, &keys)
            .await?;
    Ok((checks, items))
}
