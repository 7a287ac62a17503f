//! One part: what was used, what is expected and why, what is there, what to order.

mod past;

use std::collections::HashMap;

use ::runs::looking_back::{Changed, ContestedFleet, Then, changed, then};
use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;
use chrono::{Months, NaiveDate};
use demand::{ModelScores, Scores};
use fleet::id::{OrderId, OrganisationId, PartId, RunId, SiteId, SupplierId};
use fleet::order::{Order, OrderLine, OrderStatus};
use fleet::part::{DatedBy, LotCondition, Part, PartKind, StockLevel, Unit};
use fleet::run::RunKind;
use fleet::supplier::{Supplier, Term};
use serde::Deserialize as _;
use serde_json::Value;
use store::runs::{self, AdviceRow, ForecastPart, ForecastRow, Run, Scope};
use store::stock::{self, ShelfRow};
use store::{PageOf, StoreError, Transaction, jobs, orders, parts, record};
use uuid::Uuid;

use crate::advice_kept::{AdviceKept, KeptLeadTime};
use crate::chart::fan::{self, Expected, Used};
use crate::chart::{Picture, Table};
use crate::failure::{Failure, onward, sentence, shown};
use crate::figures::{capital, count, day, grouped, percent};
use crate::form::{Choice, Fact};
use crate::frame::{Frame, Link, Notice, Room};
use crate::run::Latest;
use crate::state::PagesState;
use crate::stores::{Position, Range, positions};
use crate::visitor::{Posted, Right, Visitor};
use crate::yard_records::Yard;
use past::{ChangedShown, ThenShown};

#[derive(Template)]
#[template(path = "part.html")]
pub struct PartPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    /// The decision first.
    pub decision: Vec<String>,
    pub fan: Option<Picture>,
    pub fan_says: String,
    pub no_forecast: String,
    pub reasons: Vec<String>,
    pub scores: Table,
    pub changed: Option<ChangedShown>,
    pub then: Option<ThenShown>,
    pub lines: Vec<String>,
    pub facts: Vec<Fact>,
    pub lots: Table,
    pub places: Vec<Place>,
    pub moves: Link,
}

/// A site that has the part, and where it lies there.
#[derive(Clone, Debug)]
pub struct Place {
    pub site: String,
    pub name: String,
    pub says: String,
    pub bin: String,
    pub action: String,
    pub may_change: bool,
    /// To another site.
    pub moves_to: Option<MovesTo>,
}

/// A form that moves what is free to another site.
#[derive(Clone, Debug)]
pub struct MovesTo {
    pub action: String,
    pub free: String,
    pub sites: Vec<Choice>,
}

const MONTHS_PAST: usize = 24;
const MONTHS_AHEAD: usize = 12;
const LOTS_MAX: usize = 100;
const BIN_MAX: usize = 40;

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(part): Path<Uuid>,
) -> Result<Response, Failure> {
    let yard = Yard::read(&state, &visitor).await?;
    let record = Record::read(&state, &visitor, &yard, PartId(part)).await?;
    shown(&page(&visitor, &yard, &record))
}

/// Keeps where a part lies at a site.
pub async fn keep_bin(
    State(state): State<PagesState>,
    Path(part): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::CountStock)?;
    let site: SiteId = fields.get("site").parse().map_err(|_| Failure::NotFound)?;
    let bin: String = fields.get("bin").chars().take(BIN_MAX).collect();
    let (organisation, who, part) = (visitor.organisation, visitor.author(&state), PartId(part));
    let keep =
        async |tx: &Transaction| stock::keep_bin(tx, organisation, &who, (part, site), &bin).await;
    state.store.write::<_, StoreError>(keep).await?;
    let says = match bin.as_str() {
        "" => "No bin is on record there any more.".to_owned(),
        bin => format!("It lies in {bin}."),
    };
    Ok(onward(&state, &format!("/stores/parts/{part}"), &Notice::done(says)))
}

/// What is on record of one part, and what the latest runs say of it.
struct Record {
    part: Part,
    position: Position,
    levels: Vec<StockLevel>,
    lots: Vec<ShelfRow>,
    /// What may be moved to another site.
    free: HashMap<SiteId, i64>,
    terms: Vec<Term>,
    suppliers: HashMap<SupplierId, String>,
    forecast: Latest,
    how: Option<ForecastPart>,
    months: Vec<ForecastRow>,
    changed: Option<Changed>,
    then: Option<Then>,
    advice: Vec<AdviceRow>,
    /// What of that advice stands on orders.
    ordered: Vec<(Order, OrderLine)>,
    /// How long suppliers take, as the latest advice learned it.
    lead_times: Vec<KeptLeadTime>,
}

impl Record {
    async fn read(
        state: &PagesState,
        visitor: &Visitor,
        yard: &Yard,
        part: PartId,
    ) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let part = record::get::<Part>(connection, organisation, part).await?;
        let one = [part.id];
        let page = PageOf::new(None, 1);
        let positions = positions(connection, organisation, &one).await?;
        let suppliers: Vec<Supplier> = record::all(connection, organisation).await?;
        let forecast = Latest::of(state, organisation, RunKind::Forecast).await?;
        let (mut how, mut months) = (None, Vec::new());
        let (mut since, mut back) = (None, None);
        if let Some(run) = &forecast.done {
            let parts = runs::forecast_parts(connection, organisation, run.id, Some(part.id));
            how = parts.await?.into_iter().find(|how| how.site.is_none());
            months = months_of(state, visitor, run, part.id).await?;
            let of = (part.id, Scope::Fleet);
            since = changed(connection, organisation, run, of, &months).await?;
            if let Some(how) = &how {
                back = then(connection, organisation, run, how).await?;
            }
        }
        let levels = stock::levels(connection, organisation, &one).await?;
        let mut free = HashMap::new();
        for level in levels.iter().filter(|level| level.on_hand > level.reserved) {
            let at = (&part, level.site);
            let there = jobs::free_at(connection, organisation, at, yard.today).await?;
            free.insert(level.site, there);
        }
        let advice = runs::latest(connection, organisation, RunKind::OrderAdvice, None).await?;
        let kept = AdviceKept::of(advice.as_ref());
        let ordered = match &advice {
            Some(run) => ordered(connection, organisation, run.id, part.id).await?,
            None => Vec::new(),
        };
        let advice = match advice {
            Some(run) => runs::advice_rows(connection, organisation, run.id).await?,
            None => Vec::new(),
        };
        Ok(Self {
            position: positions.get(&part.id).copied().unwrap_or_default(),
            levels,
            free,
            lots: stock::at(connection, organisation, state.now(), (None, Some(part.id)), page)
                .await?
                .rows,
            terms: parts::terms(connection, organisation, &one).await?,
            suppliers: suppliers.into_iter().map(|s| (s.id, s.name)).collect(),
            forecast,
            how,
            months,
            changed: since,
            then: back,
            advice: advice.into_iter().filter(|row| row.part == part.id).collect(),
            ordered,
            lead_times: kept
                .lead_times
                .into_iter()
                .filter(|row| row.part == Some(part.id))
                .collect(),
            part,
        })
    }

    fn supplier(&self, id: SupplierId) -> &str {
        self.suppliers.get(&id).map_or("a supplier", String::as_str)
    }
}

/// The lines of a part on orders that were drafted from the advice of a run.
async fn ordered(
    connection: &store::Connection,
    organisation: OrganisationId,
    run: RunId,
    part: PartId,
) -> Result<Vec<(Order, OrderLine)>, StoreError> {
    let mut of_run = orders::of_run(connection, organisation, run).await?;
    of_run.retain(|order| order.status != OrderStatus::Cancelled);
    let ids: Vec<OrderId> = of_run.iter().map(|order| order.id).collect();
    let mut lines = orders::lines(connection, organisation, &ids).await?;
    lines.retain(|line| line.part == part && line.quantity > line.cancelled);
    let of = |line: OrderLine| {
        let order = of_run.iter().find(|order| order.id == line.order)?.clone();
        Some((order, line))
    };
    Ok(lines.into_iter().filter_map(of).collect())
}

/// Single months of the whole organisation, in order.
async fn months_of(
    state: &PagesState,
    visitor: &Visitor,
    run: &Run,
    part: PartId,
) -> Result<Vec<ForecastRow>, Failure> {
    let (connection, wanted) = (state.store.connection(), (Some(part), Scope::Fleet));
    let mut months = runs::forecast_rows(connection, visitor.organisation, run.id, wanted).await?;
    months.retain(|row| row.months == 1);
    months.sort_by_key(|row| row.month);
    Ok(months)
}

fn page(visitor: &Visitor, yard: &Yard, record: &Record) -> PartPage {
    let part = &record.part;
    let (past, ahead) = (past(record), ahead(record));
    let name = format!("{}, {}", part.name, part.number);
    let path = format!("/stores/parts/{}", part.id);
    PartPage {
        frame: visitor.frame(&part.number, Room::Stores),
        heading: name.clone(),
        lead: format!(
            "{} on hand, {} promised to jobs, {} on order. {}",
            amount(part.unit, record.position.on_hand),
            amount(part.unit, record.position.reserved),
            amount(part.unit, record.position.on_order),
            record.forecast.says(yard)
        ),
        decision: decision(yard, record),
        fan_says: fan::describe(&past, &ahead, part.unit, yard.today),
        fan: (!ahead.is_empty() || !past.is_empty())
            .then(|| fan::draw("fan", (&name, part.unit), &past, &ahead, yard.today)),
        no_forecast: "This part was in no forecast yet. A forecast is made each night, and by \
                      “slackwater forecast”."
            .to_owned(),
        reasons: reasons(record, &ahead),
        scores: record.how.as_ref().map(|how| scores(&how.scores)).unwrap_or_default(),
        changed: record.changed.as_ref().map(|it| ChangedShown::of(yard, it, part.unit)),
        then: looked_back(yard, record, &name),
        lines: match record.ordered.as_slice() {
            [] => record.advice.iter().map(|row| advice_line(yard, record, row)).collect(),
            _ => Vec::new(),
        },
        facts: facts(yard, record),
        lots: lots(yard, record),
        places: places(visitor, yard, record),
        moves: Link::new("All its moves, and what was there on a day", format!("{path}/moves")),
    }
}

pub fn amount(unit: Unit, quantity: i64) -> String {
    let quantity = grouped(quantity);
    match unit.symbol() {
        Some(unit) => format!("{quantity} {unit}"),
        None => quantity,
    }
}

fn decision(yard: &Yard, record: &Record) -> Vec<String> {
    let Some(first) = record.advice.iter().min_by_key(|row| row.order_by) else {
        return Vec::new();
    };
    let unit = record.part.unit;
    let advised: i64 = record.advice.iter().map(|row| row.quantity).sum();
    let ordered: i64 = record.ordered.iter().map(|(_, line)| line.quantity - line.cancelled).sum();
    let mut says: Vec<String> =
        record.ordered.iter().map(|(order, line)| on_order(yard, unit, order, line)).collect();
    if ordered == 0 {
        says.push(format!(
            "Order {} from {} by {}.",
            amount(unit, first.quantity),
            record.supplier(first.supplier),
            day(first.order_by, yard.today)
        ));
    } else if ordered < advised {
        says.push(format!("{} more were advised.", amount(unit, advised - ordered)));
    }
    says.push(sentence(&first.reason));
    says
}

/// What of the advice stands on an order already.
fn on_order(yard: &Yard, unit: Unit, order: &Order, line: &OrderLine) -> String {
    let quantity = amount(unit, line.quantity - line.cancelled);
    let on = |on: Option<NaiveDate>| on.map(|on| day(on, yard.today)).unwrap_or_default();
    let number = &order.number;
    match order.status {
        OrderStatus::Draft => format!("{quantity} on the draft of order {number}, not sent yet."),
        OrderStatus::Approved => {
            format!("{quantity} on order {number}, approved and not sent yet.")
        }
        OrderStatus::Sent | OrderStatus::PartReceived => format!(
            "{quantity} ordered on {}, order {number}, expected {}.",
            on(order.ordered_on),
            on(line.expected_on.or(order.expected_on))
        ),
        _ => format!("{quantity} came with order {number}."),
    }
}

fn advice_line(yard: &Yard, record: &Record, row: &AdviceRow) -> String {
    format!(
        "{} from {} for {} by {}.",
        amount(record.part.unit, row.quantity),
        record.supplier(row.supplier),
        row.total,
        day(row.order_by, yard.today)
    )
}

/// The history that the forecast rests on: months and quantities, as the run keeps them.
fn past(record: &Record) -> Vec<Used> {
    let used = all_past(record);
    let skip = used.len().saturating_sub(MONTHS_PAST);
    used.into_iter().skip(skip).collect()
}

fn all_past(record: &Record) -> Vec<Used> {
    record.how.as_ref().map(|how| past_months(&how.history)).unwrap_or_default()
}

fn looked_back(yard: &Yard, record: &Record, name: &str) -> Option<ThenShown> {
    let fleet = record.forecast.done.as_ref().and_then(ContestedFleet::of);
    let of = (name, record.part.unit);
    ThenShown::of(yard, record.then.as_ref()?, of, &all_past(record), fleet.as_ref())
}

/// Reads `{"first": "2024-01", "quantities": [2, 0, 1]}`.
fn past_months(history: &Value) -> Vec<Used> {
    let first = history.get("first").and_then(Value::as_str).unwrap_or_default();
    let first =
        NaiveDate::parse_from_str(&format!("{}-01", first.get(..7).unwrap_or("")), "%Y-%m-%d");
    let (Ok(first), Some(quantities)) =
        (first, history.get("quantities").and_then(Value::as_array))
    else {
        return Vec::new();
    };
    let used = quantities.iter().enumerate().filter_map(|(i, quantity)| {
        let month = first.checked_add_months(Months::new(u32::try_from(i).ok()?))?;
        Some(Used { month, quantity: quantity.as_f64()? })
    });
    used.collect()
}

fn ahead(record: &Record) -> Vec<Expected> {
    let month = |row: &ForecastRow| {
        expected(row.month, (row.planned, row.on_finding, row.unplanned), &row.quantiles)
    };
    record.months.iter().take(MONTHS_AHEAD).filter_map(month).collect()
}

fn expected(
    month: NaiveDate,
    (planned, on_finding, unplanned): (f64, f64, f64),
    quantiles: &Value,
) -> Option<Expected> {
    let Range { low, lower, median, upper, high } = Range::of(quantiles)?;
    let (q10, q25, q50, q75, q90) = (low, lower, median, upper, high);
    Some(Expected { month, planned, on_finding, unplanned, q10, q25, q50, q75, q90 })
}

fn reasons(record: &Record, ahead: &[Expected]) -> Vec<String> {
    let mut reasons = Vec::new();
    let sum = |stream: fn(&Expected) -> f64| ahead.iter().map(stream).sum::<f64>();
    let (planned, found, unplanned) =
        (sum(|m| m.planned), sum(|m| m.on_finding), sum(|m| m.unplanned));
    let all = planned + found + unplanned;
    if all > 0.0 {
        reasons.push(format!(
            "Of what is expected in {}, {} is planned work, {} comes on findings and {} is unplanned.",
            count(ahead.len(), "month", "months"),
            percent(planned / all),
            percent(found / all),
            percent(unplanned / all)
        ));
    }
    if let Some(how) = &record.how {
        reasons.push(sentence(&how.reason));
    }
    reasons
}

/// Columns of a score that a buyer can read.
fn score_columns() -> Vec<String> {
    ["Way", "Quantile loss", "Scaled error", "Bias", "Within its 90 %"].map(str::to_owned).to_vec()
}

fn score_row(name: &str, scores: &Scores) -> Vec<String> {
    vec![
        name.to_owned(),
        format!("{:.2}", scores.pinball),
        format!("{:.2}", scores.rmsse),
        scores.bias.map_or("–".to_owned(), bias),
        percent(scores.coverage_90),
    ]
}

/// By how much of what was used the forecast was above it: `+12 %`, `−53 %`.
fn bias(share: f64) -> String {
    let sign = if share < 0.0 { "−" } else { "+" };
    format!("{sign}{:.0} %", 100.0 * share.abs())
}

/// The backtest as the run keeps it: one row per model.
fn scores(scores: &Value) -> Table {
    let Ok(models) = Vec::<ModelScores>::deserialize(scores) else { return Table::default() };
    let row = |it: &ModelScores| score_row(&capital(it.model.name()), &it.scores);
    Table { head: score_columns(), rows: models.iter().map(row).collect() }
}

fn facts(yard: &Yard, record: &Record) -> Vec<Fact> {
    let part = &record.part;
    let kind = match part.kind {
        PartKind::Part => "part",
        PartKind::Kit => "kit of loose parts",
        PartKind::Fluid => "fluid",
        PartKind::Consumable => "consumable",
    };
    let mut facts = vec![Fact::new("Kind", kind)];
    facts.extend(part.maker.as_ref().map(|maker| Fact::new("Maker", maker)));
    facts.extend(part.family.as_ref().map(|family| Fact::new("Family", family)));
    facts.extend(part.compound.as_ref().map(|compound| Fact::new("Compound", compound)));
    if let Some(months) = part.shelf_life_months {
        let source = part.shelf_life_source.as_deref().unwrap_or("no source on record");
        let months = count(months.unsigned_abs() as usize, "month", "months");
        facts.push(Fact::new("Shelf life", format!("{months} ({source})")));
    }
    let current = |term: &&Term| {
        term.valid_from <= yard.today && term.valid_until.is_none_or(|until| until > yard.today)
    };
    for term in record.terms.iter().filter(current) {
        let lead = count(term.lead_days_median.unsigned_abs() as usize, "day", "days");
        let worst = term.lead_days_worst.map(|days| format!(", at worst {days}"));
        let terms = format!(
            "{} for {}, pack of {}, {lead}{}",
            term.price,
            amount(part.unit, term.price_units),
            grouped(term.pack),
            worst.unwrap_or_default()
        );
        facts.push(Fact::new(record.supplier(term.supplier), terms));
    }
    for lead in &record.lead_times {
        let months: Vec<String> = lead
            .months()
            .iter()
            .map(|month| format!("{} {} to {}", month[0], month[1], month[2]))
            .collect();
        let by_month = match months.as_slice() {
            [] => String::new(),
            months => format!("; by month of the order, days: {}", months.join(", ")),
        };
        let name = format!("{} delivers", record.supplier(lead.supplier));
        facts.push(Fact::new(name, format!("{}{by_month}", lead.says())));
    }
    facts
}

fn places(visitor: &Visitor, yard: &Yard, record: &Record) -> Vec<Place> {
    let place = |level: &StockLevel| {
        let site = yard.sites.iter().find(|site| site.id == level.site)?;
        Some(Place {
            site: site.id.to_string(),
            name: site.name.clone(),
            says: format!(
                "{}: {} on hand, {} promised to jobs.",
                site.name,
                amount(record.part.unit, level.on_hand),
                amount(record.part.unit, level.reserved)
            ),
            bin: level.bin.clone().unwrap_or_default(),
            action: format!("/stores/parts/{}/bin", record.part.id),
            may_change: visitor.may(Right::CountStock),
            moves_to: moves_to(visitor, yard, record, level),
        })
    };
    record.levels.iter().filter_map(place).collect()
}

fn moves_to(
    visitor: &Visitor,
    yard: &Yard,
    record: &Record,
    level: &StockLevel,
) -> Option<MovesTo> {
    let free = record.free.get(&level.site).copied().unwrap_or(0);
    let others = yard.sites.iter().filter(|site| site.id != level.site && !site.archived);
    let sites: Vec<Choice> =
        others.map(|site| Choice::new(site.id.to_string(), site.name.clone())).collect();
    let may = free > 0 && !sites.is_empty() && visitor.may(Right::Buy);
    may.then(|| MovesTo {
        action: format!("/stores/parts/{}/transfer", record.part.id),
        free: amount(record.part.unit, free),
        sites,
    })
}

fn lots(yard: &Yard, record: &Record) -> Table {
    let on = |date: Option<NaiveDate>| date.map_or("–".to_owned(), |on| day(on, yard.today));
    let row = |row: &ShelfRow| {
        let lot = &row.lot;
        let dated = match lot.dated_by {
            DatedBy::Cure => "by its cure date",
            DatedBy::Label => "by its label",
            DatedBy::Receipt => "by receipt",
            DatedBy::Unknown => "unknown, never fresh",
        };
        let condition =
            if lot.condition == LotCondition::Used { "used, from a donor" } else { "new" };
        vec![
            lot.code.clone().unwrap_or_else(|| "–".to_owned()),
            amount(record.part.unit, row.on_hand),
            condition.to_owned(),
            on(lot.received_on),
            on(lot.expires_on),
            dated.to_owned(),
        ]
    };
    let head =
        ["Lot", "On hand", "Condition", "Received", "Use by", "Dated"].map(str::to_owned).to_vec();
    Table { head, rows: record.lots.iter().take(LOTS_MAX).map(row).collect() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_history_of_a_run_is_read_month_by_month() {
        let used = past_months(&serde_json::json!({"first": "2025-11", "quantities": [2, 0, 1.0]}));
        let last = used.last().map(|m| (m.month.to_string(), m.quantity));
        assert_eq!((used.len(), last), (3, Some(("2026-01-01".to_owned(), 1.0))));
        for broken in
            ["{}", "[]", r#"{"first": "x", "quantities": [1]}"#, r#"{"first": "2025-11"}"#]
        {
            assert!(past_months(&serde_json::from_str(broken).unwrap()).is_empty(), "{broken}");
        }
    }

    #[test]
    fn a_backtest_is_read_as_a_run_keeps_it_and_what_is_none_shows_none() {
        let (bias, coverage_90) = (Some(-0.531), 0.875);
        let scores_of = Scores { pinball: 0.412, bias, coverage_90, ..Scores::default() };
        let kept = [ModelScores { model: demand::Model::SeasonalNaive, scores: scores_of }];
        let table = scores(&serde_json::json!(kept));
        assert_eq!(table.rows, [["Seasonal naive", "0.41", "0.00", "−53 %", "88 %"]]);
        for none in [Value::Null, serde_json::json!([]), serde_json::json!([{"model": "tea"}])] {
            assert!(scores(&none).rows.is_empty(), "{none}");
        }
    }
}
