//! Kits: several loose parts under one number.
//!
//! Invariants: a kit and its loose parts are the same physical things, so demand is counted in loose
//! parts only; a kit that is opened leaves the stock as a kit and comes back as its parts, which
//! inherit its dates; no kit contains itself.

use std::collections::{BTreeMap, HashMap};

use serde::{Deserialize, Serialize};

use crate::id::{LotId, PartId};
use crate::part::{DatedBy, Lot};
use crate::stock::{LotOnHand, StockError};

/// So many of a part in one kit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct KitLine {
    pub part: PartId,
    pub quantity: u32,
}

/// What each kit holds, kits inside kits allowed.
#[derive(Clone, Debug, Default)]
pub struct Kits {
    contents: HashMap<PartId, Vec<KitLine>>,
}

/// A loose lot that comes out of an opened kit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LooseLot {
    pub lot: Lot,
    pub quantity: u32,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum KitError {
    #[error("kit {kit} contains itself")]
    Loop { kit: PartId },
    #[error("kit {kit} holds none of {part}; leave the line out")]
    NothingOf { kit: PartId, part: PartId },
    #[error("{part} stands twice in kit {kit}; add the lines up")]
    Twice { kit: PartId, part: PartId },
    #[error("{part} is not a kit, it can't be opened")]
    NotAKit { part: PartId },
    #[error(transparent)]
    Stock(#[from] StockError),
}

impl KitError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::Loop { .. } => "kit-loop",
            Self::NothingOf { .. } => "kit-nothing-of",
            Self::Twice { .. } => "kit-line-twice",
            Self::NotAKit { .. } => "not-a-kit",
            Self::Stock(error) => error.rule(),
        }
    }
}

impl Kits {
    /// # Errors
    /// A kit that contains itself, a line of nothing, a part that stands twice.
    pub fn new(rows: &[(PartId, KitLine)]) -> Result<Self, KitError> {
        let mut contents: HashMap<PartId, Vec<KitLine>> = HashMap::new();
        for &(kit, line) in rows {
            if line.quantity == 0 {
                return Err(KitError::NothingOf { kit, part: line.part });
            }
            let lines = contents.entry(kit).or_default();
            if lines.iter().any(|earlier| earlier.part == line.part) {
                return Err(KitError::Twice { kit, part: line.part });
            }
            lines.push(line);
        }
        let kits = Self { contents };
        let mut settled = HashMap::new();
        for &(kit, _) in rows {
            kits.refuse_loop(kit, &mut settled)?;
        }
        Ok(kits)
    }

    /// `settled`: false while a kit is being looked into, true afterwards.
    fn refuse_loop(
        &self,
        kit: PartId,
        settled: &mut HashMap<PartId, bool>,
    ) -> Result<(), KitError> {
        match settled.get(&kit) {
            Some(true) => return Ok(()),
            Some(false) => return Err(KitError::Loop { kit }),
            None => {}
        }
        settled.insert(kit, false);
        for line in self.contents.get(&kit).into_iter().flatten() {
            self.refuse_loop(line.part, settled)?;
        }
        settled.insert(kit, true);
        Ok(())
    }

    pub fn is_kit(&self, part: PartId) -> bool {
        self.contents.contains_key(&part)
    }

    /// What one kit holds directly.
    pub fn lines(&self, kit: PartId) -> &[KitLine] {
        self.contents.get(&kit).map_or(&[], Vec::as_slice)
    }

    /// The loose parts in `quantity` of a part, kits inside kits taken apart; the part itself where
    /// it is no kit. Sorted by part.
    pub fn loose(&self, part: PartId, quantity: u64) -> Vec<(PartId, u64)> {
        let mut sums = BTreeMap::new();
        self.add_loose(part, quantity, &mut sums);
        sums.into_iter().collect()
    }

    fn add_loose(&self, part: PartId, quantity: u64, sums: &mut BTreeMap<PartId, u64>) {
        let Some(lines) = self.contents.get(&part) else {
            let sum = sums.entry(part).or_insert(0);
            *sum = sum.saturating_add(quantity);
            return;
        };
        for line in lines {
            self.add_loose(line.part, quantity.saturating_mul(u64::from(line.quantity)), sums);
        }
    }

    /// The loose lots that come out of `count` kits of a lot. Each inherits the kit's dates and
    /// condition: a seal is as old out of the bag as in it. What `ages` does not name among them
    /// lasts.
    ///
    /// # Errors
    /// Not a kit, or more than is free.
    pub fn open(
        &self,
        kit: &LotOnHand,
        count: u32,
        ages: impl Fn(PartId) -> bool,
    ) -> Result<Vec<LooseLot>, KitError> {
        let part = kit.lot.part;
        let lines = self.contents.get(&part).ok_or(KitError::NotAKit { part })?;
        if count > kit.free() {
            let (lot, free) = (kit.lot.id, kit.free());
            return Err(StockError::AlreadyPromised { lot, free, wanted: count }.into());
        }
        let loose = lines.iter().map(|line| {
            let mut lot =
                Lot { id: LotId::fresh(), version: 1, part: line.part, ..kit.lot.clone() };
            if !ages(line.part) {
                lot.expires_on = None;
                lot.dated_by = DatedBy::Receipt;
            }
            LooseLot { lot, quantity: count.saturating_mul(line.quantity) }
        });
        Ok(loose.collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::lot::tests::{day, lot};

    fn parts<const N: usize>() -> [PartId; N] {
        std::array::from_fn(|_| PartId::fresh())
    }

    fn line(part: PartId, quantity: u32) -> KitLine {
        KitLine { part, quantity }
    }

    #[test]
    fn a_kit_in_a_kit_is_counted_in_loose_parts_once() {
        let [reseal, pump, seal, gasket, impeller] = parts();
        let kits = Kits::new(&[
            (reseal, line(seal, 2)),
            (reseal, line(gasket, 1)),
            (reseal, line(pump, 1)),
            (pump, line(impeller, 1)),
            (pump, line(gasket, 1)),
        ])
        .expect("no loop");
        assert_eq!(kits.loose(reseal, 3), [(seal, 6), (gasket, 6), (impeller, 3)]);
        assert_eq!(kits.loose(seal, 3), [(seal, 3)]);
    }

    #[test]
    fn kits_that_mean_nothing_are_refused() {
        let [a, b, c] = parts();
        let rule = |rows: &[(PartId, KitLine)]| Kits::new(rows).err().map(|error| error.rule());
        assert_eq!(rule(&[(a, line(b, 1)), (b, line(c, 1)), (c, line(a, 1))]), Some("kit-loop"));
        assert_eq!(rule(&[(a, line(a, 1))]), Some("kit-loop"));
        assert_eq!(rule(&[(a, line(b, 0))]), Some("kit-nothing-of"));
        assert_eq!(rule(&[(a, line(b, 1)), (a, line(b, 2))]), Some("kit-line-twice"));
        assert_eq!(rule(&[(a, line(b, 1)), (a, line(c, 1)), (b, line(c, 1))]), None);
    }

    #[test]
    fn an_opened_kit_becomes_parts_as_old_as_it_was() {
        let [kit, seal, pin] = parts();
        let kits = Kits::new(&[(kit, line(seal, 2)), (kit, line(pin, 1))]).expect("no loop");
        let lot = Lot {
            received_on: Some(day("2024-05-01")),
            dated_by: DatedBy::Receipt,
            ..lot(kit, Some("2031-05-01"))
        };
        let mut shelf = LotOnHand { lot, on_hand: 3, reserved: 1 };
        let ages = |part| part == seal;
        let loose = kits.open(&shelf, 2, ages).expect("two are free");
        assert_eq!(loose.iter().map(|loose| loose.quantity).collect::<Vec<_>>(), [4, 2]);
        assert_eq!(loose[0].lot.freshness().sentence(), "until 2031-05-01, dated by receipt");
        assert_eq!(loose[1].lot.freshness().sentence(), "no limit");
        assert_eq!(kits.open(&shelf, 3, ages).map_err(|e| e.rule()), Err("already-promised"));
        shelf.lot.part = seal;
        assert_eq!(kits.open(&shelf, 1, ages).map_err(|e| e.rule()), Err("not-a-kit"));
    }
}
