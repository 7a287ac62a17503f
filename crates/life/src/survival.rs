//! Survival without a model, where every life is exact or right-censored.

use crate::lives::{Life, LifeEnd};

/// One step of a survival curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SurvivalStep {
    pub age: f64,
    /// How many had reached this age.
    pub at_risk: usize,
    /// How many failed at it.
    pub failed: usize,
    /// Share surviving beyond this age.
    pub survival: f64,
    /// Greenwood's standard error of `survival`.
    pub standard_error: f64,
}

/// A Kaplan-Meier curve: one step per age at which something failed, ages rising.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SurvivalCurve {
    pub steps: Vec<SurvivalStep>,
    /// The highest age seen, failed or not; beyond it the curve is unknown unless it reached 0.
    pub last_age: f64,
}

impl SurvivalCurve {
    /// Share surviving beyond `age`; `None` beyond the last age seen, unless the curve reached 0.
    pub fn survival_at(&self, age: f64) -> Option<f64> {
        let before = self.steps.partition_point(|step| step.age <= age);
        let survival = before.checked_sub(1).map_or(1.0, |last| self.steps[last].survival);
        (age <= self.last_age || survival == 0.0).then_some(survival)
    }

    /// The first age at which half or fewer survive; `None` where the curve stays above a half.
    pub fn median(&self) -> Option<f64> {
        // A sum of shares such as 1/2 may end a rounding above it.
        self.steps.iter().find(|step| step.survival <= 0.5 + 1e-12).map(|step| step.age)
    }

    /// Mean life up to `age`: the area under the curve from 0 to there. `None` where the curve
    /// is unknown.
    pub fn mean_to(&self, age: f64) -> Option<f64> {
        self.survival_at(age)?;
        let (mut area, mut from, mut survival) = (0.0, 0.0, 1.0);
        for step in self.steps.iter().take_while(|step| step.age < age) {
            area += survival * (step.age - from);
            (from, survival) = (step.age, step.survival);
        }
        Some(area + survival * (age - from))
    }
}

/// Kaplan-Meier estimate of survival; `None` if any life is known only to an interval
/// (use [`crate::estimate_interval_survival`]).
///
/// `O(n log n)`. Empty in, empty out.
///
/// ```text
/// S(t) = Π (nᵢ − dᵢ) / nᵢ  over ages tᵢ ≤ t;  dᵢ failed at tᵢ, nᵢ had reached tᵢ
/// var S(t) = S(t)² Σ dᵢ / (nᵢ (nᵢ − dᵢ))
/// ```
///
/// At one age failures come before censorings. Where the curve reaches 0 its error is 0. Kaplan
/// and Meier (1958), J. American Statistical Association 53:457-481; Greenwood (1926).
pub fn estimate_survival(lives: &[Life]) -> Option<SurvivalCurve> {
    let mut ages: Vec<(f64, bool)> = Vec::with_capacity(lives.len());
    for life in lives {
        match life.end() {
            LifeEnd::InService { age } => ages.push((age, false)),
            LifeEnd::Failed { age } => ages.push((age, true)),
            LifeEnd::FailedBetween { .. } => return None,
        }
    }
    ages.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));

    let mut curve = SurvivalCurve::default();
    let (mut at_risk, mut survival, mut hazard_variance) = (ages.len(), 1.0, 0.0);
    for same_age in ages.chunk_by(|a, b| a.0 == b.0) {
        let failed = same_age.iter().filter(|(_, failed)| *failed).count();
        if failed > 0 {
            let left = (at_risk - failed) as f64;
            survival *= left / at_risk as f64;
            hazard_variance += failed as f64 / (at_risk as f64 * left);
            let standard_error =
                if at_risk == failed { 0.0 } else { survival * f64::sqrt(hazard_variance) };
            let age = same_age[0].0;
            curve.steps.push(SurvivalStep { age, at_risk, failed, survival, standard_error });
        }
        at_risk -= same_age.len();
        curve.last_age = same_age[0].0;
    }
    Some(curve)
}
