//! Suppliers and what they ask.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::id::{LeadTimeId, PartId, SupplierId, SupplierSeasonId, TermBreakId, TermId};
use crate::money::Currency;
use crate::money::Money;
use crate::terms::{LeadTimes, OrderTerms, PreSeason, PriceBreak, Terms, TermsError};
use crate::word::words;

/// Whoever parts are bought from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Supplier {
    pub id: SupplierId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub name: String,
    pub currency: Currency,
    /// In the supplier's currency.
    pub order_minimum_minor: Option<i64>,
    /// Per order, in the supplier's currency.
    pub freight_minor: Option<i64>,
    /// Our own cost of an order, in the supplier's currency.
    pub order_cost_minor: Option<i64>,
    /// Days between two looks at what to order.
    pub review_days: i32,
    pub note: Option<String>,
    pub archived: bool,
}

/// A pre-season window of a supplier, both days included.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SupplierSeason {
    pub id: SupplierSeasonId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub supplier: SupplierId,
    pub opens_on: NaiveDate,
    pub closes_on: NaiveDate,
    pub ships_on: Option<NaiveDate>,
    pub discount_permille: i32,
    /// In the supplier's currency.
    pub minimum_minor: Option<i64>,
}

words! {
    pub enum StockPolicy {
        /// Share of the demand met from the shelf.
        FillRate = "fill_rate",
        /// Share of the cycles without a shortage.
        CycleService = "cycle_service",
        /// Boat-days kept on the water per unit of money.
        BoatDays = "boat_days",
    }
}

/// On which terms a supplier sells a part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Term {
    pub id: TermId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub part: PartId,
    pub supplier: SupplierId,
    pub supplier_number: Option<String>,
    /// Units in a pack.
    pub pack: i64,
    /// Units to order at the least.
    pub minimum: i64,
    /// For one unit, unless price_units says more.
    pub price: Money,
    /// How many units the price is for.
    pub price_units: i64,
    pub lead_days_median: i32,
    /// 95 % quantile.
    pub lead_days_worst: Option<i32>,
    /// `None`: the supplier's.
    pub review_days: Option<i32>,
    pub policy: Option<StockPolicy>,
    pub target_permille: Option<i32>,
    pub valid_from: NaiveDate,
    /// First day on which it holds no more.
    pub valid_until: Option<NaiveDate>,
}

impl Term {
    /// Stock units in one bought unit. What is priced by the piece is bought by the piece, in packs;
    /// what is priced otherwise (oil by the litre) is bought by the pack.
    pub const fn unit(&self) -> i64 {
        if self.price_units == 1 { 1 } else { self.pack }
    }

    /// Whether it holds on a day.
    pub fn holds_on(&self, day: NaiveDate) -> bool {
        self.valid_from <= day && self.valid_until.is_none_or(|until| day < until)
    }

    /// The terms in bought units, with `breaks` of this term in any order.
    ///
    /// # Errors
    /// The first rule that they break.
    pub fn in_bought_units(
        &self,
        breaks: &[TermBreak],
        lead: LeadTimes,
        pre_season: Option<PreSeason>,
    ) -> Result<Terms, TermsError> {
        let whole = |number: i64| u32::try_from(number.max(0)).unwrap_or(u32::MAX);
        let unit = self.unit();
        if unit <= 0 {
            return Err(TermsError::PackZero);
        }
        let price = |minor: i64| {
            let units = i128::from(self.price_units.max(1));
            // Half a minor unit is rounded up.
            let minor = (i128::from(minor) * i128::from(unit) + units / 2).div_euclid(units);
            Money::new(i64::try_from(minor).unwrap_or(i64::MAX), self.price.currency)
        };
        let bought = |stock_units: i64| whole((stock_units + unit - 1).div_euclid(unit));
        let mut steps: Vec<(i64, i64)> =
            breaks.iter().map(|step| (step.quantity_from, step.price_minor)).collect();
        steps.sort_unstable();
        let terms = Terms {
            unit_size: whole(unit),
            pack: if unit == 1 { whole(self.pack) } else { 1 },
            minimum: bought(self.minimum.max(1)),
            price: price(self.price.minor),
            breaks: steps
                .into_iter()
                .map(|(from, minor)| PriceBreak { from: bought(from), price: price(minor) })
                .collect(),
            lead,
            pre_season,
        };
        terms.check().map(|()| terms)
    }
}

impl Supplier {
    /// What the supplier asks of a whole order.
    pub fn order_terms(&self) -> OrderTerms {
        let money = |minor: Option<i64>| minor.map(|minor| Money::new(minor, self.currency));
        OrderTerms {
            currency: self.currency,
            minimum: money(self.order_minimum_minor),
            freight: money(self.freight_minor),
            freight_free_from: None,
        }
    }
}

impl SupplierSeason {
    pub fn window(&self) -> PreSeason {
        PreSeason {
            opens: self.opens_on,
            closes: self.closes_on,
            ships_from: self.ships_on,
            discount_permille: self.discount_permille.max(0).unsigned_abs(),
        }
    }
}

/// A lower price from a quantity on, in the term's currency.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TermBreak {
    pub id: TermBreakId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub term: TermId,
    pub quantity_from: i64,
    pub price_minor: i64,
}

words! {
    pub enum LeadTimeBasis {
        /// As the supplier says.
        Stated = "stated",
        /// From orders and receipts.
        Learned = "learned",
    }
}

/// How long a supplier takes in a month of the year.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LeadTime {
    pub id: LeadTimeId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub supplier: SupplierId,
    /// `None`: all of the supplier's.
    pub part: Option<PartId>,
    /// 1 to 12, of the order's day.
    pub month: i32,
    pub days_median: i32,
    pub days_worst: i32,
    pub sample: i32,
    pub basis: LeadTimeBasis,
}
