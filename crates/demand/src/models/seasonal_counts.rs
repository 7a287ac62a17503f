//! Poisson and negative-binomial demand with a season and a slowly moving level.
//!
//! The level follows a gamma law whose evidence fades (a power discount: Harvey and Fernandes
//! 1989, J. of Business and Economic Statistics 7, 407-417); the season is the part's own, drawn
//! towards its family's.

use crate::history::QUANTITY_MAX;
use crate::models::Known;
use crate::predictive::{Counts, Predictive};
use crate::season::{FLAT, Season, YEAR, own_season};

/// How much a month spreads around its expected quantity when the level is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spread {
    /// Variance equal to the mean.
    Poisson,
    /// Variance in a constant ratio to the mean, from the history's own residuals.
    NegativeBinomial,
}

/// Shares of the evidence that a month leaves; the best by one-step deviance is used.
const DISCOUNTS: [f64; 4] = [0.98, 0.95, 0.9, 0.8];
/// Half an event at no exposure: the prior that keeps a level above zero (Jeffreys' shape).
const PRIOR_SHAPE: f64 = 0.5;

/// Forecast of `months` in `unit`s. At least one month of history.
pub fn seasonal_counts(known: &Known<'_>, unit: f64, spread: Spread, months: usize) -> Predictive {
    let season = if known.quantities.len() >= 2 * YEAR {
        own_season(known.quantities, known.first_of_year, known.borrowed)
    } else {
        FLAT
    };
    let level = DISCOUNTS
        .iter()
        .map(|&discount| Level::follow(known, &season, discount))
        .min_by(|a, b| a.deviance.total_cmp(&b.deviance))
        .unwrap_or_default();
    let rate = level.rate();
    let origin = known.first_of_year + known.quantities.len();
    let means = (0..months)
        .map(|ahead| (rate * season[(origin + ahead) % YEAR]).clamp(0.0, QUANTITY_MAX))
        .collect();
    let ratio = match spread {
        Spread::Poisson => 1.0,
        Spread::NegativeBinomial => residual_ratio(known, &season, unit),
    };
    let events = level.asked / unit / ratio;
    let level_shape = Some(events + PRIOR_SHAPE);
    Predictive::Counts(Counts { means, ratio, level_shape, unit })
}

/// Faded sums of what was asked for and of the season's exposure.
#[derive(Clone, Copy, Debug, Default)]
struct Level {
    asked: f64,
    exposure: f64,
    deviance: f64,
}

impl Level {
    fn follow(known: &Known<'_>, season: &Season, discount: f64) -> Self {
        let mut level = Self::default();
        let mut place = known.first_of_year % YEAR;
        for &quantity in known.quantities {
            let factor = season[place];
            place = if place + 1 == YEAR { 0 } else { place + 1 };
            if level.exposure > 0.0 {
                // Poisson deviance of the one-step forecast, without what no discount changes.
                let expected = (level.rate() * factor).max(1e-3);
                level.deviance += expected - quantity * expected.ln();
            }
            level.asked = discount * level.asked + quantity;
            level.exposure = discount * level.exposure + factor;
        }
        level
    }

    fn rate(&self) -> f64 {
        if self.exposure > 0.0 { self.asked / self.exposure } else { 0.0 }
    }
}

/// Pearson's ratio of squared residuals to expected quantities, in units, at least 1.
fn residual_ratio(known: &Known<'_>, season: &Season, unit: f64) -> f64 {
    let factor = |index: usize| season[(known.first_of_year + index) % YEAR];
    let exposure: f64 = (0..known.quantities.len()).map(factor).sum();
    let mean = known.quantities.iter().sum::<f64>() / exposure;
    if known.quantities.len() < 3 || mean <= 0.0 {
        return 1.0;
    }
    let sum: f64 = known
        .quantities
        .iter()
        .enumerate()
        .map(|(index, quantity)| {
            let expected = mean * factor(index);
            (quantity - expected).powi(2) / expected
        })
        .sum();
    (sum / (known.quantities.len() - 1) as f64 / unit).max(1.0)
}
