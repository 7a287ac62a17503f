//! Plans and their visits.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use crate::hours::Minutes;
use crate::id::{
    BayId, EngineId, JobId, PersonId, PlanId, RunId, SiteId, TaskId, VisitId, VisitTaskId,
};
use crate::word::words;

words! {
    pub enum PlanKind {
        /// The winter's work.
        LayUp = "lay_up",
        /// The coming weeks, in season.
        Rotation = "rotation",
    }
}

words! {
    pub enum PlanStatus {
        /// Being made.
        Draft = "draft",
        /// Holds.
        Published = "published",
        /// A later one holds.
        Superseded = "superseded",
    }
}

/// A version of what is done when.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Plan {
    pub id: PlanId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub site: SiteId,
    pub kind: PlanKind,
    pub name: String,
    pub status: PlanStatus,
    pub run: Option<RunId>,
    pub based_on: Option<PlanId>,
    pub created_at: DateTime<Utc>,
    pub published_at: Option<DateTime<Utc>>,
    pub published_by: Option<PersonId>,
}

/// One engine, a bundle of tasks, from a day on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Visit {
    pub id: VisitId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub plan: PlanId,
    pub engine: EngineId,
    pub bay: Option<BayId>,
    pub person: Option<PersonId>,
    /// `None`: left out.
    pub starts_on: Option<NaiveDate>,
    pub ends_on: Option<NaiveDate>,
    pub bench: Minutes,
    /// Whether it takes a boat off hire.
    pub boat_out: bool,
    pub locked: bool,
    /// Why that day, or why none.
    pub reason: Option<String>,
    pub job: Option<JobId>,
    /// Which of the ways that the plan had for it.
    pub mode: Option<String>,
}

/// A task of a visit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct VisitTask {
    pub id: VisitTaskId,
    pub visit: VisitId,
    pub task: TaskId,
}
