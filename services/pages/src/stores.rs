//! Stores: the list of parts, with a search that finds one among many.

use std::collections::HashMap;

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use fleet::id::{OrderId, OrderLineId, OrganisationId, PartId};
use fleet::order::Order;
use fleet::part::{Part, Unit};
use fleet::run::RunKind;
use serde::Deserialize;
use serde_json::Value;
use store::parts::{self, PartFilter};
use store::runs::{self, Run};
use store::{Connection, Page, PageOf, StoreError, orders, record, stock};

use crate::failure::{Failure, in_address, shown};
use crate::figures::{count, grouped};
use crate::form::{Column, Mark};
use crate::frame::{Frame, Link, Room};
use crate::part::amount;
use crate::run::Latest;
use crate::state::PagesState;
use crate::visitor::Visitor;
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "stores.html")]
pub struct StoresPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub find: String,
    pub columns: Vec<Column>,
    pub rows: Vec<PartRow>,
    pub nothing: String,
    pub more: Option<Link>,
}

#[derive(Clone, Debug)]
pub struct PartRow {
    pub part: Link,
    pub name: String,
    pub mark: Option<Mark>,
    pub on_hand: String,
    pub on_order: String,
    pub needed: String,
}

const ROWS_MAX: u64 = 100;
/// The months over which "needed" is counted in the list.
const NEEDED_MONTHS: i32 = 3;

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    find: String,
    after: String,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    let find = wanted.find.trim().to_owned();
    let filter =
        PartFilter { text: (!find.is_empty()).then(|| find.clone()), ..PartFilter::default() };
    let of = PageOf::new(wanted.after.parse().ok(), ROWS_MAX);
    let mut found = parts::page(connection, organisation, &filter, of).await?;
    found.rows.sort_by(|a, b| a.number.cmp(&b.number));
    if of.after.is_none() {
        // Whoever types a whole number has that part before all that only hold it.
        let exactly = parts::by_numbers(connection, organisation, &[find.as_str()]).await?;
        for part in exactly {
            found.rows.retain(|other| other.id != part.id);
            found.rows.insert(0, part);
        }
    }
    let ids: Vec<PartId> = found.rows.iter().map(|part| part.id).collect();
    let positions = positions(connection, organisation, &ids).await?;
    let latest = Latest::of(&state, organisation, RunKind::Forecast).await?;
    let needed = needed(connection, organisation, latest.done.as_ref(), &ids).await?;
    let of_all = record::count::<Part>(connection, organisation).await?;
    let page = StoresPage {
        frame: visitor.frame("Stores", Room::Stores),
        heading: heading(of_all, &find, &found),
        lead: forecast_says(&latest, &yard),
        paths: paths("/stores"),
        columns: columns(),
        rows: found.rows.iter().map(|part| part_row(part, &positions, &needed)).collect(),
        nothing: if of_all == 0 {
            "No part is on record yet. “slackwater load parts --template” writes the file to fill \
             in; kits, terms and stock follow."
                .to_owned()
        } else {
            format!("No part has \"{find}\" in its number, name or maker.")
        },
        more: found.next.map(|next| {
            let to = format!("/stores?find={}&after={next}", in_address(&find));
            Link::new("More parts", to)
        }),
        find,
    };
    shown(&page)
}

/// The pages of this room.
pub fn paths(here: &str) -> Vec<Link> {
    [
        ("Parts", "/stores"),
        ("What to order", "/stores/order"),
        ("Count", "/stores/count"),
        ("Shelf life", "/stores/shelf-life"),
        ("Orders", "/stores/orders"),
        ("Too much", "/stores/surplus"),
    ]
    .map(|(text, to)| Link::new(text, to).seen_from(here))
    .to_vec()
}

fn heading(of_all: u64, find: &str, found: &Page<Part>) -> String {
    let all = count(of_all as usize, "part", "parts");
    let some = grouped(found.rows.len() as i64);
    match (find, found.next) {
        ("", _) => all,
        (find, None) => format!("{some} of {all} with \"{find}\""),
        (find, Some(_)) => format!("More than {some} of {all} with \"{find}\""),
    }
}

fn forecast_says(latest: &Latest, yard: &Yard) -> String {
    match latest.done {
        Some(_) => format!("What is needed: eight times in ten. {}", latest.says(yard)),
        None => format!("No forecast yet. {}", latest.says(yard)),
    }
}

fn columns() -> Vec<Column> {
    let text = |text: &str| Column { text: text.to_owned(), ..Column::default() };
    let number = |text: &str| Column { text: text.to_owned(), number: true, ..Column::default() };
    vec![
        text("Part"),
        text("Name"),
        number("On hand"),
        number("On order"),
        number("Needed in 3 months"),
    ]
}

/// What is there of a part, and what is under way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Position {
    pub on_hand: i64,
    pub reserved: i64,
    pub on_order: i64,
}

impl Position {
    /// On hand and under way. What is promised to jobs stays in: the needs that it is set beside
    /// hold those jobs too.
    pub const fn total(self) -> i64 {
        self.on_hand + self.on_order
    }
}

/// The positions of `parts` over all sites.
pub async fn positions(
    connection: &Connection,
    organisation: OrganisationId,
    parts: &[PartId],
) -> Result<HashMap<PartId, Position>, StoreError> {
    let mut positions: HashMap<PartId, Position> = HashMap::new();
    for level in stock::levels(connection, organisation, parts).await? {
        let position = positions.entry(level.part).or_default();
        position.on_hand += level.on_hand;
        position.reserved += level.reserved;
    }
    let lines = orders::lines_of_parts(connection, organisation, parts).await?;
    let mut ids: Vec<OrderId> = lines.iter().map(|line| line.order).collect();
    ids.sort_unstable();
    ids.dedup();
    let mut open: Vec<Order> = record::by_ids(connection, organisation, &ids).await?;
    open.retain(|order| order.status.awaits_goods());
    let open: Vec<OrderId> = open.iter().map(|order| order.id).collect();
    let (_, receipts) = orders::receipts(connection, organisation, &open).await?;
    let mut received: HashMap<OrderLineId, i64> = HashMap::new();
    for line in receipts {
        *received.entry(line.line).or_default() += line.quantity;
    }
    for line in lines.iter().filter(|line| open.contains(&line.order)) {
        let came = received.get(&line.id).copied().unwrap_or(0);
        positions.entry(line.part).or_default().on_order += line.open(came);
    }
    Ok(positions)
}

/// Pieces needed over the next months, by part: low, median and high.
async fn needed(
    connection: &Connection,
    organisation: OrganisationId,
    run: Option<&Run>,
    parts: &[PartId],
) -> Result<HashMap<PartId, Range>, StoreError> {
    let Some(run) = run else { return Ok(HashMap::new()) };
    let rows = runs::cumulated_rows(connection, organisation, run.id, parts, NEEDED_MONTHS).await?;
    let whole = rows.iter().filter(|row| row.site.is_none() && row.pool.is_none());
    Ok(whole.filter_map(|row| Some((row.part, Range::of(&row.quantiles)?))).collect())
}

fn part_row(
    part: &Part,
    positions: &HashMap<PartId, Position>,
    needed: &HashMap<PartId, Range>,
) -> PartRow {
    let position = positions.get(&part.id).copied().unwrap_or_default();
    let needed = needed.get(&part.id);
    let short = needed.is_some_and(|needed| needed.median > position.total() as f64);
    PartRow {
        part: Link::new(&part.number, format!("/stores/parts/{}", part.id)),
        name: part.name.clone(),
        mark: short.then(|| Mark::soon("less than needed")),
        on_hand: amount(part.unit, position.on_hand),
        on_order: amount(part.unit, position.on_order),
        needed: needed.map_or("–".to_owned(), |needed| needed.says(part.unit)),
    }
}

/// Quantiles as pages use them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    pub low: f64,
    pub lower: f64,
    pub median: f64,
    pub upper: f64,
    pub high: f64,
}

impl Range {
    /// From per cent to quantity, as a run keeps them; `None` where the five are not all there.
    pub fn of(quantiles: &Value) -> Option<Self> {
        let at = |percent: &str| quantiles.get(percent)?.as_f64();
        Some(Self {
            low: at("10")?,
            lower: at("25")?,
            median: at("50")?,
            upper: at("75")?,
            high: at("90")?,
        })
    }

    /// `12 to 19`, or one number where both ends agree, with the unit once.
    pub fn says(&self, unit: Unit) -> String {
        let (low, high) = (self.low.round() as i64, self.high.round() as i64);
        let high_says = amount(unit, high);
        if low == high { high_says } else { format!("{} to {high_says}", grouped(low)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_range_is_read_from_quantiles_and_never_from_half_of_them() {
        let whole = serde_json::json!({"5": 0, "10": 1, "25": 2, "50": 4, "75": 6, "90": 9});
        let range = Range::of(&whole).unwrap();
        assert_eq!(range.says(Unit::Millilitre), "1 to 9 mL");
        assert_eq!(Range::of(&serde_json::json!({"10": 1})), None);
        assert_eq!(Range { low: 3.0, high: 3.0, ..range }.says(Unit::Each), "3");
    }

    #[test]
    fn what_is_promised_to_jobs_counts_for_the_needs_that_hold_them() {
        let position = Position { on_hand: 5, reserved: 4, on_order: 2 };
        assert_eq!(position.total(), 7);
    }
}
