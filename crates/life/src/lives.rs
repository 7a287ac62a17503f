//! What is known of one part's life.
//!
//! Invariant: bounds are finite, not negative and in order; an exact life is above 0. An exact
//! life of 0 is refused, because every law of wear gives it either no probability or all of it;
//! a part found dead on arrival is "failed between 0 and the first look".

use crate::error::LifeError;

/// What is known of one life, as bounds on the age at failure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Life {
    lower: f64,
    upper: Option<f64>,
}

/// A life seen from its end, for matching.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LifeEnd {
    /// Still in service, or taken out sound, at this age.
    InService { age: f64 },
    /// Failed at exactly this age.
    Failed { age: f64 },
    /// Failed after `after` and no later than `by`; `after` 0 means at any age up to `by`.
    FailedBetween { after: f64, by: f64 },
}

impl Life {
    /// A life from the two bounds of a file: no upper bound is still in service at `lower`, equal
    /// bounds are an exact age, otherwise the failure lies in `(lower, upper]`.
    pub fn from_bounds(lower: f64, upper: Option<f64>) -> Result<Self, LifeError> {
        for age in [Some(lower), upper].into_iter().flatten() {
            if !age.is_finite() || age < 0.0 {
                return Err(LifeError::AgeOutOfRange { age });
            }
        }
        match upper {
            Some(upper) if upper < lower => Err(LifeError::BoundsReversed { lower, upper }),
            Some(0.0) => Err(LifeError::ZeroLife),
            // `+ 0.0` turns a negative zero into zero, which sorting would tell apart.
            _ => Ok(Self { lower: lower + 0.0, upper }),
        }
    }

    /// Still in service, or taken out sound, at `age`.
    pub fn in_service(age: f64) -> Result<Self, LifeError> {
        Self::from_bounds(age, None)
    }

    /// Failed at exactly `age`.
    pub fn failed_at(age: f64) -> Result<Self, LifeError> {
        Self::from_bounds(age, Some(age))
    }

    /// Sound at `after`, found failed at `by`.
    pub fn failed_between(after: f64, by: f64) -> Result<Self, LifeError> {
        Self::from_bounds(after, Some(by))
    }

    pub fn end(&self) -> LifeEnd {
        match self.upper {
            None => LifeEnd::InService { age: self.lower },
            Some(upper) if upper == self.lower => LifeEnd::Failed { age: upper },
            Some(upper) => LifeEnd::FailedBetween { after: self.lower, by: upper },
        }
    }

    /// The age up to which it was surely sound.
    pub const fn lower(&self) -> f64 {
        self.lower
    }

    /// The age by which it had surely failed, where it has.
    pub const fn upper(&self) -> Option<f64> {
        self.upper
    }

    pub const fn has_failed(&self) -> bool {
        self.upper.is_some()
    }
}

/// Number of `lives` that ended in failure.
pub fn count_failures(lives: &[Life]) -> usize {
    lives.iter().filter(|life| life.has_failed()).count()
}

/// Equal lives counted once, in a fixed order: heavy ties cost nothing, and sums over the result
/// do not depend on the order of the input.
pub(crate) fn tally(lives: &[Life]) -> Vec<(Life, f64)> {
    let key = |life: &Life| (life.lower, life.upper.unwrap_or(f64::INFINITY));
    let mut sorted = lives.to_vec();
    sorted.sort_unstable_by(|a, b| {
        let (a, b) = (key(a), key(b));
        a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1))
    });
    sorted.chunk_by(|a, b| a == b).map(|same| (same[0], same.len() as f64)).collect()
}
