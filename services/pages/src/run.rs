//! The latest runs as pages read them.
//!
//! A run that failed says so where its result would stand; the last good one stays on show with its
//! date.

use std::sync::Arc;

use chrono::NaiveDate;
use fleet::hours::Hours;
use fleet::id::{EngineId, OrganisationId, TaskId};
use fleet::run::{RunKind, RunStatus};
use runs::due::left_of_record;
use runs::hours::FleetHours;
use store::runs::{self as kept, DueRow, Run};

use crate::due::DueFacts;
use crate::failure::Failure;
use crate::figures::moment;
use crate::outlook::{self, AheadHours};
use crate::state::PagesState;
use crate::yard_records::Yard;

/// The last good run of a kind, and whether a later one failed.
pub struct Latest {
    pub done: Option<Run>,
    failed: Option<Run>,
    /// A later one waits or is under way.
    coming: bool,
}

impl Latest {
    pub async fn of(
        state: &PagesState,
        organisation: OrganisationId,
        kind: RunKind,
    ) -> Result<Self, Failure> {
        let connection = state.store.connection();
        let done = kept::latest(connection, organisation, kind, None).await?;
        let asked = kept::latest_asked(connection, organisation, kind).await?;
        let coming = asked
            .as_ref()
            .is_some_and(|run| matches!(run.status, RunStatus::Queued | RunStatus::Running));
        let failed = asked.filter(|run| run.status == RunStatus::Failed);
        Ok(Self { done, failed, coming })
    }

    /// From when the figures are: `Computed Mon 6 Jul, 02:00.`
    pub fn says(&self, yard: &Yard) -> String {
        let at =
            |run: &Run| moment(run.finished_at.unwrap_or(run.requested_at), yard.zone, yard.today);
        match (&self.done, &self.failed) {
            (Some(done), None) if self.coming => {
                format!("Computed {}; being computed anew.", at(done))
            }
            (Some(done), None) => format!("Computed {}.", at(done)),
            (Some(done), Some(failed)) => format!(
                "The run of {} failed ({}). What stands here was computed {}.",
                at(failed),
                failed.failure.as_deref().unwrap_or("no reason on record"),
                at(done)
            ),
            (None, Some(failed)) => format!(
                "The run of {} failed ({}); there is none before it.",
                at(failed),
                failed.failure.as_deref().unwrap_or("no reason on record")
            ),
            (None, None) if self.coming => "Being computed for the first time.".to_owned(),
            (None, None) => "Nothing has been computed yet.".to_owned(),
        }
    }
}

/// A due run with what its bands are drawn from.
pub struct DueRun {
    pub lines: Vec<DueLine>,
    pub fleet: Arc<FleetHours>,
}

/// One engine × task.
pub struct DueLine {
    pub engine: EngineId,
    pub task: TaskId,
    pub facts: DueFacts,
    pub explanation: String,
}

impl DueRun {
    /// All lines of `run`.
    pub async fn read(
        state: &PagesState,
        organisation: OrganisationId,
        run: &Run,
    ) -> Result<Self, Failure> {
        let rows = kept::due_rows(state.store.connection(), organisation, run.id).await?;
        let fleet = outlook::of_run(state, organisation, run).await?;
        let lines = rows.into_iter().map(|row| line(&fleet, row)).collect();
        Ok(Self { lines, fleet })
    }

    pub fn ahead(&self, engine: EngineId, to: NaiveDate) -> Option<AheadHours> {
        AheadHours::of(&self.fleet, engine, to)
    }
}

fn line(fleet: &FleetHours, row: DueRow) -> DueLine {
    let left_of_record = left_of_record(fleet, &row);
    DueLine {
        engine: row.engine,
        task: row.task,
        facts: DueFacts {
            governing: row.governing,
            early_on: row.due_early_on,
            due_on: row.due_on,
            late_on: row.due_late_on,
            months_on: row.months_due_on,
            hours_left_seconds: row.hours_left_seconds,
            left_of_record,
            days_left: row.days_left.map(i64::from),
            hours_length: row
                .hours_length_seconds
                .and_then(|seconds| u64::try_from(seconds).ok())
                .map(Hours::from_seconds),
            counts_from: row.counts_from_on,
            used: f64::from(row.used_permille) / 1_000.0,
            source: row.source.unwrap_or_default(),
        },
        explanation: row.explanation.unwrap_or_default(),
    }
}
