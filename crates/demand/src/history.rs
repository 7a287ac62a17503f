//! Monthly demand of one part: what every model learns from.

use std::collections::HashSet;

use serde::{Deserialize, Serialize};

use crate::error::DemandError;
use crate::month::Month;

/// Longest history read, in months: a hundred years.
pub const MONTHS_MAX: usize = 1_200;
/// Furthest month ahead.
pub const HORIZON_MAX: usize = 60;
/// Largest quantity of a month: sums of it over a horizon stay exact in a double.
pub const QUANTITY_MAX: f64 = 1e12;

/// Demand of one part by month, from the month it first could be asked for, zeros written out.
///
/// Invariant once [`check_histories`] has passed: at least one month, every quantity finite and
/// at least zero, all histories of a run ending in the same month.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct History {
    /// What the part is called; unique within a run.
    pub part: String,
    /// Parts of one family may lend one another their season.
    pub family: Option<String>,
    /// The month of `quantities[0]`.
    pub first: Month,
    /// Pieces (or litres) asked for, month by month.
    pub quantities: Vec<f64>,
}

impl History {
    /// The last month known.
    pub fn last(&self) -> Month {
        self.first.plus(self.quantities.len() as i32 - 1)
    }

    /// Whether the part comes in pieces.
    pub fn grain(&self) -> Grain {
        let whole = self.quantities.iter().all(|quantity| quantity.fract() == 0.0);
        if whole { Grain::Whole } else { Grain::Fractional }
    }
}

/// Whether a part is asked for in whole pieces.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Grain {
    /// Every quantity so far was a whole number: its quantiles are too.
    Whole,
    /// Litres, metres.
    Fractional,
}

/// Checks what the models rely on, and names the first rule broken.
pub fn check_histories(histories: &[History]) -> Result<(), DemandError> {
    let mut seen = HashSet::with_capacity(histories.len());
    let expected = histories.first().map(History::last);
    for history in histories {
        let part = || history.part.clone();
        if history.quantities.is_empty() {
            return Err(DemandError::Empty { part: part() });
        }
        if history.quantities.len() > MONTHS_MAX {
            let given = history.quantities.len();
            return Err(DemandError::TooLong { part: part(), given, largest: MONTHS_MAX });
        }
        for (offset, &given) in history.quantities.iter().enumerate() {
            let month = history.first.plus(offset as i32);
            if !given.is_finite() || given < 0.0 {
                return Err(DemandError::Quantity { part: part(), month, given });
            }
            if given > QUANTITY_MAX {
                let largest = QUANTITY_MAX;
                return Err(DemandError::TooLarge { part: part(), month, given, largest });
            }
        }
        if let Some(expected) = expected
            && history.last() != expected
        {
            return Err(DemandError::Ragged { part: part(), ends: history.last(), expected });
        }
        if !seen.insert(history.part.as_str()) {
            return Err(DemandError::Twice { part: part() });
        }
    }
    Ok(())
}
