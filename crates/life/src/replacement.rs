//! At which age does replacing cost least?
//!
//! A part is replaced at an age or on failure, whichever comes first, and a failure costs more.
//! What counts is cost per hour in the long run: mean cost of a cycle over its mean length
//! (renewal reward).

use statrs::function::gamma::{gamma_lr, ln_gamma};

use crate::error::LifeError;
use crate::fit::WeibullFit;
use crate::root::find_crossing;
use crate::weibull::Weibull;

/// Within this share of the least cost an age "hardly matters". Our own choice: prices are
/// seldom known better.
pub const HARDLY_MATTERS: f64 = 0.05;

/// Below this saving against running to failure, a planned replacement is not worth naming.
const SAVING_MIN: f64 = 1e-6;

/// Cost of one replacement, planned or after a failure, in one currency, days lost included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReplacementCosts {
    planned: f64,
    failure: f64,
}

/// What is known of the cheapest age for one law of life.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Replacement {
    /// Cost per hour with no planned replacement.
    pub run_to_failure_rate: f64,
    pub advice: Advice,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Advice {
    ReplaceAt(Optimum),
    RunToFailure(RunReason),
}

/// The age that costs least.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Optimum {
    pub age: f64,
    /// Cost per hour there.
    pub cost_rate: f64,
    /// Ages between which cost stays within [`HARDLY_MATTERS`] of the least. No upper end: not
    /// planning at all costs hardly more.
    pub hardly_matters_from: f64,
    pub hardly_matters_to: Option<f64>,
}

/// Why planning a replacement does not pay.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RunReason {
    /// The part does not wear: an old one is no likelier to fail than a new one.
    HazardNotRising,
    /// A failure costs no more than a planned replacement.
    FailureNotDearer,
    /// It would save less than can be told apart.
    NothingSaved,
}

/// The cheapest age for the fitted law, and for the laws at its shape's bounds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FittedReplacement {
    pub best: Replacement,
    /// `None` where the data set no such bound.
    pub at_shape_low: Option<Replacement>,
    pub at_shape_high: Option<Replacement>,
}

/// What to do with an interval that is in use now. Never more than a proposal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum IntervalProposal {
    /// It is among the ages where it hardly matters.
    Keep,
    Shorten {
        to: f64,
    },
    Lengthen {
        to: f64,
    },
    /// Planning a replacement saves nothing.
    RunToFailure(RunReason),
}

impl ReplacementCosts {
    pub fn new(planned: f64, failure: f64) -> Result<Self, LifeError> {
        for cost in [planned, failure] {
            if !cost.is_finite() || cost <= 0.0 {
                return Err(LifeError::CostOutOfRange { cost });
            }
        }
        Ok(Self { planned, failure })
    }
}

impl Replacement {
    /// Compares an interval in use with the advice.
    pub fn propose(&self, interval: f64) -> IntervalProposal {
        match self.advice {
            Advice::RunToFailure(reason) => IntervalProposal::RunToFailure(reason),
            Advice::ReplaceAt(best) if interval < best.hardly_matters_from => {
                IntervalProposal::Lengthen { to: best.age }
            }
            Advice::ReplaceAt(best) if best.hardly_matters_to.is_some_and(|to| interval > to) => {
                IntervalProposal::Shorten { to: best.age }
            }
            Advice::ReplaceAt(_) => IntervalProposal::Keep,
        }
    }

    /// Cost per hour of following the advice.
    pub const fn cost_rate(&self) -> f64 {
        match self.advice {
            Advice::ReplaceAt(best) => best.cost_rate,
            Advice::RunToFailure(_) => self.run_to_failure_rate,
        }
    }
}

/// Cost per hour of replacing at `age` or on failure: `(cp S + cf F) / ∫₀^age S`, age above 0.
///
/// Barlow and Hunter (1960), Operations Research 8:90-100.
pub fn cost_rate(weibull: &Weibull, costs: &ReplacementCosts, age: f64) -> Option<f64> {
    let failed = -(-weibull.cumulative_hazard(age)).exp_m1();
    let cost = costs.planned + (costs.failure - costs.planned) * failed;
    Some(cost / weibull.mean_life_to(age)?).filter(|rate| rate.is_finite())
}

/// The age at which replacing costs least under a known law.
///
/// With a rising hazard h the least cost is where `h(T) ∫₀^T S − F(T) = cp / (cf − cp)`, whose
/// left side only rises (Barlow and Hunter 1960); solved in `u = (T / scale)^shape`. Errors where
/// the mean life is beyond what a number holds.
pub fn find_replacement_age(
    weibull: &Weibull,
    costs: &ReplacementCosts,
) -> Result<Replacement, LifeError> {
    let (shape, scale) = (weibull.shape(), weibull.scale());
    let mean = weibull.mean_life().ok_or(LifeError::WeibullOutOfRange { shape, scale })?;
    let run_to_failure_rate = costs.failure / mean;
    let run = |reason| Replacement { run_to_failure_rate, advice: Advice::RunToFailure(reason) };
    if costs.failure <= costs.planned {
        return Ok(run(RunReason::FailureNotDearer));
    }
    if shape <= 1.0 {
        return Ok(run(RunReason::HazardNotRising));
    }
    let ratio = costs.planned / (costs.failure - costs.planned);
    let excess = |log_u: f64| condition(shape, log_u) - ratio;
    let log_u_max = 1e3_f64.ln(); // survival e^-1000: nothing is saved beyond
    let age = scale * (find_crossing(excess, -700.0, log_u_max) / shape).exp();
    let Some(least) = cost_rate(weibull, costs, age) else {
        return Ok(run(RunReason::NothingSaved));
    };
    if (run_to_failure_rate - least) / run_to_failure_rate < SAVING_MIN {
        return Ok(run(RunReason::NothingSaved));
    }
    let limit = least * (1.0 + HARDLY_MATTERS);
    let over = |log_age: f64| {
        cost_rate(weibull, costs, log_age.exp()).map_or(f64::INFINITY, |rate| rate - limit)
    };
    let from = find_crossing(|log_age| -over(log_age), age.ln() - 40.0, age.ln()).exp();
    let to = (run_to_failure_rate > limit)
        .then(|| find_crossing(over, age.ln(), scale.ln() + log_u_max / shape).exp());
    let best = Optimum { age, cost_rate: least, hardly_matters_from: from, hardly_matters_to: to };
    Ok(Replacement { run_to_failure_rate, advice: Advice::ReplaceAt(best) })
}

/// `h(T) ∫₀^T S − F(T)` at `u = (T / scale)^shape`, shape above 1.
fn condition(shape: f64, log_u: f64) -> f64 {
    let u = log_u.exp();
    if u < 1e-8 {
        return (shape - 1.0) * u; // the two terms' leading difference
    }
    let inverse = 1.0 / shape;
    let integral = ln_gamma(inverse).exp() * gamma_lr(inverse, u);
    ((1.0 - inverse) * log_u).exp() * integral + (-u).exp_m1()
}

/// The cheapest age for a fit, with what it would be at the ends of what the data allow.
pub fn find_fitted_replacement(
    fit: &WeibullFit,
    costs: &ReplacementCosts,
) -> Result<FittedReplacement, LifeError> {
    let at = |law: Option<Weibull>| law.and_then(|law| find_replacement_age(&law, costs).ok());
    Ok(FittedReplacement {
        best: find_replacement_age(&fit.weibull, costs)?,
        at_shape_low: at(fit.at_shape_low),
        at_shape_high: at(fit.at_shape_high),
    })
}
