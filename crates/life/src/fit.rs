//! Weibull by maximum likelihood, with profile-likelihood bounds.

pub(crate) mod likelihood;
pub(crate) mod profile;

use crate::lives::{Life, count_failures};
use crate::weibull::Weibull;
use likelihood::Sample;
use profile::{Climb, climb, find_bound};

/// Below this many failures a fitted number would promise what the data cannot keep.
pub const FAILURES_MIN: usize = 5;

/// Confidence of every bound.
pub const CONFIDENCE: f64 = 0.95;

/// Half the 95 % point of a chi-square on one degree of freedom: how far below its peak the
/// log-likelihood is at a bound.
pub(crate) const BOUND_DROP: f64 = 1.920_729_410_347_062;

/// A Weibull law fitted to lives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WeibullFit {
    pub weibull: Weibull,
    /// Of the lives in their own unit; exact lives by density, others by probability.
    pub log_likelihood: f64,
    /// Bounds where the profile falls far enough; `None` where it never does, so that the data
    /// do not limit that side.
    pub shape_low: Option<f64>,
    pub shape_high: Option<f64>,
    pub scale_low: Option<f64>,
    pub scale_high: Option<f64>,
    /// The likeliest law with the shape at its bound: what else the data allow.
    pub at_shape_low: Option<Weibull>,
    pub at_shape_high: Option<Weibull>,
}

/// Why there is no fitted law.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoFit {
    /// Fewer failures than [`FAILURES_MIN`].
    TooFewFailures { failures: usize },
    /// Every failed part was already bad when first looked at, and none is known to have lasted.
    NoneSeenSound,
    /// All lives could have ended at one and the same age, so nothing limits the shape upwards.
    OneAge,
    /// The likelihood has its best value at no finite law.
    NoPeak,
}

/// Fits a Weibull law to lives of any censoring, or says why there is none.
///
/// Bounds are 95 % profile-likelihood bounds: where the log-likelihood, maximised over the other
/// parameter, is 1.920729 below its peak. `O(n)` per step on distinct lives, some 60 steps in
/// all. Lives do not need an order: equal ones are counted and sums run in one fixed order.
///
/// Source: Meeker and Escobar (1998), Statistical Methods for Reliability Data, ch. 8 (from
/// memory). Interval and left-censored lives enter by their probability.
pub fn fit_weibull(lives: &[Life]) -> Result<WeibullFit, NoFit> {
    let failures = count_failures(lives);
    if failures < FAILURES_MIN {
        return Err(NoFit::TooFewFailures { failures });
    }
    let latest_sound = lives.iter().map(Life::lower).fold(0.0, f64::max);
    let first_failed = lives.iter().filter_map(Life::upper).fold(f64::INFINITY, f64::min);
    if latest_sound == 0.0 {
        return Err(NoFit::NoneSeenSound);
    }
    // Also where exact lives are among them: those must then all be the same.
    if latest_sound <= first_failed {
        return Err(NoFit::OneAge);
    }
    let sample = Sample::new(lives).ok_or(NoFit::NoPeak)?;
    let peak = find_peak(&sample).ok_or(NoFit::NoPeak)?;
    bound_fit(&sample, peak).ok_or(NoFit::NoPeak)
}

/// The peak of a likelihood, in standardised terms.
#[derive(Clone, Copy)]
struct Peak {
    shape: f64,
    offset: f64,
    value: f64,
    /// Standard errors by curvature, for the first step towards the bounds.
    shape_error: f64,
    log_scale_error: f64,
}

/// Newton's method on shape and offset together, steps halved until the likelihood rises.
/// `None` where the search runs off: the likelihood then rises towards no shape at all or an
/// unlimited one.
fn find_peak(sample: &Sample) -> Option<Peak> {
    let mut shape = 1.0;
    let mut offset = sample.start_offset(shape);
    let mut at = sample.slopes(shape, offset);
    for _ in 0..300 {
        let determinant = at.shape_twice * at.offset_twice - at.mixed * at.mixed;
        let curved = determinant > 1e-13 * at.shape_twice * at.offset_twice;
        if !at.value.is_finite() || !curved || !(1e-6..1e8).contains(&shape) {
            return None;
        }
        let shape_step = (at.mixed * at.offset - at.offset_twice * at.shape) / determinant;
        let offset_step = (at.mixed * at.shape - at.shape_twice * at.offset) / determinant;
        if shape_step.abs() < 1e-11 * shape && offset_step.abs() < 1e-11 * (1.0 + offset.abs()) {
            let log_scale = offset / shape;
            // Variance of (offset − log scale · shape) / shape, from the inverse curvature.
            let variance =
                at.shape_twice + log_scale * (2.0 * at.mixed + log_scale * at.offset_twice);
            return Some(Peak {
                shape,
                offset,
                value: at.value,
                shape_error: (-at.offset_twice / determinant).sqrt(),
                log_scale_error: (-variance / determinant).sqrt() / shape,
            });
        }
        // The shape may at most triple or fall to a third in one step.
        let mut share = 1.0;
        if shape_step > 2.0 * shape {
            share = 2.0 * shape / shape_step;
        } else if shape_step < -2.0 / 3.0 * shape {
            share = -2.0 / 3.0 * shape / shape_step;
        }
        let slack = 1e-12 * (1.0 + at.value.abs());
        loop {
            let next = sample.slopes(shape + share * shape_step, offset + share * offset_step);
            if next.value >= at.value - slack {
                (shape, offset) = (shape + share * shape_step, offset + share * offset_step);
                at = next;
                break;
            }
            share *= 0.5;
            if share < 1e-12 {
                return None;
            }
        }
    }
    None
}

/// Adds the bounds; `None` where the law itself is beyond what numbers hold.
fn bound_fit(sample: &Sample, peak: Peak) -> Option<WeibullFit> {
    let log_scale = peak.offset / peak.shape;
    let weibull = Weibull::new(sample.shape_of(peak.shape), sample.scale_of(log_scale)).ok()?;

    let shape_bound = |direction: f64| {
        let mut offset = peak.offset;
        let mut shape_before = peak.shape;
        let found = find_bound(
            |log_shape| {
                let shape = log_shape.exp();
                // The scale stays about where it was when the shape changes.
                let start = offset * shape / shape_before;
                let best = best_offset(sample, shape, start);
                (offset, shape_before) = (best.at, shape);
                (best.value, sample.slopes(shape, best.at).shape * shape)
            },
            peak.shape.ln(),
            peak.value,
            BOUND_DROP,
            direction * first_step(peak.shape_error / peak.shape),
            20.0,
        )?;
        let shape = found.exp();
        let best = best_offset(sample, shape, offset * shape / shape_before);
        Weibull::new(sample.shape_of(shape), sample.scale_of(best.at / shape)).ok()
    };
    let scale_bound = |direction: f64| {
        let mut shape = peak.shape;
        let found = find_bound(
            |log_scale| {
                let best = best_shape(sample, log_scale, shape);
                shape = best.at;
                (best.value, sample.slopes(shape, shape * log_scale).offset * shape)
            },
            log_scale,
            peak.value,
            BOUND_DROP,
            direction * first_step(peak.log_scale_error),
            sample.log_scale_limit(),
        )?;
        let scale = sample.scale_of(found);
        (scale > 0.0 && scale.is_finite()).then_some(scale)
    };
    let (at_shape_low, at_shape_high) = (shape_bound(-1.0), shape_bound(1.0));
    Some(WeibullFit {
        weibull,
        log_likelihood: sample.restore_value(peak.value),
        shape_low: at_shape_low.map(|law| law.shape()),
        shape_high: at_shape_high.map(|law| law.shape()),
        scale_low: scale_bound(-1.0),
        scale_high: scale_bound(1.0),
        at_shape_low,
        at_shape_high,
    })
}

/// Two standard errors out, kept to what makes sense when the curvature does not.
fn first_step(standard_error: f64) -> f64 {
    if standard_error.is_finite() { (1.96 * standard_error).clamp(1e-8, 2.0) } else { 0.5 }
}

/// The likelihood maximised over the offset at a given shape.
pub(crate) fn best_offset(sample: &Sample, shape: f64, start: f64) -> Climb {
    let slopes = |offset: f64| {
        let at = sample.slopes(shape, offset);
        (at.value, at.offset, at.offset_twice)
    };
    climb(slopes, start, |_, step| step.clamp(-30.0, 30.0))
}

/// The likelihood maximised over the shape at a given standardised log scale.
fn best_shape(sample: &Sample, log_scale: f64, start: f64) -> Climb {
    let slopes = |shape: f64| {
        let at = sample.slopes(shape, shape * log_scale);
        let slope = at.shape + log_scale * at.offset;
        let curvature = at.shape_twice + log_scale * (2.0 * at.mixed + log_scale * at.offset_twice);
        (at.value, slope, curvature)
    };
    climb(slopes, start, |shape, step| step.clamp(-0.75 * shape, 3.0 * shape))
}
