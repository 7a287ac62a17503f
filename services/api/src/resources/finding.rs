//! What was found, and engines held for it.

use crate::resource::{Resource, Shown};
use chrono::{DateTime, Utc};
use fleet::finding::{Finding, FindingStatus, Hold};
use fleet::programme::Urgency;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one finding.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Finding)]
pub struct FindingFields {
    pub engine: Uuid,
    pub kind: Option<Uuid>,
    pub title: String,
    #[schema(value_type = String)]
    pub urgency: Urgency,
    pub safety: bool,
    #[schema(value_type = String)]
    pub status: FindingStatus,
    pub found_at: DateTime<Utc>,
    pub found_by: Option<Uuid>,
    /// Hours.
    pub life: Option<f64>,
    pub note: Option<String>,
    pub closed_at: Option<DateTime<Utc>>,
    pub closing_note: Option<String>,
}

impl Resource for FindingFields {
    type Noun = Finding;
    const PATH: &'static str = "/findings";
    const NAME: &'static str = "Finding";

    fn show(noun: Finding) -> Shown<Self> {
        let Finding {
            id,
            version,
            engine,
            kind,
            title,
            urgency,
            safety,
            status,
            found_at,
            found_by,
            life,
            note,
            closed_at,
            closing_note,
        } = noun;
        let fields = Self {
            engine: engine.0,
            kind: kind.map(|x| x.0),
            title,
            urgency,
            safety,
            status,
            found_at,
            found_by: found_by.map(|x| x.0),
            life: life.map(|x| x.as_decimal()),
            note,
            closed_at,
            closing_note,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

/// The fields of one hold.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Hold)]
pub struct HoldFields {
    pub engine: Uuid,
    pub finding: Option<Uuid>,
    pub safety: bool,
    pub reason: String,
    pub placed_at: DateTime<Utc>,
    pub placed_by: Option<Uuid>,
    pub cleared_at: Option<DateTime<Utc>>,
    pub cleared_by: Option<Uuid>,
    pub clearing_note: Option<String>,
}

impl Resource for HoldFields {
    type Noun = Hold;
    const PATH: &'static str = "/holds";
    const NAME: &'static str = "Hold";

    fn show(noun: Hold) -> Shown<Self> {
        let Hold {
            id,
            version,
            engine,
            finding,
            safety,
            reason,
            placed_at,
            placed_by,
            cleared_at,
            cleared_by,
            clearing_note,
        } = noun;
        let fields = Self {
            engine: engine.0,
            finding: finding.map(|x| x.0),
            safety,
            reason,
            placed_at,
            placed_by: placed_by.map(|x| x.0),
            cleared_at,
            cleared_by: cleared_by.map(|x| x.0),
            clearing_note,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}
