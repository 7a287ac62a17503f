//! Rows of `fleet::hire`.

use fleet::hire::{Booking, CheckItem, Hire, HireCheck};
use fleet::id::{
    BoatId, BookingId, CheckItemId, EngineId, HireCheckId, HireId, OrganisationId, PersonId, PoolId,
};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{bookings, hire_check_items, hire_checks, hire_log};
use crate::error::StoreError;
use crate::record::{Record, Shared};
use crate::value::{to_microseconds, word};

impl Record for Booking {
    type Entity = bookings::Entity;
    type Row = bookings::Model;
    type Id = BookingId;
    const ORGANISATION: bookings::Column = bookings::Column::OrganisationId;
    const ID: bookings::Column = bookings::Column::Id;
    const NOUN: &'static str = "booking";

    fn id(&self) -> BookingId {
        self.id
    }

    fn key(id: BookingId) -> Uuid {
        id.0
    }

    fn from_row(row: bookings::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: BookingId(row.id),
            version: row.version,
            pool: PoolId(row.pool_id),
            starts_at: row.starts_at,
            ends_at: row.ends_at,
            boats: row.boats,
            reference: row.reference,
            status: word(&row.status)?,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> bookings::Model {
        bookings::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            pool_id: self.pool.0,
            starts_at: to_microseconds(self.starts_at),
            ends_at: to_microseconds(self.ends_at),
            boats: self.boats,
            reference: self.reference.clone(),
            status: self.status.as_str().to_owned(),
        }
    }
}

impl Shared for Booking {
    const VERSION: bookings::Column = bookings::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for Hire {
    type Entity = hire_log::Entity;
    type Row = hire_log::Model;
    type Id = HireId;
    const ORGANISATION: hire_log::Column = hire_log::Column::OrganisationId;
    const ID: hire_log::Column = hire_log::Column::Id;
    const NOUN: &'static str = "hire";

    fn id(&self) -> HireId {
        self.id
    }

    fn key(id: HireId) -> Uuid {
        id.0
    }

    fn from_row(row: hire_log::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: HireId(row.id),
            boat: BoatId(row.boat_id),
            out_at: row.out_at,
            back_at: row.back_at,
            used_for: row.used_for,
            booking: row.booking_id.map(BookingId),
            source: row.source,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> hire_log::Model {
        hire_log::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            boat_id: self.boat.0,
            out_at: to_microseconds(self.out_at),
            back_at: to_microseconds(self.back_at),
            used_for: self.used_for.clone(),
            booking_id: self.booking.map(|id| id.0),
            source: self.source.clone(),
        }
    }
}

impl Record for HireCheck {
    type Entity = hire_checks::Entity;
    type Row = hire_checks::Model;
    type Id = HireCheckId;
    const ORGANISATION: hire_checks::Column = hire_checks::Column::OrganisationId;
    const ID: hire_checks::Column = hire_checks::Column::Id;
    const NOUN: &'static str = "hire check";

    fn id(&self) -> HireCheckId {
        self.id
    }

    fn key(id: HireCheckId) -> Uuid {
        id.0
    }

    fn from_row(row: hire_checks::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: HireCheckId(row.id),
            boat: BoatId(row.boat_id),
            engine: row.engine_id.map(EngineId),
            kind: word(&row.kind)?,
            checked_at: row.checked_at,
            checked_by: row.checked_by_id.map(PersonId),
            note: row.note,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> hire_checks::Model {
        hire_checks::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            boat_id: self.boat.0,
            engine_id: self.engine.map(|id| id.0),
            kind: self.kind.as_str().to_owned(),
            checked_at: to_microseconds(self.checked_at),
            checked_by_id: self.checked_by.map(|id| id.0),
            note: self.note.clone(),
        }
    }
}

impl Record for CheckItem {
    type Entity = hire_check_items::Entity;
    type Row = hire_check_items::Model;
    type Id = CheckItemId;
    const ORGANISATION: hire_check_items::Column = hire_check_items::Column::OrganisationId;
    const ID: hire_check_items::Column = hire_check_items::Column::Id;
    const NOUN: &'static str = "check item";

    fn id(&self) -> CheckItemId {
        self.id
    }

    fn key(id: CheckItemId) -> Uuid {
        id.0
    }

    fn from_row(row: hire_check_items::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: CheckItemId(row.id),
            check: HireCheckId(row.check_id),
            item: word(&row.item)?,
            outcome: word(&row.outcome)?,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> hire_check_items::Model {
        hire_check_items::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            check_id: self.check.0,
            item: self.item.as_str().to_owned(),
            outcome: self.outcome.as_str().to_owned(),
        }
    }
}
