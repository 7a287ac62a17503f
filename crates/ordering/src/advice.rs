//! Order advice for all parts at once.
//!
//! For each part: what its position must cover on each sample path ([`crate::requirement`]), the
//! level that its policy asks for, the quantity that can be bought, and the last day to order. Then
//! for all together: the budget by marginal analysis, and each supplier's minimum and freight by the
//! least useless additions. Nothing here reads a clock: the caller says what day it is.

mod assess;
mod orders;
mod sentence;
mod worth;

use chrono::NaiveDate;
use fleet::terms::{OrderTerms, Terms};
use fleet::{Currency, Money};
use rayon::prelude::*;

use crate::error::{OrderingError, not_negative, share};
use crate::marginal::{self, CurvePoint, Ladder};
use crate::newsvendor::SingleBuy;
use crate::paths::DemandPaths;
use crate::requirement::Supply;
use assess::{Assessed, assess};

/// How much of a part should be there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Policy {
    /// This share of the demand is served at once.
    FillRate { target: f64 },
    /// In this share of the cycles nothing is short.
    CycleService { target: f64 },
    /// As many boat-days as the budget keeps on the water. Without a budget, bought until no more
    /// than `most_lost` boat-days are expected to be lost, or where that is not given, until the
    /// part suffices in 19 cycles of 20.
    BoatDays { most_lost: Option<f64> },
    /// Bought once for a season that ends on `until`; the supplier takes orders to `closes`.
    Season { stakes: SingleBuy, until: NaiveDate, closes: NaiveDate },
}

/// Whether a part's sample paths hold together over months.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MonthsDrawn {
    Jointly,
    /// The forecast gave single months only: their sums are too narrow, and the reason says so.
    Independently,
}

/// A supplier who sells the part.
#[derive(Clone, Debug, PartialEq)]
pub struct Offer {
    /// Place in the list of suppliers.
    pub supplier: usize,
    pub terms: Terms,
    /// Days between two looks at what to order; 0 where every issue is looked at.
    pub review_days: u32,
    /// Our own cost of an order, in minor units of the terms' currency.
    pub order_cost_minor: i64,
}

/// A part about which advice is asked.
#[derive(Clone, Debug)]
pub struct PartToStock<'a> {
    /// Number of the part's own random stream.
    pub stream: u64,
    pub demand: &'a DemandPaths,
    pub months: MonthsDrawn,
    /// What a stock unit is called after a number, as `mL`; empty where pieces are counted.
    pub unit: &'static str,
    /// Stock units that leave together: 350 for oil filled by 350 mL.
    pub issue_size: u32,
    pub supply: Supply,
    /// Needs of agreed jobs by day that are neither reserved nor in the forecast.
    pub dated_needs: Vec<(NaiveDate, u32)>,
    pub offers: Vec<Offer>,
    pub policy: Policy,
    /// Boat-days lost for each unit short.
    pub boat_days_per_unit: f64,
    /// How long the part keeps once delivered.
    pub shelf_life_days: Option<u32>,
}

/// What one unit of a currency is worth in the base currency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ExchangeRate {
    pub currency: Currency,
    pub in_base: f64,
    pub on: NaiveDate,
}

/// What holds for all parts.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// Today.
    pub on: NaiveDate,
    pub seed: u64,
    /// Most that may be spent, freight included, in its currency.
    pub budget: Option<Money>,
    /// Currency in which sums are made.
    pub base: Currency,
    pub rates: Vec<ExchangeRate>,
    /// Cost of money and space, as a share of a part's price a year. The shipped 0.20 is common
    /// practice, no source.
    pub holding_per_year: f64,
    /// Days from delivery to shelf.
    pub receiving_days: u32,
    /// What a boat-day lost costs, in minor units of `base`. With it a fill rate's last units are
    /// weighed where hardly one is needed until the next delivery; without it the target stands.
    pub boat_day_minor: Option<i64>,
}

/// Advice on one part.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Place in the list of parts.
    pub part: usize,
    /// Place in the list of suppliers; `None` where nobody sells the part.
    pub supplier: Option<usize>,
    /// Stock units to order.
    pub quantity: u64,
    /// Last day on which the order keeps what the policy asks for; `None` where nothing is ordered.
    pub order_by: Option<NaiveDate>,
    /// Where nothing is ordered: the day from which something should be, if one is in sight.
    pub next_order_on: Option<NaiveDate>,
    /// Whether even an order of today usually comes too late for the policy.
    pub late: bool,
    /// Of one bought unit.
    pub unit_price: Money,
    pub money: Money,
    /// Share of the demand from this delivery to the next that is served at once.
    pub expected_fill_rate: f64,
    /// Boat-days expected to be lost until then, with the order and without it.
    pub boat_days_lost: f64,
    pub boat_days_lost_without: f64,
    /// Boat-days that ordering 1, 2, … 6 months later costs.
    pub waiting_costs: Vec<f64>,
    pub overstock: Overstock,
    /// Why, in a sentence.
    pub reason: String,
}

/// What of a part is more than it will need.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Overstock {
    /// Units beyond what a year needs in 19 cases of 20; all of them where a year needs nothing.
    pub excess: u64,
    pub excess_money: Money,
    /// Nothing is needed in a year, in 19 cases of 20, and less than one in twenty years on average.
    pub dead: bool,
    /// Units expected to expire unused within a year.
    pub expiring: f64,
    pub expiring_money: Money,
    /// Units past their date, still on the shelf.
    pub expired: u64,
}

/// What is ordered from one supplier.
#[derive(Clone, Debug, PartialEq)]
pub struct SupplierOrder {
    pub supplier: usize,
    pub value: Money,
    pub freight: Money,
    /// Value of what was only added to reach the minimum or free freight.
    pub added: Money,
    /// Value that is missing to the minimum, where it could not be reached.
    pub below_minimum: Option<Money>,
    /// Earliest last day of its lines.
    pub order_by: Option<NaiveDate>,
}

/// What was advised.
#[derive(Clone, Debug, PartialEq)]
pub struct Advice {
    /// One line a part, in the order of the parts.
    pub lines: Vec<Line>,
    pub orders: Vec<SupplierOrder>,
    /// Money, in the base currency and without freight, against boat-days lost.
    pub curve: Vec<CurvePoint>,
    /// Where the advice stands on it.
    pub chosen: CurvePoint,
    /// With freight.
    pub money: Money,
}

/// Points of the curve at most.
const CURVE_POINTS: usize = 200;

/// Everything that is asked.
#[derive(Clone, Copy, Debug)]
pub struct Question<'a> {
    pub parts: &'a [PartToStock<'a>],
    pub suppliers: &'a [OrderTerms],
    pub settings: &'a Settings,
}

/// Advises on all parts.
///
/// # Errors
/// Terms or figures that break a rule, a forecast that does not cover the day, a currency without a
/// rate.
pub fn advise(question: Question<'_>) -> Result<Advice, OrderingError> {
    question.check()?;
    let assessed: Vec<Assessed> =
        question.parts.par_iter().map(|part| assess(part, &question)).collect::<Result<_, _>>()?;
    let ladders: Vec<Ladder> = assessed.iter().map(Assessed::ladder).collect();
    let steps = marginal::steps(&ladders);
    let curve = marginal::thin(&marginal::curve(&ladders, &steps), CURVE_POINTS);
    let mut placed = orders::place(&question, &assessed, &ladders)?;
    let lines: Vec<Line> = assessed
        .par_iter()
        .enumerate()
        .map(|(part, row)| row.line(part, &question, &placed.lines[part]))
        .collect::<Result<_, _>>()?;
    for order in &mut placed.orders {
        let own = lines.iter().filter(|line| line.supplier == Some(order.supplier));
        order.order_by = own.filter_map(|line| line.order_by).min();
    }
    let lost = lines.iter().fold(0.0, |sum, line| sum + line.boat_days_lost);
    let chosen = CurvePoint { money: placed.goods_minor, lost };
    let money = Money::new(placed.money_minor, question.settings.base);
    Ok(Advice { lines, orders: placed.orders, curve, chosen, money })
}

impl Settings {
    /// Settings for a day with everything else as shipped.
    pub const fn on(on: NaiveDate, base: Currency) -> Self {
        Self {
            on,
            seed: 0,
            budget: None,
            base,
            rates: Vec::new(),
            holding_per_year: 0.20,
            receiving_days: 0,
            boat_day_minor: None,
        }
    }

    /// Minor units of the base currency for minor units of another, by the latest rate given.
    ///
    /// # Errors
    /// No rate for that currency.
    pub fn to_base(&self, minor: i64, currency: Currency) -> Result<i64, OrderingError> {
        if currency == self.base {
            return Ok(minor);
        }
        let rate = self.rates.iter().rev().find(|rate| rate.currency == currency);
        let rate = rate.ok_or(OrderingError::RateMissing { currency })?.in_base;
        let digits = self.base.digits() as i32 - currency.digits() as i32;
        Ok((minor as f64 * rate * 10_f64.powi(digits)).round() as i64)
    }
}

impl Policy {
    fn check(&self) -> Result<(), OrderingError> {
        match *self {
            Self::FillRate { target } | Self::CycleService { target } => {
                share("target", target).map(drop)
            }
            Self::BoatDays { most_lost } => {
                not_negative("boat-days", most_lost.unwrap_or(0.0)).map(drop)
            }
            Self::Season { stakes, .. } => stakes.critical_ratio().map(drop),
        }
    }
}

impl Question<'_> {
    fn check(&self) -> Result<(), OrderingError> {
        for rate in &self.settings.rates {
            if !(rate.in_base.is_finite() && rate.in_base > 0.0) {
                let ExchangeRate { currency, in_base: rate, .. } = *rate;
                return Err(OrderingError::RateNotPositive { currency, rate });
            }
        }
        not_negative("holding cost", self.settings.holding_per_year)?;
        not_negative("boat-day", self.settings.boat_day_minor.unwrap_or(0) as f64)?;
        if let Some(budget) = self.settings.budget {
            not_negative("budget", budget.minor as f64)?;
        }
        for terms in self.suppliers {
            terms.check()?;
        }
        for part in self.parts {
            part.policy.check()?;
            not_negative("boat-days", part.boat_days_per_unit)?;
            for offer in &part.offers {
                offer.terms.check()?;
                not_negative("order cost", offer.order_cost_minor as f64)?;
                if offer.supplier >= self.suppliers.len() {
                    let (supplier, suppliers) = (offer.supplier, self.suppliers.len());
                    return Err(OrderingError::SupplierUnknown { supplier, suppliers });
                }
            }
        }
        Ok(())
    }

    fn budget_in_base(&self) -> Result<Option<i64>, OrderingError> {
        let budget = self.settings.budget;
        budget.map(|budget| self.settings.to_base(budget.minor, budget.currency)).transpose()
    }
}
