//! The book of stock moves, and what is on hand by it.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::{Lot, LotOnHand, Overruled, Purpose, StockError};
use crate::id::{JobId, KitId, LotId, OrderLineId, PartId, PersonId, SiteId};

/// Why stock moved.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum MoveKind {
    Receipt {
        line: Option<OrderLineId>,
    },
    Issue {
        job: JobId,
        purpose: Purpose,
    },
    ReturnFromJob {
        job: JobId,
    },
    Adjustment {
        reason: String,
    },
    /// What a count found, above or below what the book said.
    Count {
        reason: String,
    },
    /// A kit leaves as a kit and comes back as its loose parts.
    KitOpened {
        kit: KitId,
    },
    TransferOut {
        to: SiteId,
    },
    TransferIn {
        from: SiteId,
    },
    ReturnToSupplier {
        line: Option<OrderLineId>,
        reason: String,
    },
    /// Thrown away.
    Scrapped {
        reason: String,
    },
}

/// One move of one lot at one site.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StockMove {
    pub site: SiteId,
    pub lot: LotId,
    pub on: NaiveDate,
    /// Into the stock above zero, out of it below.
    pub quantity: i64,
    pub kind: MoveKind,
    pub by: PersonId,
    /// A rule that was set aside for this move.
    pub overruled: Option<Overruled>,
}

/// Lots and moves of an organisation.
#[derive(Clone, Debug, Default)]
pub struct StockBook {
    lots: BTreeMap<LotId, Lot>,
    on_hand: BTreeMap<(SiteId, LotId), u32>,
    moves: Vec<StockMove>,
}

impl MoveKind {
    fn reason(&self) -> Option<&str> {
        match self {
            Self::Adjustment { reason }
            | Self::Count { reason }
            | Self::ReturnToSupplier { reason, .. }
            | Self::Scrapped { reason } => Some(reason),
            Self::Receipt { .. }
            | Self::Issue { .. }
            | Self::ReturnFromJob { .. }
            | Self::KitOpened { .. }
            | Self::TransferOut { .. }
            | Self::TransferIn { .. } => None,
        }
    }
}

impl StockBook {
    /// Makes a lot known. The lot is empty until something is received.
    pub fn open_lot(&mut self, lot: Lot) {
        self.lots.insert(lot.id, lot);
    }

    pub fn lot(&self, lot: LotId) -> Option<&Lot> {
        self.lots.get(&lot)
    }

    /// What a site holds of a lot.
    pub fn on_hand(&self, site: SiteId, lot: LotId) -> u32 {
        self.on_hand.get(&(site, lot)).copied().unwrap_or(0)
    }

    /// What a site holds of a part: its lots that are not empty.
    pub fn lots_of(&self, site: SiteId, part: PartId) -> Vec<LotOnHand> {
        let on_site = self.on_hand.range((site, LotId(uuid::Uuid::nil()))..);
        on_site
            .take_while(|((at, _), _)| *at == site)
            .filter(|(_, on_hand)| **on_hand > 0)
            .filter_map(|((_, lot), on_hand)| {
                let lot = self.lots.get(lot).filter(|lot| lot.part == part)?;
                Some(LotOnHand { lot: *lot, on_hand: *on_hand, reserved: 0 })
            })
            .collect()
    }

    /// Appends a move.
    ///
    /// # Errors
    /// Nothing moved, a lot that is not known, more taken than is there, a missing reason, or an
    /// issue that [`Lot::check_issue`] refuses. The book is then as it was.
    pub fn post(&mut self, step: StockMove) -> Result<(), StockError> {
        if step.quantity == 0 {
            return Err(StockError::NothingMoved);
        }
        if step.kind.reason().is_some_and(|reason| reason.trim().is_empty()) {
            return Err(StockError::ReasonMissing);
        }
        let lot = self.lots.get(&step.lot).ok_or(StockError::LotUnknown { lot: step.lot })?;
        if let MoveKind::Issue { purpose, .. } = step.kind {
            lot.check_issue(purpose, step.on, step.overruled.as_ref())?;
        }
        let on_hand = self.on_hand(step.site, step.lot);
        let after = i64::from(on_hand).saturating_add(step.quantity);
        if after < 0 {
            let taken = u32::try_from(step.quantity.unsigned_abs()).unwrap_or(u32::MAX);
            return Err(StockError::Negative { lot: step.lot, on_hand, taken });
        }
        let after = u32::try_from(after).map_err(|_| StockError::TooMany { lot: step.lot })?;
        self.on_hand.insert((step.site, step.lot), after);
        self.moves.push(step);
        Ok(())
    }

    /// What a site held of a lot at the end of a day. Moves entered later for an earlier day count.
    pub fn on_hand_at(&self, site: SiteId, lot: LotId, day: NaiveDate) -> i64 {
        let until = self.moves.iter().filter(|step| step.on <= day);
        until.filter(|step| step.site == site && step.lot == lot).map(|step| step.quantity).sum()
    }

    pub fn moves(&self) -> &[StockMove] {
        &self.moves
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::shelf_life::{Dating, Material, Policy};
    use crate::stock::Origin;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    struct Yard {
        book: StockBook,
        site: SiteId,
        lot: LotId,
        part: PartId,
    }

    fn yard(expires_on: Option<&str>, origin: Origin) -> Yard {
        let (site, part, id) = (SiteId::fresh(), PartId::fresh(), LotId::fresh());
        let dating = Dating { expires_on: expires_on.map(day), ..Dating::default() };
        let policy = Policy::Iso2230 { inspected: false };
        let mut book = StockBook::default();
        book.open_lot(Lot { id, part, origin, material: Material::Nbr, policy, dating });
        Yard { book, site, lot: id, part }
    }

    impl Yard {
        fn post(&mut self, on: &str, quantity: i64, kind: MoveKind) -> Result<(), StockError> {
            self.post_by(on, quantity, kind, None)
        }

        fn post_by(
            &mut self,
            on: &str,
            quantity: i64,
            kind: MoveKind,
            overruled: Option<Overruled>,
        ) -> Result<(), StockError> {
            let (site, lot, by) = (self.site, self.lot, PersonId::fresh());
            self.book.post(StockMove { site, lot, on: day(on), quantity, kind, by, overruled })
        }
    }

    fn seal_job() -> MoveKind {
        MoveKind::Issue { job: JobId::fresh(), purpose: Purpose::Sealing }
    }

    #[test]
    fn stock_at_a_past_day_counts_the_moves_until_then() {
        let mut yard = yard(Some("2030-12-31"), Origin::New);
        yard.post("2026-01-10", 10, MoveKind::Receipt { line: None }).expect("in");
        yard.post("2026-03-05", -4, seal_job()).expect("out");
        yard.post("2026-03-20", 1, MoveKind::ReturnFromJob { job: JobId::fresh() }).expect("back");
        let at = |on: &str| yard.book.on_hand_at(yard.site, yard.lot, day(on));
        assert_eq!(["2026-01-09", "2026-01-10", "2026-03-05", "2026-04-01"].map(at), [0, 10, 6, 7]);
        assert_eq!(yard.book.on_hand(yard.site, yard.lot), 7);
        assert_eq!(yard.book.lots_of(yard.site, yard.part).len(), 1);
        assert!(yard.book.lots_of(SiteId::fresh(), yard.part).is_empty());
    }

    #[test]
    fn a_lot_can_be_emptied_but_not_overdrawn() {
        let mut yard = yard(Some("2030-12-31"), Origin::New);
        yard.post("2026-01-10", 3, MoveKind::Receipt { line: None }).expect("in");
        let error = yard.post("2026-01-11", -4, seal_job()).expect_err("overdrawn");
        assert_eq!(error.rule(), "stock-negative");
        yard.post("2026-01-11", -3, seal_job()).expect("emptied");
        assert_eq!(yard.book.moves().len(), 2);
    }

    #[test]
    fn an_expired_lot_goes_out_only_in_somebodys_name() {
        let mut yard = yard(Some("2026-06-30"), Origin::New);
        yard.post("2026-01-10", 3, MoveKind::Receipt { line: None }).expect("in");
        yard.post("2026-06-30", -1, seal_job()).expect("last good day");
        let error = yard.post("2026-07-01", -1, seal_job()).expect_err("expired");
        assert_eq!(error.rule(), "lot-expired");
        let allowed =
            |reason: &str| Some(Overruled { by: PersonId::fresh(), reason: reason.to_owned() });
        let error = yard.post_by("2026-07-01", -1, seal_job(), allowed("")).expect_err("no reason");
        assert_eq!(error.rule(), "stock-reason-missing");
        yard.post_by("2026-07-01", -1, seal_job(), allowed("inspected, supple")).expect("named");
    }

    #[test]
    fn a_seal_of_unknown_age_or_a_used_one_is_kept_from_sealing() {
        let mut undated = yard(None, Origin::New);
        undated.post("2026-01-10", 3, MoveKind::Receipt { line: None }).expect("in");
        let error = undated.post("2026-01-11", -1, seal_job()).expect_err("unknown");
        assert_eq!(error.rule(), "lot-age-unknown");
        let other = MoveKind::Issue { job: JobId::fresh(), purpose: Purpose::Other };
        undated.post("2026-01-11", -1, other).expect("not a sealing job");

        let mut used = yard(Some("2030-12-31"), Origin::Used { donor: None });
        used.post("2026-01-10", 1, MoveKind::Receipt { line: None }).expect("in");
        let named = Some(Overruled { by: PersonId::fresh(), reason: "looks good".into() });
        let error = used.post_by("2026-01-11", -1, seal_job(), named).expect_err("used");
        assert_eq!(error.rule(), "used-part-for-sealing");
    }

    #[test]
    fn an_adjustment_says_why() {
        let mut yard = yard(None, Origin::New);
        let rule = |result: Result<(), StockError>| result.err().map(|error| error.rule());
        let blank = MoveKind::Adjustment { reason: " ".into() };
        assert_eq!(rule(yard.post("2026-01-10", 1, blank)), Some("stock-reason-missing"));
        let count = MoveKind::Count { reason: "behind the shelf".into() };
        assert_eq!(rule(yard.post("2026-01-10", 0, count.clone())), Some("stock-nothing-moved"));
        assert_eq!(rule(yard.post("2026-01-10", 1, count)), None);
    }

    proptest! {
        #[test]
        fn what_is_on_hand_is_the_sum_of_the_moves(quantities in prop::collection::vec(-20_i64..20, 0..60)) {
            let mut yard = yard(Some("2099-12-31"), Origin::New);
            let mut sum = 0;
            for quantity in quantities {
                let kind = MoveKind::Adjustment { reason: "found".into() };
                if yard.post("2026-01-10", quantity, kind).is_ok() {
                    sum += quantity;
                }
                prop_assert_eq!(i64::from(yard.book.on_hand(yard.site, yard.lot)), sum);
            }
            prop_assert_eq!(yard.book.on_hand_at(yard.site, yard.lot, day("2026-01-10")), sum);
        }
    }
}
