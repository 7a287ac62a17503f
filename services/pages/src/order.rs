//! What to order, by supplier, with the reason of each line.

use std::collections::{BTreeMap, HashMap};

use askama::Template;
use axum::extract::State;
use axum::response::Response;
use fleet::id::{PartId, SupplierId};
use fleet::money::{Currency, Money};
use fleet::part::Part;
use fleet::run::RunKind;
use fleet::supplier::Supplier;
use serde_json::Value;
use store::record;
use store::runs::{self, AdviceRow, Run};

use crate::chart::Picture;
use crate::chart::curve::{Curve, Point};
use crate::failure::{Failure, sentence, shown};
use crate::figures::{count, day, day_long};
use crate::form::Mark;
use crate::frame::{Frame, Link, Room};
use crate::part::amount;
use crate::run::Latest;
use crate::state::PagesState;
use crate::stores::paths;
use crate::visitor::Visitor;
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
}

#[derive(Clone, Debug)]
pub struct SupplierLines {
    pub name: String,
    pub says: String,
    pub lines: Vec<AdviceLine>,
    pub total: String,
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
}

/// Days before an order-by date at which it is marked.
const SOON_DAYS: i64 = 14;

pub async fn show(State(state): State<PagesState>, visitor: Visitor) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    let latest = Latest::of(&state, organisation, RunKind::OrderAdvice).await?;
    let rows = match &latest.done {
        Some(run) => runs::advice_rows(connection, organisation, run.id).await?,
        None => Vec::new(),
    };
    let ids: Vec<PartId> = rows.iter().map(|row| row.part).collect();
    let parts: Vec<Part> = record::by_ids(connection, organisation, &ids).await?;
    let suppliers: Vec<Supplier> = record::all(connection, organisation).await?;
    let names = Names {
        parts: parts.into_iter().map(|part| (part.id, part)).collect(),
        suppliers: suppliers.into_iter().map(|s| (s.id, s)).collect(),
    };
    let curve = latest.done.as_ref().and_then(|run| curve(run, &rows));
    let lines = count(rows.len(), "line", "lines");
    let suppliers = by_supplier(&yard, &names, rows);
    let page = OrderPage {
        frame: visitor.frame("What to order", Room::Stores),
        heading: format!("What to order, seen from {}", day_long(yard.today, yard.today)),
        lead: match suppliers.len() {
            0 => latest.says(&yard),
            n => {
                format!(
                    "{lines} from {}. {}",
                    count(n, "supplier", "suppliers"),
                    latest.says(&yard)
                )
            }
        },
        paths: paths("/stores/order"),
        nothing: match latest.done {
            Some(_) => {
                "Nothing has to be ordered now: what is there and under way is enough.".to_owned()
            }
            None => "No advice has been computed yet. It follows each forecast, and \
                     “slackwater order” makes it at once."
                .to_owned(),
        },
        suppliers,
        curve_says: curve.as_ref().map(Curve::describe).unwrap_or_default(),
        curve: curve.map(|curve| curve.draw("curve")),
    };
    shown(&page)
}

/// What money buys, as the run keeps it, with what its lines cost in the same currency.
fn curve(run: &Run, rows: &[AdviceRow]) -> Option<Curve> {
    let summary = run.summary.as_ref()?;
    let currency = Currency::parse(summary.get("currency")?.as_str()?).ok()?;
    let major = |minor: f64| minor / 10f64.powi(i32::try_from(currency.digits()).unwrap_or(0));
    let point = |point: &Value| {
        let money = major(point.get("money_minor")?.as_f64()?);
        Some(Point { money, lost: point.get("boat_days_lost")?.as_f64()? })
    };
    let mut points: Vec<Point> =
        summary.get("curve")?.as_array()?.iter().filter_map(point).collect();
    points.sort_by(|a, b| a.money.total_cmp(&b.money));
    let same = rows.iter().filter(|row| row.total.currency == currency);
    let spent = major(same.map(|row| row.total.minor).sum::<i64>() as f64);
    (points.len() > 1).then(|| Curve { currency: currency.code().to_owned(), points, spent })
}

struct Names {
    parts: HashMap<PartId, Part>,
    suppliers: HashMap<SupplierId, Supplier>,
}

fn by_supplier(yard: &Yard, names: &Names, rows: Vec<AdviceRow>) -> Vec<SupplierLines> {
    let mut groups: BTreeMap<String, Vec<AdviceRow>> = BTreeMap::new();
    for row in rows {
        let name = names.suppliers.get(&row.supplier).map(|s| s.name.clone()).unwrap_or_default();
        groups.entry(name).or_default().push(row);
    }
    let group = |(name, mut rows): (String, Vec<AdviceRow>)| {
        rows.sort_by_key(|row| (row.order_by, row.part));
        let first = rows.iter().map(|row| row.order_by).min();
        let first = first.map(|by| day(by, yard.today)).unwrap_or_default();
        SupplierLines {
            says: format!("{}, the first by {first}.", count(rows.len(), "line", "lines")),
            total: total(rows.iter().map(|row| row.total)),
            lines: rows.iter().map(|row| advice_line(yard, names, row)).collect(),
            name,
        }
    };
    groups.into_iter().map(group).collect()
}

/// The sum in each currency: currencies are never added up without a rate and its date.
fn total(amounts: impl Iterator<Item = Money>) -> String {
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
