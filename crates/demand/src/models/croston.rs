//! Sizes and intervals smoothed apart: Croston's method and its descendants.

use crate::models::smoothing::{smooth, smooth_fitted};

/// Smoothing weight of sizes and intervals in the plain method.
pub const CROSTON_WEIGHT: f64 = 0.1;
/// Correction of the bias for a weight of 0.1: 1 − 0.1 / 2.
const BIAS_CORRECTION: f64 = 0.95;
/// Weights of demand probability and size in [`teunter_syntetos_babai`].
pub const TSB_WEIGHT: f64 = 0.2;
/// Range the fitted weights are searched in.
pub const FITTED_RANGE: (f64, f64) = (0.1, 0.3);

/// Positive quantities of a history and the months between them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Demands {
    /// Quantities above zero, in order.
    pub sizes: Vec<f64>,
    /// Months from the demand before (the first: from the start, so demand in month 1 gives 1).
    pub intervals: Vec<f64>,
}

impl Demands {
    /// Splits `quantities`. Months after the last demand enter neither list.
    pub fn of(quantities: &[f64]) -> Self {
        let mut demands = Self::default();
        let mut before = 0;
        for (index, &quantity) in quantities.iter().enumerate() {
            if quantity > 0.0 {
                demands.sizes.push(quantity);
                demands.intervals.push((index + 1 - before) as f64);
                before = index + 1;
            }
        }
        demands
    }
}

/// Demand per month: smoothed size over smoothed interval, both with `weight`. No demand: 0.
///
/// Croston (1972), Operational Research Quarterly 23, 289-303.
pub fn croston(demands: &Demands, weight: f64) -> f64 {
    if demands.sizes.is_empty() {
        return 0.0;
    }
    smooth(&demands.sizes, weight) / smooth(&demands.intervals, weight)
}

/// [`croston`] with its bias taken off: times 0.95 at a weight of 0.1.
///
/// Syntetos and Boylan (2005), Int. J. of Forecasting 21, 303-314.
pub fn croston_corrected(demands: &Demands) -> f64 {
    BIAS_CORRECTION * croston(demands, CROSTON_WEIGHT)
}

/// [`croston`] with a weight of its own for sizes and for intervals, each by least squares.
pub fn croston_fitted(demands: &Demands) -> f64 {
    if demands.sizes.is_empty() {
        return 0.0;
    }
    let (low, high) = FITTED_RANGE;
    smooth_fitted(&demands.sizes, low, high) / smooth_fitted(&demands.intervals, low, high)
}

/// Smoothed probability of demand, updated every month, times smoothed size.
///
/// Unlike Croston's it falls while nothing is asked for. Teunter, Syntetos and Babai (2011),
/// European J. of Operational Research 214, 606-615.
pub fn teunter_syntetos_babai(quantities: &[f64], sizes: &[f64], weight: f64) -> f64 {
    if sizes.is_empty() {
        return 0.0;
    }
    let mut months = quantities.iter().map(|&quantity| if quantity > 0.0 { 1.0 } else { 0.0 });
    let first = months.next().unwrap_or(0.0);
    let probability = months.fold(first, |level, asked| weight * asked + (1.0 - weight) * level);
    probability * smooth(sizes, weight)
}
