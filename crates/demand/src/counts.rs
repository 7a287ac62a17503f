//! Whole-number distributions around an expected quantity.
//!
//! A negative binomial given by its mean and its variance-to-mean ratio. At one ratio it is closed
//! under sums: months of differing means add up to the same family, so that the distribution of
//! cumulated months is exact, not the sum of monthly quantiles.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::Distribution;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Gamma};
use statrs::function::erf::erfc_inv;

use crate::history::QUANTITY_MAX;

/// Ratios closer to 1 than this are computed as Poisson.
const POISSON_BELOW: f64 = 1.0 + 1e-6;
/// Means above this are taken as a gamma distribution with the same mean and variance, rounded:
/// there the difference is below a piece.
const GAMMA_ABOVE: f64 = 600.0;
/// Gamma shapes above this have their quantiles by the normal law of the cube root.
const NEARLY_NORMAL: f64 = 50.0;

/// A distribution of whole quantities with a mean and a variance-to-mean ratio of at least 1.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CountDistribution {
    mean: f64,
    ratio: f64,
}

impl CountDistribution {
    /// Mean at least 0, ratio at least 1 (smaller: taken as 1, a Poisson distribution).
    pub fn new(mean: f64, ratio: f64) -> Self {
        assert!(mean.is_finite() && mean >= 0.0, "mean {mean} of a count");
        assert!(ratio.is_finite(), "ratio {ratio} of a count");
        Self { mean, ratio: ratio.max(1.0) }
    }

    /// Expected quantity.
    pub const fn mean(&self) -> f64 {
        self.mean
    }

    /// Smallest quantities whose distribution function reaches each of `levels` (rising, inside
    /// 0..1), written to `quantiles`.
    ///
    /// `O(largest quantile)`, at most some thousand steps.
    pub fn quantiles(&self, levels: &[f64], quantiles: &mut [f64]) {
        debug_assert!(levels.is_sorted() && levels.len() == quantiles.len());
        if self.mean == 0.0 {
            quantiles.fill(0.0);
        } else if self.mean > GAMMA_ABOVE || self.ratio > 1e4 {
            self.gamma_quantiles(levels, quantiles);
        } else {
            self.walk(levels, quantiles);
        }
    }

    /// Adds up probabilities from 0 upwards.
    ///
    /// ```text
    /// size r = mean / (ratio − 1), q = 1 − 1 / ratio: p₀ = ratio^−r, pₖ₊₁ = pₖ·q·(k + r)/(k + 1)
    /// ```
    fn walk(&self, levels: &[f64], quantiles: &mut [f64]) {
        // Poisson is the limit r → ∞ with q·r → mean.
        let (at_zero, q, qr) = if self.ratio < POISSON_BELOW {
            ((-self.mean).exp(), 0.0, self.mean)
        } else {
            let size = self.mean / (self.ratio - 1.0);
            let q = 1.0 - 1.0 / self.ratio;
            ((-size * self.ratio.ln()).exp(), q, q * size)
        };
        let mut probability = at_zero;
        let mut sum = at_zero;
        let mut quantity = 0.0_f64;
        // The spread bounds the walk even where rounding keeps the sum just below a level.
        let furthest = self.mean + 60.0 * (self.mean * self.ratio).sqrt() + 60.0 * self.ratio;
        for (level, quantile) in levels.iter().zip(quantiles) {
            while sum < *level && quantity < furthest {
                probability *= (quantity * q + qr) / (quantity + 1.0);
                quantity += 1.0;
                sum += probability;
            }
            *quantile = quantity;
        }
    }

    fn gamma_quantiles(&self, levels: &[f64], quantiles: &mut [f64]) {
        let shape = self.mean / self.ratio;
        for (level, quantile) in levels.iter().zip(quantiles) {
            let value = if shape > NEARLY_NORMAL {
                cube_root_quantile(shape, *level) * self.ratio
            } else if shape > 1e-3 {
                Gamma::new(shape, 1.0 / self.ratio).map_or(self.mean, |law| law.inverse_cdf(*level))
            } else {
                // Nearly all months empty and a huge one now and then: below every level asked.
                0.0
            };
            *quantile = if value.is_finite() { value.round().max(0.0) } else { self.mean.round() };
        }
    }

    /// One draw.
    pub fn draw(&self, random: &mut ChaCha8Rng) -> f64 {
        if self.mean > GAMMA_ABOVE || self.ratio > 1e4 {
            let law = rand_distr::Gamma::new(self.mean / self.ratio, self.ratio);
            let drawn = law.map_or(self.mean, |law| law.sample(random)).round();
            return drawn.min(QUANTITY_MAX);
        }
        let mut drawn = [0.0];
        self.quantiles(&[random.random_range(1e-6..1.0 - 1e-6)], &mut drawn);
        drawn[0]
    }
}

/// Quantile of a gamma law of scale 1 with a large shape: its cube root is nearly normal (Wilson
/// and Hilferty 1931, Proc. National Academy of Sciences 17, 684-688).
fn cube_root_quantile(shape: f64, level: f64) -> f64 {
    let normal = -std::f64::consts::SQRT_2 * erfc_inv(2.0 * level);
    let ninth = 1.0 / (9.0 * shape);
    shape * (1.0 - ninth + normal * ninth.sqrt()).powi(3)
}

/// Variance-to-mean ratio of `quantities`, at least 1; 1 where it can't be told.
pub fn dispersion_ratio(quantities: &[f64]) -> f64 {
    let count = quantities.len() as f64;
    let mean = quantities.iter().sum::<f64>() / count;
    if quantities.len() < 2 || mean <= 0.0 {
        return 1.0;
    }
    let squares: f64 = quantities.iter().map(|quantity| (quantity - mean).powi(2)).sum();
    (squares / (count - 1.0) / mean).max(1.0)
}

#[cfg(test)]
mod tests {
    use super::CountDistribution;
    use statrs::distribution::{ContinuousCDF, DiscreteCDF, Gamma, NegativeBinomial, Poisson};

    const LEVELS: [f64; 5] = [0.05, 0.5, 0.8, 0.95, 0.99];

    /// statrs 0.19 as the second, slower computation.
    #[test]
    fn quantiles_agree_with_a_second_library() {
        let mut ours = [0.0; 5];
        for (mean, ratio) in [(0.05, 1.5), (0.7, 3.0), (6.0, 3.0), (55.0, 9.0), (400.0, 1.2)] {
            CountDistribution::new(mean, ratio).quantiles(&LEVELS, &mut ours);
            let theirs = NegativeBinomial::new(mean / (ratio - 1.0), 1.0 / ratio).unwrap();
            for (level, quantile) in LEVELS.iter().zip(ours) {
                let k = quantile as u64;
                assert!(theirs.cdf(k) >= level - 1e-9, "{mean} {ratio} {level} {k}");
                assert!(k == 0 || theirs.cdf(k - 1) < level + 1e-9, "{mean} {ratio} {level} {k}");
            }
        }
        CountDistribution::new(4.2, 1.0).quantiles(&LEVELS, &mut ours);
        let poisson = Poisson::new(4.2).unwrap();
        for (level, quantile) in LEVELS.iter().zip(ours) {
            assert!(poisson.cdf(quantile as u64) >= *level);
            assert!(quantile == 0.0 || poisson.cdf(quantile as u64 - 1) < *level);
        }
    }

    /// Newsvendor with Poisson demand of mean 4.2 and ratio 20/42: F(3) = 0.3954, F(4) = 0.5898,
    /// so 4 (Hadley and Whitin 1963, Analysis of Inventory Systems, ch. 6, constructed instance).
    #[test]
    fn the_newsvendor_quantile_is_four() {
        let mut quantile = [0.0];
        CountDistribution::new(4.2, 1.0).quantiles(&[20.0 / 42.0], &mut quantile);
        assert_eq!(quantile, [4.0]);
    }

    /// statrs 0.19's search as the slow computation: a hundredth of a standard deviation at most.
    #[test]
    fn the_cube_root_is_near_enough_to_normal() {
        for level in LEVELS {
            let slow = Gamma::new(51.0, 1.0).unwrap().inverse_cdf(level);
            let fast = super::cube_root_quantile(51.0, level);
            assert!((slow - fast).abs() < 0.01 * 51.0_f64.sqrt(), "{level}: {slow} {fast}");
        }
    }

    #[test]
    fn the_two_computations_meet_where_one_takes_over() {
        let (mut below, mut above) = ([0.0; 5], [0.0; 5]);
        CountDistribution::new(599.9, 4.0).quantiles(&LEVELS, &mut below);
        CountDistribution::new(600.1, 4.0).quantiles(&LEVELS, &mut above);
        for (low, high) in below.iter().zip(above) {
            assert!((low - high).abs() <= 2.0, "{low} {high}");
        }
    }
}
