//! Meters and what they showed.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::hours::Hours;
use crate::id::{EngineId, MeterId, PersonId, ReadingId};
use crate::word::words;

words! {
    pub enum MeterKind {
        /// Runs with the engine.
        HourMeter = "hour_meter",
        /// Runs while the key is on, so over-counts.
        KeyOn = "key_on",
        /// The engine's own count over the network.
        Network = "network",
        /// No meter; hours come from hire.
        NoMeter = "no_meter",
    }
}

/// An hour meter on an engine.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Meter {
    pub id: MeterId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub engine: EngineId,
    pub kind: MeterKind,
    pub serial: Option<String>,
    pub fitted_at: DateTime<Utc>,
    pub removed_at: Option<DateTime<Utc>>,
}

words! {
    pub enum ReadingKind {
        /// The meter showed it.
        Reading = "reading",
        /// Nobody could read it.
        Estimate = "estimate",
        /// One meter off, another on.
        MeterReplaced = "meter_replaced",
        /// The same meter fell back.
        Reset = "reset",
        /// What was written for that moment is void.
        Correction = "correction",
    }
}

/// What a meter showed. Append-only: corrections are readings of their own.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reading {
    pub id: ReadingId,
    pub engine: EngineId,
    pub kind: ReadingKind,
    pub read_at: DateTime<Utc>,
    /// After a swap or reset: what the new count began at.
    pub shown: Hours,
    /// Swap and reset only: what was shown last before it.
    pub shown_before: Option<Hours>,
    /// Swap only: the moment of the swap on record that this one puts right.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub corrects: Option<DateTime<Utc>>,
    pub source: String,
    pub recorded_by: Option<PersonId>,
    pub recorded_at: DateTime<Utc>,
    pub note: Option<String>,
}
