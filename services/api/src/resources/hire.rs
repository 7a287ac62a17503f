//! Bookings, hire, and the checks at hand-over and return.

use crate::problem::Problem;
use crate::resource::{Changeable, Resource, Shown};
use chrono::{DateTime, Utc};
use fleet::hire::{
    Booking, BookingStatus, CheckItem, CheckItemKind, CheckKind, CheckOutcome, Hire, HireCheck,
};
use fleet::id::{BookingId, PoolId};
use fleet::person::Role;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one booking.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Booking)]
pub struct BookingFields {
    pub pool: Uuid,
    pub starts_at: DateTime<Utc>,
    pub ends_at: DateTime<Utc>,
    pub boats: i32,
    pub reference: String,
    #[schema(value_type = String)]
    pub status: BookingStatus,
}

impl Resource for BookingFields {
    type Noun = Booking;
    const PATH: &'static str = "/bookings";
    const NAME: &'static str = "Booking";

    fn show(noun: Booking) -> Shown<Self> {
        let Booking { id, version, pool, starts_at, ends_at, boats, reference, status } = noun;
        let fields = Self { pool: pool.0, starts_at, ends_at, boats, reference, status };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for BookingFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<Booking, Problem> {
        let Self { pool, starts_at, ends_at, boats, reference, status } = self;
        Ok(Booking {
            id: BookingId(id),
            version,
            pool: PoolId(pool),
            starts_at,
            ends_at,
            boats,
            reference,
            status,
        })
    }
}

/// The fields of one hire.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Hire)]
pub struct HireFields {
    pub boat: Uuid,
    pub out_at: DateTime<Utc>,
    pub back_at: DateTime<Utc>,
    pub used_for: Option<String>,
    pub booking: Option<Uuid>,
    pub source: String,
}

impl Resource for HireFields {
    type Noun = Hire;
    const PATH: &'static str = "/hire-log";
    const NAME: &'static str = "Hire";

    fn show(noun: Hire) -> Shown<Self> {
        let Hire { id, boat, out_at, back_at, used_for, booking, source } = noun;
        let fields =
            Self { boat: boat.0, out_at, back_at, used_for, booking: booking.map(|x| x.0), source };
        Shown { id: id.0, version: None, fields }
    }
}

/// The fields of one hire check.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = HireCheck)]
pub struct HireCheckFields {
    pub boat: Uuid,
    pub engine: Option<Uuid>,
    #[schema(value_type = String)]
    pub kind: CheckKind,
    pub checked_at: DateTime<Utc>,
    pub checked_by: Option<Uuid>,
    pub note: Option<String>,
}

impl Resource for HireCheckFields {
    type Noun = HireCheck;
    const PATH: &'static str = "/hire-checks";
    const NAME: &'static str = "HireCheck";

    fn show(noun: HireCheck) -> Shown<Self> {
        let HireCheck { id, boat, engine, kind, checked_at, checked_by, note } = noun;
        let fields = Self {
            boat: boat.0,
            engine: engine.map(|x| x.0),
            kind,
            checked_at,
            checked_by: checked_by.map(|x| x.0),
            note,
        };
        Shown { id: id.0, version: None, fields }
    }
}

/// The fields of one check item.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = CheckItem)]
pub struct CheckItemFields {
    pub check: Uuid,
    #[schema(value_type = String)]
    pub item: CheckItemKind,
    #[schema(value_type = String)]
    pub outcome: CheckOutcome,
}

impl Resource for CheckItemFields {
    type Noun = CheckItem;
    const PATH: &'static str = "/hire-check-items";
    const NAME: &'static str = "CheckItem";

    fn show(noun: CheckItem) -> Shown<Self> {
        let CheckItem { id, check, item, outcome } = noun;
        let fields = Self { check: check.0, item, outcome };
        Shown { id: id.0, version: None, fields }
    }
}
