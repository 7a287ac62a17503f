//! The Weibull law of life.

use statrs::function::gamma::{gamma_lr, ln_gamma};

use crate::error::LifeError;

/// S(t) = exp(−(t / scale)^shape). Shape above 1 wears out, below 1 fails young, 1 is chance.
///
/// Invariant: both are finite and above 0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weibull {
    shape: f64,
    scale: f64,
}

impl Weibull {
    pub fn new(shape: f64, scale: f64) -> Result<Self, LifeError> {
        let usable = |value: f64| value.is_finite() && value > 0.0;
        if usable(shape) && usable(scale) {
            Ok(Self { shape, scale })
        } else {
            Err(LifeError::WeibullOutOfRange { shape, scale })
        }
    }

    pub const fn shape(&self) -> f64 {
        self.shape
    }

    /// The age by which 63 % have failed.
    pub const fn scale(&self) -> f64 {
        self.scale
    }

    /// −ln S(age).
    pub fn cumulative_hazard(&self, age: f64) -> f64 {
        if age <= 0.0 { 0.0 } else { (age / self.scale).powf(self.shape) }
    }

    /// Share surviving beyond `age`.
    pub fn survival(&self, age: f64) -> f64 {
        (-self.cumulative_hazard(age)).exp()
    }

    /// Probability that a part sound at `age` fails within the next `further` (0..=1). Feeds the
    /// risk of doing a job late and the failures to expect before the next service.
    pub fn failure_within(&self, age: f64, further: f64) -> f64 {
        let end = self.cumulative_hazard(age.max(0.0) + further.max(0.0));
        // Far beyond the scale both hazards may overflow; the part is then certain to fail.
        let gained = end - self.cumulative_hazard(age);
        if gained.is_nan() { 1.0 } else { -(-gained).exp_m1() }
    }

    /// The age by which a share `failed` (`0..1`) has failed.
    pub fn quantile(&self, failed: f64) -> f64 {
        self.scale * (-(-failed.clamp(0.0, 1.0 - f64::EPSILON)).ln_1p()).powf(1.0 / self.shape)
    }

    /// scale · Γ(1 + 1/shape); `None` where that is beyond what a number holds (shape near 0).
    pub fn mean_life(&self) -> Option<f64> {
        let mean = self.scale * ln_gamma(1.0 + 1.0 / self.shape).exp();
        mean.is_finite().then_some(mean)
    }

    /// ∫₀^age S: the mean life of a part that is replaced at `age` if it has not failed.
    /// `None` as for [`Self::mean_life`].
    pub fn mean_life_to(&self, age: f64) -> Option<f64> {
        let reached = self.cumulative_hazard(age);
        let mean = self.mean_life()?;
        Some(if reached < 1e-8 {
            // First terms of the series: the incomplete gamma function has no digits left here.
            age.max(0.0) * (1.0 - reached / (1.0 + self.shape))
        } else {
            mean * gamma_lr(1.0 / self.shape, reached)
        })
    }
}
