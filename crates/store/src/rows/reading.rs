//! Rows of `fleet::reading`.

use fleet::id::{EngineId, MeterId, OrganisationId, PersonId, ReadingId};
use fleet::reading::{Meter, Reading};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{meters, readings};
use crate::error::StoreError;
use crate::record::{Record, Shared};
use crate::value::{hours, optional_hours, seconds, to_microseconds, word};

impl Record for Meter {
    type Entity = meters::Entity;
    type Row = meters::Model;
    type Id = MeterId;
    const ORGANISATION: meters::Column = meters::Column::OrganisationId;
    const ID: meters::Column = meters::Column::Id;
    const NOUN: &'static str = "meter";

    fn id(&self) -> MeterId {
        self.id
    }

    fn key(id: MeterId) -> Uuid {
        id.0
    }

    fn from_row(row: meters::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: MeterId(row.id),
            version: row.version,
            engine: EngineId(row.engine_id),
            kind: word(&row.kind)?,
            serial: row.serial,
            fitted_at: row.fitted_at,
            removed_at: row.removed_at,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> meters::Model {
        meters::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            engine_id: self.engine.0,
            kind: self.kind.as_str().to_owned(),
            serial: self.serial.clone(),
            fitted_at: to_microseconds(self.fitted_at),
            removed_at: self.removed_at.map(to_microseconds),
        }
    }
}

impl Shared for Meter {
    const VERSION: meters::Column = meters::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for Reading {
    type Entity = readings::Entity;
    type Row = readings::Model;
    type Id = ReadingId;
    const ORGANISATION: readings::Column = readings::Column::OrganisationId;
    const ID: readings::Column = readings::Column::Id;
    const NOUN: &'static str = "reading";

    fn id(&self) -> ReadingId {
        self.id
    }

    fn key(id: ReadingId) -> Uuid {
        id.0
    }

    fn from_row(row: readings::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: ReadingId(row.id),
            engine: EngineId(row.engine_id),
            kind: word(&row.kind)?,
            read_at: row.read_at,
            shown: hours(row.shown_seconds)?,
            shown_before: optional_hours(row.shown_before_seconds)?,
            corrects: row.corrects_at,
            source: row.source,
            recorded_by: row.recorded_by_id.map(PersonId),
            recorded_at: row.recorded_at,
            note: row.note,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> readings::Model {
        readings::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            engine_id: self.engine.0,
            kind: self.kind.as_str().to_owned(),
            read_at: to_microseconds(self.read_at),
            shown_seconds: seconds(self.shown),
            shown_before_seconds: self.shown_before.map(seconds),
            corrects_at: self.corrects.map(to_microseconds),
            source: self.source.clone(),
            recorded_by_id: self.recorded_by.map(|id| id.0),
            recorded_at: to_microseconds(self.recorded_at),
            note: self.note.clone(),
        }
    }
}
