//! Sample paths: possible futures of one part, month by month.
//!
//! All else is taken from them: quantiles of a month, of several months together, means. A
//! quantile of a sum is read from the paths' sums; the sum of quantiles would be too wide.

use serde::{Deserialize, Serialize};

use crate::history::HORIZON_MAX;

/// Equally likely futures of one part. Quantities are at least 0 and finite.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SamplePaths {
    months: usize,
    /// Path after path, each of `months` quantities.
    values: Vec<f32>,
}

impl SamplePaths {
    /// Paths of `months` each, one after another in `values`.
    ///
    /// Panics where the lengths don't fit or a quantity is negative or not finite: that is our
    /// own mistake.
    pub fn new(months: usize, values: Vec<f32>) -> Self {
        assert!(months > 0 && months <= HORIZON_MAX, "{months} months ahead");
        assert!(
            !values.is_empty() && values.len().is_multiple_of(months),
            "{} values",
            values.len()
        );
        assert!(
            values.iter().all(|value| value.is_finite() && *value >= 0.0),
            "a quantity below 0"
        );
        Self { months, values }
    }

    /// Months ahead.
    pub const fn months(&self) -> usize {
        self.months
    }

    /// Number of paths.
    pub fn count(&self) -> usize {
        self.values.len() / self.months
    }

    /// Each path's quantities.
    pub fn paths(&self) -> impl ExactSizeIterator<Item = &[f32]> {
        self.values.chunks_exact(self.months)
    }

    /// All quantities, path after path, as they are kept in a snapshot.
    pub fn values(&self) -> &[f32] {
        &self.values
    }

    /// Expected quantity of month `ahead` (0 is the first).
    pub fn mean(&self, ahead: usize) -> f64 {
        self.paths().map(|path| f64::from(path[ahead])).sum::<f64>() / self.count() as f64
    }

    /// Expected quantity of the first `months` together.
    pub fn cumulated_mean(&self, months: usize) -> f64 {
        (0..months).map(|ahead| self.mean(ahead)).sum()
    }

    /// Quantiles of month `ahead` at rising `levels`: the smallest quantity that at least that
    /// share of the paths does not exceed.
    pub fn quantiles(&self, ahead: usize, levels: &[f64], quantiles: &mut [f64]) {
        let mut column: Vec<f64> = self.paths().map(|path| f64::from(path[ahead])).collect();
        quantiles_of(&mut column, levels, quantiles);
    }

    /// Quantiles of the first `months` together.
    pub fn cumulated_quantiles(&self, months: usize, levels: &[f64], quantiles: &mut [f64]) {
        quantiles_of(&mut self.sums(months), levels, quantiles);
    }

    /// Each path's sum over its first `months`.
    pub fn sums(&self, months: usize) -> Vec<f64> {
        self.paths()
            .map(|path| path[..months].iter().map(|value| f64::from(*value)).sum())
            .collect()
    }

    /// Adds `other` path by path. Both must have the same shape; path n of one part is taken as
    /// happening together with path n of the other.
    pub fn add(&mut self, other: &Self) {
        assert_eq!(self.months, other.months, "paths of different horizons");
        assert_eq!(self.values.len(), other.values.len(), "different numbers of paths");
        for (value, more) in self.values.iter_mut().zip(&other.values) {
            *value += more;
        }
    }
}

/// Whole values up to this are counted instead of sorted.
const COUNTED: usize = 128;

/// Quantiles of a sample at rising `levels`; `sample` is reordered. Empty sample: zeros.
pub fn quantiles_of(sample: &mut [f64], levels: &[f64], quantiles: &mut [f64]) {
    debug_assert!(levels.is_sorted() && levels.len() == quantiles.len());
    let size = sample.len();
    if size == 0 {
        quantiles.fill(0.0);
        return;
    }
    // The share is compared with a hair's slack: 0.9 · 200 must be the 180th, not the 181st.
    let rank = |level: f64| ((level * size as f64 - 1e-9).ceil() as usize).clamp(1, size);
    // A round trip through an integer tells a whole value faster than its fraction does.
    let small = |value: f64| value < COUNTED as f64 && f64::from(value as u32) == value;
    if sample.iter().all(|&value| small(value)) {
        let mut counts = [0_u32; COUNTED];
        for &value in sample.iter() {
            counts[value as usize] += 1;
        }
        let (mut value, mut below) = (0, counts[0] as usize);
        for (level, quantile) in levels.iter().zip(quantiles) {
            while below < rank(*level) {
                value += 1;
                below += counts[value] as usize;
            }
            *quantile = value as f64;
        }
        return;
    }
    sample.sort_unstable_by(f64::total_cmp);
    for (level, quantile) in levels.iter().zip(quantiles) {
        *quantile = sample[rank(*level) - 1];
    }
}

#[cfg(test)]
mod tests {
    use super::{SamplePaths, quantiles_of};

    #[test]
    fn a_quantile_of_a_sum_is_not_the_sum_of_quantiles() {
        // Two months of which always exactly one brings ten.
        let paths = SamplePaths::new(2, vec![10.0, 0.0, 0.0, 10.0]);
        let (mut month, mut sum) = ([0.0], [0.0]);
        paths.quantiles(0, &[0.9], &mut month);
        paths.cumulated_quantiles(2, &[0.9], &mut sum);
        assert_eq!((month, sum), ([10.0], [10.0]));
        assert_eq!(paths.cumulated_mean(2), 10.0);
    }

    #[test]
    fn counting_and_sorting_agree() {
        let levels = [0.05, 0.1, 0.5, 0.9, 0.99];
        let whole: Vec<f64> = (0..200).map(|index| f64::from(index * 37 % 50)).collect();
        let (mut counted, mut sorted) = ([0.0; 5], [0.0; 5]);
        quantiles_of(&mut whole.clone(), &levels, &mut counted);
        // A half added keeps the order and forces the sort.
        let mut shifted: Vec<f64> = whole.iter().map(|value| value + 0.5).collect();
        quantiles_of(&mut shifted, &levels, &mut sorted);
        assert_eq!(counted, sorted.map(|value| value - 0.5));
        assert_eq!(counted[2], 24.0);
    }
}
