//! Distribution of hours over a window: a mass at zero, and a gamma beside it.
//!
//! Hires come in lumps: a Poisson number of them, each of gamma length, at a rate that is itself
//! uncertain. Its zero has the probability of a negative binomial's; the rest is matched by a gamma
//! with the mean and variance that the model gives. An engine that may stand still all winter thus
//! has a real chance of none at all.

use serde::{Deserialize, Serialize};
use statrs::function::gamma::{checked_gamma_lr, ln_gamma};
use std::sync::LazyLock;

/// Hours over a window.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HoursDistribution {
    mean: f64,
    variance: f64,
    /// Probability of no hours at all.
    at_zero: f64,
    /// Two gammas of the hours where there are any; the second is the larger.
    low: Gamma,
    high: Gamma,
    /// Hours that are certain, below everything else.
    floor: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Gamma {
    weight: f64,
    shape: f64,
    scale: f64,
}

impl Gamma {
    const NONE: Self = Self { weight: 0.0, shape: 1.0, scale: 0.0 };

    fn matching(weight: f64, mean: f64, variance: f64) -> Self {
        let variance = variance.max(1e-6 * mean * mean);
        Self { weight, shape: mean * mean / variance, scale: variance / mean }
    }

    fn quantile(&self, beyond: f64) -> f64 {
        self.tabulated().quantile(beyond)
    }

    /// Ready for several quantiles.
    fn tabulated(&self) -> Tabulated {
        Tabulated {
            shape: self.shape,
            log_mean: (self.scale * self.shape).ln(),
            row: GAMMA.row(self.shape),
        }
    }

    /// Probability of at least `hours`, without the weight.
    fn beyond(&self, hours: f64) -> f64 {
        if hours <= 0.0 {
            return 1.0;
        }
        1.0 - checked_gamma_lr(self.shape, hours / self.scale).unwrap_or(1.0)
    }
}

/// Probability of at least some hours, given as a log, without the weight: Wilson and Hilferty
/// (1931), within 1 % from a shape of 1 on; exact below.
struct Nearly<'a> {
    gamma: &'a Gamma,
    log_mean: f64,
    c: f64,
    per_sd: f64,
}

impl<'a> Nearly<'a> {
    fn new(gamma: &'a Gamma) -> Self {
        let c = 1.0 / (9.0 * gamma.shape);
        Self { gamma, log_mean: (gamma.scale * gamma.shape).ln(), c, per_sd: 1.0 / c.sqrt() }
    }

    fn beyond(&self, log_hours: f64) -> f64 {
        if self.gamma.shape < 1.0 {
            return self.gamma.beyond(log_hours.exp());
        }
        let cube_root = ((log_hours - self.log_mean) / 3.0).exp();
        normal_upper((cube_root - 1.0 + self.c) * self.per_sd)
    }
}

/// One way a window may go: its chance, mean and variance, and the chance of no hire in it.
pub(crate) struct Part {
    pub weight: f64,
    pub mean: f64,
    pub variance: f64,
    pub none: f64,
}

impl Part {
    /// Chance of zero, and the gamma of what is above: together of the part's mean and variance.
    fn split(&self) -> (f64, Gamma) {
        if !(self.mean > 1e-9 && self.mean.is_finite() && self.weight > 0.0) {
            return (self.weight, Gamma::NONE);
        }
        let square = self.mean * self.mean;
        // What is left for the gamma must keep a variance.
        let none = self.none.min(0.98 * self.variance / (self.variance + square));
        let mean = self.mean / (1.0 - none);
        let variance = (self.variance + square) / (1.0 - none) - mean * mean;
        (self.weight * none, Gamma::matching(self.weight * (1.0 - none), mean, variance))
    }
}

impl HoursDistribution {
    /// Nothing can run: zero for certain.
    pub const ZERO: Self = Self {
        mean: 0.0,
        variance: 0.0,
        at_zero: 1.0,
        low: Gamma::NONE,
        high: Gamma::NONE,
        floor: 0.0,
    };

    /// From the chance of never being at work, and two parts of which the second is the larger.
    pub(crate) fn new(never: f64, parts: &[Part; 2]) -> Self {
        let (zero_low, low) = parts[0].split();
        let (zero_high, high) = parts[1].split();
        let mean: f64 = parts.iter().map(|part| part.weight * part.mean).sum();
        let square: f64 =
            parts.iter().map(|part| part.weight * (part.variance + part.mean * part.mean)).sum();
        if !(mean > 1e-9 && mean.is_finite()) {
            return Self::ZERO;
        }
        let at_zero = (never + zero_low + zero_high).clamp(0.0, 1.0);
        let variance = (square - mean * mean).max(0.0);
        Self { mean, variance, at_zero, low, high, floor: 0.0 }
    }

    /// With booked hours added, independent of these; known to a standard deviation, or certain.
    pub(crate) fn with_booked(mut self, hours: f64, variance: f64) -> Self {
        if variance <= 0.0 {
            self.mean += hours;
            self.floor += hours;
            return self;
        }
        // A sum of gammas is matched by a gamma again. Hours that are booked leave no mass at zero.
        let (mean, variance) = (self.mean + hours, self.variance + variance);
        let high = Gamma::matching(1.0, mean, variance);
        Self { mean, variance, at_zero: 0.0, low: Gamma::NONE, high, floor: self.floor }
    }

    pub const fn mean(&self) -> f64 {
        self.mean
    }

    pub const fn variance(&self) -> f64 {
        self.variance
    }

    /// Hours not exceeded with probability `p`; 0 at `p` 0, the 1 − 10⁻⁹ quantile from there on.
    pub fn quantile(&self, p: f64) -> f64 {
        let p = if p.is_nan() { 0.5 } else { p.clamp(0.0, 1.0 - 1e-9) };
        let running = self.low.weight + self.high.weight;
        if p <= self.at_zero || running <= 0.0 {
            return self.floor;
        }
        let beyond = (1.0 - p).min(running);
        if self.low.weight < 1e-3 * running {
            return self.floor + self.high.quantile((beyond / running).clamp(1e-12, 1.0));
        }
        if self.high.weight < 1e-3 * running {
            return self.floor + self.low.quantile((beyond / running).clamp(1e-12, 1.0));
        }
        self.floor + self.mixed_quantile(beyond)
    }

    /// Hours exceeded with probability `beyond`: regula falsi (Anderson and Björck 1973, BIT 13) on
    /// the probability within the high part, whose quantiles are tabulated.
    fn mixed_quantile(&self, beyond: f64) -> f64 {
        let (low, high) = (&self.low, &self.high);
        let (lows, highs) = (Nearly::new(low), high.tabulated());
        let excess =
            |u: f64| high.weight * u + low.weight * lows.beyond(highs.log_quantile(u)) - beyond;
        let inside = |u: f64| u.clamp(1e-9, 1.0 - 1e-9);
        let mut b = inside(beyond / high.weight);
        let mut at_b = excess(b);
        // The excess rises by at least the high part's weight, so this step lands below the root.
        let mut a = inside(b - at_b.max(0.0) / high.weight);
        let mut at_a = excess(a);
        if at_a >= 0.0 {
            // None of the high part lies beyond: what is asked for is in the low part's tail.
            let tail = (beyond / low.weight).clamp(1e-12, 1.0);
            return low.quantile(tail).max(highs.quantile(a));
        }
        if at_b <= 0.0 && beyond < high.weight {
            return highs.quantile(b);
        }
        if at_b <= 0.0 {
            // All of the high part lies beyond: what is left is the low part's.
            let rest = ((beyond - high.weight) / low.weight).clamp(1e-9, 1.0 - 1e-9);
            return low.quantile(rest).min(highs.quantile(b));
        }
        // Off by less than this in probability, levels that differ by more can't cross.
        const NEAR_ENOUGH: f64 = 1e-6;
        let mut kept = 0;
        for step in 0..60 {
            let middle =
                if step < 30 { (a * at_b - b * at_a) / (at_b - at_a) } else { (a + b) / 2.0 };
            let value = excess(middle);
            if value.abs() < NEAR_ENOUGH {
                return highs.quantile(middle);
            }
            if value < 0.0 {
                if kept == 1 {
                    at_b *= shrink(value, at_a);
                }
                (a, at_a) = (middle, value);
                kept = 1;
            } else {
                if kept == -1 {
                    at_a *= shrink(value, at_b);
                }
                (b, at_b) = (middle, value);
                kept = -1;
            }
        }
        highs.quantile((a + b) / 2.0)
    }

    /// Probability that at least `hours` are run.
    pub fn probability_of_at_least(&self, hours: f64) -> f64 {
        let hours = hours - self.floor;
        if hours <= 0.0 {
            return 1.0;
        }
        let parts = [&self.low, &self.high].into_iter().filter(|part| part.weight > 0.0);
        parts.map(|part| part.weight * part.beyond(hours)).sum::<f64>().clamp(0.0, 1.0)
    }
}

/// Share of the value kept at the end that regula falsi has left in place twice.
fn shrink(new: f64, old: f64) -> f64 {
    let share = 1.0 - new / old;
    if share > 0.0 { share } else { 0.5 }
}

/// Quantiles of the unit-scale gamma, from a table: exact inversion costs microseconds, and a fleet
/// asks for millions.
///
/// Rows by log shape, columns by normal score of the probability. What is tabulated is
/// `ln(quantile) · √shape`-free: the log of quantile over shape, which is smooth in both; between
/// entries it is interpolated by cubics. Worst error found against exact inversion: see the test.
struct GammaTable {
    logs: Vec<f64>,
}
static GAMMA: LazyLock<GammaTable> = LazyLock::new(GammaTable::new);

const SHAPES: usize = 97;
const SHAPE_LOW: f64 = -4.0; // ln of the smallest shape in the table
const SHAPE_STEP: f64 = 0.15;
const SCORES: usize = 65;
const SCORE_LOW: f64 = -4.0;
const SCORE_STEP: f64 = 0.125;

impl GammaTable {
    fn new() -> Self {
        let mut logs = Vec::with_capacity(SHAPES * SCORES);
        for i in 0..SHAPES {
            let shape = (SHAPE_LOW + SHAPE_STEP * i as f64).exp();
            for j in 0..SCORES {
                let score = SCORE_LOW + SCORE_STEP * j as f64;
                logs.push(ln_quantile(shape, normal_upper(score)) - shape.ln());
            }
        }
        Self { logs }
    }

    /// The four rows around a shape, as the first one's start and weights; `None` off the table.
    fn row(&self, shape: f64) -> Option<(usize, [f64; 4])> {
        let x = (shape.ln() - SHAPE_LOW) / SHAPE_STEP;
        (x >= 0.0 && x <= (SHAPES - 1) as f64).then(|| {
            let (i, u) = cell(x, SHAPES);
            (i * SCORES, cubic(u))
        })
    }
}

/// Quantiles of one gamma.
struct Tabulated {
    shape: f64,
    log_mean: f64,
    row: Option<(usize, [f64; 4])>,
}

impl Tabulated {
    fn quantile(&self, beyond: f64) -> f64 {
        self.log_quantile(beyond).exp()
    }

    fn log_quantile(&self, beyond: f64) -> f64 {
        let score = -normal_score(beyond);
        let y = (score - SCORE_LOW) / SCORE_STEP;
        let (Some((start, weights)), true) = (self.row, y >= 0.0 && y <= (SCORES - 1) as f64)
        else {
            return self.log_mean + outside(self.shape, score, beyond);
        };
        let (j, v) = cell(y, SCORES);
        let b = cubic(v);
        let mut log = 0.0;
        for (k, weight) in weights.iter().enumerate() {
            let row = &GAMMA.logs[start + k * SCORES + j..][..4];
            log += weight * row.iter().zip(&b).map(|(entry, w)| entry * w).sum::<f64>();
        }
        self.log_mean + log
    }
}

/// Log of quantile over shape beyond the table: exact for odd shapes, Wilson and Hilferty (1931) for
/// very large ones.
fn outside(shape: f64, score: f64, beyond: f64) -> f64 {
    if shape > 1e4 {
        let c = 1.0 / (9.0 * shape);
        return 3.0 * (1.0 - c + score * c.sqrt()).max(0.0).ln();
    }
    ln_quantile(shape, beyond) - shape.ln()
}

/// First of the four entries around `at`, and the place between the middle two.
fn cell(at: f64, entries: usize) -> (usize, f64) {
    let first = (at as usize).saturating_sub(1).min(entries - 4);
    (first, at - (first + 1) as f64)
}

/// Weights of the cubic through entries at −1, 0, 1, 2 (Lagrange).
fn cubic(x: f64) -> [f64; 4] {
    const SIXTH: f64 = 1.0 / 6.0;
    let (left, right) = (x * (x - 1.0), (x + 1.0) * (x - 2.0));
    [-left * (x - 2.0) * SIXTH, right * (x - 1.0) * 0.5, -right * x * 0.5, left * (x + 1.0) * SIXTH]
}

/// ln of the quantile that is exceeded with probability `beyond`: safeguarded Newton on the log.
fn ln_quantile(shape: f64, beyond: f64) -> f64 {
    let below = |log: f64| checked_gamma_lr(shape, log.exp()).unwrap_or(1.0);
    // For small shapes P(X < x) = x^a / Γ(a + 1) nearly: far below where the integral underflows.
    let small = ((1.0 - beyond).max(1e-300).ln() + ln_gamma(shape + 1.0)) / shape;
    if small < -30.0 {
        return small;
    }
    let (mut low, mut high) = (small - 1.0, (shape + 40.0 + 12.0 * shape.sqrt()).ln());
    let mut log = (low + high) / 2.0;
    let mut step_before = high - low;
    for _ in 0..200 {
        let error = below(log) - (1.0 - beyond);
        if error > 0.0 {
            high = log;
        } else {
            low = log;
        }
        let density = (shape * log - log.exp() - ln_gamma(shape)).exp();
        let newton = log - error / density;
        // Halve where Newton's step leaves the bracket or doesn't shrink: it may cycle in the tails.
        let shrinks = (newton - log).abs() < step_before / 2.0;
        let next =
            if newton > low && newton < high && shrinks { newton } else { (low + high) / 2.0 };
        step_before = (next - log).abs();
        log = next;
        if step_before < 1e-13 {
            break;
        }
    }
    log
}

fn normal_upper(score: f64) -> f64 {
    statrs::function::erf::erfc(score / std::f64::consts::SQRT_2) / 2.0
}

/// Normal score not exceeded with probability `p`. Acklam's rational approximation (relative error
/// 1.15e-9), from memory; checked in the tests against the error function.
fn normal_score(p: f64) -> f64 {
    const A: [f64; 6] = [
        -3.969683028665376e1,
        2.209460984245205e2,
        -2.759285104469687e2,
        1.383_577_518_672_69e2,
        -3.066479806614716e1,
        2.506628277459239,
    ];
    const B: [f64; 5] = [
        -5.447609879822406e1,
        1.615858368580409e2,
        -1.556989798598866e2,
        6.680131188771972e1,
        -1.328068155288572e1,
    ];
    const C: [f64; 6] = [
        -7.784894002430293e-3,
        -3.223964580411365e-1,
        -2.400758277161838,
        -2.549732539343734,
        4.374664141464968,
        2.938163982698783,
    ];
    const D: [f64; 4] =
        [7.784695709041462e-3, 3.224671290700398e-1, 2.445134137142996, 3.754408661907416];
    const TAIL: f64 = 0.02425;
    if p < TAIL {
        let q = (-2.0 * p.max(1e-300).ln()).sqrt();
        let above = C.iter().fold(0.0, |sum, c| sum * q + c);
        above / (D.iter().fold(0.0, |sum, d| sum * q + d) * q + 1.0)
    } else if p <= 1.0 - TAIL {
        let q = p - 0.5;
        let r = q * q;
        let above = A.iter().fold(0.0, |sum, a| sum * r + a) * q;
        above / (B.iter().fold(0.0, |sum, b| sum * r + b) * r + 1.0)
    } else {
        -normal_score(1.0 - p)
    }
}

#[cfg(test)]
mod tests {
    use super::{Gamma, HoursDistribution, Part, normal_score, normal_upper};
    use proptest::prelude::{ProptestConfig, prop_assert, proptest};

    /// Abramowitz and Stegun (1964), Handbook of Mathematical Functions, table 26.5 (from memory;
    /// the error function of a reference library says the same).
    #[test]
    fn normal_scores_are_those_of_the_tables() {
        for (p, score) in [(0.5, 0.0), (0.9, 1.281_551_6), (0.975, 1.959_964), (0.001, -3.090_232)]
        {
            assert!((normal_score(p) - score).abs() < 1e-6, "{p}");
            assert!((normal_upper(score) - (1.0 - p)).abs() < 1e-7, "{p}");
        }
    }

    /// Chi-squared is a gamma of shape n/2 and scale 2: NIST/SEMATECH e-Handbook, 1.3.6.7.4,
    /// upper critical values.
    #[test]
    fn gamma_quantiles_are_chi_squareds() {
        let printed = [(1.0, 0.05, 3.841), (2.0, 0.01, 9.210), (10.0, 0.10, 15.987)];
        let printed = printed.into_iter().chain([(50.0, 0.025, 71.420), (100.0, 0.05, 124.342)]);
        for (freedom, beyond, critical) in printed {
            let gamma = Gamma { weight: 1.0, shape: freedom / 2.0, scale: 2.0 };
            let found = gamma.quantile(beyond);
            assert!((found - critical).abs() < 0.002, "{freedom} {beyond}: {found}");
        }
    }

    fn part(weight: f64, mean: f64, relative: f64, none: f64) -> Part {
        Part { weight, mean, variance: relative * mean * mean, none }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(400))]

        #[test]
        fn tabulated_quantiles_turn_probabilities_over(
            log_shape in -3.0f64..9.0, beyond in 0.0005f64..0.9995,
        ) {
            let gamma = Gamma { weight: 1.0, shape: log_shape.exp(), scale: 1.0 };
            let hours = gamma.quantile(beyond);
            prop_assert!((gamma.beyond(hours) - beyond).abs() < 2e-4, "{} {hours}", gamma.shape);
        }

        #[test]
        fn quantiles_never_cross_and_agree_with_probabilities(
            never in 0.0f64..0.5, partly in 0.0f64..1.0, share in 0.1f64..0.95,
            mean in 0.01f64..400.0, relative in 0.005f64..3.0, none in 0.0f64..0.9,
        ) {
            let partly = (1.0 - never) * partly;
            let low = part(partly, mean * share, relative + 0.1, none);
            let hours = HoursDistribution::new(
                never, &[low, part(1.0 - never - partly, mean, relative, none)],
            );
            let mut before = 0.0;
            for step in 1..200 {
                let p = f64::from(step) / 200.0;
                let quantile = hours.quantile(p);
                prop_assert!(quantile.is_finite() && quantile >= before, "{p}: {quantile}");
                before = quantile;
                if quantile > 0.0 {
                    let beyond = hours.probability_of_at_least(quantile);
                    // What the quick probability of the low part is off by.
                    prop_assert!((beyond - (1.0 - p)).abs() < 0.02, "{p}: {quantile} {beyond}");
                }
            }
        }
    }
}
