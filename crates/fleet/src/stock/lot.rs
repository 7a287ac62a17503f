//! A lot: parts that came together and age together.

use chrono::NaiveDate;

use super::{Overruled, Purpose, StockError};
use crate::part::{DatedBy, Lot, LotCondition};
use crate::shelf_life::{Basis, CureQuarter, Dating, Freshness, Material, Policy, Unknown};

/// A lot as it lies on the shelf of a site.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LotOnHand {
    pub lot: Lot,
    pub on_hand: u32,
    /// Kept back for agreed jobs.
    pub reserved: u32,
}

impl Lot {
    /// The lot with its last good day worked out, where neither label nor file gives one and the
    /// part keeps for so many months: from the end of the quarter of its cure, else from its receipt.
    /// Without either its age is unknown.
    #[must_use]
    pub fn aged(self, shelf_life_months: Option<u32>) -> Self {
        let Some(months) = shelf_life_months.filter(|_| self.expires_on.is_none()) else {
            return self;
        };
        let cured = self.cured_on.map(CureQuarter::of);
        let dating = Dating { expires_on: None, cured, received_on: self.received_on };
        // A policy of one's own holds for whatever ages.
        let policy = Policy::Own { months };
        let (expires_on, dated_by) = dates_of(policy, Material::Nbr, dating);
        Self { expires_on, dated_by, ..self }
    }

    /// Until when the lot may be fitted, as its dates say.
    pub fn freshness(&self) -> Freshness {
        let basis = match self.dated_by {
            DatedBy::Unknown => return Freshness::Unknown { why: Unknown::NoDate },
            DatedBy::Cure => Basis::Cure,
            DatedBy::Label => Basis::Printed,
            DatedBy::Receipt => Basis::Receipt,
        };
        self.expires_on.map_or(Freshness::Unlimited, |day| Freshness::Until { day, basis })
    }

    /// Says whether the lot may come in on `received_on`: what is past its last good day by then, or
    /// was cured longer ago than is likely, is mostly a slip of the pen, and else a bag that nobody
    /// may fit.
    ///
    /// # Errors
    /// Either of them, where no named person takes it with a reason.
    pub fn check_receipt(
        &self,
        received_on: NaiveDate,
        overruled: Option<&Overruled>,
    ) -> Result<(), StockError> {
        let freshness = self.freshness();
        let cured = self.cured_on.map(CureQuarter::of);
        let broken = match (freshness.last_day(), cured) {
            (Some(last), _) if freshness.is_expired(received_on) => {
                StockError::ReceivedExpired { last, received_on }
            }
            (_, Some(cured)) if cured.is_doubtful(received_on) => {
                StockError::CuredLongAgo { cured, received_on }
            }
            _ => return Ok(()),
        };
        overruled.map_or(Err(broken), Overruled::check)
    }

    /// Says whether the lot may go to a job on `today`. Age counts for everything that ages; a seal
    /// of unknown age is no fresh seal.
    ///
    /// # Errors
    /// A used part for a sealing job, whoever asks; an expired lot, or a seal of unknown age, that
    /// no named person allows.
    pub fn check_issue(
        &self,
        purpose: Purpose,
        today: NaiveDate,
        overruled: Option<&Overruled>,
    ) -> Result<(), StockError> {
        if purpose == Purpose::Sealing && self.condition == LotCondition::Used {
            return Err(StockError::UsedForSealing { lot: self.id });
        }
        let freshness = self.freshness();
        let broken = if freshness.is_expired(today) {
            StockError::Expired { lot: self.id, freshness: freshness.sentence() }
        } else if purpose == Purpose::Sealing && matches!(freshness, Freshness::Unknown { .. }) {
            StockError::AgeUnknown { lot: self.id, freshness: freshness.sentence() }
        } else {
            return Ok(());
        };
        overruled.map_or(Err(broken), Overruled::check)
    }
}

impl LotOnHand {
    /// What may still be promised.
    pub const fn free(&self) -> u32 {
        self.on_hand.saturating_sub(self.reserved)
    }

    /// Keeps `quantity` back.
    ///
    /// # Errors
    /// More than is free: somebody else was promised it.
    pub fn reserve(&mut self, quantity: u32) -> Result<(), StockError> {
        let free = self.free();
        if quantity > free {
            let lot = self.lot.id;
            return Err(StockError::AlreadyPromised { lot, free, wanted: quantity });
        }
        self.reserved += quantity;
        Ok(())
    }
}

/// What a lot's dates come to under a policy: its last good day and how that is known.
///
/// A material that the policy has no figure for is dated by nothing.
pub fn dates_of(
    policy: Policy,
    material: Material,
    dating: Dating,
) -> (Option<NaiveDate>, DatedBy) {
    match policy.freshness(material, dating) {
        Freshness::Until { day, basis } => {
            let dated_by = match basis {
                Basis::Printed => DatedBy::Label,
                Basis::Cure => DatedBy::Cure,
                Basis::Receipt => DatedBy::Receipt,
            };
            (Some(day), dated_by)
        }
        Freshness::Unlimited if dating.cured.is_some() => (None, DatedBy::Cure),
        // What lasts needs no date to be good.
        Freshness::Unlimited => (None, DatedBy::Receipt),
        Freshness::Unknown { .. } => (None, DatedBy::Unknown),
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::id::{LotId, PartId, PersonId};

    pub fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    /// A lot by its printed date; without one, of unknown age.
    pub fn lot(part: PartId, expires_on: Option<&str>) -> Lot {
        Lot {
            id: LotId::fresh(),
            version: 1,
            part,
            code: None,
            cured_on: None,
            received_on: None,
            expires_on: expires_on.map(day),
            dated_by: if expires_on.is_some() { DatedBy::Label } else { DatedBy::Unknown },
            condition: LotCondition::New,
            donor: None,
            receipt_line: None,
        }
    }

    pub fn named(reason: &str) -> Overruled {
        Overruled { by: PersonId::fresh(), reason: reason.to_owned() }
    }

    fn refused(
        lot: &Lot,
        purpose: Purpose,
        on: &str,
        overruled: Option<&Overruled>,
    ) -> Option<&'static str> {
        lot.check_issue(purpose, day(on), overruled).err().map(|error| error.rule())
    }

    #[test]
    fn an_expired_lot_goes_out_only_in_somebodys_name() {
        let lot = lot(PartId::fresh(), Some("2026-06-30"));
        assert_eq!(refused(&lot, Purpose::Sealing, "2026-06-30", None), None);
        for purpose in [Purpose::Sealing, Purpose::Other] {
            assert_eq!(refused(&lot, purpose, "2026-07-01", None), Some("lot-expired"));
            let blank = named(" ");
            assert_eq!(
                refused(&lot, purpose, "2026-07-01", Some(&blank)),
                Some("stock-reason-missing")
            );
            let allowed = named("inspected, supple");
            assert_eq!(refused(&lot, purpose, "2026-07-01", Some(&allowed)), None);
        }
    }

    #[test]
    fn a_lot_that_is_past_its_day_comes_in_only_in_somebodys_name() {
        let part = PartId::fresh();
        let rule = |lot: &Lot, overruled: Option<&Overruled>| {
            lot.check_receipt(day("2026-11-24"), overruled).err().map(|error| error.rule())
        };
        let taken = named("for the bench's trials");
        let old = lot(part, Some("2026-11-23"));
        assert_eq!(rule(&old, None), Some("received-expired"));
        assert_eq!(rule(&old, Some(&named(" "))), Some("stock-reason-missing"));
        assert_eq!(rule(&old, Some(&taken)), None);
        assert_eq!(rule(&lot(part, Some("2026-11-24")), None), None, "good on its last day");
        assert_eq!(rule(&lot(part, None), None), None);
        let lasting =
            Lot { cured_on: Some(day("1994-09-30")), dated_by: DatedBy::Cure, ..lot(part, None) };
        assert_eq!(rule(&lasting, None), Some("cure-quarter-long-ago"));
        assert_eq!(rule(&lasting, Some(&taken)), None);
    }

    /// The quarter of 2024-03-31 ends on that day; a lot without any date gets no day of its own.
    #[test]
    fn a_lot_ages_by_its_label_then_its_cure_then_its_receipt() {
        let bare = lot(PartId::fresh(), None);
        let cured = Lot { cured_on: Some(day("2024-03-31")), ..bare.clone() };
        let both = Lot { received_on: Some(day("2024-05-31")), ..cured.clone() };
        let received = Lot { cured_on: None, ..both.clone() };
        let printed = Lot { expires_on: Some(day("2025-01-01")), ..both.clone() };
        let aged = |lot: &Lot, months| {
            let lot = lot.clone().aged(months);
            (lot.expires_on.map(|day| day.to_string()), lot.dated_by)
        };
        let until = |day: &str| Some(day.to_owned());
        assert_eq!(aged(&cured, Some(84)), (until("2031-03-31"), DatedBy::Cure));
        assert_eq!(aged(&both, Some(84)), (until("2031-03-31"), DatedBy::Cure));
        assert_eq!(aged(&received, Some(9)), (until("2025-02-28"), DatedBy::Receipt));
        assert_eq!(aged(&bare, Some(84)), (None, DatedBy::Unknown));
        assert_eq!(aged(&printed, Some(84)).0, until("2025-01-01"));
        assert_eq!(aged(&received, None), (None, received.dated_by));
    }

    #[test]
    fn a_seal_of_unknown_age_or_a_used_one_is_kept_from_sealing() {
        let undated = lot(PartId::fresh(), None);
        assert_eq!(
            refused(&undated, Purpose::Sealing, "2026-01-11", None),
            Some("lot-age-unknown")
        );
        assert_eq!(refused(&undated, Purpose::Other, "2026-01-11", None), None);
        let used =
            Lot { condition: LotCondition::Used, ..lot(PartId::fresh(), Some("2030-12-31")) };
        let allowed = named("looks good");
        assert_eq!(
            refused(&used, Purpose::Sealing, "2026-01-11", Some(&allowed)),
            Some("used-part-for-sealing")
        );
        assert_eq!(refused(&used, Purpose::Other, "2026-01-11", None), None);
    }

    #[test]
    fn a_lots_dates_come_from_cure_receipt_or_nothing() {
        let policy = Policy::Iso2230 { inspected: false };
        let cured = Some(crate::shelf_life::CureQuarter { year: 2024, quarter: 1 });
        let received_on = Some(day("2024-05-01"));
        let of = |material, dating| dates_of(policy, material, dating);
        let both = Dating { cured, received_on, expires_on: None };
        assert_eq!(of(Material::Nbr, both), (Some(day("2031-03-31")), DatedBy::Cure));
        let bag = Dating { received_on, ..Dating::default() };
        assert_eq!(of(Material::Nbr, bag), (Some(day("2031-05-01")), DatedBy::Receipt));
        assert_eq!(of(Material::Nbr, Dating::default()), (None, DatedBy::Unknown));
        assert_eq!(of(Material::Lasting, Dating::default()), (None, DatedBy::Receipt));
        let pin = Lot { dated_by: DatedBy::Receipt, ..lot(PartId::fresh(), None) };
        assert_eq!(pin.freshness(), Freshness::Unlimited);
    }
}
