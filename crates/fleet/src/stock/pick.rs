//! Picking and promising: what expires first goes out first, and nothing goes to two jobs.

use std::collections::HashMap;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::{LotOnHand, StockError};
use crate::id::{LotId, PartId};
use crate::job::Shortage;
use crate::part::LotCondition;
use crate::shelf_life::Freshness;

/// What a job needs a part for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Purpose {
    /// Keeps water out or oil in: seals, O-rings, gaskets. Neither used nor undated parts.
    Sealing,
    Other,
}

/// So many of a lot.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pick {
    pub lot: LotId,
    pub quantity: u32,
}

/// Why a lot that is there was passed over.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RefusalReason {
    Expired,
    AgeUnknown,
    Used,
}

/// A lot that was passed over, and why.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Refusal {
    pub lot: LotId,
    pub free: u32,
    pub reason: RefusalReason,
}

/// What was found for a want.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Picked {
    pub picks: Vec<Pick>,
    pub missing: u32,
    pub refused: Vec<Refusal>,
}

/// What a job wants of a part.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Want {
    pub part: PartId,
    pub quantity: u32,
    pub purpose: Purpose,
}

/// What can be kept back for a job.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Promise {
    /// All of it.
    Kitted { picks: Vec<Pick> },
    /// Part of it: what is there is kept back, the rest is named.
    Short { picks: Vec<Pick>, of: Vec<Shortage> },
}

/// Picks `quantity` from lots of one part, what expires first first. Lots without a limit come
/// after those with one, lots of unknown age after them, used parts last; among equals the older
/// lot. Only what is not promised to somebody else is picked.
pub fn pick(lots: &[LotOnHand], quantity: u32, purpose: Purpose, today: NaiveDate) -> Picked {
    let mut picked = Picked::default();
    let mut usable = Vec::new();
    for lot in lots.iter().filter(|lot| lot.free() > 0) {
        let reason = match lot.lot.check_issue(purpose, today, None) {
            Ok(()) => {
                usable.push(lot);
                continue;
            }
            Err(StockError::UsedForSealing { .. }) => RefusalReason::Used,
            Err(StockError::AgeUnknown { .. }) => RefusalReason::AgeUnknown,
            Err(_) => RefusalReason::Expired,
        };
        picked.refused.push(Refusal { lot: lot.lot.id, free: lot.free(), reason });
    }
    usable.sort_by_key(|lot| {
        let used = lot.lot.condition == LotCondition::Used;
        let (class, day) = match lot.lot.freshness() {
            Freshness::Until { day, .. } => (0, day),
            Freshness::Unlimited => (1, NaiveDate::MAX),
            Freshness::Unknown { .. } => (2, NaiveDate::MAX),
        };
        (used, class, day, lot.lot.id)
    });
    picked.missing = quantity;
    for lot in usable {
        let taken = lot.free().min(picked.missing);
        if taken == 0 {
            break;
        }
        picked.picks.push(Pick { lot: lot.lot.id, quantity: taken });
        picked.missing -= taken;
    }
    picked
}

/// Finds what can be kept back for a job. Wants of one part are served in the order given and never
/// get the same thing twice. `expected` gives the day on which more of a part arrives.
pub fn promise(
    lots: &[LotOnHand],
    wants: &[Want],
    today: NaiveDate,
    expected: impl Fn(PartId) -> Option<NaiveDate>,
) -> Promise {
    let mut by_part: HashMap<PartId, Vec<LotOnHand>> = HashMap::new();
    for lot in lots {
        by_part.entry(lot.lot.part).or_default().push(lot.clone());
    }
    let mut picks: Vec<Pick> = Vec::new();
    let mut of: Vec<Shortage> = Vec::new();
    for want in wants {
        let shelf = by_part.entry(want.part).or_default();
        let picked = pick(shelf, want.quantity, want.purpose, today);
        for pick in &picked.picks {
            let lot = shelf.iter_mut().find(|lot| lot.lot.id == pick.lot);
            // Kept back at once, so that the next want sees what is left.
            if let Some(lot) = lot {
                lot.reserved += pick.quantity;
            }
            match picks.iter_mut().find(|earlier| earlier.lot == pick.lot) {
                Some(earlier) => earlier.quantity += pick.quantity,
                None => picks.push(*pick),
            }
        }
        if picked.missing > 0 {
            match of.iter_mut().find(|shortage| shortage.part == want.part) {
                Some(shortage) => shortage.missing += picked.missing,
                None => of.push(Shortage {
                    part: want.part,
                    missing: picked.missing,
                    until: expected(want.part),
                }),
            }
        }
    }
    if of.is_empty() { Promise::Kitted { picks } } else { Promise::Short { picks, of } }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::stock::lot::tests::{day, lot as dated};

    fn lot(part: PartId, expires_on: Option<&str>, on_hand: u32) -> LotOnHand {
        LotOnHand { lot: dated(part, expires_on), on_hand, reserved: 0 }
    }

    #[test]
    fn what_expires_first_goes_first() {
        let part = PartId::fresh();
        let lots = [
            lot(part, Some("2030-12-31"), 5),
            lot(part, Some("2027-03-31"), 2),
            lot(part, Some("2026-06-30"), 9),
            lot(part, None, 9),
        ];
        let picked = pick(&lots, 8, Purpose::Sealing, day("2026-11-25"));
        let taken: Vec<_> = picked.picks.iter().map(|pick| (pick.lot, pick.quantity)).collect();
        assert_eq!(taken, [(lots[1].lot.id, 2), (lots[0].lot.id, 5)]);
        assert_eq!(picked.missing, 1);
        let reasons: Vec<_> = picked.refused.iter().map(|refusal| refusal.reason).collect();
        assert_eq!(reasons, [RefusalReason::Expired, RefusalReason::AgeUnknown]);
        let other = pick(&lots, 8, Purpose::Other, day("2026-11-25"));
        assert_eq!(other.missing, 0);
    }

    #[test]
    fn a_used_part_goes_to_no_sealing_job_and_last_to_others() {
        let part = PartId::fresh();
        let mut used = lot(part, Some("2027-01-31"), 3);
        used.lot.condition = LotCondition::Used;
        let lots = [used, lot(part, Some("2031-01-31"), 1)];
        let sealing = pick(&lots, 2, Purpose::Sealing, day("2026-11-25"));
        assert_eq!((sealing.missing, sealing.refused[0].reason), (1, RefusalReason::Used));
        let other = pick(&lots, 2, Purpose::Other, day("2026-11-25"));
        assert_eq!(other.picks[0].lot, lots[1].lot.id);
        assert_eq!(other.missing, 0);
    }

    #[test]
    fn the_same_kit_is_not_promised_twice() {
        let part = PartId::fresh();
        let lots = [lot(part, Some("2030-12-31"), 1)];
        let want = Want { part, quantity: 1, purpose: Purpose::Sealing };
        let today = day("2026-11-25");
        let arrives = Some(day("2026-12-09"));
        let Promise::Short { picks, of } = promise(&lots, &[want, want], today, |_| arrives) else {
            panic!("two got what one can have");
        };
        assert_eq!(picks, [Pick { lot: lots[0].lot.id, quantity: 1 }]);
        assert_eq!(of, [Shortage { part, missing: 1, until: arrives }]);

        let mut last = lots[0].clone();
        last.reserve(1).expect("free");
        assert_eq!(last.reserve(1).map_err(|error| error.rule()), Err("already-promised"));
        let after = promise(&[last], &[want], today, |_| None);
        assert!(matches!(after, Promise::Short { picks, .. } if picks.is_empty()));
    }

    proptest! {
        #[test]
        fn never_more_is_promised_than_is_free(
            stock in prop::collection::vec((0_u32..6, 0_u32..3, 0_u32..4), 1..8),
            wanted in prop::collection::vec(0_u32..5, 1..6),
        ) {
            let part = PartId::fresh();
            let dates = [Some("2026-11-30"), Some("2028-01-31"), None, Some("2020-01-31")];
            let lots: Vec<LotOnHand> = stock
                .iter()
                .map(|(on_hand, reserved, kind)| LotOnHand {
                    reserved: (*reserved).min(*on_hand),
                    ..lot(part, dates[*kind as usize], *on_hand)
                })
                .collect();
            let wants: Vec<Want> = wanted
                .iter()
                .map(|quantity| Want { part, quantity: *quantity, purpose: Purpose::Sealing })
                .collect();
            let (picks, missing) = match promise(&lots, &wants, day("2026-11-25"), |_| None) {
                Promise::Kitted { picks } => (picks, 0),
                Promise::Short { picks, of } => (picks, of.iter().map(|row| row.missing).sum()),
            };
            for pick in &picks {
                let lot = lots.iter().find(|lot| lot.lot.id == pick.lot).expect("one of ours");
                prop_assert!(pick.quantity <= lot.free());
            }
            let kept: u32 = picks.iter().map(|pick| pick.quantity).sum();
            prop_assert_eq!(kept + missing, wanted.iter().sum::<u32>());
        }
    }
}
