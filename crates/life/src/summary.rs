//! All that lives of one part, in one use, say.

use crate::fit::{WeibullFit, fit_weibull};
use crate::lives::{Life, count_failures};
use crate::range::{LifeRange, bound_mean_life};
use crate::survival::estimate_survival;
use crate::turnbull::estimate_interval_survival;

/// How survival was estimated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    KaplanMeier,
    Turnbull,
}

impl Method {
    pub const fn name(self) -> &'static str {
        match self {
            Self::KaplanMeier => "kaplan_meier",
            Self::Turnbull => "turnbull",
        }
    }
}

/// A part's lives summed up.
#[derive(Clone, Debug, PartialEq)]
pub struct PartSummary {
    pub lives: usize,
    pub failures: usize,
    pub method: Method,
    /// A fitted law, or the range to which the mean life is bounded and why there is no more.
    pub law: Result<WeibullFit, LifeRange>,
    /// `(age, share surviving beyond it)`: at every failure age (Kaplan-Meier), at the end of
    /// every interval that holds mass (Turnbull), or at every age of looking where each part was
    /// looked at once.
    pub survival: Vec<(f64, f64)>,
}

impl PartSummary {
    /// Mean life by the fitted law.
    pub fn mean_life(&self) -> Option<f64> {
        self.law.as_ref().ok().and_then(|fit| fit.weibull.mean_life())
    }
}

/// Sums up the lives of one part: survival without a model, then a Weibull law or a range.
pub fn summarise(lives: &[Life]) -> PartSummary {
    let (method, survival) = match estimate_survival(lives) {
        Some(curve) => {
            let steps = curve.steps.iter().map(|step| (step.age, step.survival)).collect();
            (Method::KaplanMeier, steps)
        }
        None => (Method::Turnbull, estimate_interval_survival(lives).survival),
    };
    PartSummary {
        lives: lives.len(),
        failures: count_failures(lives),
        method,
        law: fit_weibull(lives).map_err(|cause| bound_mean_life(lives, cause)),
        survival,
    }
}
