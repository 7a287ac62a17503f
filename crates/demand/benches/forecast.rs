//! 50,000 series × 60 months: three rolling origins and the final forecast.
//! `cargo bench -p demand --bench forecast`.

use demand::models::croston::{
    CROSTON_WEIGHT, Demands, TSB_WEIGHT, croston, croston_corrected, croston_fitted,
    teunter_syntetos_babai,
};
use demand::models::holt_winters::{Effort, SeasonForm, fit};
use demand::models::{aggregation, plain, smoothing};
use demand::{History, Month, Request, forecast_each};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

const SERIES: usize = 50_000;
const MONTHS: usize = 60;
/// Months cut off at the fits of a series.
const BACKS: [usize; 4] = [18, 12, 6, 0];

fn main() {
    divan::main();
}

/// Intermittent series of differing rates and sizes, a fifth of them frequent.
fn histories(count: usize) -> Vec<History> {
    let Some(first) = Month::new(2020, 1) else { return Vec::new() };
    (0..count)
        .map(|part| {
            let mut random = ChaCha8Rng::seed_from_u64(9);
            random.set_stream(part as u64);
            let rate = if part % 5 == 0 { 0.9 } else { random.random_range(0.05..0.5) };
            let size = random.random_range(1..12);
            let quantities = (0..MONTHS)
                .map(|_| {
                    let asked = random.random::<f64>() < rate;
                    if asked { f64::from(random.random_range(1..=size)) } else { 0.0 }
                })
                .collect();
            History { part: format!("P{part}"), family: None, first, quantities }
        })
        .collect()
}

/// The reference library's eleven models without a fitted season, means only.
fn eleven_models(known: &[f64]) -> f64 {
    let demands = Demands::of(known);
    plain::naive(known).unwrap_or(0.0)
        + plain::seasonal_naive(known, 12, 12).into_iter().flatten().sum::<f64>()
        + plain::moving_average(known, 6).unwrap_or(0.0)
        + plain::historic_average(known).unwrap_or(0.0)
        + smoothing::smooth(known, 0.1)
        + smoothing::smooth_fitted(known, 0.01, 0.99)
        + croston(&demands, CROSTON_WEIGHT)
        + croston_corrected(&demands)
        + croston_fitted(&demands)
        + teunter_syntetos_babai(known, &demands.sizes, TSB_WEIGHT)
        + aggregation::aggregate_disaggregate(known, &demands)
        + aggregation::multiple_aggregation(known, &demands)
}

fn fits(bencher: divan::Bencher<'_, '_>, count: usize, model: impl Fn(&[f64]) -> f64 + Sync) {
    let histories = histories(count);
    bencher.counter(divan::counter::ItemsCount::new(count)).bench_local(|| {
        let sums = histories.par_iter().map(|history| {
            BACKS.iter().map(|back| model(&history.quantities[..MONTHS - back])).sum::<f64>()
        });
        sums.sum::<f64>()
    });
}

#[divan::bench(sample_count = 3, sample_size = 1)]
fn models_without_holt_winters(bencher: divan::Bencher<'_, '_>) {
    fits(bencher, SERIES, eleven_models);
}

#[divan::bench(sample_count = 3, sample_size = 1)]
fn models_with_holt_winters(bencher: divan::Bencher<'_, '_>) {
    fits(bencher, SERIES / 10, |known| {
        let season = fit(known, SeasonForm::Additive, Effort::QUICK);
        eleven_models(known) + season.map_or(0.0, |season| season.end.level)
    });
}

/// Everything: all models, the model across parts, combination, choice and paths.
#[divan::bench(args = [5_000, SERIES], sample_count = 1, sample_size = 1)]
fn whole_run(bencher: divan::Bencher<'_, '_>, count: usize) {
    let histories = histories(count);
    let request = Request { months: 12, paths: 200, seed: 1 };
    bencher.counter(divan::counter::ItemsCount::new(count)).bench_local(|| {
        forecast_each(&histories, &request, &|_, _| {}, &|_, part| {
            divan::black_box(part);
        })
        .map(|overall| overall.parts_scored)
    });
}
