//! Part numbers that follow others: chains, quantity factors, loops.
//!
//! Invariants: a part has at most one successor; no chain comes back to where it began; a factor is
//! a ratio of whole numbers above zero, so a chain of them stays exact.

use std::collections::HashMap;
use std::hash::Hash;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// Whether only the new part does for the old, or each for the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Interchange {
    OneWay,
    Both,
}

/// `new_units` of the new part do the work of `old_units` of the old one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Factor {
    pub new_units: u32,
    pub old_units: u32,
}

/// One part number replaces another.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Supersession<P> {
    pub old: P,
    pub new: P,
    pub factor: Factor,
    pub interchange: Interchange,
    /// The old stock is used before the new part is touched.
    pub use_up_old_first: bool,
    pub from: Option<NaiveDate>,
}

/// The chains of a parts list.
#[derive(Clone, Debug)]
pub struct Supersessions<P> {
    by_old: HashMap<P, Supersession<P>>,
    by_new: HashMap<P, Vec<P>>,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SupersessionError<P: std::fmt::Debug + std::fmt::Display> {
    #[error("{part} follows itself through {}", chain(.through))]
    Loop { part: P, through: Vec<P> },
    #[error("{old} already has the successor {has}; {new} can't be a second one")]
    TwoSuccessors { old: P, has: P, new: P },
    #[error("the factor from {old} to {new} has a zero in it")]
    FactorZero { old: P, new: P },
}

impl<P: std::fmt::Debug + std::fmt::Display> SupersessionError<P> {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::Loop { .. } => "supersession-loop",
            Self::TwoSuccessors { .. } => "supersession-two-successors",
            Self::FactorZero { .. } => "supersession-factor-zero",
        }
    }
}

fn chain<P: std::fmt::Display>(parts: &[P]) -> String {
    parts.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
}

impl Factor {
    pub const ONE: Self = Self { new_units: 1, old_units: 1 };

    /// This factor, then `next`.
    fn then(self, next: Self) -> Self {
        let new_units = u64::from(self.new_units) * u64::from(next.new_units);
        let old_units = u64::from(self.old_units) * u64::from(next.old_units);
        let shared = greatest_common_divisor(new_units, old_units);
        let narrow = |units: u64| u32::try_from(units / shared).unwrap_or(u32::MAX);
        Self { new_units: narrow(new_units), old_units: narrow(old_units) }
    }

    /// Units of the new part that do for `old` units of the old one, rounded up: half a part can't
    /// be fitted.
    pub const fn new_for(self, old: u64) -> u64 {
        (old * self.new_units as u64).div_ceil(self.old_units as u64)
    }

    /// Whole units of the old part's work that `new` units of the new part do, rounded down.
    pub const fn old_from(self, new: u64) -> u64 {
        new * self.old_units as u64 / self.new_units as u64
    }
}

const fn greatest_common_divisor(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { greatest_common_divisor(b, a % b) }
}

impl<P> Supersessions<P>
where
    P: Copy + Eq + Hash + Ord + std::fmt::Debug + std::fmt::Display,
{
    /// # Errors
    /// A loop, a second successor of one part, or a zero in a factor.
    pub fn new(rows: &[Supersession<P>]) -> Result<Self, SupersessionError<P>> {
        let mut by_old: HashMap<P, Supersession<P>> = HashMap::new();
        let mut by_new: HashMap<P, Vec<P>> = HashMap::new();
        for row in rows {
            if row.factor.new_units == 0 || row.factor.old_units == 0 {
                return Err(SupersessionError::FactorZero { old: row.old, new: row.new });
            }
            if let Some(has) = by_old.insert(row.old, *row) {
                let (old, new) = (row.old, row.new);
                return Err(SupersessionError::TwoSuccessors { old, has: has.new, new });
            }
            by_new.entry(row.new).or_default().push(row.old);
        }
        by_new.values_mut().for_each(|olds| olds.sort_unstable());
        let table = Self { by_old, by_new };
        for row in rows {
            table.refuse_loop(row.old)?;
        }
        Ok(table)
    }

    fn refuse_loop(&self, start: P) -> Result<(), SupersessionError<P>> {
        let mut through = Vec::new();
        let mut part = start;
        while let Some(row) = self.by_old.get(&part) {
            part = row.new;
            if part == start {
                through.push(part);
                return Err(SupersessionError::Loop { part: start, through });
            }
            // A loop further down is reported for the part that is on it.
            if through.contains(&part) {
                return Ok(());
            }
            through.push(part);
        }
        Ok(())
    }

    /// The last number of the chain in force on `day`, and how many of it do for one of `part`.
    pub fn current(&self, part: P, day: NaiveDate) -> (P, Factor) {
        let (mut last, mut factor) = (part, Factor::ONE);
        while let Some(row) = self.by_old.get(&last) {
            if row.from.is_some_and(|from| from > day) {
                break;
            }
            factor = factor.then(row.factor);
            last = row.new;
        }
        (last, factor)
    }

    /// Parts that do for `part` on `day`, in the order in which they are to be used: old stock first
    /// where the row says so, itself, then its successors; earlier numbers also where they
    /// interchange both ways. Each with how many of it do for how many of `part`.
    pub fn stand_ins(&self, part: P, day: NaiveDate) -> Vec<(P, Factor)> {
        let mut first = Vec::new();
        let mut last = Vec::new();
        self.collect_older(part, Factor::ONE, day, &mut first, &mut last);
        first.push((part, Factor::ONE));
        let (mut newer, mut factor) = (part, Factor::ONE);
        while let Some(row) = self.by_old.get(&newer) {
            if row.from.is_some_and(|from| from > day) {
                break;
            }
            factor = factor.then(row.factor);
            newer = row.new;
            first.push((newer, factor));
        }
        first.extend(last);
        first
    }

    fn collect_older(
        &self,
        part: P,
        factor: Factor,
        day: NaiveDate,
        first: &mut Vec<(P, Factor)>,
        last: &mut Vec<(P, Factor)>,
    ) {
        for old in self.by_new.get(&part).into_iter().flatten() {
            let row = &self.by_old[old];
            let in_force = row.from.is_none_or(|from| from <= day);
            if row.interchange == Interchange::OneWay || !in_force {
                continue;
            }
            let back = Factor { new_units: row.factor.old_units, old_units: row.factor.new_units };
            let back = factor.then(back);
            let list = if row.use_up_old_first { &mut *first } else { &mut *last };
            list.push((*old, back));
            self.collect_older(*old, back, day, first, last);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    fn row(
        old: &'static str,
        new: &'static str,
        new_units: u32,
        old_units: u32,
    ) -> Supersession<&'static str> {
        Supersession {
            old,
            new,
            factor: Factor { new_units, old_units },
            interchange: Interchange::OneWay,
            use_up_old_first: false,
            from: None,
        }
    }

    #[test]
    fn a_chain_multiplies_its_factors() {
        let table =
            Supersessions::new(&[row("a", "b", 2, 1), row("b", "c", 1, 4)]).expect("no loop");
        let (last, factor) = table.current("a", day("2026-05-01"));
        assert_eq!((last, factor), ("c", Factor { new_units: 1, old_units: 2 }));
        assert_eq!([1, 2, 3].map(|old| factor.new_for(old)), [1, 1, 2]);
        assert_eq!(factor.old_from(3), 6);
    }

    #[test]
    fn a_chain_stops_at_a_step_not_yet_in_force() {
        let later = Supersession { from: Some(day("2027-01-01")), ..row("b", "c", 1, 1) };
        let table = Supersessions::new(&[row("a", "b", 1, 1), later]).expect("no loop");
        assert_eq!(table.current("a", day("2026-12-31")).0, "b");
        assert_eq!(table.current("a", day("2027-01-01")).0, "c");
    }

    #[test]
    fn loops_and_second_successors_are_refused() {
        let rule = |rows: &[Supersession<&'static str>]| {
            Supersessions::new(rows).err().map(|error| error.rule())
        };
        assert_eq!(rule(&[row("a", "a", 1, 1)]), Some("supersession-loop"));
        let ring = [row("a", "b", 1, 1), row("b", "c", 1, 1), row("c", "a", 1, 1)];
        assert_eq!(rule(&ring), Some("supersession-loop"));
        assert_eq!(rule(&ring[..2]), None);
        assert_eq!(
            rule(&[row("a", "b", 1, 1), row("a", "c", 1, 1)]),
            Some("supersession-two-successors")
        );
        assert_eq!(rule(&[row("a", "b", 0, 1)]), Some("supersession-factor-zero"));
        let led_in = [row("x", "a", 1, 1), row("a", "b", 1, 1), row("b", "a", 1, 1)];
        let error = Supersessions::new(&led_in).expect_err("a loop");
        assert_eq!(error.to_string(), "a follows itself through b, a");
    }

    #[test]
    fn old_stock_stands_in_only_where_both_interchange() {
        let both = Supersession {
            interchange: Interchange::Both,
            use_up_old_first: true,
            ..row("old", "new", 1, 2)
        };
        let today = day("2026-05-01");
        let order = |rows: &[Supersession<&'static str>]| {
            let table = Supersessions::new(rows).expect("no loop");
            table.stand_ins("new", today).into_iter().map(|(part, _)| part).collect::<Vec<_>>()
        };
        assert_eq!(order(&[both]), ["old", "new"]);
        assert_eq!(order(&[Supersession { use_up_old_first: false, ..both }]), ["new", "old"]);
        assert_eq!(order(&[row("old", "new", 1, 2)]), ["new"]);
        let table = Supersessions::new(&[both]).expect("no loop");
        let stand_ins = table.stand_ins("new", today);
        assert_eq!(stand_ins[0].1, Factor { new_units: 2, old_units: 1 });
    }
}
