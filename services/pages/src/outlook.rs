//! The fleet behind the latest due run, and one engine's hours to a date in it.

use std::sync::Arc;

use chrono::NaiveDate;
use fleet::id::{EngineId, OrganisationId};
use runs::hours::FleetHours;
use store::runs::Run;
use usage::HoursDistribution;

use crate::failure::Failure;
use crate::state::PagesState;

/// The fleet as a due run saw it.
pub async fn of_run(
    state: &PagesState,
    organisation: OrganisationId,
    run: &Run,
) -> Result<Arc<FleetHours>, Failure> {
    Ok(state.outlooks.of_run(&state.store, organisation, run).await?)
}

/// Hours of one engine to a date.
#[derive(Clone, Copy, Debug)]
pub struct AheadHours {
    /// From its last record on.
    pub hours: HoursDistribution,
    /// The same to the end of that day: what falls due on it is due by then.
    pub by_end: HoursDistribution,
    /// Of which are expected to have been run by the day of the run.
    pub passed: f64,
    /// 0: all from the pool; 1: all from the engine's own readings.
    pub own_share: f64,
}

impl AheadHours {
    pub fn of(fleet: &FleetHours, engine: EngineId, to: NaiveDate) -> Option<Self> {
        let ahead = fleet.ahead(engine, to)?;
        let passed = fleet.ahead(engine, fleet.on).map_or(0.0, |passed| passed.hours.mean());
        let by_end = fleet.ahead(engine, to.succ_opt()?)?.hours;
        Some(Self { hours: ahead.hours, by_end, passed, own_share: ahead.own_share })
    }

    /// Hours beyond the day of the run that are not exceeded with probability `p`.
    pub fn quantile(&self, p: f64) -> f64 {
        (self.hours.quantile(p) - self.passed).max(0.0)
    }
}
