//! Where the hours will stand: the fitted pools behind a due run, kept in memory.
//!
//! Fitted from the readings that were on record when that run started, so that a band or a
//! probability asked for afterwards and the dates of the run tell the same story; fitted again when a
//! new run is done.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use fleet::id::{OrganisationId, RunId};
use store::runs::Run;
use store::{Store, snapshot};

use crate::error::RunError;
use crate::execute::today;
use crate::hours::FleetHours;

/// The outlooks of the organisations that were asked for lately.
#[derive(Default)]
pub struct Outlooks {
    kept: Mutex<HashMap<OrganisationId, (RunId, Arc<FleetHours>)>>,
}

/// Organisations kept at once: their tables are megabytes each.
const KEPT_MAX: usize = 16;

impl Outlooks {
    /// The fleet as a due run saw it: kept, else fitted now.
    ///
    /// # Errors
    /// The store failed.
    pub async fn of_run(
        &self,
        store: &Store,
        organisation: OrganisationId,
        run: &Run,
    ) -> Result<Arc<FleetHours>, RunError> {
        if let Some(kept) = self.kept(organisation, run.id) {
            return Ok(kept);
        }
        let since = run.started_at.unwrap_or(run.requested_at);
        let mut snapshot = snapshot::take(store, organisation, since).await?;
        snapshot.fleet.readings.retain(|reading| reading.recorded_at <= since);
        let on = today(&snapshot, since);
        // Seconds of computing for a large fleet: not on a thread that serves requests.
        let fit = tokio::task::spawn_blocking(move || FleetHours::fit(&snapshot, on));
        let fitted = Arc::new(fit.await.map_err(|cause| RunError::Stopped(cause.to_string()))?);
        self.keep(organisation, run.id, Arc::clone(&fitted));
        Ok(fitted)
    }

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
