//! What to order, by supplier, with the reason of each line.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use std::time::Duration;

use askama::Template;
use axum::extract::{Query, State};
use axum::http::header::REFRESH;
use axum::response::{IntoResponse, Response};
use fleet::id::{PartId, RunId, SiteId, SupplierId};
use fleet::money::{Currency, Money};
use fleet::part::Part;
use fleet::run::{RunKind, RunStatus};
use fleet::supplier::{Supplier, SupplierSeason};
use runs::{Clock, Wanted as WantedRun};
use serde::Deserialize;
use serde_json::{Value, json};
use store::runs::{self as kept_runs, AdviceRow, Run};
use store::{StoreError, Transaction, orders, record};

use crate::advice_kept::{AdviceKept, KeptOrder, money};
use crate::chart::Picture;
use crate::chart::curve::{Curve, Point};
use crate::failure::{Failure, onward, sentence, shown, shown_again};
use crate::figures::{count, day, day_long, month};
use crate::form::{Choice, Field, Mark, choose};
use crate::frame::{Frame, Link, Notice, Room};
use crate::part::amount;
use crate::run::Latest;
use crate::state::PagesState;
use crate::stores::paths;
use crate::supplier::window_says;
use crate::visitor::{Posted, Right, Visitor};
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "order.html")]
pub struct OrderPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub suppliers: Vec<SupplierLines>,
    pub nothing: String,
    pub curve: Option<Picture>,
    pub curve_says: String,
    pub point: PointForm,
    pub cash: Vec<String>,
    pub kits: Vec<String>,
    pub sums: Vec<String>,
    pub may_buy: bool,
    pub run: String,
    pub sites: Vec<Choice>,
}

/// How far along the curve to buy, and what there is to spend in a month.
#[derive(Clone, Debug, Default)]
pub struct PointForm {
    pub currency: String,
    pub budget: Field,
    pub month_limit: Field,
    /// `money:boat-days` of the curve's points, for the slider.
    pub points: String,
}

#[derive(Clone, Debug)]
pub struct SupplierLines {
    pub key: String,
    pub supplier: Link,
    pub says: String,
    pub window: String,
    pub lines: Vec<AdviceLine>,
    pub total: String,
    /// Whether any of it is bought with this month's money.
    pub buys_now: bool,
    /// The order that was drafted from these lines.
    pub drafted: Option<Link>,
}

#[derive(Clone, Debug)]
pub struct AdviceLine {
    pub part: Link,
    pub name: String,
    pub quantity: String,
    pub by: String,
    pub mark: Option<Mark>,
    pub money: String,
    pub why: String,
    /// What waiting risks, and when the yard has the money.
    pub waiting: String,
}

/// Days before an order-by date at which it is marked.
const SOON_DAYS: i64 = 14;
/// How long a reader waits for a new point before the page says that it is being computed.
const PATIENCE: Duration = Duration::from_secs(2);
/// Less than this many boat-days are not worth a word.
const BOAT_DAYS_LEAST: f64 = 0.05;

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    run: Option<RunId>,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    let advice = Advice::read(&state, &visitor, wanted.run).await?;
    let page = shown(&advice.page(&visitor, None))?;
    // Being computed: the page looks again by itself, without script.
    if advice.waits { Ok(([(REFRESH, "2")], page).into_response()) } else { Ok(page) }
}

/// Moves the point: an advice with this budget, and with this much to spend in a month.
pub async fn move_point(
    State(state): State<PagesState>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::Buy)?;
    let advice = Advice::read(&state, &visitor, None).await?;
    let mut form = PointForm {
        budget: Field::of(fields.get("budget")),
        month_limit: Field::of(fields.get("month_limit")),
        ..advice.point()
    };
    let base = Currency::parse(&form.currency).unwrap_or(Currency::EUR);
    let mut parameters = serde_json::Map::new();
    for (name, field) in [("budget", &mut form.budget), ("month_limit", &mut form.month_limit)] {
        if field.value.is_empty() {
            continue;
        }
        match Money::parse(&field.value, base) {
            Ok(money) if money.minor >= 0 => {
                parameters.insert(name.to_owned(), json!(money.amount()));
            }
            Ok(_) => field.fault = "Not below zero.".to_owned(),
            Err(error) => field.fault = sentence(&error.to_string()),
        }
    }
    if form.budget.wrong() || form.month_limit.wrong() {
        return shown_again(&advice.page(&visitor, Some(form)));
    }
    let run = compute(&state, &visitor, Value::Object(parameters)).await?;
    let path = format!("/stores/order?run={run}");
    Ok(onward(&state, &path, &Notice::done("The point is moved.")))
}

/// Asks for an advice and waits for it a moment.
async fn compute(
    state: &PagesState,
    visitor: &Visitor,
    parameters: Value,
) -> Result<RunId, Failure> {
    let organisation = visitor.organisation;
    let wanted = WantedRun {
        parameters,
        ..WantedRun::by(organisation, RunKind::OrderAdvice, &visitor.person.name)
    };
    let asked = runs::ask(&state.store, &wanted, state.now()).await;
    let run = asked.map_err(|error| match error {
        runs::RunError::Store(error) => error.into(),
        other => Failure::ours(&other),
    })?;
    let (store, clock_of) = (Arc::clone(&state.store), state.clone());
    let clock: Clock = Arc::new(move || clock_of.now());
    let id = run.id;
    let work = tokio::spawn(async move {
        // A worker may be quicker; then it carries the run out. A failure is kept with the run.
        runs::carry_out(&store, organisation, id, &clock, Arc::new(|_, _| {})).await.is_ok()
    });
    // Whether it was done in time shows in the run itself.
    drop(tokio::time::timeout(PATIENCE, work).await);
    Ok(id)
}

/// Drafts orders from the lines on show: of one supplier, or of all.
pub async fn draft(State(state): State<PagesState>, posted: Posted) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::Buy)?;
    let yard = Yard::read(&state, &visitor).await?;
    let (Ok(run), Ok(site)) =
        (fields.get("run").parse::<RunId>(), fields.get("site").parse::<SiteId>())
    else {
        return Err(Failure::Unreadable);
    };
    let suppliers: Vec<SupplierId> = fields.get("supplier").parse().into_iter().collect();
    let (organisation, author) = (visitor.organisation, visitor.author(&state));
    let write = async |tx: &Transaction| {
        let of = (run, site);
        orders::draft_of_advice(tx, organisation, &author, of, &suppliers, yard.today).await
    };
    match state.store.write(write).await {
        Ok(drafted) => {
            let says = format!(
                "{} drafted. Look through the lines, then approve.",
                count(drafted.len(), "order", "orders")
            );
            let to = match drafted.as_slice() {
                [(order, _)] => format!("/stores/orders/{}", order.id),
                _ => "/stores/orders?state=draft".to_owned(),
            };
            Ok(onward(&state, &to, &Notice::done(says)))
        }
        Err(error @ StoreError::Broken { .. }) => {
            let notice = Notice::wrong(sentence(&error.to_string()));
            Ok(onward(&state, &format!("/stores/order?run={run}"), &notice))
        }
        Err(error) => Err(error.into()),
    }
}

/// An advice with what its page names.
struct Advice {
    yard: Yard,
    latest: Latest,
    run: Option<Run>,
    /// Asked for and not there yet.
    waits: bool,
    kept: AdviceKept,
    rows: Vec<AdviceRow>,
    names: Names,
    seasons: Vec<SupplierSeason>,
    drafted: HashMap<SupplierId, Link>,
}

impl Advice {
    async fn read(
        state: &PagesState,
        visitor: &Visitor,
        run: Option<RunId>,
    ) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let yard = Yard::read(state, visitor).await?;
        let latest = Latest::of(state, organisation, RunKind::OrderAdvice).await?;
        let asked = match run {
            Some(run) => Some(kept_runs::get(connection, organisation, run).await?),
            None => None,
        };
        let asked = asked.filter(|run| run.kind == RunKind::OrderAdvice);
        let waits = asked
            .as_ref()
            .is_some_and(|run| matches!(run.status, RunStatus::Queued | RunStatus::Running));
        let done = asked.filter(|run| run.status == RunStatus::Done);
        let run = done.or_else(|| latest.done.clone());
        let (mut rows, mut drafted) = (Vec::new(), HashMap::new());
        if let Some(run) = &run {
            rows = kept_runs::advice_rows(connection, organisation, run.id).await?;
            for order in orders::of_run(connection, organisation, run.id).await? {
                if order.status != fleet::order::OrderStatus::Cancelled {
                    let to = format!("/stores/orders/{}", order.id);
                    drafted.insert(order.supplier, Link::new(order.number, to));
                }
            }
        }
        let kept = AdviceKept::of(run.as_ref());
        let ids: Vec<PartId> =
            rows.iter().map(|row| row.part).chain(kept.kits.iter().map(|kit| kit.kit)).collect();
        let parts: Vec<Part> = record::by_ids(connection, organisation, &ids).await?;
        let suppliers: Vec<Supplier> = record::all(connection, organisation).await?;
        Ok(Self {
            seasons: record::all(connection, organisation).await?,
            names: Names {
                parts: parts.into_iter().map(|part| (part.id, part)).collect(),
                suppliers: suppliers.into_iter().map(|s| (s.id, s)).collect(),
            },
            yard,
            latest,
            run,
            waits,
            kept,
            rows,
            drafted,
        })
    }

    fn page(&self, visitor: &Visitor, typed: Option<PointForm>) -> OrderPage {
        let (yard, today) = (&self.yard, self.yard.today);
        let curve = self.curve();
        let suppliers = self.by_supplier();
        let lines = count(self.rows.len(), "line", "lines");
        let from = count(suppliers.len(), "supplier", "suppliers");
        let says = match (self.waits, suppliers.len()) {
            (true, _) => "The new point is being computed; this page looks again every two \
                          seconds. Below stands the advice before it."
                .to_owned(),
            (false, 0) => self.computed_says(),
            (false, _) => format!("{lines} from {from}. {}", self.computed_says()),
        };
        let home = visitor.person.site.or_else(|| yard.sites.first().map(|site| site.id));
        let sites = yard.sites.iter().map(|site| Choice::new(site.id.to_string(), &site.name));
        OrderPage {
            frame: visitor.frame("What to order", Room::Stores),
            heading: format!("What to order, seen from {}", day_long(today, today)),
            lead: says,
            paths: paths("/stores/order"),
            nothing: match (&self.run, self.parameter("budget")) {
                (Some(_), Some(_)) => "This budget buys nothing. What is needed, or a supplier's \
                                       least order and freight, costs more, or nothing is needed: \
                                       the curve below says which."
                    .to_owned(),
                (Some(_), None) => {
                    "Nothing has to be ordered now: what is there and under way is enough."
                        .to_owned()
                }
                (None, _) => "No advice has been computed yet. It follows each forecast, and \
                         “slackwater order” makes it at once."
                    .to_owned(),
            },
            suppliers,
            curve_says: curve.as_ref().map(Curve::describe).unwrap_or_default(),
            curve: curve.map(|curve| curve.draw("curve")),
            point: typed.unwrap_or_else(|| self.point()),
            cash: self.cash(),
            kits: self.kept.kits.iter().map(|kit| self.kit_says(kit.kit, &kit.reason)).collect(),
            sums: self.sums(),
            may_buy: visitor.may(Right::Buy),
            run: self.run.as_ref().map(|run| run.id.to_string()).unwrap_or_default(),
            sites: choose(sites, &home.map(|site| site.to_string()).unwrap_or_default()),
        }
    }

    /// From when the lines on show are, and for what money they were asked.
    fn computed_says(&self) -> String {
        let budget = self.parameter("budget");
        let of = |budget: &str| format!("For a budget of {budget} {}. ", self.kept.currency);
        let shown = self.run.as_ref().map(|run| run.id);
        let latest = self.latest.done.as_ref().map(|run| run.id);
        let says = if shown == latest {
            self.latest.says(&self.yard)
        } else {
            "An earlier point than the latest.".to_owned()
        };
        format!("{}{says}", budget.map(|budget| of(&budget)).unwrap_or_default())
    }

    fn parameter(&self, name: &str) -> Option<String> {
        Some(self.run.as_ref()?.parameters.get(name)?.as_str()?.to_owned())
    }

    fn point(&self) -> PointForm {
        let says = |point: &crate::advice_kept::KeptPoint| {
            let money = self.kept.money(point.money_minor)?;
            Some(format!("{}:{:.1}", money.amount(), point.boat_days_lost))
        };
        let points: Vec<String> = self.kept.curve.iter().filter_map(says).collect();
        PointForm {
            currency: self.kept.currency.clone(),
            budget: Field::of(self.parameter("budget").unwrap_or_default()),
            month_limit: Field::of(self.parameter("month_limit").unwrap_or_default()),
            points: points.join(";"),
        }
    }

    /// What money buys, as the run keeps it, and where its lines stand on it.
    fn curve(&self) -> Option<Curve> {
        let currency = Currency::parse(&self.kept.currency).ok()?;
        let scale = 10f64.powi(i32::try_from(currency.digits()).unwrap_or(0));
        let major = |minor: i64| minor as f64 / scale;
        let mut points: Vec<Point> = self
            .kept
            .curve
            .iter()
            .map(|point| Point { money: major(point.money_minor), lost: point.boat_days_lost })
            .collect();
        points.sort_by(|a, b| a.money.total_cmp(&b.money));
        let same = self.rows.iter().filter(|row| row.total.currency == currency);
        let of_rows = || same.map(|row| row.total.minor).sum::<i64>();
        let spent = self.kept.chosen.map_or_else(of_rows, |chosen| chosen.goods_minor);
        (points.len() > 1).then(|| Curve {
            currency: self.kept.currency.clone(),
            points,
            spent: major(spent),
        })
    }

    /// What all of it comes to: by a rate and its date where there is more than one currency.
    fn sums(&self) -> Vec<String> {
        let mut sums = Vec::new();
        let Some(chosen) = self.kept.chosen.filter(|_| !self.rows.is_empty()) else { return sums };
        if let Some(money) = self.kept.money(chosen.money_minor) {
            sums.push(format!(
                "All together {money} with freight; {:.1} boat-days are then still expected to be \
                 lost.",
                chosen.boat_days_lost
            ));
        }
        for rate in &self.kept.rates {
            sums.push(format!(
                "One {} counted as {:.4} {}, the rate of {}.",
                rate.currency,
                rate.in_base,
                self.kept.currency,
                day(rate.on, self.yard.today)
            ));
        }
        sums
    }

    fn cash(&self) -> Vec<String> {
        let Some(cash) = &self.kept.cash else { return Vec::new() };
        let mut says = Vec::new();
        if let Some(limit) = self.kept.money(cash.month_limit_minor) {
            // An older run may have kept minus zero.
            let risk = cash.risk_in_all.max(0.0).abs();
            let now = self.rows.iter().filter(|row| row.is_for_now()).count();
            let waits = self.rows.len() - now;
            says.push(format!(
                "With {limit} a month{}, {} bought now and {waits} later or not at all; that risks \
                 {risk:.1} boat-days in all. A draft takes what is bought now. What a month leaves \
                 over is not carried into the next.",
                if cash.freight_minor.is_empty() { " for goods" } else { ", freight included" },
                count(now, "line is", "lines are")
            ));
        }
        for (ahead, spent) in cash.spent_minor.iter().enumerate() {
            let first = fleet::calendar::month_of(self.yard.today);
            let of = fleet::calendar::add_months(first, ahead as u32);
            let freight = cash.freight_minor.get(ahead).filter(|freight| **freight > 0);
            let freight = freight.and_then(|freight| self.kept.money(*freight));
            let freight = freight.map(|freight| format!(", {freight} of it freight"));
            if let Some(spent) = self.kept.money(*spent) {
                let of = month(of, self.yard.today);
                says.push(format!("{of}: {spent}{}.", freight.unwrap_or_default()));
            }
        }
        says
    }

    fn kit_says(&self, kit: PartId, reason: &str) -> String {
        let name = self.names.parts.get(&kit).map(|part| part.name.clone()).unwrap_or_default();
        format!("{name}: {}", sentence(reason))
    }

    fn by_supplier(&self) -> Vec<SupplierLines> {
        let mut groups: BTreeMap<(String, SupplierId), Vec<&AdviceRow>> = BTreeMap::new();
        for row in &self.rows {
            let supplier = self.names.suppliers.get(&row.supplier);
            let name = supplier.map(|s| s.name.clone()).unwrap_or_default();
            groups.entry((name, row.supplier)).or_default().push(row);
        }
        let groups = groups.into_iter();
        groups.map(|((name, supplier), rows)| self.group(name, supplier, rows)).collect()
    }

    fn group(
        &self,
        name: String,
        supplier: SupplierId,
        mut rows: Vec<&AdviceRow>,
    ) -> SupplierLines {
        rows.sort_by_key(|row| (row.order_by, row.part));
        let today = self.yard.today;
        let first = rows.iter().map(|row| row.order_by).min();
        let first = first.map(|by| day(by, today)).unwrap_or_default();
        let order = self.kept.orders.iter().find(|order| order.supplier == supplier);
        let window = self.seasons.iter().find(|season| {
            season.supplier == supplier && season.opens_on <= today && today <= season.closes_on
        });
        let now: Vec<&AdviceRow> = rows.iter().copied().filter(|row| row.is_for_now()).collect();
        SupplierLines {
            buys_now: !now.is_empty(),
            key: supplier.to_string(),
            supplier: Link::new(name, format!("/stores/suppliers/{supplier}")),
            says: format!(
                "{}, the first by {first}. {}{}",
                count(rows.len(), "line", "lines"),
                self.now_says(supplier, rows.len(), &now),
                order.map(order_says).unwrap_or_default()
            ),
            window: window
                .map(|season| format!("Pre-season window {}.", window_says(&self.yard, season)))
                .unwrap_or_default(),
            total: total(rows.iter().map(|row| row.total)),
            lines: rows.iter().map(|row| self.line(row)).collect(),
            drafted: self.drafted.get(&supplier).cloned(),
        }
    }

    /// With so much a month to spend: what of a supplier's lines is bought now.
    fn now_says(&self, supplier: SupplierId, lines: usize, now: &[&AdviceRow]) -> String {
        if self.kept.cash.is_none() {
            return String::new();
        }
        let waits = count(lines - now.len(), "waits", "wait");
        if now.is_empty() {
            return "None of it is bought with this month's money. ".to_owned();
        }
        let money = total(now.iter().map(|row| row.total));
        let mut says = format!("Bought now: {} for {money}; {waits}. ", now.len());
        let least = self.names.suppliers.get(&supplier).and_then(|it| it.order_terms().minimum);
        let minor: i64 = now.iter().map(|row| row.total.minor).sum();
        if let Some(least) = least.filter(|least| minor < least.minor) {
            says.push_str(&format!("That is below the supplier's least order of {least}. "));
        }
        says
    }

    fn line(&self, row: &AdviceRow) -> AdviceLine {
        let line = advice_line(&self.yard, &self.names, row);
        AdviceLine { waiting: self.waiting(row), ..line }
    }

    /// Why no month has the money for a line.
    fn never_bought(&self, row: &AdviceRow, detail: &Value) -> String {
        let months = self.kept.cash.as_ref().map_or(0, |cash| cash.spent_minor.len());
        let limit = self.kept.cash.as_ref().map_or(0, |cash| cash.month_limit_minor);
        let money = detail.get("money_base_minor").and_then(Value::as_i64).unwrap_or(0);
        let why = if money > limit {
            let limit = self.kept.money(limit).map(|limit| limit.to_string()).unwrap_or_default();
            format!("{} is more than a month's {limit}", row.total)
        } else {
            format!(
                "the money of the next {} goes to what risks more",
                count(months, "month", "months")
            )
        };
        format!("Not bought: {why}{}.", risks(detail))
    }

    /// What a month's wait risks; with so much a month to spend, when this is bought.
    fn waiting(&self, row: &AdviceRow) -> String {
        let Some(detail) = &row.detail else { return String::new() };
        let mut says = Vec::new();
        let costs = detail.get("waiting_costs").and_then(Value::as_array);
        let a_month = costs.and_then(|costs| costs.first()?.as_f64()).unwrap_or(0.0);
        if a_month >= BOAT_DAYS_LEAST {
            says.push(format!("Waiting a month risks {a_month:.1} boat-days."));
        }
        if let Some(bought) = detail.get("buy_in_month") {
            says.push(match bought.as_u64() {
                Some(0) => "Bought now, with this month's money.".to_owned(),
                Some(ahead) => {
                    let first = fleet::calendar::month_of(self.yard.today);
                    let of = fleet::calendar::add_months(first, ahead as u32);
                    let of = month(of, self.yard.today);
                    format!("Waits for the money of {of}{}.", risks(detail))
                }
                None => self.never_bought(row, detail),
            });
        }
        says.join(" ")
    }
}

/// What the wait for money risks.
fn risks(detail: &Value) -> String {
    let risk = detail.get("waiting_risks").and_then(Value::as_f64).unwrap_or(0.0);
    if risk < BOAT_DAYS_LEAST {
        return ", which risks next to nothing".to_owned();
    }
    format!(", which risks {risk:.1} boat-days")
}

/// Freight, minimum, and what was added to reach it.
fn order_says(order: &KeptOrder) -> String {
    let mut says = Vec::new();
    let amount = |minor: i64| money(&order.currency, minor).map(|money| money.to_string());
    if let Some(freight) = amount(order.freight_minor).filter(|_| order.freight_minor > 0) {
        says.push(format!("Freight {freight}."));
    }
    if let Some(added) = amount(order.added_minor).filter(|_| order.added_minor > 0) {
        says.push(format!("{added} of it only to reach the least order."));
    }
    if let Some(missing) = order.below_minimum_minor.and_then(amount) {
        says.push(format!("{missing} are missing to the least order."));
    }
    says.join(" ")
}

struct Names {
    parts: HashMap<PartId, Part>,
    suppliers: HashMap<SupplierId, Supplier>,
}

/// The sum in each currency: currencies are never added up without a rate and its date.
pub fn total(amounts: impl Iterator<Item = Money>) -> String {
    let mut sums: Vec<Money> = Vec::new();
    for amount in amounts {
        match sums.iter_mut().find_map(|sum| Some((sum.plus(amount).ok()?, sum))) {
            Some((more, sum)) => *sum = more,
            None => sums.push(amount),
        }
    }
    sums.iter().map(Money::to_string).collect::<Vec<_>>().join(" + ")
}

fn advice_line(yard: &Yard, names: &Names, row: &AdviceRow) -> AdviceLine {
    let part = names.parts.get(&row.part);
    let days = (row.order_by - yard.today).num_days();
    AdviceLine {
        part: Link::new(
            part.map(|part| part.number.clone()).unwrap_or_default(),
            format!("/stores/parts/{}", row.part),
        ),
        name: part.map(|part| part.name.clone()).unwrap_or_default(),
        quantity: part.map(|part| amount(part.unit, row.quantity)).unwrap_or_default(),
        by: day(row.order_by, yard.today),
        mark: match days {
            ..0 => Some(Mark::stop("late")),
            0..=SOON_DAYS => Some(Mark::soon("next 14 days")),
            _ => None,
        },
        money: row.total.to_string(),
        why: sentence(&row.reason),
        waiting: String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn currencies_are_never_added_up() {
        let money = |minor, code| Money::new(minor, Currency::parse(code).unwrap());
        let sum = total([money(100, "EUR"), money(250, "SEK"), money(50, "EUR")].into_iter());
        assert_eq!(sum, format!("{} + {}", money(150, "EUR"), money(250, "SEK")));
    }
}
