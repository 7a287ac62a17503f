//! The planning problem as plain data, in the shape of its JSON schema.
//!
//! Units: days are whole numbers from 0, the horizon's first day; money is whole cents; work is
//! whole minutes. Every number is an integer, so the objective is exact. A value of these types may
//! hold anything: [`Instance::validate`] says whether it makes sense, and the search asks it first.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::error::InstanceError;

/// Everything that is known before planning: calendars, hands, bays, kits, pools and the visits.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Instance {
    pub name: String,
    /// Number of days in the horizon.
    pub days: usize,
    /// Per day: 1 where the workshop works, 0 where it is closed.
    pub open: Vec<u8>,
    /// Accounting week of each day, from 0, never falling.
    pub weeks: Vec<usize>,
    pub skills: Vec<Skill>,
    pub bays: Vec<Bay>,
    pub kits: Vec<Kit>,
    pub pools: Vec<Pool>,
    pub visits: Vec<Visit>,
}

/// A kind of hands: how many minutes it can work.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Skill {
    pub id: String,
    /// Per day: most minutes that can be worked (hard).
    pub day_minutes: Vec<i64>,
    /// Per week: minutes by contract.
    pub week_minutes: Vec<i64>,
    /// Per week: most minutes above contract (hard).
    pub week_overtime: Vec<i64>,
    /// Cents a minute above contract.
    pub overtime_cost: i64,
}

/// A kind of place in the workshop.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bay {
    pub id: String,
    /// Per day: places (hard).
    pub count: Vec<i64>,
}

/// A kit of parts and when its pieces come.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Kit {
    pub id: String,
    /// Usable from their day on; stock in hand is a receipt on day 0.
    pub receipts: Vec<Receipt>,
}

/// A dated quantity, written `[day, quantity]`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "(i64, i64)", into = "(i64, i64)")]
pub struct Receipt {
    pub day: i64,
    pub quantity: i64,
}

/// Engines that can stand in for one another on hire.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pool {
    pub id: String,
    /// Per day: engines the pool has.
    pub fleet: Vec<i64>,
    /// Per day: engines wanted in service (soft).
    pub minimum: Vec<i64>,
    /// Cents per engine and day below the minimum.
    pub shortfall_cost: i64,
    /// Per day: cents of hire lost per engine out; empty where none is lost.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub out_cost: Vec<i64>,
}

/// One engine's stay in the workshop, to be given a mode and a start day or left out.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Visit {
    pub id: String,
    pub engine: String,
    pub pool: String,
    /// First day it may start.
    pub release: i64,
    /// Last day it may still occupy.
    pub deadline: Option<i64>,
    /// Alternatives, one of which is chosen.
    pub modes: Vec<Mode>,
    /// Piecewise-linear cost of the start day.
    pub hinges: Vec<Hinge>,
    /// Cents when it is left out.
    pub unplanned_cost: i64,
    /// Day in the published plan.
    pub published_day: Option<i64>,
    /// Cents when it starts on another day than the published one.
    pub move_cost: i64,
    /// Must start on the published day; its mode stays free.
    pub locked: bool,
    pub after: Vec<After>,
}

/// One way to do a visit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mode {
    pub id: String,
    /// By skill: minutes on each open day of the stay.
    pub minutes: BTreeMap<String, Vec<i64>>,
    pub bay: String,
    /// Open days of the stay.
    pub length: usize,
    /// By kit: pieces, taken on the first day.
    pub kits: BTreeMap<String, i64>,
    /// Cents of choosing it: work put off, the dearer way, a risk taken.
    pub cost: i64,
    /// Whether the engine leaves its pool; `false` for work outside hire hours or with a spare fitted.
    #[serde(default = "yes", skip_serializing_if = "is_yes")]
    pub out: bool,
}

/// `before × max(0, day − s) + after × max(0, s − day)` cents for a start on `s`; written
/// `[day, before, after]`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "(i64, i64, i64)", into = "(i64, i64, i64)")]
pub struct Hinge {
    pub day: i64,
    pub before: i64,
    pub after: i64,
}

/// Where both are planned, the visit starts at least `gap` days after `visit`'s last day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct After {
    pub visit: String,
    pub gap: i64,
}

impl Instance {
    /// Reads an instance and checks it.
    ///
    /// # Errors
    /// [`InstanceError::Unreadable`] with the path in the document where the text is not of the
    /// schema, else the first broken rule of [`Instance::validate`].
    pub fn from_json(text: &[u8]) -> Result<Self, InstanceError> {
        let reader = &mut serde_json::Deserializer::from_slice(text);
        let instance: Self = serde_path_to_error::deserialize(reader).map_err(|error| {
            InstanceError::Unreadable {
                path: error.path().to_string(),
                cause: error.inner().to_string(),
            }
        })?;
        instance.validate()?;
        Ok(instance)
    }
}

impl Hinge {
    /// Cents for a start on `day`.
    pub const fn cost(&self, day: i64) -> i64 {
        if day < self.day { self.before * (self.day - day) } else { self.after * (day - self.day) }
    }
}

impl From<(i64, i64)> for Receipt {
    fn from((day, quantity): (i64, i64)) -> Self {
        Self { day, quantity }
    }
}

impl From<Receipt> for (i64, i64) {
    fn from(receipt: Receipt) -> Self {
        (receipt.day, receipt.quantity)
    }
}

impl From<(i64, i64, i64)> for Hinge {
    fn from((day, before, after): (i64, i64, i64)) -> Self {
        Self { day, before, after }
    }
}

impl From<Hinge> for (i64, i64, i64) {
    fn from(hinge: Hinge) -> Self {
        (hinge.day, hinge.before, hinge.after)
    }
}

const fn yes() -> bool {
    true
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde passes a reference")]
const fn is_yes(out: &bool) -> bool {
    *out
}
