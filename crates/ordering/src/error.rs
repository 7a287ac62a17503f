//! What can be wrong with a question to this crate.

use chrono::NaiveDate;
use fleet::Currency;
use fleet::terms::TermsError;

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum OrderingError {
    #[error("sample paths need at least one path and one month")]
    NoDemand,
    #[error("{values} values can't be cut into paths of {months} months")]
    RaggedPaths { months: usize, values: usize },
    #[error("the forecast covers {first} to {last}; it says nothing about {on}")]
    ForecastElsewhere { first: NaiveDate, last: NaiveDate, on: NaiveDate },
    #[error("{name} of {value} is not between 0 and 1; write a share like 0.95")]
    NotAShare { name: &'static str, value: f64 },
    #[error("{name} of {value} is not a number of zero or more")]
    Negative { name: &'static str, value: f64 },
    #[error("quantile {level} is {value}, below {before} at {level_before}; quantiles never fall")]
    QuantilesFall { level_before: f64, before: f64, level: f64, value: f64 },
    #[error("quantile levels must rise within 0 and 1, {level} does not")]
    LevelsOutOfOrder { level: f64 },
    #[error("{left} costs and {right} demands differ in number")]
    LengthsDiffer { left: usize, right: usize },
    #[error("no rate is given for {currency}; name one with its date")]
    RateMissing { currency: Currency },
    #[error("a rate of {rate} for {currency} is not above zero")]
    RateNotPositive { currency: Currency, rate: f64 },
    #[error("supplier {supplier} is not among the {suppliers} given")]
    SupplierUnknown { supplier: usize, suppliers: usize },
    #[error("the sum is larger than can be kept exactly")]
    TooLarge,
    #[error("a minimum of {minimum} is above the maximum of {maximum}")]
    MinimumAboveMaximum { minimum: u64, maximum: u64 },
    #[error("kit line {line} holds nothing")]
    KitLineEmpty { line: usize },
    #[error(transparent)]
    Terms(#[from] TermsError),
}

impl OrderingError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::NoDemand => "demand-empty",
            Self::RaggedPaths { .. } => "paths-ragged",
            Self::ForecastElsewhere { .. } => "forecast-elsewhere",
            Self::NotAShare { .. } => "not-a-share",
            Self::Negative { .. } => "negative",
            Self::QuantilesFall { .. } => "quantiles-fall",
            Self::LevelsOutOfOrder { .. } => "levels-out-of-order",
            Self::LengthsDiffer { .. } => "lengths-differ",
            Self::RateMissing { .. } => "rate-missing",
            Self::RateNotPositive { .. } => "rate-not-positive",
            Self::SupplierUnknown { .. } => "supplier-unknown",
            Self::TooLarge => "money-too-large",
            Self::MinimumAboveMaximum { .. } => "minimum-above-maximum",
            Self::KitLineEmpty { .. } => "kit-line-empty",
            Self::Terms(error) => error.rule(),
        }
    }
}

/// `value` where it is a number of zero or more.
pub(crate) fn not_negative(name: &'static str, value: f64) -> Result<f64, OrderingError> {
    if value.is_finite() && value >= 0.0 {
        Ok(value)
    } else {
        Err(OrderingError::Negative { name, value })
    }
}

/// `value` where it is a share between 0 and 1.
pub(crate) fn share(name: &'static str, value: f64) -> Result<f64, OrderingError> {
    if (0.0..=1.0).contains(&value) {
        Ok(value)
    } else {
        Err(OrderingError::NotAShare { name, value })
    }
}
