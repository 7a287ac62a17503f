//! A range of the mean life where the data carry no fitted law.

use statrs::function::gamma::ln_gamma;

use crate::fit::profile::find_bound;
use crate::fit::{BOUND_DROP, FAILURES_MIN, NoFit, best_offset, likelihood::Sample};
use crate::lives::{Life, count_failures};

/// Shapes held possible for a part that wears: 1 is chance, 4 a steep wear-out. Common practice,
/// no source.
const SHAPES: [f64; 5] = [1.0, 1.5, 2.0, 3.0, 4.0];

/// One-sided 95 % drop, −ln 0.05, where the data bound the life on one side only.
const ONE_SIDED_DROP: f64 = 2.995_732_273_553_991;

/// What the mean life may be, at 95 %.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LifeRange {
    /// `None` where nothing has run yet, or nothing is known to have lasted.
    pub low: Option<f64>,
    /// `None` where nothing has failed.
    pub high: Option<f64>,
    pub reason: RangeReason,
}

/// Why there is a range and no number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RangeReason {
    pub failures: usize,
    pub lives: usize,
    pub cause: NoFit,
}

impl std::fmt::Display for RangeReason {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { failures, lives, cause } = *self;
        let failed = if failures == 1 { "failure" } else { "failures" };
        let of = if lives == 1 { "life" } else { "lives" };
        write!(formatter, "{failures} {failed} in {lives} {of}: ")?;
        match cause {
            NoFit::TooFewFailures { failures: 0 } => {
                write!(formatter, "nothing has failed yet, so only a least mean life can be given")
            }
            NoFit::TooFewFailures { .. } => write!(
                formatter,
                "fewer than {FAILURES_MIN} failures carry no fitted life; the mean life lies in \
                 this range at 95 % for any shape between 1 and 4"
            ),
            NoFit::NoneSeenSound => write!(
                formatter,
                "every part was found failed and none was seen sound before, so only a greatest \
                 mean life can be given"
            ),
            NoFit::OneAge => write!(
                formatter,
                "all could have ended at one age, so the shape has no upper limit; the mean life \
                 lies in this range at 95 % for any shape between 1 and 4"
            ),
            NoFit::NoPeak => write!(
                formatter,
                "no Weibull law fits best; the mean life lies in this range at 95 % for any shape \
                 between 1 and 4"
            ),
        }
    }
}

/// Bounds the mean life without fitting a shape: likelihood-ratio bounds at 95 % for each shape
/// held possible (1 to 4), and of these the lowest and the highest.
///
/// With no failure the lower bound is the one-sided one, where so many hours without a failure
/// have a probability of 5 %; with nothing seen sound the upper one likewise. A fixed shape with
/// few or no failures: Nelson (1985), J. Quality Technology 17:140-146 (from memory).
pub fn bound_mean_life(lives: &[Life], cause: NoFit) -> LifeRange {
    let reason = RangeReason { failures: count_failures(lives), lives: lives.len(), cause };
    let Some(sample) = Sample::new(lives) else {
        return LifeRange { low: None, high: None, reason };
    };
    let bounds = SHAPES.map(|shape| bound_at_shape(&sample, shape));
    let low = bounds.iter().filter_map(|(low, _)| *low).reduce(f64::min);
    let high = bounds.iter().filter_map(|(_, high)| *high).reduce(f64::max);
    LifeRange { low, high, reason }
}

/// Bounds of the mean life at one shape.
fn bound_at_shape(sample: &Sample, shape: f64) -> (Option<f64>, Option<f64>) {
    let standardised = sample.standardised_shape(shape);
    let mean = |offset: f64| {
        let mean = sample.scale_of(offset / standardised) * ln_gamma(1.0 + 1.0 / shape).exp();
        (mean > 0.0 && mean.is_finite()).then_some(mean)
    };
    let start = sample.start_offset(standardised);
    let profile = |offset: f64| {
        let at = sample.slopes(standardised, offset);
        (at.value, at.offset)
    };
    let reach = 2_000.0;
    if !sample.has_failures() {
        // The likelihood rises to 1 as life grows. Hazards are proportional to e^-offset.
        let exposure = -sample.slopes(standardised, start).value;
        let low = start + (exposure / ONE_SIDED_DROP).ln();
        return (mean(low), None);
    }
    if !sample.has_survivors() {
        // The likelihood rises to 1 as life shrinks; far down it is 1.
        let far_down = start - 20.0 - 2.0 * standardised.abs() * 40.0;
        let high = find_bound(profile, far_down, 0.0, ONE_SIDED_DROP, start - far_down, reach);
        return (None, high.and_then(mean));
    }
    let peak = best_offset(sample, standardised, start);
    let bound = |step: f64| {
        find_bound(profile, peak.at, peak.value, BOUND_DROP, step, reach).and_then(mean)
    };
    (bound(-1.0), bound(1.0))
}
