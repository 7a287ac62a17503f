//! The past once more, with orders as a rule would have placed them.
//!
//! Day by day: deliveries arrive and serve what is owed, lots go bad, parts are asked for and issued
//! first-expiring first. On review days a rule sees what a buyer would see, nothing later, and names
//! quantities. Two rules are compared on the same demand and on the same luck with deliveries: the
//! time an order takes depends on part and day, not on the rule.

mod min_max;

use chrono::{Datelike, Days, NaiveDate};
use fleet::calendar::month_of;
use fleet::terms::{LeadTime, Terms};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::buying::Buying;
use crate::error::OrderingError;
use crate::horizon::{lead_at, normal_score};
use crate::requirement::{Arrival, ShelfLot, Supply};

pub use min_max::{MinMax, min_max_rule, tune_min_max};

/// A part in a replay.
#[derive(Clone, Debug, PartialEq)]
pub struct ReplayPart {
    /// Number of the part's own random stream.
    pub stream: u64,
    /// What was asked for in each month, in stock units.
    pub asked: Vec<u32>,
    /// Units that leave together: one job's need.
    pub issue_size: u32,
    pub start: Vec<ShelfLot>,
    pub terms: Terms,
    /// How long a delivery keeps.
    pub shelf_life_days: Option<u32>,
    pub boat_days_per_unit: f64,
}

/// How the past is gone through.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReplaySettings {
    /// First day of the first month.
    pub from: NaiveDate,
    pub review_days: u32,
    /// Where parts are short, the missing ones are rushed in so many days; `None`: they wait for the
    /// next delivery.
    pub rush_days: Option<u32>,
    pub seed: u64,
}

/// What a rule sees on a review day.
#[derive(Clone, Debug, PartialEq)]
pub struct Review {
    pub on: NaiveDate,
    /// Months gone by: what was asked for in them is known.
    pub month: usize,
    /// What there is of each part; what is owed to waiting jobs counts as reserved.
    pub supply: Vec<Supply>,
}

/// What happened in a month.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReplayMonth {
    pub month: NaiveDate,
    pub asked: u64,
    /// Of that, served at once.
    pub served: u64,
    pub jobs: u64,
    pub jobs_delayed: u64,
    pub boat_days_lost: f64,
    /// Value of the stock, mean over the month's days, in minor units.
    pub money_tied_up: f64,
    /// Spent on orders placed, in minor units.
    pub ordered: i64,
    pub orders: u64,
    pub rush_orders: u64,
    pub expired: u64,
    /// In minor units.
    pub expired_money: f64,
}

/// What happened in all.
#[derive(Clone, Debug, PartialEq)]
pub struct ReplayReport {
    pub months: Vec<ReplayMonth>,
    pub total: ReplayMonth,
}

impl ReplayMonth {
    const fn starting(month: NaiveDate) -> Self {
        Self {
            month,
            asked: 0,
            served: 0,
            jobs: 0,
            jobs_delayed: 0,
            boat_days_lost: 0.0,
            money_tied_up: 0.0,
            ordered: 0,
            orders: 0,
            rush_orders: 0,
            expired: 0,
            expired_money: 0.0,
        }
    }

    /// Share of what was asked for that was served at once; `None` where nothing was.
    pub fn fill_rate(&self) -> Option<f64> {
        (self.asked > 0).then(|| self.served as f64 / self.asked as f64)
    }

    fn add(&mut self, more: &Self) {
        self.asked += more.asked;
        self.served += more.served;
        self.jobs += more.jobs;
        self.jobs_delayed += more.jobs_delayed;
        self.boat_days_lost += more.boat_days_lost;
        self.ordered = self.ordered.saturating_add(more.ordered);
        self.orders += more.orders;
        self.rush_orders += more.rush_orders;
        self.expired += more.expired;
        self.expired_money += more.expired_money;
    }
}

/// Replays the past under a rule, which is asked on each review day and names the stock units to
/// order of each part; they are rounded up to what can be bought.
///
/// Parts need not have the same number of months; the longest decides, and a part asks for nothing
/// after its own. `O(days × parts)`. The same seed gives the same report.
///
/// # Errors
/// Terms that break a rule, or a rule that names a quantity too few or too many.
pub fn replay(
    parts: &[ReplayPart],
    settings: &ReplaySettings,
    mut rule: impl FnMut(&Review) -> Result<Vec<u64>, OrderingError>,
) -> Result<ReplayReport, OrderingError> {
    for part in parts {
        part.terms.check()?;
    }
    let from = month_of(settings.from);
    let mut shelves: Vec<Shelf<'_>> =
        parts.iter().map(|part| Shelf::new(part, settings, from)).collect();
    let months = parts.iter().map(|part| part.asked.len()).max().unwrap_or(0);
    let end = fleet::calendar::add_months(from, months as u32);
    let mut rows: Vec<ReplayMonth> = Vec::with_capacity(months);
    let (mut day, mut on) = (0_i64, from);
    while on < end {
        if on.day() == 1 {
            rows.push(ReplayMonth::starting(on));
        }
        let place = rows.len() - 1;
        shelves.iter_mut().for_each(|shelf| shelf.receive_and_expire(day, &mut rows[place]));
        if day % i64::from(settings.review_days.max(1)) == 0 {
            let supply = shelves.iter().map(|shelf| shelf.seen(from, day)).collect();
            let wanted = rule(&Review { on, month: place, supply })?;
            if wanted.len() != shelves.len() {
                let (left, right) = (wanted.len(), shelves.len());
                return Err(OrderingError::LengthsDiffer { left, right });
            }
            for (shelf, wanted) in shelves.iter_mut().zip(wanted) {
                shelf.order(wanted, on, day, &mut rows[place]);
            }
        }
        for shelf in &mut shelves {
            shelf.issue(day, &mut rows[place]);
            rows[place].money_tied_up += shelf.value();
        }
        day += 1;
        on = on.checked_add_days(Days::new(1)).unwrap_or(end);
    }
    Ok(report(rows, from))
}

fn report(mut rows: Vec<ReplayMonth>, from: NaiveDate) -> ReplayReport {
    let mut total = ReplayMonth::starting(from);
    let mut value_days = 0.0;
    let mut days = 0.0;
    for row in &mut rows {
        let next = fleet::calendar::add_months(row.month, 1);
        let length = (next - row.month).num_days() as f64;
        value_days += row.money_tied_up;
        days += length;
        row.money_tied_up /= length;
        total.add(row);
    }
    total.money_tied_up = if days > 0.0 { value_days / days } else { 0.0 };
    ReplayReport { months: rows, total }
}

/// One part's shelf during a replay.
struct Shelf<'a> {
    part: &'a ReplayPart,
    settings: &'a ReplaySettings,
    /// Units asked for in one go, by day; days rising.
    asks: Vec<(i64, u32)>,
    next_ask: usize,
    /// Last good day and quantity, first-expiring first.
    lots: Vec<(i64, u64)>,
    /// Day of arrival, day that was promised, quantity.
    arrivals: Vec<(i64, i64, u64)>,
    owed: u64,
    unit_value: f64,
}

impl<'a> Shelf<'a> {
    fn new(part: &'a ReplayPart, settings: &'a ReplaySettings, from: NaiveDate) -> Self {
        let mut lots: Vec<(i64, u64)> = part
            .start
            .iter()
            .map(|lot| {
                let last = lot.expires_on.map_or(i64::MAX, |day| (day - from).num_days());
                (last, u64::from(lot.quantity))
            })
            .collect();
        lots.sort_unstable();
        let price = part.terms.price.minor as f64 / f64::from(part.terms.unit_size.max(1));
        Self {
            part,
            settings,
            asks: spread_over_days(part, settings.seed, from),
            next_ask: 0,
            lots,
            arrivals: Vec::new(),
            owed: 0,
            unit_value: price,
        }
    }

    fn on_hand(&self) -> u64 {
        self.lots.iter().map(|(_, quantity)| quantity).sum()
    }

    fn value(&self) -> f64 {
        self.on_hand() as f64 * self.unit_value
    }

    fn receive_and_expire(&mut self, day: i64, row: &mut ReplayMonth) {
        let keeps = self.part.shelf_life_days.map_or(i64::MAX, |days| day + i64::from(days));
        let arrived = self.arrivals.iter().filter(|arrival| arrival.0 == day);
        let mut arrived: u64 = arrived.map(|arrival| arrival.2).sum();
        self.arrivals.retain(|arrival| arrival.0 != day);
        let served = arrived.min(self.owed);
        self.owed -= served;
        arrived -= served;
        if arrived > 0 {
            let place = self.lots.partition_point(|(last, _)| *last <= keeps);
            self.lots.insert(place, (keeps, arrived));
        }
        let bad = self.lots.partition_point(|(last, _)| *last < day);
        let expired: u64 = self.lots.drain(..bad).map(|(_, quantity)| quantity).sum();
        row.expired += expired;
        row.expired_money += expired as f64 * self.unit_value;
    }

    fn take(&mut self, wanted: u64) -> u64 {
        let mut left = wanted;
        for (_, quantity) in &mut self.lots {
            let taken = left.min(*quantity);
            *quantity -= taken;
            left -= taken;
        }
        self.lots.retain(|(_, quantity)| *quantity > 0);
        wanted - left
    }

    fn issue(&mut self, day: i64, row: &mut ReplayMonth) {
        let mut missing = 0;
        while let Some((_, units)) = self.asks.get(self.next_ask).filter(|ask| ask.0 == day) {
            let units = u64::from(*units);
            self.next_ask += 1;
            let served = self.take(units);
            row.jobs += 1;
            row.asked += units;
            row.served += served;
            if served < units {
                row.jobs_delayed += 1;
                row.boat_days_lost += (units - served) as f64 * self.part.boat_days_per_unit;
                missing += units - served;
            }
        }
        self.owed += missing;
        if let Some(rush) = self.settings.rush_days.filter(|_| missing > 0) {
            let arrives = day + i64::from(rush.max(1));
            let coming: u64 = self
                .arrivals
                .iter()
                .filter(|arrival| arrival.0 <= arrives)
                .map(|arrival| arrival.2)
                .sum();
            let rushed = self.owed.saturating_sub(coming);
            if rushed > 0 {
                self.arrivals.push((arrives, arrives, rushed));
                row.rush_orders += 1;
            }
        }
    }

    fn seen(&self, from: NaiveDate, day: i64) -> Supply {
        let date = |day: i64| from.checked_add_days(Days::new(u64::try_from(day).unwrap_or(0)));
        let narrow = |quantity: u64| u32::try_from(quantity).unwrap_or(u32::MAX);
        let lots = self.lots.iter().map(|(last, quantity)| ShelfLot {
            quantity: narrow(*quantity),
            expires_on: if *last == i64::MAX { None } else { date(*last) },
        });
        // A delivery that is overdue is expected any day: nobody knows more.
        let arrivals = self.arrivals.iter().map(|(_, promised, quantity)| Arrival {
            quantity: narrow(*quantity),
            due_on: date((*promised).max(day)),
        });
        Supply { lots: lots.collect(), reserved: narrow(self.owed), arrivals: arrivals.collect() }
    }

    fn order(&mut self, wanted: u64, on: NaiveDate, day: i64, row: &mut ReplayMonth) {
        let buying = Buying::on(&self.part.terms, on);
        let quantity = buying.round_up(wanted);
        if quantity == 0 {
            return;
        }
        let lead = buying.lead;
        let takes = drawn_lead_days(lead, self.settings.seed, self.part.stream, day);
        let promised = day + i64::from(lead.median_days).max(1);
        self.arrivals.push((day + takes.max(1), promised, quantity));
        row.orders += 1;
        row.ordered = row.ordered.saturating_add(buying.money_minor(quantity));
    }
}

/// The luck of an order: the same for every rule that orders on that day.
fn drawn_lead_days(lead: LeadTime, seed: u64, stream: u64, day: i64) -> i64 {
    let mut random =
        ChaCha8Rng::seed_from_u64(seed ^ (day as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15));
    random.set_stream(stream);
    lead_at(lead, normal_score(random.random::<f64>())).round() as i64
}

/// Lays each month's demand on its days at random, in issues.
fn spread_over_days(part: &ReplayPart, seed: u64, from: NaiveDate) -> Vec<(i64, u32)> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    random.set_stream(part.stream);
    let mut asks = Vec::new();
    for (month, units) in part.asked.iter().enumerate() {
        let first = fleet::calendar::add_months(from, month as u32);
        let next = fleet::calendar::add_months(from, month as u32 + 1);
        let (start, length) = ((first - from).num_days(), (next - first).num_days());
        let mut left = *units;
        while left > 0 {
            let issued = part.issue_size.max(1).min(left);
            let day = (random.random::<f64>() * length as f64) as i64;
            asks.push((start + day.min(length - 1), issued));
            left -= issued;
        }
    }
    asks.sort_unstable();
    asks
}
