//! How far a task has gone through its interval, in classes.

/// Shares of a limb at which the next class begins: below half says little, around the limit much.
const EDGES: [f64; 7] = [0.5, 0.7, 0.85, 0.95, 1.0, 1.1, 1.3];
/// Classes of a limb.
pub const CLASSES: usize = EDGES.len() + 1;
/// The first class at which a limb is reached.
const REACHED: usize = 5;
/// The first class at which a limb is nearly reached.
const NEAR: usize = 3;

/// Shares of both limbs of an interval that are used, in classes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Gone {
    pub hours: usize,
    pub months: usize,
}

/// How a task stands, roughly.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Standing {
    Early,
    Near,
    /// By the months limb alone.
    DueByMonths,
    /// By the hours limb, or both.
    DueByHours,
}

/// The number of standings.
pub const STANDINGS: usize = 4;

impl Gone {
    /// Of shares used; a limb that there is none of counts as not begun.
    pub fn of(hours: Option<f64>, months: Option<f64>) -> Self {
        let class = |share: Option<f64>| {
            share.map_or(0, |share| EDGES.iter().take_while(|edge| share >= **edge).count())
        };
        Self { hours: class(hours), months: class(months) }
    }

    pub const fn standing(self) -> Standing {
        if self.hours >= REACHED {
            Standing::DueByHours
        } else if self.months >= REACHED {
            Standing::DueByMonths
        } else if self.hours >= NEAR || self.months >= NEAR {
            Standing::Near
        } else {
            Standing::Early
        }
    }

    /// Place in a table of all classes.
    pub const fn place(self) -> usize {
        self.hours * CLASSES + self.months
    }

    /// The farther limb's class.
    pub const fn farther(self) -> usize {
        if self.hours > self.months { self.hours } else { self.months }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limb_is_reached_at_its_limit_and_not_before() {
        let standing = |hours, months| Gone::of(hours, months).standing();
        assert_eq!(standing(Some(0.2), Some(0.4)), Standing::Early);
        assert_eq!(standing(Some(0.99), None), Standing::Near);
        assert_eq!(standing(Some(1.0), None), Standing::DueByHours);
        assert_eq!(standing(None, Some(1.5)), Standing::DueByMonths);
        assert_eq!(standing(Some(2.0), Some(1.5)), Standing::DueByHours);
        assert_eq!(standing(None, None), Standing::Early);
        assert!(Gone::of(Some(9.0), Some(9.0)).place() < CLASSES * CLASSES);
    }
}
