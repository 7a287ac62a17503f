//! Jobs: the work on one engine in one visit.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use crate::engine::EngineModel;
use crate::hours::Minutes;
use crate::id::{
    BayId, EngineId, FindingId, JobId, JobPartId, JobTaskId, PartId, PersonId, SiteId, TaskId,
};
use crate::part::{Part, Unit};
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

/// Times what a job usually takes, beyond which a quantity is asked about (common practice, no
/// source).
const FAR_BEYOND: i64 = 3;
/// Pieces that are never asked about: four of a bolt instead of one are no slip of the pen.
const FEW_PIECES: i64 = 10;
/// What is usual of a fluid that nobody planned, where the model's own filling is not on record.
const UNPLANNED_ML: i64 = 1_000;
/// A task that took so many times its planned minutes, and so many minutes beyond them, is asked
/// about: a seized bolt can take half a day (common practice, no source).
const TIMES_PLANNED: u32 = 4;
const MINUTES_BEYOND: u32 = 240;

/// What was written down at the bench and is more likely a slip of the pen than true.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BenchError {
    #[error("{given} is far beyond the {usual} that such a job takes; say why")]
    FarBeyondNeed { given: String, usual: String },
    #[error(
        "{} min is far beyond the {} min planned; say why in the note",
        spent.0, planned.0
    )]
    FarBeyondPlan { spent: Minutes, planned: Minutes },
}

impl BenchError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::FarBeyondNeed { .. } => "used-far-beyond-need",
            Self::FarBeyondPlan { .. } => "minutes-far-beyond-plan",
        }
    }
}

impl EngineModel {
    /// The largest filling of oil that the model takes.
    fn largest_filling_ml(&self) -> Option<i64> {
        self.gear_oil_ml.max(self.engine_oil_ml).map(i64::from)
    }
}

/// Asks about a quantity of a part far beyond what the plan, or the model's own filling, lets
/// expect. A reason answers the question.
///
/// # Errors
/// Such a quantity without a reason.
pub fn check_quantity(
    given: i64,
    planned: i64,
    part: &Part,
    model: &EngineModel,
    why: Option<&str>,
) -> Result<(), BenchError> {
    let usual = match part.unit {
        _ if planned > 0 => planned,
        Unit::Millilitre => model.largest_filling_ml().unwrap_or(UNPLANNED_ML),
        _ => 1,
    };
    let few = if part.unit == Unit::Each { FEW_PIECES } else { 0 };
    if given <= usual.saturating_mul(FAR_BEYOND).max(few) || is_told(why) {
        return Ok(());
    }
    let said = |quantity| part.unit.with(quantity);
    Err(BenchError::FarBeyondNeed { given: said(given), usual: said(usual) })
}

/// Asks about minutes far beyond the planned ones.
///
/// # Errors
/// Such minutes without a note.
pub fn check_minutes(
    spent: Minutes,
    planned: Minutes,
    note: Option<&str>,
) -> Result<(), BenchError> {
    let far = spent.0 > planned.0.saturating_mul(TIMES_PLANNED)
        && spent.0 > planned.0.saturating_add(MINUTES_BEYOND);
    if far && !is_told(note) {
        return Err(BenchError::FarBeyondPlan { spent, planned });
    }
    Ok(())
}

fn is_told(why: Option<&str>) -> bool {
    why.is_some_and(|why| !why.trim().is_empty())
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case::three_times(25, 100, false)]
    #[case::a_seized_bolt(25, 260, false)]
    #[case::a_slip(25, 999, true)]
    #[case::a_long_task(300, 1_200, false)]
    #[case::longer(300, 1_201, true)]
    fn minutes_far_beyond_the_plan_are_asked_about(
        #[case] planned: u32,
        #[case] spent: u32,
        #[case] asked: bool,
    ) {
        let check = |note| check_minutes(Minutes(spent), Minutes(planned), note);
        assert_eq!(check(None).is_err(), asked);
        assert_eq!(check(Some(" ")).is_err(), asked);
        assert_eq!(check(Some("bolt drilled out")), Ok(()));
    }
}
