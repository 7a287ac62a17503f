//! What a history or a request for a forecast can break.

use crate::month::Month;

/// One broken rule, with the values that broke it.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum DemandError {
    #[error("{given:?} is not a month; write it as YYYY-MM")]
    Month { given: String },
    #[error("quantity {given} of {part:?} in {month} is not a number of zero or more")]
    Quantity { part: String, month: Month, given: f64 },
    #[error("quantity {given} of {part:?} in {month} is above {largest}; check the unit")]
    TooLarge { part: String, month: Month, given: f64, largest: f64 },
    #[error("{part:?} has no month of history; leave it out or give its first month")]
    Empty { part: String },
    #[error("{part:?} has {given} months of history, more than the {largest} that are read")]
    TooLong { part: String, given: usize, largest: usize },
    #[error("{part:?} ends in {ends}, the others in {expected}; histories must end together")]
    Ragged { part: String, ends: Month, expected: Month },
    #[error("part {part:?} is given twice")]
    Twice { part: String },
    #[error("{given} months ahead were asked for; ask for 1 to {largest}")]
    Horizon { given: usize, largest: usize },
    #[error("{part:?} has two quantities for {month}; add them up first")]
    Duplicate { part: String, month: Month },
    #[error("{part:?} has no quantity for {month}; write the zero, or let missing months be zero")]
    Missing { part: String, month: Month },
    #[error("{given} sample paths were asked for; ask for {smallest} to {largest}")]
    Paths { given: usize, smallest: usize, largest: usize },
    #[error("probability {given} of {what} is outside 0 to 1")]
    Probability { what: String, given: f64 },
    #[error("{what} {given} is named, but only {count} are there; count from 0")]
    Place { what: &'static str, given: usize, count: usize },
    #[error("supersession of {part:?} leads back to itself; break the circle")]
    Circle { part: String },
    #[error("kit {part:?} contains itself; break the circle")]
    KitCircle { part: String },
    #[error("factor {given} from {part:?} to its successor is not a positive number")]
    Factor { part: String, given: f64 },
    #[error("table {table}: {cause}")]
    Frame { table: &'static str, cause: String },
}

impl DemandError {
    /// Stable name of the rule, for problem types, import reports and tests. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::Month { .. } => "month-format",
            Self::Quantity { .. } => "quantity-negative-or-not-a-number",
            Self::TooLarge { .. } => "quantity-too-large",
            Self::Empty { .. } => "history-empty",
            Self::TooLong { .. } => "history-too-long",
            Self::Ragged { .. } => "histories-end-together",
            Self::Twice { .. } => "part-twice",
            Self::Horizon { .. } => "months-ahead",
            Self::Duplicate { .. } => "month-twice",
            Self::Missing { .. } => "month-missing",
            Self::Paths { .. } => "sample-paths",
            Self::Probability { .. } => "probability-range",
            Self::Place { .. } => "place-missing",
            Self::Circle { .. } => "supersession-circle",
            Self::KitCircle { .. } => "kit-circle",
            Self::Factor { .. } => "supersession-factor",
            Self::Frame { .. } => "frame",
        }
    }
}
