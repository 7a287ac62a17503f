//! Shelf life: until when a seal, an oil or a sealant in the stores may still be fitted.
//!
//! Invariants: life counts from the *end* of the quarter of cure; goods with no cure date count
//! from their receipt and say so; with neither they are unknown, never fresh. Shelf life is not
//! service life: it ends when the part is fitted.
//!
//! Figures: ISO 2230:2002, "Rubber products, guidelines for storage", types A, B and C with their
//! extension after inspection; SAE ARP5316 / AS5316, "Storage of elastomer seals and seal
//! assemblies", both as sellers of seals publish them (globaloring.com, O-ring shelf life;
//! eapseals.com, storage). Lists disagree: a yard chooses its policy and may set its own.

use chrono::{Datelike, Days, NaiveDate};
use serde::{Deserialize, Serialize};

use crate::calendar::add_months;

/// What a thing with a shelf life is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Material {
    /// Natural rubber.
    Nr,
    /// Polyurethane.
    Au,
    /// Styrene-butadiene.
    Sbr,
    /// Nitrile.
    Nbr,
    /// Hydrogenated nitrile.
    Hnbr,
    /// Chloroprene.
    Cr,
    /// Polyacrylate.
    Acm,
    /// Fluorocarbon.
    Fkm,
    /// Perfluorocarbon.
    Ffkm,
    /// Ethylene-propylene.
    Epdm,
    /// Silicone.
    Vmq,
    /// Fluorosilicone.
    Fvmq,
    Ptfe,
    LubricatingOil,
    /// Environmentally acceptable lubricant.
    DegradableOil,
    LithiumGrease,
    /// Calcium or polyurea thickener.
    OtherGrease,
    /// Threadlocker and the like.
    AnaerobicSealant,
    SiliconeSealant,
    /// Metal, glass and what else does not age on a shelf.
    Lasting,
}

/// Which figures a yard goes by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Policy {
    /// ISO 2230:2002: the first period, or with the extension that an inspection gives.
    Iso2230 { inspected: bool },
    /// SAE ARP5316 / AS5316.
    Arp5316,
    /// The yard's or the maker's own figure.
    Own { months: u32 },
}

/// A quarter of a year, as seals are marked: `3/94` is July to September 1994.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct CureQuarter {
    pub year: i32,
    /// 1 to 4.
    pub quarter: u32,
}

/// How far back a year of two digits is looked for. Own choice: twice what a seal may be old on a
/// shelf ([`CURE_YEARS_MAX`]), so that a bag found in a drawer is still read by its true year.
const TWO_DIGITS_BACK_YEARS: i32 = 50;

/// Oldest cure that is taken without a question. Own choice: above the longest shelf life that a
/// policy gives to rubber (15 years).
pub const CURE_YEARS_MAX: i32 = 20;

/// How long a material keeps under a policy.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum ShelfLife {
    Months {
        months: u32,
    },
    Unlimited,
    /// The policy says nothing about this material.
    NotListed,
}

/// What is known about a lot's age.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Dating {
    /// Expiry printed by the maker: goes before all else.
    pub expires_on: Option<NaiveDate>,
    pub cured: Option<CureQuarter>,
    pub received_on: Option<NaiveDate>,
}

/// Until when a lot may be fitted, and how that is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Freshness {
    /// Last good day.
    Until {
        day: NaiveDate,
        basis: Basis,
    },
    Unlimited,
    Unknown {
        why: Unknown,
    },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// The maker's printed date.
    Printed,
    Cure,
    /// No cure date: counted from receipt.
    Receipt,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unknown {
    /// Neither cure nor receipt is on record.
    NoDate,
    /// The policy has no figure for the material.
    NotListed,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ShelfLifeError {
    #[error("\"{given}\" is not a quarter of cure; write it like 3/94 or 2024-Q3")]
    QuarterUnreadable { given: String },
    #[error("cure quarter {cured} begins after {known_on}, when the part was already there")]
    CuredLater { cured: CureQuarter, known_on: NaiveDate },
}

impl ShelfLifeError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::QuarterUnreadable { .. } => "cure-quarter-unreadable",
            Self::CuredLater { .. } => "cure-quarter-later",
        }
    }
}

impl std::fmt::Display for CureQuarter {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(out, "{}-Q{}", self.year, self.quarter)
    }
}

impl CureQuarter {
    /// Reads `3/94`, `3/1994`, `3Q94`, `Q3 1994` or `1994-Q3`. `known_on` is a day on which the part
    /// was there already (its receipt, or today): a year of two digits is the last one that is not
    /// later, as far as that lies within 50 years; `1/30` in 2026 is a slip, not a seal of 1930.
    ///
    /// # Errors
    /// Anything else, or a quarter that begins after `known_on`.
    pub fn parse(text: &str, known_on: NaiveDate) -> Result<Self, ShelfLifeError> {
        let unreadable = || ShelfLifeError::QuarterUnreadable { given: text.trim().to_owned() };
        let upper = text.trim().to_ascii_uppercase();
        let mut numbers =
            upper.split(|c: char| !c.is_ascii_digit()).filter(|digits| !digits.is_empty());
        let others: String =
            upper.chars().filter(|c| !c.is_ascii_digit() && !c.is_whitespace()).collect();
        let (Some(first), Some(second), None) = (numbers.next(), numbers.next(), numbers.next())
        else {
            return Err(unreadable());
        };
        if !["/", "Q", "-Q", "Q-", "Q/"].contains(&others.as_str()) {
            return Err(unreadable());
        }
        let (quarter, year) = match (first.len(), second.len()) {
            (1, 2 | 4) => (first, second),
            (4, 1) => (second, first),
            _ => return Err(unreadable()),
        };
        let quarter: u32 = quarter.parse().map_err(|_| unreadable())?;
        let digits = year.len();
        let mut year: i32 = year.parse().map_err(|_| unreadable())?;
        if !(1..=4).contains(&quarter) {
            return Err(unreadable());
        }
        let known = Self::of(known_on);
        if digits == 2 {
            year += known.year - known.year.rem_euclid(100);
            let before = year - 100;
            if (Self { year, quarter }) > known && known.year - before <= TWO_DIGITS_BACK_YEARS {
                year = before;
            }
        }
        let cured = Self { year, quarter };
        if cured > known {
            return Err(ShelfLifeError::CuredLater { cured, known_on });
        }
        Ok(cured)
    }

    /// The quarter that holds a day.
    pub fn of(day: NaiveDate) -> Self {
        Self { year: day.year(), quarter: day.month0() / 3 + 1 }
    }

    /// Whether a part that was there on a day was cured longer ago than is taken without a question.
    pub fn is_doubtful(self, known_on: NaiveDate) -> bool {
        let known = Self::of(known_on);
        (known.year - CURE_YEARS_MAX, known.quarter) > (self.year, self.quarter)
    }

    /// Last day of the quarter: from here shelf life counts.
    pub fn end(self) -> NaiveDate {
        NaiveDate::from_ymd_opt(self.year, self.quarter * 3 - 2, 1)
            .map(|first| add_months(first, 3))
            .and_then(|next| next.checked_sub_days(Days::new(1)))
            .unwrap_or(NaiveDate::MAX)
    }
}

impl Policy {
    /// How long `material` keeps. Oils, greases and sealants have no standard: their figures are
    /// what sellers print (lubmarine.totalenergies.com FAQ: oil 5 years, degradable 3;
    /// blp-international.com: grease 2 to 5 years by thickener; incurelab.com and gorcci.com:
    /// sealants 12 to 24 months, of which we take the lower).
    pub const fn life(self, material: Material) -> ShelfLife {
        let years = match (self, material) {
            (_, Material::Lasting) => return ShelfLife::Unlimited,
            (Self::Own { months }, _) => return ShelfLife::Months { months },
            (_, Material::LubricatingOil | Material::LithiumGrease) => 5,
            (_, Material::DegradableOil) => 3,
            (_, Material::OtherGrease) => 2,
            (_, Material::AnaerobicSealant | Material::SiliconeSealant) => 1,
            (_, rubber) => return self.rubber(rubber),
        };
        ShelfLife::Months { months: years * 12 }
    }

    const fn rubber(self, material: Material) -> ShelfLife {
        let years = match (self, material) {
            (Self::Iso2230 { inspected }, Material::Nr | Material::Au | Material::Sbr) => {
                if inspected {
                    7
                } else {
                    5
                }
            }
            (
                Self::Iso2230 { inspected },
                Material::Nbr | Material::Hnbr | Material::Cr | Material::Acm,
            ) => {
                if inspected {
                    10
                } else {
                    7
                }
            }
            (
                Self::Iso2230 { inspected },
                Material::Fkm | Material::Ffkm | Material::Epdm | Material::Vmq | Material::Fvmq,
            ) => {
                if inspected {
                    15
                } else {
                    10
                }
            }
            (_, Material::Ptfe) => return ShelfLife::Unlimited,
            (Self::Arp5316, Material::Nbr | Material::Hnbr | Material::Cr | Material::Acm) => 15,
            (
                Self::Arp5316,
                Material::Fkm | Material::Ffkm | Material::Epdm | Material::Vmq | Material::Fvmq,
            ) => return ShelfLife::Unlimited,
            (Self::Arp5316, Material::Au) => 5,
            // One list prints 3 years, another 15: the lower is taken.
            (Self::Arp5316, Material::Sbr) => 3,
            _ => return ShelfLife::NotListed,
        };
        ShelfLife::Months { months: years * 12 }
    }

    /// Until when a lot may be fitted.
    pub fn freshness(self, material: Material, dating: Dating) -> Freshness {
        if let Some(day) = dating.expires_on {
            return Freshness::Until { day, basis: Basis::Printed };
        }
        let months = match self.life(material) {
            ShelfLife::Unlimited => return Freshness::Unlimited,
            ShelfLife::NotListed => return Freshness::Unknown { why: Unknown::NotListed },
            ShelfLife::Months { months } => months,
        };
        match (dating.cured, dating.received_on) {
            (Some(cured), _) => {
                // The quarter's end plus years is a quarter's end again: go by its first day of the
                // next quarter, so that no short month clamps it.
                let next = cured.end().checked_add_days(Days::new(1)).unwrap_or(NaiveDate::MAX);
                let after = add_months(next, months);
                let day = after.checked_sub_days(Days::new(1)).unwrap_or(after);
                Freshness::Until { day, basis: Basis::Cure }
            }
            (None, Some(received)) => {
                Freshness::Until { day: add_months(received, months), basis: Basis::Receipt }
            }
            (None, None) => Freshness::Unknown { why: Unknown::NoDate },
        }
    }
}

impl Freshness {
    /// Whether it is past its last good day. What is unknown is not expired, but not good either.
    pub fn is_expired(&self, today: NaiveDate) -> bool {
        matches!(self, Self::Until { day, .. } if *day < today)
    }

    /// Last good day, where there is one.
    pub const fn last_day(&self) -> Option<NaiveDate> {
        match self {
            Self::Until { day, .. } => Some(*day),
            Self::Unlimited | Self::Unknown { .. } => None,
        }
    }

    /// What stores and job cards say of it.
    pub fn sentence(&self) -> String {
        match self {
            Self::Until { day, basis: Basis::Printed } => format!("until {day}, as printed"),
            Self::Until { day, basis: Basis::Cure } => format!("until {day}, by cure date"),
            Self::Until { day, basis: Basis::Receipt } => {
                format!("until {day}, dated by receipt")
            }
            Self::Unlimited => "no limit".to_owned(),
            Self::Unknown { why: Unknown::NoDate } => {
                "unknown: no cure date, no receipt".to_owned()
            }
            Self::Unknown { why: Unknown::NotListed } => {
                "unknown: the storage policy has no figure for this material".to_owned()
            }
        }
    }
}

/// Share of a lot's life that is left on `today`, 0 to 1; `None` where it is unknown or unlimited.
/// Many yards refuse a receipt with less than half left (common practice, no source).
pub fn share_left(
    policy: Policy,
    material: Material,
    dating: Dating,
    today: NaiveDate,
) -> Option<f64> {
    let last = policy.freshness(material, dating).last_day()?;
    let ShelfLife::Months { months } = policy.life(material) else { return None };
    let whole = f64::from(months) * 365.25 / 12.0;
    if whole <= 0.0 {
        return Some(0.0);
    }
    Some(((last - today).num_days() as f64 / whole).clamp(0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    /// ISO 2230:2002, labels: 3/94 is the third quarter of 1994, July to September.
    #[rstest]
    #[case("3/94", "1994-Q3")]
    #[case("3Q94", "1994-Q3")]
    #[case("Q3 1994", "1994-Q3")]
    #[case("1994-Q3", "1994-Q3")]
    #[case("q1/24", "2024-Q1")]
    #[case("4/26", "2026-Q4")]
    fn a_cure_quarter_reads_as_seals_are_marked(#[case] text: &str, #[case] read: &str) {
        let cured = CureQuarter::parse(text, day("2026-11-25")).expect("a quarter");
        assert_eq!(cured.to_string(), read);
    }

    #[rstest]
    #[case("5/94", "cure-quarter-unreadable")]
    #[case("0/94", "cure-quarter-unreadable")]
    #[case("3-94", "cure-quarter-unreadable")]
    #[case("94", "cure-quarter-unreadable")]
    #[case("3/9", "cure-quarter-unreadable")]
    #[case("3/94/1", "cure-quarter-unreadable")]
    #[case("1/2027", "cure-quarter-later")]
    #[case("1/30", "cure-quarter-later")]
    #[case("1/27", "cure-quarter-later")]
    #[case("", "cure-quarter-unreadable")]
    fn what_is_no_quarter_is_refused(#[case] text: &str, #[case] rule: &str) {
        let error = CureQuarter::parse(text, day("2026-11-25")).expect_err("no quarter");
        assert_eq!(error.rule(), rule);
    }

    #[rstest]
    #[case("3/94", true)]
    #[case("3/2006", true)]
    #[case("4/2006", false)]
    #[case("4/26", false)]
    fn a_seal_cured_over_twenty_years_ago_is_asked_about(
        #[case] text: &str,
        #[case] doubtful: bool,
    ) {
        let known_on = day("2026-11-25");
        let cured = CureQuarter::parse(text, known_on).expect("a quarter");
        assert_eq!(cured.is_doubtful(known_on), doubtful);
    }

    /// SAE ARP5316 / AS5316 as globaloring.com prints it: NBR 15 years from cure, FKM unlimited,
    /// polyurethane 5. ISO 2230 as eapseals.com prints it: 5 + 2, 7 + 3, 10 + 5 years. Each counts
    /// from the end of the quarter.
    #[rstest]
    #[case(Policy::Arp5316, Material::Nbr, Some("2009-09-30"))]
    #[case(Policy::Arp5316, Material::Au, Some("1999-09-30"))]
    #[case(Policy::Arp5316, Material::Fkm, None)]
    #[case(Policy::Iso2230 { inspected: false }, Material::Nr, Some("1999-09-30"))]
    #[case(Policy::Iso2230 { inspected: true }, Material::Au, Some("2001-09-30"))]
    #[case(Policy::Iso2230 { inspected: false }, Material::Nbr, Some("2001-09-30"))]
    #[case(Policy::Iso2230 { inspected: true }, Material::Cr, Some("2004-09-30"))]
    #[case(Policy::Iso2230 { inspected: false }, Material::Epdm, Some("2004-09-30"))]
    #[case(Policy::Iso2230 { inspected: true }, Material::Vmq, Some("2009-09-30"))]
    #[case(Policy::Own { months: 84 }, Material::Nbr, Some("2001-09-30"))]
    fn life_counts_from_the_end_of_the_quarter(
        #[case] policy: Policy,
        #[case] material: Material,
        #[case] last: Option<&str>,
    ) {
        let cured = Some(CureQuarter { year: 1994, quarter: 3 });
        let dating = Dating { cured, ..Dating::default() };
        let freshness = policy.freshness(material, dating);
        assert_eq!(freshness.last_day(), last.map(day));
        assert_eq!(freshness == Freshness::Unlimited, last.is_none());
    }

    #[test]
    fn the_last_good_day_is_good_and_the_next_is_not() {
        let cured = Some(CureQuarter { year: 2019, quarter: 4 });
        let dating = Dating { cured, ..Dating::default() };
        let freshness = Policy::Iso2230 { inspected: false }.freshness(Material::Nbr, dating);
        assert!(!freshness.is_expired(day("2026-12-31")));
        assert!(freshness.is_expired(day("2027-01-01")));
    }

    #[test]
    fn a_seal_without_a_cure_date_is_dated_by_receipt_or_unknown() {
        let policy = Policy::Iso2230 { inspected: false };
        let received_on = Some(day("2024-02-29"));
        let by_receipt =
            policy.freshness(Material::Nbr, Dating { received_on, ..Dating::default() });
        assert_eq!(by_receipt.sentence(), "until 2031-02-28, dated by receipt");
        let neither = policy.freshness(Material::Nbr, Dating::default());
        assert_eq!(neither.sentence(), "unknown: no cure date, no receipt");
        assert!(!neither.is_expired(day("2099-01-01")));
        let unlisted =
            Policy::Arp5316.freshness(Material::Nr, Dating { received_on, ..Dating::default() });
        assert_eq!(unlisted, Freshness::Unknown { why: Unknown::NotListed });
    }

    #[test]
    fn half_a_life_is_left_half_way() {
        let received_on = Some(day("2020-01-01"));
        let dating = Dating { received_on, ..Dating::default() };
        let left = |today: &str| {
            share_left(Policy::Own { months: 120 }, Material::Nbr, dating, day(today))
        };
        assert!((left("2025-01-01").expect("known") - 0.5).abs() < 0.001);
        assert_eq!(left("2031-01-01"), Some(0.0));
        assert_eq!(share_left(Policy::Arp5316, Material::Fkm, dating, day("2025-01-01")), None);
    }
}
