//! The Weibull log-likelihood of censored lives, and its derivatives.
//!
//! Written in `z = a·x − b`, with `x` the standardised logarithm of age, `a` the shape and `b`
//! the offset (shape times log scale, both in standardised units). In `(a, b)` the log-likelihood
//! is concave, censored lives included: the law of `ln t` has a log-concave density, so every
//! interval's probability is log-concave in the pair (Burridge 1981, J. Royal Statistical Society
//! B 43:41-45). One peak, profiles that fall away on both sides, and Newton's steps can be
//! trusted.

use crate::lives::{Life, LifeEnd, tally};

/// Lives in standardised logarithms of age, each with its count.
pub(crate) struct Sample {
    exact: Vec<(f64, f64)>,
    in_service: Vec<(f64, f64)>,
    failed_before: Vec<(f64, f64)>,
    /// Lower end, upper less lower, count.
    between: Vec<(f64, f64, f64)>,
    /// Number of exact failures.
    exact_count: f64,
    /// Number of failures of any kind.
    failures: f64,
    centre: f64,
    spread: f64,
    /// What the log-likelihood per age lacks: Σ ln t of the exact failures.
    log_age_sum: f64,
}

/// Value, gradient and curvature of the log-likelihood at one shape and offset.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Slopes {
    pub value: f64,
    pub shape: f64,
    pub offset: f64,
    pub shape_twice: f64,
    pub mixed: f64,
    pub offset_twice: f64,
}

/// Below this a probability and its hazard are the same number.
const TINY: f64 = 1e-8;
/// Above this e^-x is nothing beside 1.
const HUGE: f64 = 700.0;

impl Sample {
    /// Standardises `lives`; `None` where no life says anything (all in service at 0).
    pub fn new(lives: &[Life]) -> Option<Self> {
        let tallied = tally(lives);
        let logs = || {
            tallied.iter().flat_map(|(life, count)| {
                // An exact life has one age, not the same age twice.
                let lower = (life.upper() != Some(life.lower())).then_some(life.lower());
                let ages = [lower, life.upper()].into_iter().flatten();
                ages.filter(|age| *age > 0.0).map(move |age| (age.ln(), *count))
            })
        };
        let weight: f64 = logs().map(|(_, count)| count).sum();
        if weight == 0.0 {
            return None;
        }
        let centre = logs().map(|(log, count)| log * count).sum::<f64>() / weight;
        let variance =
            logs().map(|(log, count)| (log - centre).powi(2) * count).sum::<f64>() / weight;
        // All at one age: any spread will do, and the shape is not to be had anyway.
        let spread = if variance > 0.0 { variance.sqrt() } else { 1.0 };
        let mut sample = Self {
            exact: Vec::new(),
            in_service: Vec::new(),
            failed_before: Vec::new(),
            between: Vec::new(),
            exact_count: 0.0,
            failures: 0.0,
            centre,
            spread,
            log_age_sum: 0.0,
        };
        for (life, count) in tallied {
            sample.add(life, count);
        }
        Some(sample)
    }

    fn add(&mut self, life: Life, count: f64) {
        let standardise = |age: f64| (age.ln() - self.centre) / self.spread;
        match life.end() {
            LifeEnd::InService { age: 0.0 } => return, // nothing has run yet
            LifeEnd::InService { age } => return self.in_service.push((standardise(age), count)),
            LifeEnd::Failed { age } => {
                self.exact.push((standardise(age), count));
                self.exact_count += count;
                self.log_age_sum += count * age.ln();
            }
            LifeEnd::FailedBetween { after: 0.0, by } => {
                self.failed_before.push((standardise(by), count));
            }
            LifeEnd::FailedBetween { after, by } => {
                // ln_1p keeps the width of an interval that is narrow beside its age.
                let width = ((by - after) / after).ln_1p() / self.spread;
                self.between.push((standardise(after), width, count));
            }
        }
        self.failures += count;
    }

    pub fn has_failures(&self) -> bool {
        self.failures > 0.0
    }

    /// Whether any life is known to have lasted beyond some age.
    pub fn has_survivors(&self) -> bool {
        self.exact.len() + self.in_service.len() + self.between.len() > 0
    }

    /// The shape per standardised log age, back in the file's terms and the other way.
    pub fn shape_of(&self, standardised: f64) -> f64 {
        standardised / self.spread
    }

    pub fn standardised_shape(&self, shape: f64) -> f64 {
        shape * self.spread
    }

    /// The scale whose standardised logarithm is `log_scale`.
    pub fn scale_of(&self, log_scale: f64) -> f64 {
        (self.centre + self.spread * log_scale).exp()
    }

    /// How far `log_scale` may go before the scale is beyond what a number holds.
    pub fn log_scale_limit(&self) -> f64 {
        (600.0 - self.centre.abs()).max(1.0) / self.spread
    }

    /// The log-likelihood of the lives as given, from that of their standardised logarithms.
    pub fn restore_value(&self, value: f64) -> f64 {
        value - self.exact_count * self.spread.ln() - self.log_age_sum
    }

    /// A finite place to start from: the best offset if every failure were exact.
    pub fn start_offset(&self, shape: f64) -> f64 {
        let ends = self.between.iter().map(|(x, width, count)| (x + width, *count));
        let ages = self.exact.iter().chain(&self.in_service).chain(&self.failed_before).copied();
        let total: f64 = ages.chain(ends).map(|(x, count)| count * (shape * x).exp()).sum();
        (total / self.failures.max(1.0)).ln()
    }

    /// Log-likelihood and derivatives in `(shape, offset)`, one pass over the distinct lives.
    pub fn slopes(&self, shape: f64, offset: f64) -> Slopes {
        let mut sum = Slopes::default();
        for &(x, count) in &self.exact {
            let hazard = (shape * x - offset).exp();
            sum.add(x, count, shape * x - offset - hazard, 1.0 - hazard, -hazard);
        }
        sum.value += self.exact_count * shape.ln();
        sum.shape += self.exact_count / shape;
        sum.shape_twice -= self.exact_count / (shape * shape);
        for &(x, count) in &self.in_service {
            let hazard = (shape * x - offset).exp();
            sum.add(x, count, -hazard, -hazard, -hazard);
        }
        for &(x, count) in &self.failed_before {
            let (value, slope, curvature) = log_failed(shape * x - offset);
            sum.add(x, count, value, slope, curvature);
        }
        for &(x, width, count) in &self.between {
            sum.add_between(x, width, count, shape, offset);
        }
        sum
    }
}

impl Slopes {
    /// Adds a life at `x` whose log-likelihood in z has this value, slope and curvature.
    fn add(&mut self, x: f64, count: f64, value: f64, slope: f64, curvature: f64) {
        self.value += count * value;
        self.shape += count * slope * x;
        self.offset -= count * slope;
        self.shape_twice += count * curvature * x * x;
        self.mixed -= count * curvature * x;
        self.offset_twice += count * curvature;
    }

    /// Adds a failure between two ages: ln(e^−A − e^−B), with A and B the hazards reached by its
    /// ends. Derivatives are taken along the shift of both ends and the stretch between them, so
    /// that an interval narrow beside its age loses no digits.
    fn add_between(&mut self, x: f64, width: f64, count: f64, shape: f64, offset: f64) {
        let low = (shape * x - offset).exp();
        let stretch = shape * width;
        let gap = low * stretch.exp_m1(); // B − A
        let high = low + gap;
        // gap·q and high·q, with q = 1 / (e^gap − 1)
        let (log_probability, gap_q, high_q) = if gap < TINY {
            let log_gap = shape * x - offset + stretch.exp_m1().ln();
            (log_gap - 0.5 * gap, 1.0 - 0.5 * gap, 1.0 / -(-stretch).exp_m1() - 0.5 * high)
        } else if gap > HUGE {
            (0.0, 0.0, 0.0)
        } else {
            let q = 1.0 / gap.exp_m1();
            ((-(-gap).exp_m1()).ln(), gap * q, high * q)
        };
        let faded = if gap > HUGE { 0.0 } else { 1.0 - gap - gap_q };
        let shift = gap_q - low;
        let shift_twice = gap_q * faded - low;
        let across = high_q * faded;
        let end_twice = if gap > HUGE { 0.0 } else { high_q * (1.0 - high - high_q) };

        self.value += count * (log_probability - low);
        self.offset -= count * shift;
        self.shape += count * (shift * x + high_q * width);
        self.offset_twice += count * shift_twice;
        self.mixed -= count * (shift_twice * x + across * width);
        self.shape_twice +=
            count * (shift_twice * x * x + 2.0 * across * x * width + end_twice * width * width);
    }
}

/// ln(1 − e^−E) with E = e^z: value, slope and curvature in z.
fn log_failed(z: f64) -> (f64, f64, f64) {
    let hazard = z.exp();
    if hazard < TINY {
        (z - 0.5 * hazard, 1.0 - 0.5 * hazard, -0.5 * hazard)
    } else if hazard > HUGE {
        (0.0, 0.0, 0.0)
    } else {
        let slope = hazard / hazard.exp_m1();
        ((-(-hazard).exp_m1()).ln(), slope, slope * (1.0 - hazard - slope))
    }
}
