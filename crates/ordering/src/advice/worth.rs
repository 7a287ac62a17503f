//! Whether the last units of a fill rate are worth holding.
//!
//! A fill rate is a share of the demand. Of a part of which hardly one is needed until the next
//! delivery it asks for a second one on the shelf to serve what comes once in decades. There each
//! unit is weighed: the boat-days that it keeps in a year, at what a boat-day costs, against a year
//! of holding it. That is the newsvendor's comparison unit by unit (Sherbrooke 1968, Operations
//! Research 16:122-141, prices back orders the same way); the bound below which it is made is own
//! choice.

use crate::requirement::Requirement;

/// Units (of a fluid, fillings) needed on average until the next delivery, from which on the fill
/// rate is kept to.
const HARDLY_ONE: f64 = 1.0;

/// What holding one more of a part brings and costs.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stakes {
    /// Units needed in a year on average.
    pub in_year: f64,
    pub boat_days_per_unit: f64,
    /// Minor units of the base currency.
    pub boat_day: f64,
    /// Holding one unit for a year, minor units of the base currency.
    pub holding: f64,
    /// Units that leave together.
    pub issue_size: i64,
}

/// The unit at which the weighing ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Weighed {
    /// Whether it is held; else it is the first that is not.
    pub held: bool,
    /// Boat-days that it keeps in a year.
    pub kept_a_year: f64,
    /// A year of holding it, minor units of the base currency.
    pub holding: f64,
}

impl Stakes {
    /// `level` less the units that cost more to hold than the boat-days that they keep.
    pub(super) fn worth_holding(
        self,
        requirement: &Requirement,
        level: i64,
    ) -> (i64, Option<Weighed>) {
        let step = self.issue_size.max(1);
        if requirement.at_next.mean() >= HARDLY_ONE * step as f64 {
            return (level, None);
        }
        let (mut level, mut weighed) = (level, None);
        while level > 0 {
            let below = (level - step).max(0);
            let served = requirement.fill_rate(level) - requirement.fill_rate(below);
            let kept_a_year = served * self.in_year * self.boat_days_per_unit;
            let holding = self.holding * (level - below) as f64;
            if kept_a_year * self.boat_day >= holding {
                // What was not worth it says more than what is.
                weighed = weighed.or(Some(Weighed { held: true, kept_a_year, holding }));
                break;
            }
            (level, weighed) = (below, Some(Weighed { held: false, kept_a_year, holding }));
        }
        (level, weighed)
    }
}
