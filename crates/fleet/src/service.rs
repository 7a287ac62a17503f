//! Services done and what they used. Append-only.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use crate::engine::TestKind;
use crate::hours::Hours;
use crate::hours::Minutes;
use crate::id::{
    EngineId, GearcaseTestId, JobId, PartId, PersonId, ServiceId, ServicePartId, TaskId,
};
use crate::word::words;

words! {
    pub enum ServiceReason {
        /// It was due.
        Due = "due",
        /// Something was found.
        Finding = "finding",
        /// At lay-up.
        LayUp = "lay_up",
        /// At commissioning.
        Commissioning = "commissioning",
        /// It had failed.
        Failure = "failure",
        /// Nobody wrote it down.
        Unknown = "unknown",
    }
}

/// A task done on an engine.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Service {
    pub id: ServiceId,
    pub engine: EngineId,
    pub task: TaskId,
    pub done_on: NaiveDate,
    /// The engine's hours then; `None`: nobody wrote them down.
    pub life: Option<Hours>,
    pub reason: ServiceReason,
    pub job: Option<JobId>,
    pub done_by: Option<PersonId>,
    pub spent: Option<Minutes>,
    pub note: Option<String>,
    pub source: String,
    pub recorded_at: DateTime<Utc>,
}

/// A part used by a service.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ServicePart {
    pub id: ServicePartId,
    pub service: ServiceId,
    pub part: PartId,
    pub quantity: i64,
}

words! {
    pub enum TestOutcome {
        /// Pass.
        Pass = "pass",
        /// Held, but the shafts were not turned.
        StaticOnly = "static_only",
        /// Can't be told.
        Inconclusive = "inconclusive",
        /// Fail.
        Fail = "fail",
    }
}

/// A gearcase test as it was read. Append-only; a retest names what it repeats.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct GearcaseTest {
    pub id: GearcaseTestId,
    pub engine: EngineId,
    pub job: Option<JobId>,
    pub kind: TestKind,
    pub tested_at: DateTime<Utc>,
    pub tested_by: Option<PersonId>,
    /// Gauge.
    pub start_pa: i32,
    pub end_pa: i32,
    pub hold_seconds: i32,
    pub start_millicelsius: Option<i32>,
    pub end_millicelsius: Option<i32>,
    pub ambient_pa: i32,
    pub gauge_division_pa: i32,
    pub limit_pa: Option<i32>,
    pub drive_shaft_turned: bool,
    pub propeller_shaft_turned: bool,
    pub shifted: bool,
    pub drained: bool,
    pub outcome: TestOutcome,
    pub reason: String,
    pub leak_at: Option<String>,
    pub retest_of: Option<GearcaseTestId>,
}
