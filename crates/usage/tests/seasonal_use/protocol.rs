//! Cutting daily use into readings and targets, and scoring forecasts of them.
//!
//! The protocol is that of the data set's own description: gaps of 3 to 45 days from a 64-bit
//! linear congruential generator (the constants of Knuth's MMIX) seeded by FNV-1a of the unit's
//! name (offset basis and prime of the FNV reference); origins; seven quantiles; two plain rules.

use chrono::{Days, NaiveDate};
use std::collections::BTreeMap;
use usage::{EngineHistory, EnginePlans, HoursForecast, PoolFit, PoolModel, Source, UseInterval};

pub const HORIZONS: [u64; 3] = [30, 90, 180];
pub const LEVELS: [f64; 7] = [0.025, 0.10, 0.25, 0.50, 0.75, 0.90, 0.975];
/// Windows whose last-year rule gives at least this many hours count as active.
const ACTIVE_HOURS: f64 = 1.0;

/// Daily use of one unit in service from `first`, to `end` (exclusive) where it was withdrawn.
pub struct Unit {
    pub name: String,
    pub pool: String,
    pub first: NaiveDate,
    pub end: Option<NaiveDate>,
    /// Hours by day; a day without an entry is zero.
    pub use_by_day: BTreeMap<NaiveDate, f64>,
}

pub struct Target {
    pub unit: usize,
    pub start: NaiveDate,
    pub days: u64,
    pub hours: f64,
}

/// What is known at one origin, and what came after.
pub struct Case {
    pub pools: Vec<String>,
    pub histories: Vec<EngineHistory>,
    pub targets: Vec<Target>,
    pub origin: NaiveDate,
}

pub fn fnv1a(text: &str) -> u64 {
    text.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    })
}

/// Endless gaps of 3 to 45 days.
pub fn gaps(unit: &str, seed: u64) -> impl Iterator<Item = u64> {
    let mut state = fnv1a(unit) ^ seed;
    std::iter::repeat_with(move || {
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        3 + (state >> 33) % 43
    })
}

pub fn cut(units: &[Unit], origin: NaiveDate, data_end: NaiveDate, seed: u64) -> Case {
    const MIN_HISTORY: i64 = 180;
    let mut case = Case { pools: Vec::new(), histories: Vec::new(), targets: Vec::new(), origin };
    for unit in units {
        let total = |a: NaiveDate, b: NaiveDate| -> f64 {
            let sum: f64 = unit.use_by_day.range(a..b).map(|(_, hours)| hours).sum();
            (sum * 1000.0).round() / 1000.0
        };
        let stop = unit.end.map_or(origin, |end| end.min(origin));
        let mut intervals = Vec::new();
        let mut start = unit.first;
        for gap in gaps(&unit.name, seed) {
            let mut to = start + Days::new(gap);
            if let Some(end) = unit.end.filter(|&end| start < end && end < to) {
                to = end;
            }
            if to > stop {
                break;
            }
            intervals.push(
                UseInterval::new(start, to, total(start, to), Source::Measured)
                    .expect("the test gives a valid one"),
            );
            start = to;
            if Some(to) == unit.end {
                break;
            }
        }
        let index = case.histories.len();
        if (origin - unit.first).num_days() >= MIN_HISTORY && !intervals.is_empty() {
            for days in HORIZONS {
                let end = origin + Days::new(days);
                if end <= unit.end.unwrap_or(data_end) {
                    let hours = total(origin, end);
                    case.targets.push(Target { unit: index, start: origin, days, hours });
                }
            }
        }
        case.histories.push(EngineHistory::new(intervals).expect("the test gives a valid one"));
        case.pools.push(unit.pool.clone());
    }
    case
}

/// One target scored: what came, what was said, what the two plain rules would have said.
pub struct Scored {
    pub origin: NaiveDate,
    pub days: u64,
    pub hours: f64,
    pub mean: f64,
    pub quantiles: [f64; 7],
    pub straight: f64,
    pub last_year: f64,
}

/// Fits each pool at the origin and answers every target.
pub fn forecast(case: &Case) -> Vec<Scored> {
    let mut fits: BTreeMap<&str, (PoolFit, Vec<usize>)> = BTreeMap::new();
    let mut members: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (unit, pool) in case.pools.iter().enumerate() {
        members.entry(pool).or_default().push(unit);
    }
    for (pool, units) in members {
        let histories: Vec<EngineHistory> =
            units.iter().map(|&unit| case.histories[unit].clone()).collect();
        let fit = PoolModel::fit(&histories, case.origin);
        fits.insert(pool, (fit, units));
    }
    let none = EnginePlans::default();
    let answer = |target: &Target| -> HoursForecast {
        let (fit, units) = &fits[case.pools[target.unit].as_str()];
        let at =
            units.iter().position(|&unit| unit == target.unit).expect("the test gives a valid one");
        let end = target.start + Days::new(target.days);
        fit.outlook.hours(&fit.posteriors[at], target.start, end, &none)
    };
    case.targets
        .iter()
        .map(|target| {
            let hours = answer(target).hours;
            let history = case.histories[target.unit].intervals();
            let mean = hours.mean();
            // Quantiles under 0.05 h are written as 0.
            let quantiles =
                LEVELS.map(|p| Some(hours.quantile(p)).filter(|&q| q >= 0.05).unwrap_or(0.0));
            Scored {
                origin: case.origin,
                days: target.days,
                hours: target.hours,
                mean,
                quantiles,
                straight: straight(history, target.days),
                last_year: last_year(history, target.start, target.days),
            }
        })
        .collect()
}

/// Use pro rata and days covered of `[from, to)`.
fn overlap(history: &[UseInterval], from: NaiveDate, to: NaiveDate) -> (f64, f64) {
    let (mut hours, mut covered) = (0.0, 0.0);
    for interval in history {
        let days = (interval.end().min(to) - interval.start().max(from)).num_days();
        if days > 0 {
            let all = (interval.end() - interval.start()).num_days();
            hours += interval.hours() * days as f64 / all as f64;
            covered += days as f64;
        }
    }
    (hours, covered)
}

pub fn straight(history: &[UseInterval], days: u64) -> f64 {
    let last = history.iter().map(UseInterval::end).max().expect("the test gives a valid one");
    let (hours, covered) = overlap(history, last - Days::new(90), last);
    hours / covered * days as f64
}

pub fn last_year(history: &[UseInterval], start: NaiveDate, days: u64) -> f64 {
    let year = Days::new(365);
    let (hours, covered) = overlap(history, start - year, start + Days::new(days) - year);
    if covered >= days as f64 / 2.0 {
        hours / covered * days as f64
    } else {
        straight(history, days)
    }
}

/// Scores over one horizon.
#[derive(Debug)]
pub struct Summary {
    pub ratio_straight: f64,
    pub ratio_last_year: f64,
    pub pinball_ratio_last_year: f64,
    pub mean_error_pct: f64,
    /// Of active windows, in percent: 50, 80, 95 % bands.
    pub cover: [f64; 3],
}

pub fn summary<'a>(scored: impl Iterator<Item = &'a Scored>) -> Summary {
    let scored: Vec<&Scored> = scored.collect();
    let n = scored.len() as f64;
    let mean = |value: &dyn Fn(&Scored) -> f64| scored.iter().map(|s| value(s)).sum::<f64>() / n;
    let mae = mean(&|s| (s.hours - s.quantiles[3]).abs());
    let last_year = mean(&|s| (s.hours - s.last_year).abs());
    let pinball = mean(&|s| {
        let loss = |(p, q): (&f64, &f64)| (p * (s.hours - q)).max((p - 1.0) * (s.hours - q));
        LEVELS.iter().zip(&s.quantiles).map(loss).sum::<f64>() / LEVELS.len() as f64
    });
    let active: Vec<&&Scored> = scored.iter().filter(|s| s.last_year >= ACTIVE_HOURS).collect();
    let cover = [(2, 4), (1, 5), (0, 6)].map(|(low, high)| {
        let inside = active
            .iter()
            .filter(|s| s.quantiles[low] - 1e-9 <= s.hours && s.hours <= s.quantiles[high] + 1e-9);
        100.0 * inside.count() as f64 / active.len().max(1) as f64
    });
    Summary {
        ratio_straight: mae / mean(&|s| (s.hours - s.straight).abs()),
        ratio_last_year: mae / last_year,
        pinball_ratio_last_year: pinball / (last_year / 2.0),
        mean_error_pct: 100.0 * mean(&|s| s.mean - s.hours) / mean(&|s| s.hours),
        cover,
    }
}
