//! Where the hours will stand: the fitted pools behind the latest due run, kept in memory.
//!
//! Fitted from the readings that were on record when that run started, so that the band on a page
//! and the dates of the run tell the same story; fitted again when a new run is done.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use chrono::NaiveDate;
use chrono_tz::Tz;
use fleet::calendar::day_of;
use fleet::id::{EngineId, OrganisationId, RunId};
use runs::hours::FleetHours;
use store::runs::Run;
use store::snapshot;
use usage::HoursDistribution;

use crate::failure::Failure;
use crate::state::PagesState;

/// The outlooks of the organisations that were asked for lately.
#[derive(Default)]
pub struct Outlooks {
    kept: Mutex<HashMap<OrganisationId, (RunId, Arc<FleetHours>)>>,
}

/// Organisations kept at once: their tables are megabytes each.
const KEPT_MAX: usize = 16;

impl Outlooks {
    fn kept(&self, organisation: OrganisationId, run: RunId) -> Option<Arc<FleetHours>> {
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.get(&organisation).filter(|kept| kept.0 == run).map(|kept| Arc::clone(&kept.1))
    }

    fn keep(&self, organisation: OrganisationId, run: RunId, fitted: Arc<FleetHours>) {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        if kept.len() >= KEPT_MAX && !kept.contains_key(&organisation) {
            kept.clear();
        }
        kept.insert(organisation, (run, fitted));
    }
}

/// The fleet as a due run saw it: kept, else fitted now.
pub async fn of_run(
    state: &PagesState,
    organisation: OrganisationId,
    run: &Run,
    zone: Tz,
) -> Result<Arc<FleetHours>, Failure> {
    if let Some(kept) = state.outlooks.kept(organisation, run.id) {
        return Ok(kept);
    }
    let since = run.started_at.unwrap_or(run.requested_at);
    let on = day_of(since, zone);
    let mut snapshot = snapshot::take(&state.store, organisation, since).await?;
    snapshot.fleet.readings.retain(|reading| reading.recorded_at <= since);
    // Seconds of computing for a large fleet: not on a thread that serves requests.
    let fit = tokio::task::spawn_blocking(move || FleetHours::fit(&snapshot, on));
    let fitted = Arc::new(fit.await.map_err(|cause| Failure::ours(&cause))?);
    state.outlooks.keep(organisation, run.id, Arc::clone(&fitted));
    Ok(fitted)
}

/// Hours of one engine to a date.
#[derive(Clone, Copy, Debug)]
pub struct AheadHours {
    /// From its last record on.
    pub hours: HoursDistribution,
    /// Of which are expected to have been run by the day of the run.
    pub passed: f64,
    /// 0: all from the pool; 1: all from the engine's own readings.
    pub own_share: f64,
}

impl AheadHours {
    pub fn of(fleet: &FleetHours, engine: EngineId, to: NaiveDate) -> Option<Self> {
        let ahead = fleet.ahead(engine, to)?;
        let passed = fleet.ahead(engine, fleet.on).map_or(0.0, |passed| passed.hours.mean());
        Some(Self { hours: ahead.hours, passed, own_share: ahead.own_share })
    }

    /// Hours beyond the day of the run that are not exceeded with probability `p`.
    pub fn quantile(&self, p: f64) -> f64 {
        (self.hours.quantile(p) - self.passed).max(0.0)
    }
}
