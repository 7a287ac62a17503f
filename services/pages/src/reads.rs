//! Reads that several pages share.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use fleet::hire::{Booking, BookingStatus};
use fleet::hours::Hours;
use fleet::id::{EngineId, OrganisationId};
use fleet::ledger::{Ledger, Mark};
use fleet::reading::Reading;
use store::{Connection, StoreError, readings, record};

/// Where an engine's hours stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Standing {
    pub read_at: DateTime<Utc>,
    /// On the fitted meter.
    pub shown: Hours,
    pub life: Hours,
}

/// Where the hours of `engines` stand by their last readings.
pub async fn standings(
    connection: &Connection,
    organisation: OrganisationId,
    engines: &[EngineId],
) -> Result<HashMap<EngineId, Standing>, StoreError> {
    let readings = readings::of_engines(connection, organisation, engines).await?;
    let mut standings = HashMap::new();
    for (engine, readings) in readings {
        if let Some(standing) = standing(&readings)? {
            standings.insert(engine, standing);
        }
    }
    Ok(standings)
}

/// Where one engine's hours stand.
pub fn standing(of: &[Reading]) -> Result<Option<Standing>, StoreError> {
    Ok(last(&readings::ledger(of)?))
}

pub fn last(ledger: &Ledger) -> Option<Standing> {
    let (entry, point) = (ledger.entries().last()?, *ledger.life(Hours::ZERO).last()?);
    Some(Standing { read_at: entry.read_at, shown: shown(entry.mark), life: point.life })
}

/// What the fitted meter shows after a line of the ledger.
pub const fn shown(mark: Mark) -> Hours {
    match mark {
        Mark::Reading { shown } | Mark::Estimate { shown } | Mark::Correction { shown } => shown,
        Mark::MeterReplaced { new_first, .. } | Mark::SwapCorrected { new_first, .. } => new_first,
        Mark::Reset { after, .. } => after,
    }
}

/// Bookings that hold and end after `from`.
pub async fn bookings_from(
    connection: &Connection,
    organisation: OrganisationId,
    from: DateTime<Utc>,
) -> Result<Vec<Booking>, StoreError> {
    let mut bookings: Vec<Booking> = record::all(connection, organisation).await?;
    bookings.retain(|b| b.status == BookingStatus::Booked && b.ends_at > from);
    Ok(bookings)
}
