//! What was found, and engines held for it.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::hours::Hours;
use crate::id::{EngineId, FindingId, FindingKindId, HoldId, PersonId};
use crate::programme::Urgency;
use crate::word::words;

words! {
    pub enum FindingStatus {
        /// Somebody must decide.
        Open = "open",
        /// A job is on it.
        InWork = "in_work",
        /// Done with.
        Closed = "closed",
    }
}

/// Something found on an engine.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finding {
    pub id: FindingId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub engine: EngineId,
    pub kind: Option<FindingKindId>,
    pub title: String,
    pub urgency: Urgency,
    pub safety: bool,
    pub status: FindingStatus,
    pub found_at: DateTime<Utc>,
    pub found_by: Option<PersonId>,
    /// The engine's hours then.
    pub life: Option<Hours>,
    pub note: Option<String>,
    pub closed_at: Option<DateTime<Utc>>,
    pub closing_note: Option<String>,
}

impl Finding {
    /// The hold that it asks for: where it is about safety or says stop.
    pub fn hold(&self, placed_at: DateTime<Utc>) -> Option<Hold> {
        (self.safety || self.urgency == Urgency::Stop).then(|| Hold {
            id: HoldId::fresh(),
            version: 1,
            engine: self.engine,
            finding: Some(self.id),
            safety: self.safety,
            reason: self.title.clone(),
            placed_at,
            placed_by: self.found_by,
            cleared_at: None,
            cleared_by: None,
            clearing_note: None,
        })
    }
}

/// An engine that must not be hired.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hold {
    pub id: HoldId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub engine: EngineId,
    pub finding: Option<FindingId>,
    /// Only a person with the right may clear it.
    pub safety: bool,
    pub reason: String,
    pub placed_at: DateTime<Utc>,
    pub placed_by: Option<PersonId>,
    pub cleared_at: Option<DateTime<Utc>>,
    pub cleared_by: Option<PersonId>,
    pub clearing_note: Option<String>,
}
