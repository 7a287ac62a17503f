//! A fleet of 10,000 engines in 20 pools, 50 readings each, 20 tasks each; and ten times that.

use chrono::{Days, NaiveDate};
use divan::{Bencher, black_box};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::{IntoParallelRefIterator, ParallelIterator};
use usage::{Due, EngineHistory, Limits, PoolModel, Source, UseInterval};

const POOLS: usize = 20;
const READINGS: u64 = 50;
const TASKS: usize = 20;

fn main() {
    divan::main();
}

fn day(number: u64) -> NaiveDate {
    NaiveDate::from_ymd_opt(2022, 1, 1).unwrap_or_default() + Days::new(number)
}

fn fleet(engines: usize) -> Vec<Vec<EngineHistory>> {
    (0..POOLS)
        .map(|pool| (0..engines / POOLS).map(|engine| history(pool, engine)).collect())
        .collect()
}

fn history(pool: usize, engine: usize) -> EngineHistory {
    let mut random = ChaCha8Rng::seed_from_u64(pool as u64);
    random.set_stream(engine as u64);
    let rate = random.random_range(0.3..1.5);
    let mut at = 0;
    let intervals = (0..READINGS).filter_map(|_| {
        let days = random.random_range(15..45);
        let season = (1.2 * (std::f64::consts::TAU * (at as f64 - 190.0) / 365.25).cos()).exp();
        let hours = rate * season * days as f64 * random.random_range(0.5..1.5);
        let start = at;
        at += days;
        UseInterval::new(day(start), day(at), hours.min(20.0 * days as f64), Source::Measured).ok()
    });
    EngineHistory::new(intervals.collect()).unwrap_or_default()
}

/// Fits every pool and answers every engine's every task.
fn all_due(fleet: &[Vec<EngineHistory>]) -> Vec<Vec<Vec<Option<Due>>>> {
    let (from, by) = (day(1_600), day(1_700));
    fleet
        .par_iter()
        .map(|pool| {
            let fit = PoolModel::fit(pool, from);
            let asked: Vec<_> = fit
                .posteriors
                .iter()
                .map(|posterior| {
                    let limits = (1..=TASKS).map(|task| Limits {
                        hours_left: Some(15.0 * task as f64),
                        months_limb_on: Some(day(1_600 + 60 * task as u64)),
                    });
                    (*posterior, limits.collect())
                })
                .collect();
            fit.outlook.due_of_all(&asked, from, by)
        })
        .collect()
}

#[divan::bench(args = [1_000, 10_000, 100_000], sample_count = 3, sample_size = 1)]
fn fit_and_all_due_dates(bencher: Bencher, engines: usize) {
    let fleet = fleet(engines);
    bencher.bench_local(|| all_due(black_box(&fleet)));
}

#[divan::bench(args = [1_000, 10_000], sample_count = 3, sample_size = 1)]
fn fit_one_pool(bencher: Bencher, engines: usize) {
    let pool: Vec<EngineHistory> = (0..engines).map(|engine| history(0, engine)).collect();
    bencher.bench_local(|| PoolModel::fit(black_box(&pool), day(1_600)));
}

#[divan::bench]
fn one_new_reading(bencher: Bencher) {
    let pool: Vec<EngineHistory> = (0..100).map(|engine| history(0, engine)).collect();
    let fit = PoolModel::fit(&pool, day(1_600));
    let posterior = fit.posteriors[0];
    let start = posterior.known_to().unwrap_or_default();
    let reading = UseInterval::new(start, start + Days::new(7), 9.5, Source::Measured);
    let Ok(reading) = reading else { return };
    bencher.bench_local(|| {
        let mut updated = black_box(posterior);
        fit.outlook.observe(&mut updated, &reading).is_ok().then_some(updated)
    });
}
