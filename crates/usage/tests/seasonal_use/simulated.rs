//! Fleets drawn from the usage model, day by day, with surprises that can be switched off.

use crate::protocol::Unit;
use chrono::{Datelike, Days, NaiveDate};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Gamma, Normal, Poisson};
use std::collections::BTreeMap;
use std::f64::consts::TAU;

/// How large the surprises are: of a year and of a month to a whole pool, of a year to one unit.
pub struct Setting {
    pub year_sd: f64,
    pub month_sd: f64,
    pub unit_year_cv: f64,
}

const UNITS: [usize; 3] = [80, 40, 12];
const FIRST_YEAR: i32 = 2015;
const YEARS: usize = 4;
const RATE_CV: f64 = 0.4;

/// What is the same for all units of a pool.
struct Pool {
    hire_hours: f64,
    rate: f64,
    /// Hours a day of the average unit, by day from the first.
    curve: Vec<f64>,
}

/// Three pools over four years; the second is shut from 15 November to 15 March.
pub fn fleet(setting: &Setting, seed: u64) -> Vec<Unit> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let start = NaiveDate::from_ymd_opt(FIRST_YEAR, 1, 1).expect("the test gives a valid one");
    let end = NaiveDate::from_ymd_opt(FIRST_YEAR + YEARS as i32, 1, 1)
        .expect("the test gives a valid one");
    let days: Vec<NaiveDate> = start.iter_days().take_while(|day| *day < end).collect();
    let mut units = Vec::new();
    for (number, count) in UNITS.into_iter().enumerate() {
        random.set_stream(number as u64 + 1);
        let pool = pool(setting, number, &days, &mut random);
        for unit in 0..count {
            let name = format!("pool{}-{:03}", number + 1, unit + 1);
            random.set_stream(1_000 * (number as u64 + 1) + unit as u64);
            units.push(one(setting, name, number, &pool, &days, &mut random));
        }
    }
    units
}

fn pool(setting: &Setting, number: usize, days: &[NaiveDate], random: &mut ChaCha8Rng) -> Pool {
    let (height, peak) = (random.random_range(0.9..1.8), random.random_range(190.0..220.0));
    let (height2, peak2) = (random.random_range(-0.3..0.3), random.random_range(0.0..180.0));
    let season = |day: &NaiveDate| {
        let date = (day.month(), day.day());
        if number == 1 && !((3, 15)..(11, 15)).contains(&date) {
            return 0.0;
        }
        let x = f64::from(day.ordinal0()) - peak;
        let y = f64::from(day.ordinal0()) - peak2;
        (height * (TAU * x / 365.25).cos() + height2 * (2.0 * TAU * y / 365.25).cos()).exp()
    };
    let year_mean: f64 = days[..365].iter().map(season).sum::<f64>() / 365.0;
    let mut surprise = |sd: f64| {
        if sd > 0.0 {
            Normal::new(-sd * sd / 2.0, sd)
                .expect("the test gives a valid one")
                .sample(random)
                .exp()
        } else {
            1.0
        }
    };
    let years: [f64; YEARS] = std::array::from_fn(|_| surprise(setting.year_sd));
    let months: [f64; 12 * YEARS] = std::array::from_fn(|_| surprise(setting.month_sd));
    let curve = days.iter().map(|day| {
        let year = (day.year() - FIRST_YEAR) as usize;
        season(day) / year_mean * years[year] * months[12 * year + day.month0() as usize]
    });
    let curve = curve.collect();
    Pool { hire_hours: random.random_range(1.5..4.0), rate: random.random_range(0.3..1.2), curve }
}

fn one(
    setting: &Setting,
    name: String,
    number: usize,
    pool: &Pool,
    days: &[NaiveDate],
    random: &mut ChaCha8Rng,
) -> Unit {
    let mut spread = |cv: f64| {
        if cv > 0.0 {
            Gamma::new(cv.powi(-2), cv * cv).expect("the test gives a valid one").sample(random)
        } else {
            1.0
        }
    };
    let rate = pool.rate * spread(RATE_CV);
    let years: [f64; YEARS] = std::array::from_fn(|_| spread(setting.unit_year_cv));
    let first = if random.random_bool(0.7) { 0 } else { random.random_range(0..days.len() - 540) };
    let hire = Gamma::new(4.0, pool.hire_hours / 4.0).expect("the test gives a valid one");
    let mut use_by_day = BTreeMap::new();
    for (day, season) in days.iter().zip(&pool.curve).skip(first) {
        let hires = rate * years[(day.year() - FIRST_YEAR) as usize] * season / pool.hire_hours;
        if hires > 0.0 {
            let hires =
                Poisson::new(hires).expect("the test gives a valid one").sample(random) as u32;
            let hours: f64 = (0..hires).map(|_| hire.sample(random)).sum();
            if hours > 0.0 {
                use_by_day.insert(*day, hours);
            }
        }
    }
    let first = days[0] + Days::new(first as u64);
    Unit { name, pool: format!("pool{}", number + 1), first, end: None, use_by_day }
}
