//! Jobs: the work on one engine in one visit.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use crate::hours::Minutes;
use crate::id::{
    BayId, EngineId, FindingId, JobId, JobPartId, JobTaskId, PartId, PersonId, SiteId, TaskId,
};
use crate::word::words;

words! {
    pub enum JobStatus {
        /// Somebody must agree.
        Proposed = "proposed",
        /// Parts are reserved.
        Agreed = "agreed",
        /// All parts are there.
        Kitted = "kitted",
        /// A part is missing.
        Short = "short",
        /// Being worked on.
        OnBench = "on_bench",
        /// Being tested.
        OnTest = "on_test",
        /// Back in service.
        Released = "released",
        /// Left to a later date.
        StoodOver = "stood_over",
        /// Won't be done.
        Dropped = "dropped",
    }
}

/// Work on one engine in one visit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Job {
    pub id: JobId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub number: i32,
    pub engine: EngineId,
    pub site: SiteId,
    pub finding: Option<FindingId>,
    pub status: JobStatus,
    /// Why it was stood over or dropped.
    pub reason: Option<String>,
    pub stood_over_until: Option<NaiveDate>,
    pub planned_on: Option<NaiveDate>,
    pub bay: Option<BayId>,
    pub person: Option<PersonId>,
    pub note: Option<String>,
    pub created_at: DateTime<Utc>,
    pub released_at: Option<DateTime<Utc>>,
}

words! {
    pub enum TaskOutcome {
        /// Done.
        Done = "done",
        /// Looked at, not needed.
        NotNeeded = "not_needed",
        /// Not done.
        NotDone = "not_done",
    }
}

/// A task of a job.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct JobTask {
    pub id: JobTaskId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub job: JobId,
    pub task: TaskId,
    pub sequence: i32,
    pub planned: Minutes,
    pub spent: Option<Minutes>,
    pub outcome: Option<TaskOutcome>,
    pub done_at: Option<DateTime<Utc>>,
    pub done_by: Option<PersonId>,
    pub note: Option<String>,
}

/// A part that a job needs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct JobPart {
    pub id: JobPartId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub job: JobId,
    pub part: PartId,
    /// What it needs, with what was asked for on the bench.
    pub quantity: i64,
    /// What went in; `None`: nobody has said yet, and at the end it counts as what was needed.
    pub used: Option<i64>,
    /// How much of `quantity` was asked for on the bench, beyond the plan.
    pub beyond_plan: i64,
}
