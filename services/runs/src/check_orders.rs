//! What if the advice had been followed? The past month by month, with orders as the advice would
//! have placed them, beside a fixed minimum and maximum tuned in hindsight on the same months.
//!
//! On each review day the advice knows what was used in the months gone by and nothing later; its
//! forecast is made from those months alone (the work that the fleet's hours let expect is left
//! out, so the advice of the day knows more). The minimum-maximum rule is tuned on the very months
//! that it is then judged by, which no yard could do. Both meet the same demand and the same luck
//! with deliveries, and start from the same shelf.

use std::collections::{BTreeMap, HashMap};

use chrono::NaiveDate;
use demand::{History, Month};
use fleet::Currency;
use fleet::id::{PartId, SupplierId};
use fleet::supplier::{Supplier, Term, TermBreak};
use fleet::terms::{OrderTerms, Terms};
use ordering::{
    DemandPaths, ExchangeRate, MonthsDrawn, Offer, OrderingError, PartToStock, Policy, Question,
    ReplayPart, ReplayReport, ReplaySettings, Review, Settings, ShelfLot, advise, min_max_rule,
    replay, tune_min_max,
};
use store::snapshot::Snapshot;

use crate::advice::{boat_days_per_unit, fills};
use crate::error::RunError;
use crate::forecast::chain;
use crate::lead_times::{Learned, Past};
use crate::plan::prices::boat_day;

/// Months replayed at most, the last ones.
const MONTHS_MAX: usize = 24;
/// Months of record that the first forecast has at least.
const RECORD_LEAST: usize = 12;
/// Months ahead that the advice sees: more than any lead time and review here.
const AHEAD: usize = 9;
const PATHS: usize = 100;
/// Share of the demand to be served at once, asked of both rules (common practice, no source).
const TARGET: f64 = 0.95;
/// Days in which a missing part is rushed (common practice, no source).
const RUSH_DAYS: u32 = 4;

/// A yard's past as it can be replayed.
#[derive(Clone, Debug)]
pub struct OrdersPast {
    /// First month of the record.
    pub first: Month,
    /// Months before the replay, known to the first forecast.
    pub known: usize,
    /// Parts with what was asked for in all months, those before the replay included.
    pub parts: Vec<ReplayPart>,
    /// Of each part.
    pub numbers: Vec<String>,
    /// Days between two looks at what to order.
    pub review_days: u32,
    /// All money is in it.
    pub base: Currency,
    /// What a boat-day lost costs, in minor units of `base`.
    pub boat_day_minor: Option<i64>,
    /// Parts left out: nobody sells them, or there is no rate for their currency.
    pub left_out: usize,
}

/// Both rules over the same months.
#[derive(Clone, Debug, PartialEq)]
pub struct CheckedOrders {
    pub advice: ReplayReport,
    pub min_max: ReplayReport,
}

impl OrdersPast {
    /// Reads the past out of services, terms and orders.
    ///
    /// # Errors
    /// `record-too-short` where there are not eighteen months of services; terms or supersessions
    /// that break a rule.
    pub fn of(snapshot: &Snapshot, today: NaiveDate) -> Result<Self, RunError> {
        let until = Month::of(today).plus(-1);
        let services = &snapshot.work.services;
        let first = services.iter().map(|service| service.done_on).min().map(Month::of);
        let months = first.map_or(0, |first| until.since(first) + 1);
        let months = usize::try_from(months).unwrap_or(0);
        let (Some(first), true) = (first, months >= RECORD_LEAST + 6) else {
            let what = format!(
                "{months} months of services are on record; it takes {} to forecast and replay",
                RECORD_LEAST + 6
            );
            return Err(RunError::Refused { rule: "record-too-short", what });
        };
        let asked = asked_by_month(snapshot, first, months, today)?;
        let mut past = Self {
            first,
            known: months - (months - RECORD_LEAST).min(MONTHS_MAX),
            parts: Vec::new(),
            numbers: Vec::new(),
            review_days: review_days(&snapshot.stores.suppliers),
            base: base(snapshot),
            boat_day_minor: boat_day(snapshot, base(snapshot)),
            left_out: 0,
        };
        past.add_parts(snapshot, asked, today)?;
        Ok(past)
    }

    fn add_parts(
        &mut self,
        snapshot: &Snapshot,
        mut asked: BTreeMap<PartId, Vec<u32>>,
        today: NaiveDate,
    ) -> Result<(), RunError> {
        let stores = &snapshot.stores;
        let past = Past {
            orders: &stores.orders,
            lines: &stores.order_lines,
            receipts: &stores.receipts,
            receipt_lines: &stores.receipt_lines,
        };
        let learned = Learned::of(&past, &stores.lead_times, today);
        let (settings, fills) = (rates(snapshot, self.base, today), fills(snapshot));
        for (stream, part) in stores.parts.iter().enumerate() {
            let Some(asked) = asked.remove(&part.id) else { continue };
            let term = stores.terms.iter().find(|it| it.part == part.id && it.holds_on(today));
            let terms = match term {
                Some(term) => in_base(term, &stores.term_breaks, &learned, &settings)?,
                None => None,
            };
            let Some(terms) = terms else {
                self.left_out += 1;
                continue;
            };
            let fill = fills.get(&part.id).copied().unwrap_or(1);
            self.numbers.push(part.number.clone());
            self.parts.push(ReplayPart {
                stream: stream as u64,
                asked,
                issue_size: fill,
                start: Vec::new(),
                terms,
                shelf_life_days: part
                    .shelf_life_months
                    .map(|months| (f64::from(months.max(0)) * 30.44) as u32),
                boat_days_per_unit: boat_days_per_unit(part, fill),
            });
        }
        Ok(())
    }

    /// Months that are replayed.
    pub fn months(&self) -> usize {
        let longest = self.parts.iter().map(|part| part.asked.len()).max().unwrap_or(0);
        longest.saturating_sub(self.known)
    }

    fn first_day(&self) -> NaiveDate {
        self.first.plus(self.known as i32).first_day().unwrap_or(NaiveDate::MIN)
    }

    /// The parts with the months of the replay only.
    fn replayed(&self) -> Vec<ReplayPart> {
        let cut = |part: &ReplayPart| ReplayPart {
            asked: part.asked.get(self.known..).unwrap_or_default().to_vec(),
            ..part.clone()
        };
        self.parts.iter().map(cut).collect()
    }

    /// Replays the past under both rules; `told` hears how many months are done.
    ///
    /// # Errors
    /// Terms or a forecast that break a rule.
    pub fn check(&self, told: &dyn Fn(usize)) -> Result<CheckedOrders, RunError> {
        let settings = ReplaySettings {
            from: self.first_day(),
            review_days: self.review_days,
            rush_days: Some(RUSH_DAYS),
            seed: 1,
        };
        let mut parts = self.replayed();
        let tuned = parts.iter().map(|part| tune_min_max(part, &settings, TARGET));
        let levels = tuned.collect::<Result<Vec<_>, _>>().map_err(refused)?;
        // Both begin with the shelf that the minimum-maximum rule would have filled.
        for (part, level) in parts.iter_mut().zip(&levels) {
            let quantity = u32::try_from(level.maximum).unwrap_or(u32::MAX);
            part.start = vec![ShelfLot { quantity, expires_on: None }];
        }
        let min_max = replay(&parts, &settings, min_max_rule(&levels)).map_err(refused)?;
        let mut advisor = Advisor { past: self, forecast: None };
        let advice = replay(&parts, &settings, |review| {
            told(review.month);
            advisor.order(review)
        });
        Ok(CheckedOrders { advice: advice.map_err(refused)?, min_max })
    }
}

fn refused(error: OrderingError) -> RunError {
    RunError::Refused { rule: error.rule(), what: error.to_string() }
}

/// The advice as it stands on past days, with the forecast of the month at hand.
struct Advisor<'a> {
    past: &'a OrdersPast,
    forecast: Option<(usize, Vec<DemandPaths>)>,
}

impl Advisor<'_> {
    fn order(&mut self, review: &Review) -> Result<Vec<u64>, OrderingError> {
        if self.forecast.as_ref().is_none_or(|(month, _)| *month != review.month) {
            self.forecast = Some((review.month, self.forecast(review)?));
        }
        let demand = self.forecast.as_ref().map_or(&[][..], |(_, demand)| demand);
        let asked: Vec<PartToStock<'_>> = self
            .past
            .parts
            .iter()
            .zip(demand)
            .zip(&review.supply)
            .map(|((part, demand), supply)| PartToStock {
                stream: part.stream,
                demand,
                months: MonthsDrawn::Jointly,
                unit: "",
                issue_size: part.issue_size,
                supply: supply.clone(),
                dated_needs: Vec::new(),
                offers: vec![Offer {
                    supplier: 0,
                    terms: part.terms.clone(),
                    review_days: self.past.review_days,
                    order_cost_minor: 0,
                }],
                policy: Policy::FillRate { target: TARGET },
                boat_days_per_unit: part.boat_days_per_unit,
                shelf_life_days: part.shelf_life_days,
            })
            .collect();
        let supplier = OrderTerms {
            currency: self.past.base,
            minimum: None,
            freight: None,
            freight_free_from: None,
        };
        let settings = Settings {
            boat_day_minor: self.past.boat_day_minor,
            ..Settings::on(review.on, self.past.base)
        };
        let question = Question { parts: &asked, suppliers: &[supplier], settings: &settings };
        Ok(advise(question)?.lines.iter().map(|line| line.quantity).collect())
    }

    /// What each part may need, as the months before this one let expect.
    fn forecast(&self, review: &Review) -> Result<Vec<DemandPaths>, OrderingError> {
        let known = self.past.known + review.month;
        let history = |(part, number): (&ReplayPart, &String)| History {
            part: number.clone(),
            family: None,
            first: self.past.first,
            quantities: part.asked[..known].iter().map(|units| f64::from(*units)).collect(),
        };
        let histories: Vec<History> =
            self.past.parts.iter().zip(&self.past.numbers).map(history).collect();
        let request = demand::Request { months: AHEAD, paths: PATHS, seed: known as u64 };
        // Histories of whole numbers, all of one length, break no rule.
        let run = demand::forecast(&histories, &request, &|_, _| {})
            .map_err(|_| OrderingError::NoDemand)?;
        let whole = |value: &f32| value.max(0.0).round() as u32;
        run.parts
            .iter()
            .map(|part| {
                let values = part.paths.values().iter().map(whole).collect();
                DemandPaths::new(review.on, AHEAD, values)
            })
            .collect()
    }
}

/// Units used in each month of the record, under the number that is bought today.
fn asked_by_month(
    snapshot: &Snapshot,
    first: Month,
    months: usize,
    today: NaiveDate,
) -> Result<BTreeMap<PartId, Vec<u32>>, RunError> {
    let chain = chain(snapshot)?;
    let days: HashMap<_, _> =
        snapshot.work.services.iter().map(|service| (service.id, service.done_on)).collect();
    let mut asked: BTreeMap<PartId, Vec<f64>> = BTreeMap::new();
    for row in &snapshot.work.service_parts {
        let Some(day) = days.get(&row.service) else { continue };
        let Ok(month) = usize::try_from(Month::of(*day).since(first)) else { continue };
        let (part, factor) = chain.current(row.part, today);
        let units =
            row.quantity as f64 * f64::from(factor.new_units) / f64::from(factor.old_units.max(1));
        if let Some(of) = asked.entry(part).or_insert_with(|| vec![0.0; months]).get_mut(month) {
            *of += units;
        }
    }
    let whole = |months: Vec<f64>| months.iter().map(|units| units.round() as u32).collect();
    Ok(asked.into_iter().map(|(part, months)| (part, whole(months))).collect())
}

/// How often most suppliers are looked at.
fn review_days(suppliers: &[Supplier]) -> u32 {
    let mut days: Vec<u32> =
        suppliers.iter().map(|it| it.review_days.max(1).unsigned_abs()).collect();
    days.sort_unstable();
    days.get(days.len() / 2).copied().unwrap_or(30)
}

fn base(snapshot: &Snapshot) -> Currency {
    let first = snapshot.stores.suppliers.iter().find(|supplier| !supplier.archived);
    first.map_or(Currency::EUR, |supplier| supplier.currency)
}

fn rates(snapshot: &Snapshot, base: Currency, today: NaiveDate) -> Settings {
    let mut rates: Vec<ExchangeRate> = snapshot
        .yard
        .rates
        .iter()
        .filter(|rate| rate.to_currency == base && rate.on <= today)
        .map(|rate| ExchangeRate {
            currency: rate.from_currency,
            in_base: rate.rate_millionths as f64 / 1e6,
            on: rate.on,
        })
        .collect();
    rates.sort_by_key(|rate| rate.on);
    Settings { rates, ..Settings::on(today, base) }
}

/// A term's figures with all money in the base currency; `None` without a rate.
fn in_base(
    term: &Term,
    breaks: &[TermBreak],
    learned: &Learned,
    settings: &Settings,
) -> Result<Option<Terms>, RunError> {
    let own: Vec<TermBreak> = breaks.iter().filter(|step| step.term == term.id).cloned().collect();
    let supplier: SupplierId = term.supplier;
    let terms = term.in_bought_units(&own, learned.of_term(term), None);
    let mut terms = terms.map_err(|error| RunError::Refused {
        rule: error.rule(),
        what: format!("terms of supplier {supplier}: {error}"),
    })?;
    let prices = terms.breaks.iter_mut().map(|step| &mut step.price);
    for price in prices.chain([&mut terms.price]) {
        let Ok(minor) = settings.to_base(price.minor, price.currency) else { return Ok(None) };
        *price = fleet::Money::new(minor.max(1), settings.base);
    }
    Ok(Some(terms))
}

#[cfg(test)]
mod tests {
    use fleet::Money;
    use fleet::terms::LeadTime;

    use super::*;

    /// Three summers of an impeller and a gear oil, quiet in winter.
    fn past() -> OrdersPast {
        let part = |stream: u64, summer: u32, issue: u32| ReplayPart {
            stream,
            asked: (0..36)
                .map(|month: u32| match month % 12 {
                    4..=8 => (summer + (month * 7 + stream as u32) % 3) * issue,
                    _ => (month + stream as u32) % 2 * issue,
                })
                .collect(),
            issue_size: issue,
            start: Vec::new(),
            terms: Terms::plain(
                Money::new(900, Currency::EUR),
                LeadTime { median_days: 10, worst_days: 25 },
            ),
            shelf_life_days: None,
            boat_days_per_unit: 1.0,
        };
        OrdersPast {
            first: Month::of(NaiveDate::from_ymd_opt(2023, 1, 1).expect("a date")),
            known: 12,
            parts: vec![part(1, 6, 1), part(2, 9, 1)],
            numbers: vec!["impeller".to_owned(), "anode".to_owned()],
            review_days: 14,
            base: Currency::EUR,
            boat_day_minor: None,
            left_out: 0,
        }
    }

    #[test]
    fn both_rules_meet_the_same_demand_month_by_month() {
        let past = past();
        let checked = past.check(&|_| {}).expect("a replay");
        let asked: Vec<u64> = checked.advice.months.iter().map(|month| month.asked).collect();
        let of_other: Vec<u64> = checked.min_max.months.iter().map(|month| month.asked).collect();
        assert_eq!(asked.len(), 24);
        assert_eq!(asked, of_other);
        let whole: u64 = past
            .parts
            .iter()
            .flat_map(|part| &part.asked[12..])
            .map(|units| u64::from(*units))
            .sum();
        assert_eq!(checked.advice.total.asked, whole);
        // Deliveries of ten days and a look every fortnight: neither rule leaves a yard dry.
        for report in [&checked.advice, &checked.min_max] {
            assert!(report.total.fill_rate().expect("asked for") > 0.85, "{report:?}");
            assert!(report.total.money_tied_up > 0.0);
        }
    }

    #[test]
    fn the_advice_of_a_month_knows_nothing_of_it_or_later() {
        let past = past();
        let mut other = past.clone();
        for part in &mut other.parts {
            for units in &mut part.asked[20..] {
                *units += 50;
            }
        }
        let review = Review {
            on: NaiveDate::from_ymd_opt(2024, 9, 1).expect("a date"),
            month: 8,
            supply: vec![ordering::Supply::default(); 2],
        };
        let order =
            |past: &OrdersPast| Advisor { past, forecast: None }.order(&review).expect("an order");
        assert_eq!(order(&past), order(&other));
        assert!(order(&past).iter().sum::<u64>() > 0, "shelves are empty");
    }
}
