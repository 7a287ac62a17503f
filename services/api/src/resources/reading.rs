//! Meters and what they showed.

use crate::problem::Problem;
use crate::resource::{Addable, Resource, Shown};
use chrono::{DateTime, Utc};
use fleet::id::{EngineId, MeterId};
use fleet::person::Role;
use fleet::reading::{Meter, MeterKind, Reading, ReadingKind};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one meter.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Meter)]
pub struct MeterFields {
    pub engine: Uuid,
    #[schema(value_type = String)]
    pub kind: MeterKind,
    pub serial: Option<String>,
    pub fitted_at: DateTime<Utc>,
    pub removed_at: Option<DateTime<Utc>>,
}

impl Resource for MeterFields {
    type Noun = Meter;
    const PATH: &'static str = "/meters";
    const NAME: &'static str = "Meter";

    fn show(noun: Meter) -> Shown<Self> {
        let Meter { id, version, engine, kind, serial, fitted_at, removed_at } = noun;
        let fields = Self { engine: engine.0, kind, serial, fitted_at, removed_at };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Addable for MeterFields {
    const WRITES: Role = Role::Technician;

    /// A first meter; where one is on, taking it off for another is a swap.
    fn build(self, id: Uuid) -> Result<Meter, Problem> {
        let Self { engine, kind, serial, fitted_at, removed_at } = self;
        let (id, engine) = (MeterId(id), EngineId(engine));
        Ok(Meter { id, version: 1, engine, kind, serial, fitted_at, removed_at })
    }
}

/// The fields of one reading.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Reading)]
pub struct ReadingFields {
    pub engine: Uuid,
    #[schema(value_type = String)]
    pub kind: ReadingKind,
    pub read_at: DateTime<Utc>,
    /// Hours.
    pub shown: f64,
    /// Hours.
    pub shown_before: Option<f64>,
    /// Swap only: the moment of the swap on record that this one puts right.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub corrects: Option<DateTime<Utc>>,
    pub source: String,
    pub recorded_by: Option<Uuid>,
    pub recorded_at: DateTime<Utc>,
    pub note: Option<String>,
}

impl Resource for ReadingFields {
    type Noun = Reading;
    const PATH: &'static str = "/readings";
    const NAME: &'static str = "Reading";

    fn show(noun: Reading) -> Shown<Self> {
        let Reading {
            id,
            engine,
            kind,
            read_at,
            shown,
            shown_before,
            corrects,
            source,
            recorded_by,
            recorded_at,
            note,
        } = noun;
        let fields = Self {
            engine: engine.0,
            kind,
            read_at,
            shown: shown.as_decimal(),
            shown_before: shown_before.map(|x| x.as_decimal()),
            corrects,
            source,
            recorded_by: recorded_by.map(|x| x.0),
            recorded_at,
            note,
        };
        Shown { id: id.0, version: None, fields }
    }
}
