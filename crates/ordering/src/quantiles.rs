//! Sample paths from a forecast that is given as quantiles.
//!
//! A file names a few quantiles of each month and, where it is complete, of the first two, three and
//! more months together. From these we draw paths whose months and sums of months have the given
//! distributions: the months are drawn apart, then each running sum is put in the order of its
//! paths onto the given distribution of that sum (a rank reordering as in Clark and others (2004),
//! J. Hydrometeorology 5:243-262). Without the sums, months are taken as independent; the caller
//! must say so.

use chrono::NaiveDate;
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::error::{OrderingError, not_negative};
use crate::paths::DemandPaths;

/// A distribution by its mean and some quantiles.
#[derive(Clone, Debug, PartialEq)]
pub struct Quantiles {
    pub mean: f64,
    /// Level and value, levels rising.
    pub points: Vec<(f64, f64)>,
}

/// A forecast by month.
#[derive(Clone, Debug, PartialEq)]
pub struct MonthlyQuantiles {
    pub first_month: NaiveDate,
    pub months: Vec<Quantiles>,
    /// For the first two months together, the first three, and so on as far as known; a length may
    /// be missing in between.
    pub cumulated: Vec<Option<Quantiles>>,
}

impl Quantiles {
    /// # Errors
    /// No quantile, levels that do not rise within 0 and 1, values that fall or are below zero.
    pub fn check(&self) -> Result<(), OrderingError> {
        not_negative("mean", self.mean)?;
        if self.points.is_empty() {
            return Err(OrderingError::NoDemand);
        }
        let (mut level_before, mut before) = (0.0, 0.0);
        for &(level, value) in &self.points {
            if !(level > level_before && level < 1.0) {
                return Err(OrderingError::LevelsOutOfOrder { level });
            }
            not_negative("quantile", value)?;
            if value < before {
                return Err(OrderingError::QuantilesFall { level_before, before, level, value });
            }
            (level_before, before) = (level, value);
        }
        Ok(())
    }

    fn is_whole(&self) -> bool {
        self.points.iter().all(|(_, value)| value.fract() == 0.0)
    }

    /// The quantile function, straight between the given points. Below the first it falls as steeply
    /// as above it, to zero at the least; above the last it is exponential, as steep as the last two
    /// points say.
    fn at(&self, level: f64) -> f64 {
        let points = &self.points;
        let (first_level, first) = points[0];
        if level <= first_level {
            let (next_level, next) = points[points.len().min(4) - 1];
            let steepness = if next_level > first_level {
                (next - first) / (next_level - first_level)
            } else {
                0.0
            };
            return (first - steepness * (first_level - level)).max(0.0);
        }
        let (last_level, last) = points[points.len() - 1];
        if level >= last_level {
            let (before_level, before) = points[points.len().saturating_sub(2)];
            let decades = ((1.0 - before_level) / (1.0 - last_level)).ln();
            let steepness = if decades > 0.0 { (last - before) / decades } else { 0.0 };
            return last + steepness * ((1.0 - last_level) / (1.0 - level)).ln();
        }
        let next = points.partition_point(|(at, _)| *at < level);
        let ((low_level, low), (high_level, high)) = (points[next - 1], points[next]);
        low + (high - low) * (level - low_level) / (high_level - low_level)
    }

    /// `count` values of equal weight, rising. Whole where the quantiles are whole: then the share
    /// of the steps that is rounded up is what gives the mean.
    fn spread(&self, count: usize) -> Vec<f64> {
        let levels = (0..count).map(|place| (place as f64 + 0.5) / count as f64);
        let smooth: Vec<f64> = levels.map(|level| self.at(level)).collect();
        if !self.is_whole() {
            return smooth;
        }
        let wanted = self.mean * count as f64;
        let sum = |lift: f64| smooth.iter().map(|value| (value + lift).floor()).sum::<f64>();
        let (mut low, mut high) = (0.0, 1.0 - 1e-9);
        for _ in 0..40 {
            let middle = (low + high) / 2.0;
            if sum(middle) < wanted { low = middle } else { high = middle }
        }
        let lift = if (sum(high) - wanted).abs() <= (sum(low) - wanted).abs() { high } else { low };
        let mut values: Vec<f64> = smooth.iter().map(|value| (value + lift).floor()).collect();
        // A mean above all the quantiles lies in the tail that they do not show.
        let missing = (wanted - values.iter().sum::<f64>()).round();
        if missing > 0.0 {
            let tail = (count / 100).clamp(1, count);
            for unit in 0..(missing as usize).min(tail * 1_000) {
                values[count - 1 - unit % tail] += 1.0;
            }
        }
        values
    }
}

impl MonthlyQuantiles {
    /// Whether the sums of months are given, at least for the first two.
    pub fn is_joint(&self) -> bool {
        self.cumulated.first().is_some_and(Option::is_some) || self.months.len() < 2
    }

    /// Draws `paths` joint paths. The same seed and stream give the same paths.
    ///
    /// # Errors
    /// No month, or quantiles that [`Quantiles::check`] refuses.
    pub fn paths(
        &self,
        paths: usize,
        seed: u64,
        stream: u64,
    ) -> Result<DemandPaths, OrderingError> {
        if self.months.is_empty() || paths == 0 {
            return Err(OrderingError::NoDemand);
        }
        for row in self.months.iter().chain(self.cumulated.iter().flatten()) {
            row.check()?;
        }
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        random.set_stream(stream);
        let months = self.months.len();
        let mut sums = vec![0.0_f64; paths];
        let mut values = vec![0_u32; paths * months];
        // One number a path rounds its sums to whole units without bias, and never backwards.
        let rounding: Vec<f64> = (0..paths).map(|_| random.random::<f64>()).collect();
        for (month, row) in self.months.iter().enumerate() {
            let mut drawn = row.spread(paths);
            drawn.shuffle(&mut random);
            let mut after: Vec<f64> =
                sums.iter().zip(&drawn).map(|(sum, value)| sum + value).collect();
            let given = month.checked_sub(1).and_then(|place| self.cumulated.get(place)?.as_ref());
            if let Some(given) = given {
                reorder(&mut after, &given.spread(paths), &sums);
            }
            for path in 0..paths {
                let whole = |sum: f64| (sum + rounding[path]).floor();
                let value = whole(after[path]) - whole(sums[path]);
                values[path * months + month] = value.clamp(0.0, f64::from(u32::MAX)) as u32;
            }
            sums = after;
        }
        DemandPaths::new(self.first_month, months, values)
    }
}

/// Replaces each running sum by the given value of the same rank; never below the sum before.
fn reorder(sums: &mut [f64], given: &[f64], before: &[f64]) {
    let mut ranks: Vec<usize> = (0..sums.len()).collect();
    ranks.sort_by(|a, b| sums[*a].total_cmp(&sums[*b]).then(a.cmp(b)));
    for (rank, path) in ranks.into_iter().enumerate() {
        sums[path] = given[rank].max(before[path]);
    }
}

#[cfg(test)]
mod tests {
    use statrs::distribution::{DiscreteCDF, Poisson};

    use super::*;
    use crate::samples::Samples;

    const LEVELS: [f64; 13] =
        [0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 0.999];

    fn poisson(mean: f64) -> Quantiles {
        let law = Poisson::new(mean).expect("a mean above zero");
        let points = LEVELS[..12].iter().map(|level| (*level, law.inverse_cdf(*level) as f64));
        Quantiles { mean, points: points.collect() }
    }

    fn sums(demand: &DemandPaths, months: usize) -> Samples {
        let sum = |path| demand.path(path)[..months].iter().sum();
        Samples::new((0..demand.paths()).map(sum).collect())
    }

    /// Poisson months by their quantiles: the mean, the share of zeros and the quantiles come back.
    #[test]
    fn a_slow_mover_keeps_its_mean_and_its_zeros() {
        for mean in [0.02, 0.3, 0.9, 2.5, 17.0] {
            let values = poisson(mean).spread(1_000);
            let drawn = values.iter().sum::<f64>() / 1_000.0;
            assert!((drawn - mean).abs() < 0.01 * mean.max(1.0), "{mean}: {drawn}");
            let samples = Samples::new(values.into_iter().map(|value| value as u32).collect());
            for (level, value) in poisson(mean).points {
                assert!(
                    (f64::from(samples.quantile(level)) - value).abs() <= 1.0,
                    "{mean} {level}"
                );
            }
            let zeros = 1.0 - samples.share_above(0);
            assert!((zeros - (-mean).exp()).abs() < 0.05, "{mean}: {zeros}");
        }
    }

    #[test]
    fn sums_of_months_follow_the_given_distribution() {
        let months = vec![poisson(3.0); 6];
        // One rate for all months, known badly: sums far wider than of independent months.
        let wide = |mean: f64| {
            let points = LEVELS[..12].iter().map(|level| (*level, (mean * 2.0 * level).round()));
            Quantiles { mean, points: points.collect() }
        };
        let cumulated = (2..=6).map(|count| Some(wide(3.0 * f64::from(count)))).collect();
        let first_month = "2026-01-01".parse().expect("a date");
        let forecast = MonthlyQuantiles { first_month, months, cumulated };
        assert!(forecast.is_joint());
        let demand = forecast.paths(1_000, 1, 1).expect("quantiles rise");
        for count in 2..=6_u32 {
            let drawn = sums(&demand, count as usize);
            for level in [0.2, 0.5, 0.9] {
                let given = (f64::from(count) * 6.0 * level).round();
                let got = f64::from(drawn.quantile(level));
                assert!(
                    (got - given).abs() <= 0.08 * given + 1.0,
                    "{count} at {level}: {got} {given}"
                );
            }
        }
        let apart = MonthlyQuantiles { cumulated: Vec::new(), ..forecast };
        assert!(!apart.is_joint());
        let narrow = sums(&apart.paths(1_000, 1, 1).expect("quantiles rise"), 6);
        let law = Poisson::new(18.0).expect("a mean");
        for level in [0.1, 0.5, 0.9] {
            let given = law.inverse_cdf(level) as f64;
            assert!((f64::from(narrow.quantile(level)) - given).abs() <= 1.0);
        }
    }

    #[test]
    fn fractions_are_rounded_without_bias() {
        let month = Quantiles { mean: 0.3, points: vec![(0.1, 0.25), (0.5, 0.3), (0.9, 0.35)] };
        let first_month = "2026-01-01".parse().expect("a date");
        let forecast =
            MonthlyQuantiles { first_month, months: vec![month; 12], cumulated: Vec::new() };
        let demand = forecast.paths(2_000, 1, 1).expect("quantiles rise");
        let total: f64 = demand.means().iter().sum();
        assert!((total - 3.6).abs() < 0.1, "{total}");
    }

    #[test]
    fn quantiles_that_fall_are_refused() {
        let rule = |points: Vec<(f64, f64)>, mean| {
            Quantiles { mean, points }.check().err().map(|error| error.rule())
        };
        assert_eq!(rule(vec![(0.1, 1.0), (0.5, 1.0)], 1.0), None);
        assert_eq!(rule(vec![(0.1, 2.0), (0.5, 1.0)], 1.0), Some("quantiles-fall"));
        assert_eq!(rule(vec![(0.5, 1.0), (0.5, 2.0)], 1.0), Some("levels-out-of-order"));
        assert_eq!(rule(vec![(0.5, 1.0), (1.0, 2.0)], 1.0), Some("levels-out-of-order"));
        assert_eq!(rule(vec![(0.5, -1.0)], 1.0), Some("negative"));
        assert_eq!(rule(vec![(0.5, 1.0)], f64::NAN), Some("negative"));
        assert_eq!(rule(Vec::new(), 1.0), Some("demand-empty"));
    }
}
