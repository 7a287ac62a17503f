//! Boats wanted by pool and day: what is booked, what the site says must be there, and what the
//! seasons on record were like.

use std::collections::{HashMap, HashSet};

use chrono::{Days, NaiveDate};
use chrono_tz::Tz;
use fleet::calendar::day_of;
use fleet::engine::EngineStatus;
use fleet::hire::BookingStatus;
use fleet::id::{BoatId, PoolId, SiteId};
use fleet::site::PriceKind;
use planning::Pool;
use store::snapshot::Snapshot;

use crate::hours::zones;
use crate::plan::capacity::Horizon;
use crate::plan::prices::Prices;

/// Seasons that the shape of the coming one is taken from.
const SEASONS: u64 = 3;
/// Weeks before and after the same week of those seasons.
const WEEKS_AROUND: i64 = 1;
/// Chance that a boat out of service turns somebody away on a day when all are wanted, as long as
/// the minimum is kept (common practice, no source).
const TURNED_AWAY: f64 = 0.1;

/// Boats of each pool that were out on hire, by day.
pub struct HireDays {
    boats: HashMap<(PoolId, NaiveDate), u32>,
    first: Option<NaiveDate>,
}

impl HireDays {
    pub fn read(snapshot: &Snapshot) -> Self {
        let zones = zones(snapshot);
        let pools = snapshot.fleet.pools.iter().map(|pool| (pool.id, pool.site));
        let pools: HashMap<PoolId, SiteId> = pools.collect();
        let of_boat: HashMap<BoatId, (PoolId, Tz)> = snapshot
            .fleet
            .boats
            .iter()
            .filter_map(|boat| {
                let pool = boat.pool?;
                let zone = pools.get(&pool).and_then(|site| zones.get(site)).copied();
                Some((boat.id, (pool, zone.unwrap_or(Tz::UTC))))
            })
            .collect();
        let mut out: HashSet<(BoatId, NaiveDate)> = HashSet::new();
        let mut boats: HashMap<(PoolId, NaiveDate), u32> = HashMap::new();
        for hire in &snapshot.fleet.hires {
            let Some((pool, zone)) = of_boat.get(&hire.boat) else { continue };
            let day = day_of(hire.out_at, *zone);
            if out.insert((hire.boat, day)) {
                *boats.entry((*pool, day)).or_default() += 1;
            }
        }
        let first = out.iter().map(|(_, day)| *day).min();
        Self { boats, first }
    }

    /// Boats of a pool that went out on a day.
    pub fn out(&self, pool: PoolId, day: NaiveDate) -> u32 {
        self.boats.get(&(pool, day)).copied().unwrap_or(0)
    }

    /// Days on which boats of a pool went out.
    pub fn days(&self, pool: PoolId) -> impl Iterator<Item = NaiveDate> {
        self.boats.keys().filter(move |(of, _)| *of == pool).map(|(_, day)| *day)
    }

    /// Boats that are out on such a day: the mean of the same weekday in the same weeks of up to
    /// three seasons on record; `None` where none is.
    pub fn usual(&self, pool: PoolId, day: NaiveDate) -> Option<f64> {
        let first = self.first?;
        let (mut sum, mut count) = (0.0, 0);
        for season in 1..=SEASONS {
            for week in -WEEKS_AROUND..=WEEKS_AROUND {
                // 52 weeks: the same weekday.
                let back = (364 * season as i64 - 7 * week).unsigned_abs();
                let Some(then) = day.checked_sub_days(Days::new(back)) else { continue };
                if then >= first {
                    sum += f64::from(self.boats.get(&(pool, then)).copied().unwrap_or(0));
                    count += 1;
                }
            }
        }
        (count > 0).then(|| sum / f64::from(count))
    }
}

/// A pool's boats wanted by day.
pub fn wanted(
    snapshot: &Snapshot,
    hires: &HireDays,
    (pool, site): (PoolId, SiteId),
    horizon: Horizon,
) -> Vec<i64> {
    let zone = zones(snapshot).get(&site).copied().unwrap_or(Tz::UTC);
    let boats = snapshot.fleet.boats.iter().filter(|it| it.pool == Some(pool) && !it.archived);
    let boats = boats.count() as i64;
    let booked: Vec<(NaiveDate, NaiveDate, i64)> = snapshot
        .fleet
        .bookings
        .iter()
        .filter(|it| it.pool == pool && it.status == BookingStatus::Booked)
        .map(|it| (day_of(it.starts_at, zone), day_of(it.ends_at, zone), i64::from(it.boats)))
        .collect();
    let minimums: Vec<_> =
        snapshot.fleet.pool_minimums.iter().filter(|row| row.pool == pool).collect();
    let on = |date: NaiveDate| {
        let booked: i64 =
            booked.iter().filter(|it| it.0 <= date && date <= it.1).map(|it| it.2).sum();
        let asked = minimums.iter().filter(|row| row.from_on <= date && date <= row.until_on);
        let asked = asked.map(|row| i64::from(row.boats)).max().unwrap_or(0);
        let usual = hires.usual(pool, date).map_or(0, |boats| boats.round() as i64);
        booked.max(asked).max(usual).min(boats.max(asked))
    };
    horizon.dates().map(on).collect()
}

/// The pools of a site: engines fit for hire and boats wanted, by day. Engines that are held or
/// stand still are not counted; spares are, since they can stand in.
pub fn pools(
    snapshot: &Snapshot,
    site: SiteId,
    horizon: Horizon,
    names: &HashMap<PoolId, String>,
    prices: &Prices,
) -> Vec<Pool> {
    let hires = HireDays::read(snapshot);
    let held: HashSet<_> = snapshot
        .work
        .holds
        .iter()
        .filter(|hold| hold.cleared_at.is_none())
        .map(|hold| hold.engine)
        .collect();
    let of_site = snapshot.fleet.pools.iter().filter(|pool| pool.site == site && !pool.archived);
    let pool = |pool: &fleet::pool::Pool| {
        let engines: Vec<_> = snapshot
            .fleet
            .engines
            .iter()
            .filter(|it| it.pool == pool.id && !held.contains(&it.id))
            .filter(|it| matches!(it.status, EngineStatus::InService | EngineStatus::LaidUp))
            .collect();
        let mut fit = vec![engines.len() as i64; horizon.days];
        for still in &snapshot.fleet.standstills {
            if !engines.iter().any(|engine| engine.id == still.engine) {
                continue;
            }
            for (day, date) in horizon.dates().enumerate() {
                fit[day] -= i64::from(still.from_on <= date && date <= still.until_on);
            }
        }
        let minimum = wanted(snapshot, &hires, (pool.id, site), horizon);
        let boats = engines.len().max(1) as f64;
        let short = prices.get(PriceKind::BoatShort);
        let lost = |wanted: &i64| {
            (short as f64 * TURNED_AWAY * (*wanted as f64 / boats).min(1.0)).round() as i64
        };
        Pool {
            id: names.get(&pool.id).cloned().unwrap_or_default(),
            out_cost: minimum.iter().map(lost).collect(),
            fleet: fit.iter().map(|fit| (*fit).max(0)).collect(),
            minimum,
            shortfall_cost: short,
        }
    };
    of_site.map(pool).collect()
}
