//! Where the hours will stand: the fitted pools behind the latest due run, kept in memory.
//!
//! Fitted from the readings that were on record when that run started, so that the band on a page
//! and the dates of the run tell the same story; fitted again when a new run is done.

use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use fleet::calendar::day_of;
use fleet::engine::Engine;
use fleet::hours::Hours;
use fleet::id::{EngineId, OrganisationId, PoolId};
use fleet::ledger::LifePoint;
use fleet::reading::Reading;
use store::{StoreError, readings};
use usage::{
    EngineHistory, EnginePlans, EnginePosterior, HoursForecast, LifeReading, Outlook, PoolModel,
    Source,
};

/// The outlooks of the organisations that were asked for lately.
#[derive(Default)]
pub struct Outlooks {
    kept: Mutex<HashMap<OrganisationId, Arc<FleetOutlook>>>,
}

/// Organisations kept at once: their tables are megabytes each.
const KEPT_MAX: usize = 16;

impl Outlooks {
    /// The outlook as of `since`, if it is the one that is kept.
    pub fn kept(
        &self,
        organisation: OrganisationId,
        since: DateTime<Utc>,
    ) -> Option<Arc<FleetOutlook>> {
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.get(&organisation).filter(|outlook| outlook.since == since).cloned()
    }

    pub fn keep(&self, organisation: OrganisationId, outlook: Arc<FleetOutlook>) {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        if kept.len() >= KEPT_MAX && !kept.contains_key(&organisation) {
            kept.clear();
        }
        kept.insert(organisation, outlook);
    }
}

/// All pools of one organisation, fitted.
pub struct FleetOutlook {
    since: DateTime<Utc>,
    pools: HashMap<PoolId, Outlook>,
    engines: HashMap<EngineId, EngineOutlook>,
}

struct EngineOutlook {
    pool: PoolId,
    posterior: EnginePosterior,
    /// Day and life hours of the last reading.
    last: Option<(NaiveDate, Hours)>,
}

impl FleetOutlook {
    /// Fits each pool from its engines' readings. Takes seconds for a large fleet: not on a thread
    /// that serves requests.
    pub fn fit(
        engines: &[Engine],
        mut readings: BTreeMap<EngineId, Vec<Reading>>,
        zone: Tz,
        since: DateTime<Utc>,
    ) -> Result<Self, StoreError> {
        // By pool and engine in a fixed order, so that a fit can be repeated bit for bit.
        let mut by_pool: BTreeMap<PoolId, Vec<(EngineId, Vec<LifePoint>)>> = BTreeMap::new();
        for engine in engines {
            let mut of_engine = readings.remove(&engine.id).unwrap_or_default();
            of_engine.retain(|reading| reading.recorded_at <= since);
            let life = readings::ledger(&of_engine)?.life(Hours::ZERO);
            by_pool.entry(engine.pool).or_default().push((engine.id, life));
        }
        let on = day_of(since, zone);
        let mut fitted = Self { since, pools: HashMap::new(), engines: HashMap::new() };
        for (pool, lives) in by_pool {
            let histories: Vec<_> = lives.iter().map(|(_, life)| history(life, zone)).collect();
            let fit = PoolModel::fit(&histories, on);
            fitted.pools.insert(pool, fit.outlook);
            for ((engine, life), posterior) in lives.into_iter().zip(fit.posteriors) {
                let last = life.last().map(|point| (day_of(point.at, zone), point.life));
                fitted.engines.insert(engine, EngineOutlook { pool, posterior, last });
            }
        }
        Ok(fitted)
    }

    /// Hours that `engine` will run from its last reading to `to`; `None` where nothing was read.
    pub fn hours(&self, engine: EngineId, to: NaiveDate) -> Option<HoursForecast> {
        let known = self.engines.get(&engine)?;
        let (from, _) = known.last?;
        let outlook = self.pools.get(&known.pool)?;
        (to > from).then(|| outlook.hours(&known.posterior, from, to, &EnginePlans::default()))
    }

    /// Life hours of all engines at their last readings.
    pub fn lives(&self) -> impl Iterator<Item = Hours> {
        self.engines.values().filter_map(|engine| Some(engine.last?.1))
    }

    /// Day and life hours of the last reading that the outlook knows.
    pub fn last(&self, engine: EngineId) -> Option<(NaiveDate, Hours)> {
        self.engines.get(&engine)?.last
    }
}

fn history(life: &[LifePoint], zone: Tz) -> EngineHistory {
    let readings: Vec<_> = life
        .iter()
        .map(|point| LifeReading {
            on: day_of(point.at, zone),
            life_hours: point.life.as_decimal(),
            source: if point.estimated { Source::Estimated } else { Source::Measured },
        })
        .collect();
    EngineHistory::between_readings(&readings).unwrap_or_else(|error| {
        // Life hours never fall, so only a date far outside the calendar is left.
        tracing::warn!(%error, "an engine's readings make no history");
        EngineHistory::default()
    })
}
