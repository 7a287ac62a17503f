//! What every engine has run, and what it will run: the record behind each due date.
//!
//! A metered engine's life is its ledger. One without a meter has the hire hours of the boats that
//! it sat on, times the running factor of its pool; hire hours follow the fitting.

mod known_days;

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use fleet::boat::Fitting;
use fleet::calendar::day_of;
use fleet::engine::{Engine, Standstill};
use fleet::hire::{Booking, Hire};
use fleet::hours::Hours;
use fleet::id::{BoatId, EngineId, PoolId, SiteId};
use fleet::ledger::{Ledger, LifePoint};
use fleet::reading::Reading;
use store::snapshot::Snapshot;
use usage::{
    EngineAhead, EngineHistory, EnginePlans, EnginePosterior, HoursForecast, LifeReading, Outlook,
    PoolModel, Source,
};

use known_days::{PoolAhead, Season};

/// Hires that a running factor must rest on at the least (common practice, no source).
const HIRES_FOR_FACTOR: usize = 20;

/// Where an engine's hours come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    Meter,
    /// Hire hours times the running factor.
    HireLog,
    /// No hours on record: its pool speaks for it.
    Pool,
}

/// Running hours per hire hour of a pool.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RunningFactor {
    pub factor: f64,
    /// Hires of metered engines that it rests on; 0 where somebody entered it.
    pub hires: usize,
}

/// One engine's past and its place in its pool.
pub struct EngineHours {
    pub pool: PoolId,
    pub basis: Basis,
    /// Life hours by day, rising.
    life: Vec<(NaiveDate, f64)>,
    pub posterior: EnginePosterior,
    pub plans: EnginePlans,
    /// Hours of life are counted from here where no meter tells them.
    pub meter_changes: Vec<NaiveDate>,
}

/// All engines of an organisation, fitted pool by pool.
pub struct FleetHours {
    pub on: NaiveDate,
    outlooks: HashMap<PoolId, Outlook>,
    engines: HashMap<EngineId, EngineHours>,
    factors: HashMap<PoolId, RunningFactor>,
}

impl FleetHours {
    /// Fits each pool from what was on record on `today`. Takes seconds for a large fleet.
    pub fn fit(snapshot: &Snapshot, today: NaiveDate) -> Self {
        let zones = zones(snapshot);
        let zone_of_pool: HashMap<PoolId, Tz> = snapshot
            .fleet
            .pools
            .iter()
            .map(|pool| (pool.id, zones.get(&pool.site).copied().unwrap_or(Tz::UTC)))
            .collect();
        let meters = metered(snapshot, &zone_of_pool);
        let hired = hired_by_engine(snapshot, &zone_of_pool);
        let factors = factors(snapshot, &meters, &hired);
        let mut by_pool: HashMap<PoolId, Vec<Known<'_>>> = HashMap::new();
        for engine in &snapshot.fleet.engines {
            let factor = factors.get(&engine.pool).map_or(1.0, |factor| factor.factor);
            let (basis, life, source, changes) =
                match (meters.get(&engine.id), hired.get(&engine.id)) {
                    (Some(meter), _) if !meter.life.is_empty() => {
                        (Basis::Meter, meter.life.clone(), Source::Measured, meter.changes.clone())
                    }
                    (_, Some(hires)) => (
                        Basis::HireLog,
                        life_from_hire(hires, factor),
                        Source::Estimated,
                        Vec::new(),
                    ),
                    _ => (Basis::Pool, Vec::new(), Source::Estimated, Vec::new()),
                };
            let history = history(&life, source, meters.get(&engine.id));
            let known = Known { engine, basis, life, history, meter_changes: changes };
            by_pool.entry(engine.pool).or_default().push(known);
        }
        let ahead = DaysAhead::read(snapshot);
        let mut fitted =
            Self { on: today, outlooks: HashMap::new(), engines: HashMap::new(), factors };
        for (pool, rows) in by_pool {
            let histories: Vec<EngineHistory> =
                rows.iter().map(|known| known.history.clone()).collect();
            let fit = PoolModel::fit(&histories, today);
            let zone = zone_of_pool.get(&pool).copied().unwrap_or(Tz::UTC);
            let pool_ahead = PoolAhead {
                today,
                zone,
                outlook: &fit.outlook,
                season: ahead.season(pool, &rows),
                factor: fitted.factors.get(&pool).map(|factor| factor.factor),
                bookings: ahead.bookings.get(&pool).map_or(&[], Vec::as_slice),
            };
            let engines = rows.iter().zip(&fit.posteriors);
            let engines: Vec<known_days::Known<'_>> = engines
                .map(|(known, posterior)| ahead.of_engine(known.engine, posterior))
                .collect();
            let plans = pool_ahead.plans(&engines);
            fitted.outlooks.insert(pool, fit.outlook);
            for ((known, posterior), plans) in rows.into_iter().zip(fit.posteriors).zip(plans) {
                let Known { engine, basis, life, history: _, meter_changes } = known;
                let hours = EngineHours { pool, basis, life, posterior, plans, meter_changes };
                fitted.engines.insert(engine.id, hours);
            }
        }
        fitted
    }

    pub fn engine(&self, engine: EngineId) -> Option<&EngineHours> {
        self.engines.get(&engine)
    }

    pub fn outlook(&self, pool: PoolId) -> Option<&Outlook> {
        self.outlooks.get(&pool)
    }

    pub fn factor(&self, pool: PoolId) -> Option<RunningFactor> {
        self.factors.get(&pool).copied()
    }

    /// The engine laid out for due dates, with probabilities by the day `by`.
    pub fn engine_ahead(&self, engine: EngineId, by: NaiveDate) -> Option<EngineAhead> {
        let known = self.engines.get(&engine)?;
        let outlook = self.outlooks.get(&known.pool)?;
        Some(outlook.engine_ahead(&known.posterior, self.on, by, &known.plans))
    }

    /// Life hours of `engine` on a day: on record, and beyond it as expected.
    pub fn life_on(&self, engine: EngineId, day: NaiveDate) -> Option<f64> {
        let known = self.engines.get(&engine)?;
        let more = if known.last_on()? < day { self.ahead(engine, day) } else { None };
        Some(known.life_on(day)? + more.map_or(0.0, |ahead| ahead.hours.mean()))
    }

    /// Hours that `engine` runs from its last record (or today, where there is none) to `to`.
    pub fn ahead(&self, engine: EngineId, to: NaiveDate) -> Option<HoursForecast> {
        let known = self.engines.get(&engine)?;
        let from = known.last_on().unwrap_or(self.on);
        let outlook = self.outlooks.get(&known.pool)?;
        (to > from).then(|| outlook.hours(&known.posterior, from, to, &known.plans))
    }
}

impl EngineHours {
    pub fn last_on(&self) -> Option<NaiveDate> {
        self.life.last().map(|point| point.0)
    }

    pub fn last_life(&self) -> Option<f64> {
        self.life.last().map(|point| point.1)
    }

    /// Life hours by day, rising.
    pub fn life(&self) -> &[(NaiveDate, f64)] {
        &self.life
    }

    /// Life hours on a day, straight between records, held outside them.
    pub fn life_on(&self, day: NaiveDate) -> Option<f64> {
        let after = self.life.partition_point(|point| point.0 < day);
        match (after.checked_sub(1).map(|before| self.life[before]), self.life.get(after)) {
            (Some(before), Some(after)) => {
                let days = (after.0 - before.0).num_days().max(1) as f64;
                let share = (day - before.0).num_days() as f64 / days;
                Some(before.1 + share * (after.1 - before.1))
            }
            (Some(point), None) => Some(point.1),
            (None, Some(point)) => Some(point.1),
            (None, None) => None,
        }
    }

    /// Whether the records around a day leave room for `hours` of life on it. Beyond the last record a
    /// meter's hours have no upper end; hours counted from hires are another count than a meter's.
    pub fn has_room_for(&self, day: NaiveDate, hours: f64) -> bool {
        let after = self.life.partition_point(|point| point.0 < day);
        let low = after.checked_sub(1).map_or(0.0, |before| self.life[before].1);
        let is_below = match self.life.get(after) {
            Some(point) => hours <= point.1,
            None => self.basis == Basis::Meter,
        };
        low <= hours && is_below
    }

    /// The day on which life reached `hours`, where it has.
    pub fn reached_on(&self, hours: f64) -> Option<NaiveDate> {
        let at = self.life.iter().position(|point| point.1 >= hours)?;
        let after = self.life[at];
        let Some(before) = at.checked_sub(1).map(|before| self.life[before]) else {
            return Some(after.0);
        };
        let share = (hours - before.1) / (after.1 - before.1).max(1e-9);
        let days = (share * (after.0 - before.0).num_days() as f64).round() as i64;
        before.0.checked_add_signed(chrono::TimeDelta::days(days))
    }
}

/// What is on record of an engine before its pool is fitted.
struct Known<'a> {
    engine: &'a Engine,
    basis: Basis,
    life: Vec<(NaiveDate, f64)>,
    history: EngineHistory,
    meter_changes: Vec<NaiveDate>,
}

/// What is on record of days ahead, by what it is asked for.
struct DaysAhead<'a> {
    seasons: HashMap<PoolId, Season>,
    bookings: HashMap<PoolId, Vec<&'a Booking>>,
    standstills: HashMap<EngineId, Vec<&'a Standstill>>,
}

impl<'a> DaysAhead<'a> {
    fn read(snapshot: &'a Snapshot) -> Self {
        let of_site: HashMap<SiteId, Season> = snapshot
            .yard
            .sites
            .iter()
            .filter_map(|site| Some((site.id, Season::of(site)?)))
            .collect();
        let pools = snapshot.fleet.pools.iter();
        let seasons = pools.filter_map(|pool| Some((pool.id, *of_site.get(&pool.site)?))).collect();
        let mut bookings: HashMap<PoolId, Vec<&Booking>> = HashMap::new();
        for booking in &snapshot.fleet.bookings {
            bookings.entry(booking.pool).or_default().push(booking);
        }
        let mut standstills: HashMap<EngineId, Vec<&Standstill>> = HashMap::new();
        for still in &snapshot.fleet.standstills {
            standstills.entry(still.engine).or_default().push(still);
        }
        Self { seasons, bookings, standstills }
    }

    /// The season of a pool that keeps to its site's.
    fn season(&self, pool: PoolId, engines: &[Known<'_>]) -> Option<Season> {
        let lives = engines.iter().map(|known| known.life.as_slice());
        self.seasons.get(&pool).copied().filter(|season| season.is_kept(lives))
    }

    fn of_engine(
        &self,
        engine: &'a Engine,
        posterior: &'a EnginePosterior,
    ) -> known_days::Known<'a> {
        let standstills = self.standstills.get(&engine.id).cloned().unwrap_or_default();
        known_days::Known { engine, posterior, standstills }
    }
}

/// The zone of each site; UTC where a name is not known.
pub fn zones(snapshot: &Snapshot) -> HashMap<SiteId, Tz> {
    let zone = |name: &str| name.parse().unwrap_or(Tz::UTC);
    snapshot.yard.sites.iter().map(|site| (site.id, zone(&site.time_zone))).collect()
}

struct Metered {
    life: Vec<(NaiveDate, f64)>,
    estimated: Vec<bool>,
    changes: Vec<NaiveDate>,
}

fn metered(snapshot: &Snapshot, zones: &HashMap<PoolId, Tz>) -> HashMap<EngineId, Metered> {
    let mut by_engine: HashMap<EngineId, Vec<Reading>> = HashMap::new();
    for reading in &snapshot.fleet.readings {
        by_engine.entry(reading.engine).or_default().push(reading.clone());
    }
    let mut all = HashMap::new();
    for engine in &snapshot.fleet.engines {
        let Some(readings) = by_engine.remove(&engine.id) else { continue };
        let zone = zones.get(&engine.pool).copied().unwrap_or(Tz::UTC);
        let ledger = store::readings::ledger(&readings).unwrap_or_else(|error| {
            tracing::error!(engine = %engine.serial, %error, "a ledger on record breaks a rule");
            Ledger::default()
        });
        let points: Vec<LifePoint> = ledger.life(Hours::ZERO);
        let mut one = Metered { life: Vec::new(), estimated: Vec::new(), changes: Vec::new() };
        for point in points {
            let day = day_of(point.at, zone);
            if point.meter_changed {
                one.changes.push(day);
            }
            if one.life.last().is_some_and(|last| last.0 == day) {
                one.life.pop();
                one.estimated.pop();
            }
            one.life.push((day, point.life.as_decimal()));
            one.estimated.push(point.estimated);
        }
        all.insert(engine.id, one);
    }
    all
}

/// Hire hours by engine and day, from the hires of the boats that it sat on.
fn hired_by_engine(
    snapshot: &Snapshot,
    zones: &HashMap<PoolId, Tz>,
) -> HashMap<EngineId, Vec<(NaiveDate, f64)>> {
    let mut sat: HashMap<BoatId, Vec<&Fitting>> = HashMap::new();
    for fitting in &snapshot.fleet.fittings {
        sat.entry(fitting.boat).or_default().push(fitting);
    }
    let pool_of: HashMap<EngineId, PoolId> =
        snapshot.fleet.engines.iter().map(|engine| (engine.id, engine.pool)).collect();
    let mut hired: HashMap<EngineId, Vec<(NaiveDate, f64)>> = HashMap::new();
    for hire in &snapshot.fleet.hires {
        for fitting in sat.get(&hire.boat).into_iter().flatten() {
            if !sits(fitting, hire) {
                continue;
            }
            let zone = pool_of
                .get(&fitting.engine)
                .and_then(|pool| zones.get(pool))
                .copied()
                .unwrap_or(Tz::UTC);
            let hours = (hire.back_at - hire.out_at).num_seconds() as f64 / 3600.0;
            let day = day_of(hire.out_at, zone);
            let days = hired.entry(fitting.engine).or_default();
            match days.last_mut().filter(|last| last.0 == day) {
                Some(last) => last.1 += hours,
                None => days.push((day, hours)),
            }
        }
    }
    for days in hired.values_mut() {
        days.sort_by_key(|day| day.0);
    }
    hired
}

fn sits(fitting: &Fitting, hire: &Hire) -> bool {
    let removed: Option<DateTime<Utc>> = fitting.removed_at;
    fitting.fitted_at <= hire.out_at && removed.is_none_or(|removed| hire.out_at < removed)
}

/// Running hours over hire hours, of the pool's metered engines between two of their readings.
fn factors(
    snapshot: &Snapshot,
    meters: &HashMap<EngineId, Metered>,
    hired: &HashMap<EngineId, Vec<(NaiveDate, f64)>>,
) -> HashMap<PoolId, RunningFactor> {
    let mut factors = HashMap::new();
    for pool in &snapshot.fleet.pools {
        if let Some(entered) = pool.running_factor_permille {
            let factor = f64::from(entered) / 1_000.0;
            factors.insert(pool.id, RunningFactor { factor, hires: 0 });
            continue;
        }
        let (mut ran, mut out, mut hires) = (0.0, 0.0, 0);
        for engine in snapshot.fleet.engines.iter().filter(|engine| engine.pool == pool.id) {
            let (Some(meter), Some(days)) = (meters.get(&engine.id), hired.get(&engine.id)) else {
                continue;
            };
            let (Some(first), Some(last)) = (meter.life.first(), meter.life.last()) else {
                continue;
            };
            let between = days.iter().filter(|day| first.0 < day.0 && day.0 <= last.0);
            let (count, hours) = between.fold((0, 0.0), |sum, day| (sum.0 + 1, sum.1 + day.1));
            ran += last.1 - first.1;
            out += hours;
            hires += count;
        }
        if hires >= HIRES_FOR_FACTOR && out > 0.0 {
            factors.insert(pool.id, RunningFactor { factor: ran / out, hires });
        }
    }
    factors
}

fn life_from_hire(days: &[(NaiveDate, f64)], factor: f64) -> Vec<(NaiveDate, f64)> {
    let mut life = Vec::with_capacity(days.len() + 1);
    let mut sum = 0.0;
    if let Some(before) = days.first().and_then(|day| day.0.pred_opt()) {
        life.push((before, 0.0));
    }
    for (day, hours) in days {
        sum += hours * factor;
        life.push((*day, sum));
    }
    life
}

fn history(life: &[(NaiveDate, f64)], source: Source, meter: Option<&Metered>) -> EngineHistory {
    let estimated =
        |at: usize| meter.is_some_and(|meter| meter.estimated.get(at).copied().unwrap_or(false));
    let readings: Vec<LifeReading> = life
        .iter()
        .enumerate()
        .map(|(at, (on, life_hours))| LifeReading {
            on: *on,
            life_hours: *life_hours,
            source: if estimated(at) { Source::Estimated } else { source },
        })
        .collect();
    EngineHistory::between_readings(&readings).unwrap_or_else(|error| {
        tracing::warn!(%error, "an engine's hours can't be used");
        EngineHistory::default()
    })
}
