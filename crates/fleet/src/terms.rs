//! What a supplier asks: packs, least quantities, prices, lead times, order minimum and freight.
//!
//! Invariants: a pack, a bought unit and a minimum are never zero; price breaks rise in quantity and
//! never rise in price; all money of one set of terms is in one currency. Quantities here are in
//! *bought units* (a bottle), and `unit_size` says how many stock units (millilitres) one holds.

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

use crate::money::{Currency, Money, MoneyError};

/// How long a delivery takes: the median, and the time that one in twenty exceeds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LeadTime {
    pub median_days: u32,
    /// The 95 % quantile.
    pub worst_days: u32,
}

/// Lead times of a supplier: in general, and by the month in which an order is placed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LeadTimes {
    pub usual: LeadTime,
    /// January first; a month of which too little is known follows `usual`.
    pub by_month: [Option<LeadTime>; 12],
}

/// From `from` bought units on, every one of them costs `price`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PriceBreak {
    pub from: u32,
    pub price: Money,
}

/// A window before the season in which an order is cheaper.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PreSeason {
    pub opens: NaiveDate,
    /// Last day on which an order still counts.
    pub closes: NaiveDate,
    /// Nothing leaves the supplier before this day.
    pub ships_from: Option<NaiveDate>,
    /// Discount in thousandths of the price.
    pub discount_permille: u32,
}

/// Terms for one part from one supplier.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Terms {
    /// Stock units in one bought unit: 1 for pieces, 350 for a bottle of 350 mL.
    pub unit_size: u32,
    /// Bought units in a pack; only whole packs are sold.
    pub pack: u32,
    /// Least number of bought units in an order line.
    pub minimum: u32,
    /// Price of one bought unit below the first break.
    pub price: Money,
    pub breaks: Vec<PriceBreak>,
    pub lead: LeadTimes,
    pub pre_season: Option<PreSeason>,
}

/// Terms for a whole order to one supplier.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OrderTerms {
    pub currency: Currency,
    /// Least value of an order.
    pub minimum: Option<Money>,
    /// Paid once an order.
    pub freight: Option<Money>,
    /// From this value on no freight is paid.
    pub freight_free_from: Option<Money>,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TermsError {
    #[error("a pack of zero can't be bought; write 1 where pieces are sold singly")]
    PackZero,
    #[error("a bought unit holds nothing; write 1 where a unit is a piece")]
    UnitZero,
    #[error("price {price} is not above zero")]
    PriceNotPositive { price: Money },
    #[error("{amount} is below zero")]
    AmountNegative { amount: Money },
    #[error("the price break at {from} follows the one at {before}; breaks must rise in quantity")]
    BreaksOutOfOrder { before: u32, from: u32 },
    #[error("the price break at {from} asks {price}, more than {before} below it")]
    BreakPriceRises { from: u32, price: Money, before: Money },
    #[error("worst lead time of {worst_days} days is below the median of {median_days}")]
    WorstBelowMedian { median_days: u32, worst_days: u32 },
    #[error("the window closes on {closes}, before it opens on {opens}")]
    WindowReversed { opens: NaiveDate, closes: NaiveDate },
    #[error("a discount of {permille} thousandths leaves nothing to pay")]
    DiscountTooLarge { permille: u32 },
    #[error("\"{given}\" is not a list of price breaks; write it like 10:4.20;50:3.90")]
    BreaksUnreadable { given: String },
    #[error(transparent)]
    Money(#[from] MoneyError),
}

impl TermsError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::PackZero => "pack-zero",
            Self::UnitZero => "unit-zero",
            Self::PriceNotPositive { .. } => "price-not-positive",
            Self::AmountNegative { .. } => "amount-negative",
            Self::BreaksOutOfOrder { .. } => "breaks-out-of-order",
            Self::BreakPriceRises { .. } => "break-price-rises",
            Self::WorstBelowMedian { .. } => "worst-below-median",
            Self::WindowReversed { .. } => "window-reversed",
            Self::DiscountTooLarge { .. } => "discount-too-large",
            Self::BreaksUnreadable { .. } => "breaks-unreadable",
            Self::Money(error) => error.rule(),
        }
    }
}

impl LeadTime {
    /// # Errors
    /// A worst case below the median.
    pub const fn new(median_days: u32, worst_days: u32) -> Result<Self, TermsError> {
        if worst_days < median_days {
            return Err(TermsError::WorstBelowMedian { median_days, worst_days });
        }
        Ok(Self { median_days, worst_days })
    }

    /// A delivery that always takes the same time.
    pub const fn fixed(days: u32) -> Self {
        Self { median_days: days, worst_days: days }
    }
}

impl LeadTimes {
    /// The same in every month.
    pub const fn all_year(usual: LeadTime) -> Self {
        Self { usual, by_month: [None; 12] }
    }

    /// For an order placed on `day`.
    pub fn on(&self, day: NaiveDate) -> LeadTime {
        self.by_month[day.month0() as usize].unwrap_or(self.usual)
    }
}

impl Terms {
    /// Terms with nothing special: singly, from one piece on, no breaks, no window.
    pub const fn plain(price: Money, lead: LeadTime) -> Self {
        Self {
            unit_size: 1,
            pack: 1,
            minimum: 1,
            price,
            breaks: Vec::new(),
            lead: LeadTimes::all_year(lead),
            pre_season: None,
        }
    }

    /// Says which rule the terms break, if any.
    ///
    /// # Errors
    /// The first rule that is broken.
    pub fn check(&self) -> Result<(), TermsError> {
        if self.unit_size == 0 {
            return Err(TermsError::UnitZero);
        }
        if self.pack == 0 {
            return Err(TermsError::PackZero);
        }
        self.check_prices()?;
        let leads = self.lead.by_month.iter().flatten().chain([&self.lead.usual]);
        for lead in leads {
            LeadTime::new(lead.median_days, lead.worst_days)?;
        }
        let Some(window) = self.pre_season else { return Ok(()) };
        if window.closes < window.opens {
            let PreSeason { opens, closes, .. } = window;
            return Err(TermsError::WindowReversed { opens, closes });
        }
        if window.discount_permille >= 1000 {
            return Err(TermsError::DiscountTooLarge { permille: window.discount_permille });
        }
        Ok(())
    }

    fn check_prices(&self) -> Result<(), TermsError> {
        if self.price.minor <= 0 {
            return Err(TermsError::PriceNotPositive { price: self.price });
        }
        let (mut before, mut price_before) = (0, self.price);
        for step in &self.breaks {
            if step.from <= before {
                return Err(TermsError::BreaksOutOfOrder { before, from: step.from });
            }
            if step.price.currency != self.price.currency {
                let (left, right) = (self.price.currency, step.price.currency);
                return Err(MoneyError::Mixed { left, right }.into());
            }
            if step.price.minor <= 0 {
                return Err(TermsError::PriceNotPositive { price: step.price });
            }
            if step.price.minor > price_before.minor {
                let (from, price) = (step.from, step.price);
                return Err(TermsError::BreakPriceRises { from, price, before: price_before });
            }
            (before, price_before) = (step.from, step.price);
        }
        Ok(())
    }

    /// The least quantity that can be ordered and is not below `wanted` bought units: whole packs,
    /// the minimum met; nothing for nothing.
    pub fn round_up(&self, wanted: u64) -> u64 {
        if wanted == 0 {
            return 0;
        }
        let pack = u64::from(self.pack.max(1));
        wanted.max(u64::from(self.minimum)).div_ceil(pack) * pack
    }

    /// Price of one bought unit in an order of `quantity`, without any pre-season discount.
    pub fn price_at(&self, quantity: u64) -> Money {
        let reached = self.breaks.iter().rev().find(|step| u64::from(step.from) <= quantity);
        reached.map_or(self.price, |step| step.price)
    }
}

impl PreSeason {
    pub fn is_open(&self, day: NaiveDate) -> bool {
        self.opens <= day && day <= self.closes
    }

    /// A price less the discount, to the nearest minor unit.
    pub const fn discounted(&self, price: Money) -> Money {
        let kept = 1000 - self.discount_permille as i64;
        Money { minor: (price.minor * kept + 500) / 1000, currency: price.currency }
    }
}

impl OrderTerms {
    /// # Errors
    /// An amount below zero or in another currency.
    pub fn check(&self) -> Result<(), TermsError> {
        for amount in [self.minimum, self.freight, self.freight_free_from].into_iter().flatten() {
            if amount.currency != self.currency {
                let (left, right) = (self.currency, amount.currency);
                return Err(MoneyError::Mixed { left, right }.into());
            }
            if amount.minor < 0 {
                return Err(TermsError::AmountNegative { amount });
            }
        }
        Ok(())
    }

    /// What the freight of an order worth `value_minor` is, in minor units.
    pub fn freight_minor(&self, value_minor: i64) -> i64 {
        let free = self.freight_free_from.is_some_and(|from| value_minor >= from.minor);
        if free || value_minor <= 0 { 0 } else { self.freight.map_or(0, |freight| freight.minor) }
    }
}

/// Reads price breaks like `10:4.20;50:3.90`. Empty text is no breaks. Their order is left to
/// [`Terms::check`].
///
/// # Errors
/// Anything else, or a price that the currency can't express.
pub fn parse_breaks(text: &str, currency: Currency) -> Result<Vec<PriceBreak>, TermsError> {
    let unreadable = || TermsError::BreaksUnreadable { given: text.trim().to_owned() };
    let mut breaks = Vec::new();
    for part in text.split(';').map(str::trim).filter(|part| !part.is_empty()) {
        let (from, price) = part.split_once(':').ok_or_else(unreadable)?;
        let from = from.trim().parse().map_err(|_| unreadable())?;
        breaks.push(PriceBreak { from, price: Money::parse(price, currency)? });
    }
    Ok(breaks)
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    fn euros(text: &str) -> Money {
        Money::parse(text, Currency::EUR).expect("an amount")
    }

    fn terms() -> Terms {
        Terms::plain(euros("5.00"), LeadTime::fixed(14))
    }

    #[rstest]
    #[case::nothing(0, 0)]
    #[case::up_to_the_minimum(1, 12)]
    #[case::just_the_minimum(12, 12)]
    #[case::up_to_a_pack(13, 16)]
    #[case::minimum_is_no_multiple_of_the_pack(9, 12)]
    fn only_whole_packs_of_at_least_the_minimum_are_ordered(#[case] wanted: u64, #[case] got: u64) {
        let terms = Terms { pack: 4, minimum: 10, ..terms() };
        assert_eq!(terms.round_up(wanted), got);
    }

    #[rstest]
    #[case::in_order("10:4.20;50:3.90", None)]
    #[case::equal_price("10:4.20;50:4.20", None)]
    #[case::swapped("50:3.90;10:4.20", Some("breaks-out-of-order"))]
    #[case::twice("10:4.20;10:4.10", Some("breaks-out-of-order"))]
    #[case::from_zero("0:4.20", Some("breaks-out-of-order"))]
    #[case::dearer("10:4.20;50:4.21", Some("break-price-rises"))]
    #[case::dearer_than_the_list("10:5.01", Some("break-price-rises"))]
    #[case::free("10:0", Some("price-not-positive"))]
    fn price_breaks_rise_in_quantity_and_not_in_price(
        #[case] text: &str,
        #[case] broken: Option<&str>,
    ) {
        let breaks = parse_breaks(text, Currency::EUR).expect("readable");
        let checked = Terms { breaks, ..terms() }.check();
        assert_eq!(checked.err().map(|error| error.rule()), broken);
    }

    #[test]
    fn a_price_break_applies_from_its_quantity_on() {
        let breaks = parse_breaks(" 10:4.20 ; 50:3.90;", Currency::EUR).expect("readable");
        let terms = Terms { breaks, ..terms() };
        let prices = [1, 9, 10, 49, 50].map(|quantity| terms.price_at(quantity).amount());
        assert_eq!(prices, ["5.00", "5.00", "4.20", "4.20", "3.90"]);
    }

    #[rstest]
    #[case("10")]
    #[case("ten:4.20")]
    #[case("-1:4.20")]
    fn breaks_that_cannot_be_read_are_refused(#[case] text: &str) {
        let error = parse_breaks(text, Currency::EUR).expect_err("unreadable");
        assert_eq!(error.rule(), "breaks-unreadable");
    }

    #[test]
    fn terms_that_mean_nothing_are_refused() {
        let broken = |terms: Terms| terms.check().err().map(|error| error.rule());
        assert_eq!(broken(terms()), None);
        assert_eq!(broken(Terms { pack: 0, ..terms() }), Some("pack-zero"));
        assert_eq!(broken(Terms { unit_size: 0, ..terms() }), Some("unit-zero"));
        assert_eq!(broken(Terms { price: euros("0"), ..terms() }), Some("price-not-positive"));
        let lead = LeadTimes::all_year(LeadTime { median_days: 10, worst_days: 9 });
        assert_eq!(broken(Terms { lead, ..terms() }), Some("worst-below-median"));
    }

    #[test]
    fn freight_is_paid_once_an_order_below_its_threshold() {
        let order = OrderTerms {
            currency: Currency::EUR,
            minimum: None,
            freight: Some(euros("12.00")),
            freight_free_from: Some(euros("300.00")),
        };
        assert_eq!(order.check(), Ok(()));
        assert_eq!(
            [0, 1, 29_999, 30_000].map(|value| order.freight_minor(value)),
            [0, 1200, 1200, 0]
        );
    }
}
