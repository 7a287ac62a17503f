//! A plan: which visit on which day in which mode, what it costs, what was left out and why.

use serde::{Deserialize, Serialize};

use crate::error::PlanError;

/// A schedule with its exact objective and a proven bound, in the shape of the JSON schema.
///
/// `bound` is proven: no plan of this instance costs less. `gap` is
/// `(objective − bound) / max(1, objective)`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// Cents, least is best.
    pub objective: i64,
    /// Cents, rounded down.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bound: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gap: Option<f64>,
    /// In the instance's order of visits.
    pub visits: Vec<PlannedVisit>,
    /// In the instance's order of visits.
    pub unplanned: Vec<UnplannedVisit>,
    /// Minutes above contract, where there are any.
    #[serde(default)]
    pub overtime: Vec<Overtime>,
    /// Engines below the minimum, where there are any.
    #[serde(default)]
    pub shortfalls: Vec<Shortfall>,
    /// What is short and what would help.
    #[serde(default)]
    pub shortages: Vec<Shortage>,
}

/// A visit that has a day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlannedVisit {
    pub visit: String,
    pub mode: String,
    pub day: i64,
}

/// A visit that was left out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct UnplannedVisit {
    pub visit: String,
    /// `cost`, `dates`, or what blocks it: `skill:ID`, `bay:ID`, `kit:ID`, `after:VISIT`,
    /// `engine:ID`.
    pub reason: String,
}

/// Minutes of a skill above a week's contract.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Overtime {
    pub skill: String,
    pub week: usize,
    pub minutes: i64,
}

/// Engines of a pool below the day's minimum.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shortfall {
    pub pool: String,
    pub day: usize,
    pub engines: i64,
}

/// Something that is short over a range of days, both ends included.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shortage {
    pub kind: ShortageKind,
    pub id: String,
    pub from: i64,
    pub to: i64,
    /// Minutes, places, pieces, engines or days, by kind.
    pub missing: i64,
    /// What would help, as a sentence.
    pub relief: String,
}

/// What is short.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ShortageKind {
    Skill,
    Bay,
    Kit,
    Pool,
    Deadline,
}

impl Plan {
    /// Reads a plan; fields it does not know are passed over.
    ///
    /// # Errors
    /// [`PlanError::Unreadable`] with the path in the document.
    pub fn from_json(text: &[u8]) -> Result<Self, PlanError> {
        let reader = &mut serde_json::Deserializer::from_slice(text);
        serde_path_to_error::deserialize(reader).map_err(|error| PlanError::Unreadable {
            path: error.path().to_string(),
            cause: error.inner().to_string(),
        })
    }

    /// Sets the bound and the gap that follows from it; a bound above the objective is our mistake.
    pub fn set_bound(&mut self, bound: i64) {
        assert!(bound <= self.objective, "bound {bound} above objective {}", self.objective);
        self.bound = Some(bound);
        self.gap = Some((self.objective - bound) as f64 / self.objective.max(1) as f64);
    }
}
