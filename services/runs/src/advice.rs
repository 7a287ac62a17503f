//! The order advice as a run that is kept: the latest forecast's sample paths against what is on the
//! shelf and on order, on the suppliers' terms.

mod kept;
mod kits;
mod needs;

use std::collections::HashMap;

use chrono::NaiveDate;
use demand::Month;
use exchange::snapshot::{PartPaths, read_paths};
use fleet::Currency;
use fleet::id::{LotId, OrderLineId, PartId, SupplierId, TermId};
use fleet::part::{Part, PartKind, ReservationStatus};
use fleet::supplier::{StockPolicy, Supplier, SupplierSeason, Term, TermBreak};
use fleet::terms::{OrderTerms, PreSeason};
use ordering::{
    Arrival, DemandPaths, ExchangeRate, MonthsDrawn, Offer, PartToStock, Policy, Question,
    Settings, ShelfLot, Supply, advise,
};
use store::snapshot::Snapshot;

use crate::error::RunError;
use crate::execute::{Computed, Task};
use crate::forecast::chain;
use crate::lead_times::{Learned, Past};
use crate::parameters;
use crate::plan::prices::boat_day;
use kept::Kept;

/// Share of demand served at once where a part names no target (common practice, no source).
const FILL_RATE: f64 = 0.95;
/// Boat-days lost for a job that lacks a part which names none (common practice, no source).
const BOAT_DAYS_PER_JOB: f64 = 1.0;

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
    let dated = needs::dated(&task.snapshot, &chain(&task.snapshot)?, task.today);
    let asked: Vec<(&Part, PartToStock<'_>)> = market.ask(&task.snapshot, &demand, dated);
    let settings = settings(task, &market)?;
    let parts: Vec<PartToStock<'_>> = asked.iter().map(|it| it.1.clone()).collect();
    (task.progress)(500, "weighing what to order");
    let orders: Vec<OrderTerms> = market.suppliers.iter().map(|it| it.1).collect();
    let question = Question { parts: &parts, suppliers: &orders, settings: &settings };
    let advice = advise(question).map_err(refused)?;
    (task.progress)(900, "looking at kits, cash and what is too much");
    Kept { task, market: &market, asked: &asked, advice: &advice, settings: &settings }
        .computed(forecast.id)
}

fn refused(error: ordering::OrderingError) -> RunError {
    RunError::Refused { rule: error.rule(), what: error.to_string() }
}

/// Suppliers and what they ask, by their place in one list.
struct Market {
    suppliers: Vec<(SupplierId, OrderTerms)>,
    offers: HashMap<PartId, Vec<(Offer, Policy)>>,
    base: Currency,
    learned: Learned,
}

impl Market {
    fn read(snapshot: &Snapshot, today: NaiveDate) -> Result<Self, RunError> {
        let stores = &snapshot.stores;
        let active: Vec<&Supplier> = stores.suppliers.iter().filter(|it| !it.archived).collect();
        let place: HashMap<SupplierId, usize> =
            active.iter().enumerate().map(|(at, supplier)| (supplier.id, at)).collect();
        let suppliers = active.iter().map(|it| (it.id, it.order_terms())).collect();
        let past = Past {
            orders: &stores.orders,
            lines: &stores.order_lines,
            receipts: &stores.receipts,
            receipt_lines: &stores.receipt_lines,
        };
        let learned = Learned::of(&past, &stores.lead_times, today);
        let mut breaks: HashMap<TermId, Vec<TermBreak>> = HashMap::new();
        for row in &stores.term_breaks {
            breaks.entry(row.term).or_default().push(row.clone());
        }
        let mut offers: HashMap<PartId, Vec<(Offer, Policy)>> = HashMap::new();
        for term in stores.terms.iter().filter(|term| term.holds_on(today)) {
            let Some(at) = place.get(&term.supplier).copied() else { continue };
            let supplier = active[at];
            let own = breaks.remove(&term.id).unwrap_or_default();
            let window = window(snapshot, term.supplier, today);
            let terms = term.in_bought_units(&own, learned.of_term(term), window);
            let terms = terms.map_err(|error| RunError::Refused {
                rule: error.rule(),
                what: format!("terms of part {}: {error}", term.part),
            })?;
            let offer = Offer {
                supplier: at,
                terms,
                review_days: days(term.review_days.unwrap_or(supplier.review_days)),
                order_cost_minor: supplier.order_cost_minor.unwrap_or(0),
            };
            offers.entry(term.part).or_default().push((offer, policy(term)));
        }
        let base = active.first().map_or(Currency::EUR, |supplier| supplier.currency);
        Ok(Self { suppliers, offers, base, learned })
    }

    /// A question for each part that is sold or lies on the shelf, and was forecast.
    fn ask<'a>(
        &self,
        snapshot: &'a Snapshot,
        demand: &'a HashMap<PartId, DemandPaths>,
        mut dated: HashMap<PartId, Vec<(NaiveDate, u32)>>,
    ) -> Vec<(&'a Part, PartToStock<'a>)> {
        let mut supply = supply(snapshot);
        let fills = fills(snapshot);
        let parts = snapshot.stores.parts.iter().filter(|part| !part.archived);
        parts
            .enumerate()
            .filter_map(|(number, part)| {
                let offers = self.offers.get(&part.id).cloned().unwrap_or_default();
                let policy =
                    offers.first().map_or(Policy::FillRate { target: FILL_RATE }, |it| it.1);
                let fill = fills.get(&part.id).copied().unwrap_or(1);
                let asked = PartToStock {
                    stream: number as u64,
                    demand: demand.get(&part.id)?,
                    months: MonthsDrawn::Jointly,
                    unit: part.unit.symbol().unwrap_or_default(),
                    issue_size: fill,
                    supply: supply.remove(&part.id).unwrap_or_default(),
                    dated_needs: dated.remove(&part.id).unwrap_or_default(),
                    offers: offers.into_iter().map(|it| it.0).collect(),
                    policy,
                    boat_days_per_unit: boat_days_per_unit(part, fill),
                    shelf_life_days: part
                        .shelf_life_months
                        .map(|months| (f64::from(months.max(0)) * 30.44) as u32),
                };
                Some((part, asked))
            })
            .collect()
    }
}

/// Boat-days lost for each unit short. Of a fluid the part's figure is that of a job that lacks it,
/// however many millilitres it takes. Where the part names none, such a job waits a day.
pub(crate) fn boat_days_per_unit(part: &Part, fill: u32) -> f64 {
    let of_job = part
        .boat_days_lost_hundredths
        .map_or(BOAT_DAYS_PER_JOB, |hundredths| f64::from(hundredths) / 100.0);
    of_job / f64::from(fill.max(1))
}

/// What leaves of a fluid at once: the smallest filling of any task.
pub(crate) fn fills(snapshot: &Snapshot) -> HashMap<PartId, u32> {
    let fluids = snapshot.stores.parts.iter().filter(|part| part.kind == PartKind::Fluid);
    let mut fills: HashMap<PartId, u32> = fluids.map(|part| (part.id, u32::MAX)).collect();
    for row in &snapshot.programme.task_parts {
        if let (Some(fill), Ok(quantity)) = (fills.get_mut(&row.part), u32::try_from(row.quantity))
        {
            *fill = (*fill).min(quantity.max(1));
        }
    }
    fills.retain(|_, fill| *fill < u32::MAX);
    fills
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

/// The window that is open or opens next.
fn window(snapshot: &Snapshot, supplier: SupplierId, today: NaiveDate) -> Option<PreSeason> {
    let seasons = snapshot.stores.supplier_seasons.iter();
    seasons
        .filter(|season| season.supplier == supplier && today <= season.closes_on)
        .min_by_key(|season| season.opens_on)
        .map(SupplierSeason::window)
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
    // It serves a need that is counted: taken off the shelf too, it would be bought twice.
    let counted = needs::counted_whole(snapshot);
    let held = stores.reservations.iter().filter(|it| it.status == ReservationStatus::Held);
    for reservation in held.filter(|it| counted.contains_key(&it.job)) {
        let of = supply.entry(reservation.part).or_default();
        of.reserved = of.reserved.saturating_sub(whole(reservation.quantity));
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
        .filter(|order| order.status.awaits_goods())
        .map(|order| (order.id, order))
        .collect();
    for line in &stores.order_lines {
        let Some(order) = open.get(&line.order) else { continue };
        let came = received.get(&line.id).copied().unwrap_or(0);
        let quantity = whole(line.open(came));
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
    let budget = parameters::amount(&task.run.parameters, "budget", market.base)?;
    let mut rates: Vec<ExchangeRate> = task
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
    // The last one counts.
    rates.sort_by_key(|rate| rate.on);
    let boat_day_minor = boat_day(&task.snapshot, market.base);
    Ok(Settings { budget, rates, boat_day_minor, ..Settings::on(task.today, market.base) })
}
