//! The order advice as a run that is kept: the latest forecast's sample paths against what is on the
//! shelf and on order, on the suppliers' terms.

use std::collections::HashMap;

use chrono::NaiveDate;
use demand::Month;
use exchange::snapshot::{PartPaths, read_paths};
use fleet::id::{LotId, OrderLineId, PartId, RunRowId, SupplierId, TermId};
use fleet::order::OrderStatus;
use fleet::part::Part;
use fleet::supplier::{LeadTimeBasis, StockPolicy, Term};
use fleet::terms::{LeadTime, LeadTimes, OrderTerms, PreSeason, PriceBreak, Terms};
use fleet::{Currency, Money};
use ordering::{
    Advice, Arrival, DemandPaths, ExchangeRate, MonthsDrawn, Offer, PartToStock, Policy, Question,
    Settings, ShelfLot, Supply, advise,
};
use serde_json::{Value, json};
use store::runs::AdviceRow;
use store::snapshot::Snapshot;

use crate::error::RunError;
use crate::execute::{Computed, Task};

/// Share of demand served at once where a part names no target (common practice, no source).
const FILL_RATE: f64 = 0.95;
/// Boat-days lost for a part short where the part names none (common practice, no source).
const BOAT_DAYS_PER_UNIT: f64 = 1.0;

pub fn compute(task: &Task) -> Result<Computed, RunError> {
    let (forecast, file) = task.paths.as_ref().ok_or_else(|| RunError::Refused {
        rule: "forecast-missing",
        what: "there is no forecast yet; an order rests on one: run the forecast first".into(),
    })?;
    (task.progress)(100, "reading the forecast's paths");
    let first = forecast
        .summary
        .as_ref()
        .and_then(|summary| summary.get("first")?.as_str()?.parse::<Month>().ok())
        .and_then(Month::first_day)
        .unwrap_or(task.today);
    let paths =
        read_paths(file.content.clone()).map_err(|error| RunError::Stopped(error.to_string()))?;
    let market = Market::read(&task.snapshot, task.today)?;
    let demand = demand(&paths, first)?;
    (task.progress)(300, "reading stock and terms");
    let asked: Vec<(&Part, PartToStock<'_>)> = market.ask(&task.snapshot, &demand);
    let settings = settings(task, &market)?;
    let parts: Vec<PartToStock<'_>> = asked.iter().map(|it| it.1.clone()).collect();
    (task.progress)(500, "weighing what to order");
    let orders: Vec<OrderTerms> = market.suppliers.iter().map(|it| it.1).collect();
    let question = Question { parts: &parts, suppliers: &orders, settings: &settings };
    let advice = advise(question)
        .map_err(|error| RunError::Refused { rule: error.rule(), what: error.to_string() })?;
    Ok(keep(task, &market, &asked, &advice, forecast.id.to_string()))
}

/// Suppliers and what they ask, by their place in one list.
struct Market {
    suppliers: Vec<(SupplierId, OrderTerms)>,
    offers: HashMap<PartId, Vec<(Offer, Policy)>>,
    base: Currency,
}

impl Market {
    fn read(snapshot: &Snapshot, today: NaiveDate) -> Result<Self, RunError> {
        let stores = &snapshot.stores;
        let active: Vec<_> = stores.suppliers.iter().filter(|it| !it.archived).collect();
        let place: HashMap<SupplierId, usize> =
            active.iter().enumerate().map(|(at, supplier)| (supplier.id, at)).collect();
        let money = |minor: Option<i64>, currency| minor.map(|minor| Money::new(minor, currency));
        let suppliers = active
            .iter()
            .map(|it| {
                let terms = OrderTerms {
                    currency: it.currency,
                    minimum: money(it.order_minimum_minor, it.currency),
                    freight: money(it.freight_minor, it.currency),
                    freight_free_from: None,
                };
                (it.id, terms)
            })
            .collect();
        let mut breaks: HashMap<TermId, Vec<(i64, i64)>> = HashMap::new();
        for row in &stores.term_breaks {
            breaks.entry(row.term).or_default().push((row.quantity_from, row.price_minor));
        }
        let mut offers: HashMap<PartId, Vec<(Offer, Policy)>> = HashMap::new();
        let valid = |term: &&Term| {
            term.valid_from <= today && term.valid_until.is_none_or(|until| today < until)
        };
        for term in stores.terms.iter().filter(valid) {
            let Some(at) = place.get(&term.supplier).copied() else { continue };
            let supplier = active[at];
            let breaks = breaks.remove(&term.id).unwrap_or_default();
            let offer = Offer {
                supplier: at,
                terms: terms(snapshot, term, breaks, today)?,
                review_days: days(term.review_days.unwrap_or(supplier.review_days)),
                order_cost_minor: supplier.order_cost_minor.unwrap_or(0),
            };
            offers.entry(term.part).or_default().push((offer, policy(term)));
        }
        let base = active.first().map_or(Currency::EUR, |supplier| supplier.currency);
        Ok(Self { suppliers, offers, base })
    }

    /// A question for each part that is sold or lies on the shelf, and was forecast.
    fn ask<'a>(
        &self,
        snapshot: &'a Snapshot,
        demand: &'a HashMap<PartId, DemandPaths>,
    ) -> Vec<(&'a Part, PartToStock<'a>)> {
        let mut supply = supply(snapshot);
        let parts = snapshot.stores.parts.iter().filter(|part| !part.archived);
        parts
            .enumerate()
            .filter_map(|(number, part)| {
                let offers = self.offers.get(&part.id).cloned().unwrap_or_default();
                let policy =
                    offers.first().map_or(Policy::FillRate { target: FILL_RATE }, |it| it.1);
                let asked = PartToStock {
                    stream: number as u64,
                    demand: demand.get(&part.id)?,
                    months: MonthsDrawn::Jointly,
                    issue_size: 1,
                    supply: supply.remove(&part.id).unwrap_or_default(),
                    dated_needs: Vec::new(),
                    offers: offers.into_iter().map(|it| it.0).collect(),
                    policy,
                    boat_days_per_unit: part
                        .boat_days_lost_hundredths
                        .map_or(BOAT_DAYS_PER_UNIT, |hundredths| f64::from(hundredths) / 100.0),
                    shelf_life_days: part
                        .shelf_life_months
                        .map(|months| (f64::from(months.max(0)) * 30.44) as u32),
                };
                Some((part, asked))
            })
            .collect()
    }
}

fn days(days: i32) -> u32 {
    days.max(0).unsigned_abs()
}

fn policy(term: &Term) -> Policy {
    let target = term.target_permille.map(|permille| f64::from(permille) / 1_000.0);
    match term.policy {
        Some(StockPolicy::CycleService) => {
            Policy::CycleService { target: target.unwrap_or(FILL_RATE) }
        }
        Some(StockPolicy::BoatDays) => Policy::BoatDays { most_lost: None },
        Some(StockPolicy::FillRate) | None => {
            Policy::FillRate { target: target.unwrap_or(FILL_RATE) }
        }
    }
}

/// Terms in bought units. What is priced by the piece is bought by the piece, in packs; what is
/// priced otherwise (oil by the litre) is bought by the pack.
fn terms(
    snapshot: &Snapshot,
    term: &Term,
    mut breaks: Vec<(i64, i64)>,
    today: NaiveDate,
) -> Result<Terms, RunError> {
    let whole = |number: i64| u32::try_from(number.max(1)).unwrap_or(u32::MAX);
    let unit = if term.price_units == 1 { 1 } else { term.pack.max(1) };
    let price = |minor: i64| {
        let exact = i128::from(minor) * i128::from(unit);
        let units = i128::from(term.price_units.max(1));
        // Half a minor unit is rounded up.
        let minor = (exact + units / 2) / units;
        Money::new(i64::try_from(minor).unwrap_or(i64::MAX), term.price.currency)
    };
    breaks.sort_unstable();
    let terms = Terms {
        unit_size: whole(unit),
        pack: whole(if unit == 1 { term.pack } else { 1 }),
        minimum: whole(term.minimum.max(1).div_ceil_by(unit)),
        price: price(term.price.minor),
        breaks: breaks
            .into_iter()
            .map(|(from, minor)| PriceBreak {
                from: whole(from.div_ceil_by(unit)),
                price: price(minor),
            })
            .collect(),
        lead: lead_times(snapshot, term),
        pre_season: pre_season(snapshot, term.supplier, today),
    };
    terms.check().map_err(|error| RunError::Refused {
        rule: error.rule(),
        what: format!("terms of part {}: {error}", term.part),
    })?;
    Ok(terms)
}

/// Whole units that hold a quantity.
trait DivCeilBy {
    fn div_ceil_by(self, unit: Self) -> Self;
}

impl DivCeilBy for i64 {
    fn div_ceil_by(self, unit: Self) -> Self {
        (self + unit - 1) / unit
    }
}

/// As learned from orders and receipts, month by month; else as the terms state.
fn lead_times(snapshot: &Snapshot, term: &Term) -> LeadTimes {
    let median_days = days(term.lead_days_median);
    let worst_days = term.lead_days_worst.map_or(median_days, days).max(median_days);
    let mut lead = LeadTimes::all_year(LeadTime { median_days, worst_days });
    let learned = snapshot.stores.lead_times.iter().filter(|row| {
        row.supplier == term.supplier
            && row.basis == LeadTimeBasis::Learned
            && row.part.is_none_or(|part| part == term.part)
    });
    for row in learned {
        let month = (row.month.clamp(1, 12) - 1) as usize;
        let median_days = days(row.days_median);
        let worst_days = days(row.days_worst).max(median_days);
        if row.part.is_some() || lead.by_month[month].is_none() {
            lead.by_month[month] = Some(LeadTime { median_days, worst_days });
        }
    }
    lead
}

fn pre_season(snapshot: &Snapshot, supplier: SupplierId, today: NaiveDate) -> Option<PreSeason> {
    let open = snapshot
        .stores
        .supplier_seasons
        .iter()
        .filter(|season| season.supplier == supplier && today <= season.closes_on)
        .min_by_key(|season| season.opens_on)?;
    Some(PreSeason {
        opens: open.opens_on,
        closes: open.closes_on,
        ships_from: open.ships_on,
        discount_permille: open.discount_permille.max(0).unsigned_abs(),
    })
}

/// What is there of each part and what is coming. Used parts are never counted on.
fn supply(snapshot: &Snapshot) -> HashMap<PartId, Supply> {
    let stores = &snapshot.stores;
    let mut supply: HashMap<PartId, Supply> = HashMap::new();
    let whole = |number: i64| u32::try_from(number.max(0)).unwrap_or(u32::MAX);
    for level in &stores.stock_levels {
        let of = supply.entry(level.part).or_default();
        of.reserved += whole(level.reserved);
    }
    let mut in_lots: HashMap<PartId, i64> = HashMap::new();
    let expiry: HashMap<LotId, Option<NaiveDate>> =
        stores.lots.iter().map(|lot| (lot.id, lot.expires_on)).collect();
    for lot in &stores.lot_levels {
        if lot.on_hand <= 0 {
            continue;
        }
        *in_lots.entry(lot.part).or_default() += lot.on_hand;
        let expires_on = lot.lot.and_then(|id| expiry.get(&id).copied().flatten());
        supply
            .entry(lot.part)
            .or_default()
            .lots
            .push(ShelfLot { quantity: whole(lot.on_hand), expires_on });
    }
    let mut received: HashMap<OrderLineId, i64> = HashMap::new();
    for line in &stores.receipt_lines {
        *received.entry(line.line).or_default() += line.quantity;
    }
    let open: HashMap<_, _> = stores
        .orders
        .iter()
        .filter(|order| matches!(order.status, OrderStatus::Sent | OrderStatus::PartReceived))
        .map(|order| (order.id, order))
        .collect();
    for line in &stores.order_lines {
        let Some(order) = open.get(&line.order) else { continue };
        let came = received.get(&line.id).copied().unwrap_or(0);
        let quantity = whole(line.quantity - line.cancelled - came);
        let due = line.expected_on.or(order.expected_on).or(order.ordered_on);
        if let (Some(due_on), true) = (due, quantity > 0) {
            let arrival = Arrival { quantity, due_on: Some(due_on) };
            supply.entry(line.part).or_default().arrivals.push(arrival);
        }
    }
    supply
}

fn demand(paths: &[PartPaths], first: NaiveDate) -> Result<HashMap<PartId, DemandPaths>, RunError> {
    let mut demand = HashMap::new();
    for part in paths {
        let id: PartId = part.part.parse().map_err(|error| {
            RunError::Stopped(format!("the forecast's paths name no part: {error}"))
        })?;
        let values = part.values.iter().map(|value| value.max(0.0).round() as u32).collect();
        let drawn = DemandPaths::new(first, part.months as usize, values)
            .map_err(|error| RunError::Stopped(error.to_string()))?;
        demand.insert(id, drawn);
    }
    Ok(demand)
}

fn settings(task: &Task, market: &Market) -> Result<Settings, RunError> {
    let budget = match task.run.parameters.get("budget").and_then(Value::as_str) {
        None => None,
        Some(text) => Some(Money::parse(text, market.base).map_err(|error| RunError::Refused {
            rule: error.rule(),
            what: format!("budget: {error}"),
        })?),
    };
    let rates = task
        .snapshot
        .yard
        .rates
        .iter()
        .filter(|rate| rate.to_currency == market.base && rate.on <= task.today)
        .map(|rate| ExchangeRate {
            currency: rate.from_currency,
            in_base: rate.rate_millionths as f64 / 1e6,
            on: rate.on,
        })
        .collect();
    Ok(Settings { budget, rates, ..Settings::on(task.today, market.base) })
}

fn keep(
    task: &Task,
    market: &Market,
    asked: &[(&Part, PartToStock<'_>)],
    advice: &Advice,
    forecast: String,
) -> Computed {
    let rows: Vec<AdviceRow> = advice
        .lines
        .iter()
        .filter(|line| line.quantity > 0)
        .filter_map(|line| {
            let supplier = market.suppliers.get(line.supplier?)?.0;
            Some(AdviceRow {
                id: RunRowId::fresh(),
                run: task.run.id,
                part: asked[line.part].0.id,
                supplier,
                site: None,
                quantity: i64::try_from(line.quantity).ok()?,
                order_by: line.order_by.unwrap_or(task.today),
                unit_price: line.unit_price,
                total: line.money,
                fill_rate_permille: Some((line.expected_fill_rate * 1_000.0).round() as i32),
                reason: line.reason.clone(),
                detail: Some(json!({
                    "late": line.late,
                    "boat_days_lost": line.boat_days_lost,
                    "boat_days_lost_without": line.boat_days_lost_without,
                    "waiting_costs": line.waiting_costs,
                })),
            })
        })
        .collect();
    let curve: Vec<Value> = advice
        .curve
        .iter()
        .map(|point| json!({ "money_minor": point.money, "boat_days_lost": point.lost }))
        .collect();
    let summary = json!({
        "forecast": forecast,
        "lines": rows.len(),
        "currency": market.base.code(),
        "curve": curve,
    });
    Computed { advice: rows, summary: Some(summary), ..Computed::default() }
}
