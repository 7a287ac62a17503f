//! Monthly car-part demand and the protocol its forecasts are scored by.
//!
//! Data: R package `expsmooth` 2.3.0, set `carparts`; Hyndman, Koehler, Ord and Snyder (2008),
//! Forecasting with Exponential Smoothing: the State Space Approach, Springer. Read where it lies.
#![allow(dead_code)] // each test file uses its own part of this

use demand::models::croston::{
    CROSTON_WEIGHT, Demands, TSB_WEIGHT, croston, croston_corrected, teunter_syntetos_babai,
};
use demand::models::{aggregation, plain, smoothing};
use demand::{
    CountDistribution, History, Month, Request, SCORED_LEVELS, SamplePaths, Scale,
    dispersion_ratio, forecast, pinball,
};

/// 1,247 parts × 51 months, January 1998 to March 2002.
pub fn read(text: &str) -> Vec<(String, Vec<f64>)> {
    let mut parts: Vec<(String, Vec<f64>)> = Vec::new();
    for line in text.lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let quantity = fields[2].parse().expect("a number");
        match parts.last_mut() {
            Some((part, quantities)) if part == fields[0] => quantities.push(quantity),
            _ => parts.push((fields[0].to_owned(), vec![quantity])),
        }
    }
    parts
}

/// One part's forecast of twelve months, at the four scored levels.
#[derive(Clone, Debug, Default)]
pub struct Forecast {
    pub mean: Vec<f64>,
    pub quantiles: Vec<[f64; 4]>,
    pub cumulated_3: [f64; 4],
    pub cumulated_6: [f64; 4],
}

/// Scores of a file of forecasts.
#[derive(Clone, Copy, Debug, Default)]
pub struct FileScores {
    pub rmsse: f64,
    pub weighted_rmsse: f64,
    pub levels: [f64; 4],
    pub pinball: f64,
    pub upper: f64,
    pub weighted: f64,
    pub below_or_at: f64,
    pub below: f64,
    pub bias: f64,
    pub cumulated_3: f64,
    pub cumulated_3_upper: f64,
    pub cumulated_3_weighted: f64,
    pub cumulated_6: f64,
    pub cumulated_6_upper: f64,
    pub cumulated_6_weighted: f64,
}

/// Scores forecasts made from the first `origin` months against the twelve that follow.
pub fn score(parts: &[(String, Vec<f64>)], forecasts: &[Forecast], origin: usize) -> FileScores {
    let mut scores = FileScores::default();
    let (mut scaled, mut steps) = (0.0, 0.0);
    let (mut squares, mut step_squares) = (0.0, 0.0);
    let (mut forecast_sum, mut actual_sum, mut months) = (0.0, 0.0, 0.0);
    let mut add_cumulated = [[0.0; 4]; 2];
    let mut losses = [0.0; 2];
    let mut loss = 0.0;
    for ((_, quantities), forecast) in parts.iter().zip(forecasts) {
        let history = &quantities[..origin];
        if history.iter().all(|&quantity| quantity == 0.0) {
            continue;
        }
        let actual = &quantities[origin..origin + 12];
        forecast_sum += forecast.mean.iter().sum::<f64>();
        actual_sum += actual.iter().sum::<f64>();
        for (quantity, quantiles) in actual.iter().zip(&forecast.quantiles) {
            months += 1.0;
            scores.below_or_at += f64::from(u8::from(*quantity <= quantiles[2]));
            scores.below += f64::from(u8::from(*quantity < quantiles[2]));
        }
        let Some(scale) = Scale::of(history) else { continue };
        scaled += 1.0;
        steps += scale.step;
        step_squares += scale.step_squared;
        let square: f64 =
            actual.iter().zip(&forecast.mean).map(|(y, mean)| (y - mean).powi(2)).sum();
        squares += square / 12.0;
        scores.rmsse += (square / 12.0 / scale.step_squared).sqrt();
        for (index, &level) in SCORED_LEVELS.iter().enumerate() {
            let sum: f64 = actual
                .iter()
                .zip(&forecast.quantiles)
                .map(|(quantity, quantiles)| pinball(level, *quantity, quantiles[index]))
                .sum();
            scores.levels[index] += sum / 12.0 / scale.step;
            loss += sum / 12.0;
            for (which, (length, quantiles)) in
                [(3, &forecast.cumulated_3), (6, &forecast.cumulated_6)].into_iter().enumerate()
            {
                let sum: f64 = actual[..length].iter().sum();
                let cumulated = pinball(level, sum, quantiles[index]) / length as f64;
                add_cumulated[which][index] += cumulated / scale.step;
                losses[which] += cumulated;
            }
        }
    }
    scores.rmsse /= scaled;
    scores.weighted_rmsse = (squares / step_squares).sqrt();
    scores.levels.iter_mut().for_each(|level| *level /= scaled);
    scores.pinball = scores.levels.iter().sum::<f64>() / 4.0;
    scores.upper = scores.levels[1..].iter().sum::<f64>() / 3.0;
    scores.weighted = loss / 4.0 / steps;
    scores.below_or_at /= months;
    scores.below /= months;
    scores.bias = (forecast_sum - actual_sum) / actual_sum;
    scores.cumulated_3 = add_cumulated[0].iter().sum::<f64>() / 4.0 / scaled;
    scores.cumulated_3_upper = add_cumulated[0][1..].iter().sum::<f64>() / 3.0 / scaled;
    scores.cumulated_6 = add_cumulated[1].iter().sum::<f64>() / 4.0 / scaled;
    scores.cumulated_6_upper = add_cumulated[1][1..].iter().sum::<f64>() / 3.0 / scaled;
    scores.cumulated_3_weighted = losses[0] / 4.0 / steps;
    scores.cumulated_6_weighted = losses[1] / 4.0 / steps;
    scores
}

impl FileScores {
    pub const HEADER: &'static str = "model                rmsse wrmsse  pin    up     q50    q80    q90    q95    wpin   c3     c3up   c3w    c6     c6up   c6w    cov   below bias";

    /// One line of a table under [`Self::HEADER`].
    pub fn row(&self, name: &str) -> String {
        format!(
            "{name:20} {:.4} {:.4} {:.4} {:.4} {:.4} {:.4} {:.4} {:.4} {:.4} {:.4} {:.4} {:.4} {:.4} {:.4} {:.4} {:.3} {:.3} {:+.1}%",
            self.rmsse,
            self.weighted_rmsse,
            self.pinball,
            self.upper,
            self.levels[0],
            self.levels[1],
            self.levels[2],
            self.levels[3],
            self.weighted,
            self.cumulated_3,
            self.cumulated_3_upper,
            self.cumulated_3_weighted,
            self.cumulated_6,
            self.cumulated_6_upper,
            self.cumulated_6_weighted,
            self.below_or_at,
            self.below,
            self.bias * 100.0
        )
    }
}

/// The quantiles of a mean forecast, negative binomial around it.
fn around(mean: Vec<f64>, ratio: f64) -> Forecast {
    let quantiles = |mean: f64| {
        let mut row = [0.0; 4];
        CountDistribution::new(mean, ratio).quantiles(&SCORED_LEVELS, &mut row);
        row
    };
    Forecast {
        quantiles: mean.iter().map(|&mean| quantiles(mean)).collect(),
        cumulated_3: quantiles(mean[..3].iter().sum()),
        cumulated_6: quantiles(mean[..6].iter().sum()),
        mean,
    }
}

/// Scores of the reference models.
pub fn references(parts: &[(String, Vec<f64>)], origin: usize) -> Vec<(&'static str, FileScores)> {
    type Predict = fn(&[f64], &Demands) -> Vec<f64>;
    let models: [(&'static str, Predict); 9] = [
        ("SES 0.1", |known, _| vec![smoothing::smooth(known, 0.1); 12]),
        ("IMAPA", |known, demands| vec![aggregation::multiple_aggregation(known, demands); 12]),
        ("TSB", |known, demands| {
            vec![teunter_syntetos_babai(known, &demands.sizes, TSB_WEIGHT); 12]
        }),
        ("ADIDA", |known, demands| vec![aggregation::aggregate_disaggregate(known, demands); 12]),
        ("moving average", |known, _| vec![plain::moving_average(known, 6).unwrap_or(0.0); 12]),
        ("mean", |known, _| vec![plain::historic_average(known).unwrap_or(0.0); 12]),
        ("Croston corrected", |_, demands| vec![croston_corrected(demands); 12]),
        ("Croston", |_, demands| vec![croston(demands, CROSTON_WEIGHT); 12]),
        ("seasonal naive", |known, _| {
            plain::seasonal_naive(known, 12, 12).into_iter().flatten().collect()
        }),
    ];
    models
        .into_iter()
        .map(|(name, predict)| {
            let forecasts: Vec<Forecast> = parts
                .iter()
                .map(|(_, quantities)| {
                    let known = &quantities[..origin];
                    around(predict(known, &Demands::of(known)), dispersion_ratio(known))
                })
                .collect();
            (name, score(parts, &forecasts, origin))
        })
        .collect()
}

/// What is scored of sample paths.
pub fn of_paths(paths: &SamplePaths) -> Forecast {
    let mut forecast = Forecast::default();
    for ahead in 0..12 {
        forecast.mean.push(paths.mean(ahead));
        let mut row = [0.0; 4];
        paths.quantiles(ahead, &SCORED_LEVELS, &mut row);
        forecast.quantiles.push(row);
    }
    paths.cumulated_quantiles(3, &SCORED_LEVELS, &mut forecast.cumulated_3);
    paths.cumulated_quantiles(6, &SCORED_LEVELS, &mut forecast.cumulated_6);
    forecast
}

/// Histories of the first `origin` months.
pub fn histories(parts: &[(String, Vec<f64>)], origin: usize) -> Vec<History> {
    let first = Month::new(1998, 1).expect("a month");
    let of = |(part, quantities): &(String, Vec<f64>)| History {
        part: part.clone(),
        family: None,
        first,
        quantities: quantities[..origin].to_vec(),
    };
    parts.iter().map(of).collect()
}

/// A whole run from the first `origin` months.
pub fn run_on(parts: &[(String, Vec<f64>)], origin: usize) -> Vec<Forecast> {
    let request = Request { months: 12, paths: 1_000, seed: 1 };
    let run = forecast(&histories(parts, origin), &request, &|_, _| {}).expect("a run");
    run.parts.iter().map(|part| of_paths(&part.paths)).collect()
}
