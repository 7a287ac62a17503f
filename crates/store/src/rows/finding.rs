//! Rows of `fleet::finding`.

use fleet::finding::{Finding, Hold};
use fleet::id::{EngineId, FindingId, FindingKindId, HoldId, OrganisationId, PersonId};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{findings, holds};
use crate::error::StoreError;
use crate::record::{Record, Shared};
use crate::value::{optional_hours, seconds, to_microseconds, word};

impl Record for Finding {
    type Entity = findings::Entity;
    type Row = findings::Model;
    type Id = FindingId;
    const ORGANISATION: findings::Column = findings::Column::OrganisationId;
    const ID: findings::Column = findings::Column::Id;
    const NOUN: &'static str = "finding";

    fn id(&self) -> FindingId {
        self.id
    }

    fn key(id: FindingId) -> Uuid {
        id.0
    }

    fn from_row(row: findings::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: FindingId(row.id),
            version: row.version,
            engine: EngineId(row.engine_id),
            kind: row.kind_id.map(FindingKindId),
            title: row.title,
            urgency: word(&row.urgency)?,
            safety: row.safety,
            status: word(&row.status)?,
            found_at: row.found_at,
            found_by: row.found_by_id.map(PersonId),
            life: optional_hours(row.life_seconds)?,
            note: row.note,
            closed_at: row.closed_at,
            closing_note: row.closing_note,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> findings::Model {
        findings::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            engine_id: self.engine.0,
            kind_id: self.kind.map(|id| id.0),
            title: self.title.clone(),
            urgency: self.urgency.as_str().to_owned(),
            safety: self.safety,
            status: self.status.as_str().to_owned(),
            found_at: to_microseconds(self.found_at),
            found_by_id: self.found_by.map(|id| id.0),
            life_seconds: self.life.map(seconds),
            note: self.note.clone(),
            closed_at: self.closed_at.map(to_microseconds),
            closing_note: self.closing_note.clone(),
        }
    }
}

impl Shared for Finding {
    const VERSION: findings::Column = findings::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for Hold {
    type Entity = holds::Entity;
    type Row = holds::Model;
    type Id = HoldId;
    const ORGANISATION: holds::Column = holds::Column::OrganisationId;
    const ID: holds::Column = holds::Column::Id;
    const NOUN: &'static str = "hold";

    fn id(&self) -> HoldId {
        self.id
    }

    fn key(id: HoldId) -> Uuid {
        id.0
    }

    fn from_row(row: holds::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: HoldId(row.id),
            version: row.version,
            engine: EngineId(row.engine_id),
            finding: row.finding_id.map(FindingId),
            safety: row.safety,
            reason: row.reason,
            placed_at: row.placed_at,
            placed_by: row.placed_by_id.map(PersonId),
            cleared_at: row.cleared_at,
            cleared_by: row.cleared_by_id.map(PersonId),
            clearing_note: row.clearing_note,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> holds::Model {
        holds::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            engine_id: self.engine.0,
            finding_id: self.finding.map(|id| id.0),
            safety: self.safety,
            reason: self.reason.clone(),
            placed_at: to_microseconds(self.placed_at),
            placed_by_id: self.placed_by.map(|id| id.0),
            cleared_at: self.cleared_at.map(to_microseconds),
            cleared_by_id: self.cleared_by.map(|id| id.0),
            clearing_note: self.clearing_note.clone(),
        }
    }
}

impl Shared for Hold {
    const VERSION: holds::Column = holds::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}
