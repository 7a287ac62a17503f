//! Bookings, hire, and the checks at hand-over and return.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::id::{BoatId, BookingId, CheckItemId, EngineId, HireCheckId, HireId, PersonId, PoolId};
use crate::programme::Urgency;
use crate::word::words;

words! {
    pub enum BookingStatus {
        /// Wanted.
        Booked = "booked",
        /// Wanted no more.
        Cancelled = "cancelled",
    }
}

/// Boats wanted, by pool and time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Booking {
    pub id: BookingId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub pool: PoolId,
    pub starts_at: DateTime<Utc>,
    pub ends_at: DateTime<Utc>,
    pub boats: i32,
    /// The booking's own number where it came from.
    pub reference: String,
    pub status: BookingStatus,
}

/// A boat out on hire. Append-only.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hire {
    pub id: HireId,
    pub boat: BoatId,
    pub out_at: DateTime<Utc>,
    pub back_at: DateTime<Utc>,
    pub used_for: Option<String>,
    pub booking: Option<BookingId>,
    pub source: String,
}

words! {
    pub enum CheckKind {
        /// Before the boat goes out.
        HandOver = "hand_over",
        /// When it is back.
        Return = "return",
    }
}

/// Somebody looked a boat over. Append-only.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct HireCheck {
    pub id: HireCheckId,
    pub boat: BoatId,
    pub engine: Option<EngineId>,
    pub kind: CheckKind,
    pub checked_at: DateTime<Utc>,
    pub checked_by: Option<PersonId>,
    pub note: Option<String>,
}

words! {
    pub enum CheckItemKind {
        /// Engine oil.
        OilLevel = "oil_level",
        /// The stop cord stops the engine.
        StopCord = "stop_cord",
        /// No fuel leaks.
        FuelLeaks = "fuel_leaks",
        /// Clamps and transom.
        Clamps = "clamps",
        /// Propeller, no line round it.
        Propeller = "propeller",
        /// Cooling water at the tell-tale.
        TellTale = "tell_tale",
        /// In and out of gear.
        Shift = "shift",
        /// Flushed with fresh water.
        Flushed = "flushed",
    }
}

impl CheckItemKind {
    /// What it is to find this not as it should be: what it is called, how soon it is done, and
    /// whether it can hurt somebody (common practice, no source). `None` where it is put right on the
    /// spot.
    pub const fn finding(self) -> Option<(&'static str, Urgency, bool)> {
        Some(match self {
            Self::OilLevel => ("engine oil level is low", Urgency::ThreeDays, false),
            Self::StopCord => ("stop cord does not stop the engine", Urgency::Stop, true),
            Self::FuelLeaks => ("fuel leak", Urgency::Stop, true),
            Self::Clamps => ("clamps or transom loose", Urgency::Stop, true),
            Self::Propeller => ("propeller damaged or line round it", Urgency::ThreeDays, false),
            Self::TellTale => ("weak tell-tale", Urgency::Stop, false),
            Self::Shift => ("does not go in and out of gear cleanly", Urgency::Stop, true),
            Self::Flushed => return None,
        })
    }
}

words! {
    pub enum CheckOutcome {
        /// As it should be.
        Good = "good",
        /// Not as it should be.
        Bad = "bad",
        /// Nobody looked.
        NotLooked = "not_looked",
    }
}

/// One thing that was looked at.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CheckItem {
    pub id: CheckItemId,
    pub check: HireCheckId,
    pub item: CheckItemKind,
    pub outcome: CheckOutcome,
}
