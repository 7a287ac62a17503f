//! The latest runs as pages read them.
//!
//! A run that failed says so where its result would stand; the last good one stays on show with its
//! date.

use std::sync::Arc;

use chrono::NaiveDate;
use chrono_tz::Tz;
use fleet::engine::Engine;
use fleet::hours::Hours;
use fleet::id::{EngineId, OrganisationId, TaskId};
use fleet::run::{RunKind, RunStatus};
use store::runs::{self, DueRow, Run};
use store::{readings, record};
use usage::HoursForecast;

use crate::due::DueFacts;
use crate::failure::Failure;
use crate::figures::{HoursStyle, moment};
use crate::outlook::FleetOutlook;
use crate::state::PagesState;
use crate::yard_records::Yard;

/// The last good run of a kind, and whether a later one failed.
pub struct Latest {
    pub done: Option<Run>,
    failed: Option<Run>,
}

impl Latest {
    pub async fn of(
        state: &PagesState,
        organisation: OrganisationId,
        kind: RunKind,
    ) -> Result<Self, Failure> {
        let connection = state.store.connection();
        let done = runs::latest(connection, organisation, kind, None).await?;
        let asked = runs::latest_asked(connection, organisation, kind).await?;
        let failed = asked.filter(|run| run.status == RunStatus::Failed);
        Ok(Self { done, failed })
    }

    /// From when the figures are: `Computed Mon 6 Jul, 02:00.`
    pub fn says(&self, yard: &Yard) -> String {
        let at =
            |run: &Run| moment(run.finished_at.unwrap_or(run.requested_at), yard.zone, yard.today);
        match (&self.done, &self.failed) {
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
            (None, None) => "Nothing has been computed yet.".to_owned(),
        }
    }
}

/// A due run with what its bands are drawn from.
pub struct DueRun {
    pub lines: Vec<DueLine>,
    outlook: Arc<FleetOutlook>,
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
        zone: Tz,
    ) -> Result<Self, Failure> {
        let rows = runs::due_rows(state.store.connection(), organisation, run.id).await?;
        let outlook = outlook(state, organisation, run, zone).await?;
        Ok(Self { lines: rows.into_iter().map(line).collect(), outlook })
    }

    /// Hours that an engine will run from its last reading to `to`.
    pub fn ahead(&self, engine: EngineId, to: NaiveDate) -> Option<HoursForecast> {
        self.outlook.hours(engine, to)
    }

    /// How the hours that the run knew are written.
    pub fn style(&self) -> HoursStyle {
        HoursStyle::of(self.outlook.lives().map(Hours::seconds))
    }

    /// Day and life hours of the last reading that the run knew.
    pub fn last(&self, engine: EngineId) -> Option<(NaiveDate, Hours)> {
        self.outlook.last(engine)
    }
}

fn line(row: DueRow) -> DueLine {
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

/// The fitted pools behind `run`: those that are kept, else fitted now.
async fn outlook(
    state: &PagesState,
    organisation: OrganisationId,
    run: &Run,
    zone: Tz,
) -> Result<Arc<FleetOutlook>, Failure> {
    let since = run.started_at.unwrap_or(run.requested_at);
    if let Some(kept) = state.outlooks.kept(organisation, since) {
        return Ok(kept);
    }
    let connection = state.store.connection();
    let engines: Vec<Engine> = record::all(connection, organisation).await?;
    let ids: Vec<EngineId> = engines.iter().map(|engine| engine.id).collect();
    let readings = readings::of_engines(connection, organisation, &ids).await?;
    let fit = move || FleetOutlook::fit(&engines, readings, zone, since);
    let fitted = tokio::task::spawn_blocking(fit).await.map_err(|cause| Failure::ours(&cause))?;
    let fitted = Arc::new(fitted?);
    state.outlooks.keep(organisation, Arc::clone(&fitted));
    Ok(fitted)
}
