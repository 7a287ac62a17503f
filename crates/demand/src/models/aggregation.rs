//! Smoothing of sums over blocks of months, where single months are mostly zero.

use crate::models::croston::{Demands, FITTED_RANGE};
use crate::models::smoothing::smooth_fitted;

/// Sums of `length` consecutive months; the oldest months that fill no block are left out.
fn blocks(quantities: &[f64], length: usize) -> Vec<f64> {
    let spare = quantities.len() % length;
    quantities[spare..].chunks_exact(length).map(|block| block.iter().sum()).collect()
}

/// Demand per month from blocks of `length` months; 0 where not one block is full.
fn rate_of_blocks(quantities: &[f64], length: usize) -> f64 {
    let (low, high) = FITTED_RANGE;
    smooth_fitted(&blocks(quantities, length), low, high) / length as f64
}

/// Mean interval between demands, rounded half to even.
fn mean_interval(demands: &Demands) -> usize {
    let sum: f64 = demands.intervals.iter().sum();
    (sum / demands.intervals.len() as f64).round_ties_even() as usize
}

/// Smoothing at one aggregation level, the mean interval between demands. No demand: 0.
///
/// Nikolopoulos, Syntetos, Boylan, Petropoulos and Assimakopoulos (2011), J. of the Operational
/// Research Society 62, 544-554.
pub fn aggregate_disaggregate(quantities: &[f64], demands: &Demands) -> f64 {
    if demands.sizes.is_empty() {
        return 0.0;
    }
    rate_of_blocks(quantities, mean_interval(demands))
}

/// Mean over all aggregation levels from 1 to the mean interval. No demand: 0.
///
/// Petropoulos and Kourentzes (2015), J. of the Operational Research Society 66, 914-924.
pub fn multiple_aggregation(quantities: &[f64], demands: &Demands) -> f64 {
    if demands.sizes.is_empty() {
        return 0.0;
    }
    let longest = mean_interval(demands);
    let sum: f64 = (1..=longest).map(|length| rate_of_blocks(quantities, length)).sum();
    sum / longest as f64
}
