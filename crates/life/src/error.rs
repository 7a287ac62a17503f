//! The rules this crate holds its input to.

/// One broken rule, with the values that broke it.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LifeError {
    #[error("age {age} is not a number of hours that a part can have; give a finite age from 0 up")]
    AgeOutOfRange { age: f64 },
    #[error("failed by {upper} but sound at {lower}: the upper age must not be below the lower")]
    BoundsReversed { lower: f64, upper: f64 },
    #[error(
        "failed at exactly age 0: nothing has run yet, so no life is seen; \
         give 0 and the age at which it was found instead"
    )]
    ZeroLife,
    #[error("shape {shape} and scale {scale} must both be finite and above 0")]
    WeibullOutOfRange { shape: f64, scale: f64 },
    #[error("cost {cost} must be finite and above 0")]
    CostOutOfRange { cost: f64 },
    #[error("a repair history needs at least one failure")]
    NoEvents,
    #[error("event {event} at age {age} comes before event {earlier} at age {earlier_age}")]
    EventsFall { event: usize, age: f64, earlier: usize, earlier_age: f64 },
    #[error("failure at age {age}: nothing has run yet; the first failure must be above age 0")]
    EventAtZero { age: f64 },
    #[error("watching stopped at {observed_to}, before the last failure at {last}")]
    ObservedTooShort { observed_to: f64, last: f64 },
    #[error("{value} is not a possible {what}; give a finite number from 0 up")]
    AmountOutOfRange { what: &'static str, value: f64 },
    #[error("a comparison needs at least two groups, {groups} given")]
    OneGroup { groups: usize },
    #[error(
        "no failure was seen while two groups were both at risk, so there is nothing to compare"
    )]
    NothingToCompare,
}

impl LifeError {
    /// Stable name of the rule, for problem types, import reports and tests. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::AgeOutOfRange { .. } => "age-out-of-range",
            Self::BoundsReversed { .. } => "life-bounds-reversed",
            Self::ZeroLife => "life-of-zero",
            Self::WeibullOutOfRange { .. } => "weibull-out-of-range",
            Self::CostOutOfRange { .. } => "cost-out-of-range",
            Self::NoEvents => "repairs-no-events",
            Self::EventsFall { .. } => "repairs-fall",
            Self::EventAtZero { .. } => "repair-at-zero",
            Self::ObservedTooShort { .. } => "observed-too-short",
            Self::AmountOutOfRange { .. } => "amount-out-of-range",
            Self::OneGroup { .. } => "comparison-one-group",
            Self::NothingToCompare => "comparison-nothing-shared",
        }
    }
}
