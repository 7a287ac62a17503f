//! Trend of units that are repaired and go on: is it getting better or worse?

use crate::error::LifeError;
use crate::probability::{chi_square_quantile, two_sided_normal};

/// Failures of one repairable unit, by its age at each.
///
/// Invariant: at least one failure, all above age 0, none falling, none after watching stopped.
#[derive(Clone, Debug, PartialEq)]
pub struct RepairHistory {
    ages: Vec<f64>,
    observed_to: Option<f64>,
}

/// What a repair history shows.
///
/// Every figure is `None` where its sample is too small, or all failures came at the very end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend {
    pub failures: usize,
    /// The age to which it was watched.
    pub observed_to: f64,
    /// Watching stopped with the last failure, not at an age of its own.
    pub failure_truncated: bool,
    /// Laplace's u: above 0 deteriorating, below 0 improving.
    pub laplace: Option<f64>,
    /// Two-sided.
    pub p: Option<f64>,
    /// Expected failures are (age / scale)^shape: above 1 deteriorating.
    pub shape: Option<f64>,
    pub shape_unbiased: Option<f64>,
    pub scale: Option<f64>,
    /// 95 % bounds of `shape`.
    pub shape_low: Option<f64>,
    pub shape_high: Option<f64>,
    /// Hours per failure at the end of watching, by the plain `shape` (the unbiased one would
    /// give a longer time).
    pub mtbf_at_end: Option<f64>,
    /// The same by `shape_unbiased`.
    pub mtbf_at_end_unbiased: Option<f64>,
    /// MIL-HDBK-189's statistic for "no trend", with its degrees of freedom.
    pub chi_square: f64,
    pub degrees_of_freedom: usize,
}

impl RepairHistory {
    /// Ages in the order of the failures; without `observed_to` watching stops at the last.
    pub fn new(ages: Vec<f64>, observed_to: Option<f64>) -> Result<Self, LifeError> {
        for age in ages.iter().copied().chain(observed_to) {
            if !age.is_finite() || age < 0.0 {
                return Err(LifeError::AgeOutOfRange { age });
            }
        }
        if let Some(&age) = ages.iter().find(|age| **age == 0.0) {
            return Err(LifeError::EventAtZero { age });
        }
        if let Some(at) = ages.windows(2).position(|pair| pair[1] < pair[0]) {
            let (earlier_age, age) = (ages[at], ages[at + 1]);
            return Err(LifeError::EventsFall { event: at + 2, age, earlier: at + 1, earlier_age });
        }
        let last = *ages.last().ok_or(LifeError::NoEvents)?;
        match observed_to {
            Some(observed_to) if observed_to < last => {
                Err(LifeError::ObservedTooShort { observed_to, last })
            }
            _ => Ok(Self { ages, observed_to }),
        }
    }
}

/// Laplace's test and the power law for one repairable unit.
///
/// ```text
/// u = (mean of t₁..tₘ − T/2) / (T √(1/(12 m)))
/// shape = n / Σ ln(T/tᵢ)    scale = T / n^(1/shape)    rate at T = n · shape / T
/// bounds: shape · χ²(0.025 or 0.975; 2m) / (2n)
/// ```
///
/// n failures, watched to T; m = n where watching stopped at an age of its own, n − 1 where it
/// stopped with the last failure (which then says nothing but where T is). Cox and Lewis (1966),
/// Statistical Analysis of Series of Events, ch. 3; Crow (1974), in Reliability and Biometry,
/// SIAM, 379-410.
pub fn estimate_trend(history: &RepairHistory) -> Trend {
    let failures = history.ages.len();
    let n = failures as f64;
    let failure_truncated = history.observed_to.is_none();
    let last = history.ages[failures - 1]; // at least one, by `RepairHistory::new`
    let observed_to = history.observed_to.unwrap_or(last);
    let counted = if failure_truncated { failures - 1 } else { failures };
    let m = counted as f64;

    let mean = history.ages[..counted].iter().sum::<f64>() / m;
    let laplace = (counted > 0).then(|| (mean / observed_to - 0.5) * (12.0 * m).sqrt());
    // ln(T / t) as a difference of the nearer kind: exact where t is close to T.
    let log_sum: f64 =
        history.ages.iter().map(|age| -((age - observed_to) / observed_to).ln_1p()).sum();
    let shape = (counted > 0 && log_sum > 0.0).then(|| n / log_sum);
    let correction = if failure_truncated { (n - 2.0) / n } else { (n - 1.0) / n };
    let shape_unbiased = shape.map(|shape| shape * correction).filter(|shape| *shape > 0.0);
    let bound = |p: f64| shape.map(|s| s * chi_square_quantile(p, 2.0 * m) / (2.0 * n));
    let finite = |value: f64| value.is_finite().then_some(value);
    Trend {
        failures,
        observed_to,
        failure_truncated,
        laplace,
        p: laplace.map(two_sided_normal),
        shape,
        shape_unbiased,
        scale: shape.and_then(|shape| finite(observed_to / n.powf(1.0 / shape))),
        shape_low: bound(0.025),
        shape_high: bound(0.975),
        mtbf_at_end: shape.map(|shape| observed_to / (n * shape)),
        mtbf_at_end_unbiased: shape_unbiased.map(|shape| observed_to / (n * shape)),
        chi_square: 2.0 * log_sum,
        degrees_of_freedom: 2 * counted,
    }
}
