//! Orders from draft to closed, the open ones first.

use std::collections::HashMap;

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use fleet::id::{OrderId, OrderLineId, SupplierId};
use fleet::money::Money;
use fleet::order::{Order, OrderLine, OrderStatus};
use fleet::supplier::Supplier;
use serde::Deserialize;
use store::{orders, record};

use crate::failure::{Failure, in_address, shown};
use crate::figures::{count, day, grouped};
use crate::form::{Choice, Mark, choose};
use crate::frame::{Frame, Link, Room};
use crate::state::PagesState;
use crate::stores::paths;
use crate::visitor::Visitor;
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "orders.html")]
pub struct OrdersPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub states: Vec<Choice>,
    pub rows: Vec<OrderRow>,
    /// To the orders before and after these.
    pub onward: Vec<Link>,
    pub nothing: String,
}

#[derive(Clone, Debug)]
pub struct OrderRow {
    pub order: Link,
    pub supplier: String,
    pub state: String,
    pub mark: Option<Mark>,
    pub lines: String,
    pub money: String,
    pub ordered: String,
    pub expected: String,
}

/// Orders on one page, the newest first.
const ROWS_MAX: usize = 200;

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    state: String,
    /// Pages of newer orders that are left out.
    page: usize,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    let mut all: Vec<Order> = record::all(connection, organisation).await?;
    let of_all = all.len();
    all.retain(|order| is_wanted(&wanted.state, order.status));
    all.sort_by_key(|order| std::cmp::Reverse(order.id));
    let wanted_in_all = all.len();
    let page = wanted.page.min(wanted_in_all.saturating_sub(1) / ROWS_MAX);
    let all: Vec<Order> = all.into_iter().skip(page * ROWS_MAX).take(ROWS_MAX).collect();
    let ids: Vec<OrderId> = all.iter().map(|order| order.id).collect();
    let lines = orders::lines(connection, organisation, &ids).await?;
    let received = orders::received(connection, organisation, &ids).await?;
    let suppliers: Vec<Supplier> = record::all(connection, organisation).await?;
    let suppliers: HashMap<SupplierId, String> =
        suppliers.into_iter().map(|supplier| (supplier.id, supplier.name)).collect();
    let rows: Vec<OrderRow> = all
        .iter()
        .map(|order| {
            let own: Vec<&OrderLine> = lines.iter().filter(|line| line.order == order.id).collect();
            row(&yard, order, &own, &received, &suppliers)
        })
        .collect();
    let late = rows.iter().filter(|row| row.mark.is_some()).count();
    let late = match late {
        0 => "None is later than it was expected.".to_owned(),
        n => format!("{} later than expected.", count(n, "is", "are")),
    };
    let page = OrdersPage {
        frame: visitor.frame("Orders", Room::Stores),
        heading: count(wanted_in_all, "order", "orders"),
        lead: if rows.len() < wanted_in_all {
            let first = page * ROWS_MAX + 1;
            let last = page * ROWS_MAX + rows.len();
            format!("The newest first; here {first} to {last}. Of these: {}", uncapital(&late))
        } else {
            late
        },
        onward: pages(&wanted.state, page, wanted_in_all),
        paths: paths("/stores/orders"),
        states: states(&wanted.state),
        nothing: match of_all {
            0 => {
                "No order is on record yet. “What to order” drafts one a supplier; past ones come \
                  with “slackwater load orders”."
                    .to_owned()
            }
            _ => "No order is in this state.".to_owned(),
        },
        rows,
    };
    shown(&page)
}

fn uncapital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_lowercase().chain(letters).collect())
}

/// Links to the pages beside this one.
fn pages(state: &str, page: usize, orders: usize) -> Vec<Link> {
    let to = |page: usize| format!("/stores/orders?state={}&page={page}", in_address(state));
    let newer = page.checked_sub(1).map(|page| Link::new("Newer orders", to(page)));
    let older = ((page + 1) * ROWS_MAX < orders).then(|| Link::new("Older orders", to(page + 1)));
    newer.into_iter().chain(older).collect()
}

fn states(chosen: &str) -> Vec<Choice> {
    let choices = [
        ("", "Open"),
        ("draft", "Drafts"),
        ("approved", "Approved"),
        ("sent", "With the supplier"),
        ("closed", "Closed or called off"),
        ("all", "All"),
    ];
    choose(choices.map(|(value, text)| Choice::new(value, text)), chosen)
}

fn is_wanted(chosen: &str, status: OrderStatus) -> bool {
    match chosen {
        "all" => true,
        "draft" => status == OrderStatus::Draft,
        "approved" => status == OrderStatus::Approved,
        "sent" => status.awaits_goods(),
        "closed" => matches!(status, OrderStatus::Closed | OrderStatus::Cancelled),
        _ => !matches!(status, OrderStatus::Closed | OrderStatus::Cancelled),
    }
}

/// A state in words.
pub const fn state_says(status: OrderStatus) -> &'static str {
    match status {
        OrderStatus::Draft => "draft",
        OrderStatus::Approved => "approved, not sent",
        OrderStatus::Sent => "with the supplier",
        OrderStatus::PartReceived => "received in part",
        OrderStatus::Received => "received",
        OrderStatus::Closed => "closed",
        OrderStatus::Cancelled => "called off",
    }
}

/// What the lines come to, less what was given up.
pub fn worth(order: &Order, lines: &[&OrderLine]) -> Money {
    let minor = lines.iter().fold(0_i64, |sum, line| {
        sum.saturating_add(line.money_minor(line.quantity - line.cancelled))
    });
    Money::new(minor, order.currency)
}

fn row(
    yard: &Yard,
    order: &Order,
    lines: &[&OrderLine],
    received: &HashMap<OrderLineId, i64>,
    suppliers: &HashMap<SupplierId, String>,
) -> OrderRow {
    let came = |line: &OrderLine| received.get(&line.id).copied().unwrap_or(0);
    let open = lines.iter().filter(|line| line.open(came(line)) > 0);
    let due = open.filter_map(|line| line.expected_on.or(order.expected_on)).min();
    let due = due.filter(|_| order.status.awaits_goods());
    let on = |on: Option<chrono::NaiveDate>| on.map(|on| day(on, yard.today)).unwrap_or_default();
    OrderRow {
        order: Link::new(&order.number, format!("/stores/orders/{}", order.id)),
        supplier: suppliers.get(&order.supplier).cloned().unwrap_or_default(),
        state: state_says(order.status).to_owned(),
        mark: due.filter(|due| *due < yard.today).map(|_| Mark::soon("late")),
        lines: grouped(lines.len() as i64),
        money: worth(order, lines).to_string(),
        ordered: on(order.ordered_on),
        expected: on(due),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_order_is_on_a_page_that_a_link_leads_to() {
        let texts = |page, orders| -> Vec<String> {
            pages("all", page, orders).into_iter().map(|link| link.text).collect()
        };
        assert!(texts(0, 200).is_empty());
        assert_eq!(texts(0, 201), ["Older orders"]);
        assert_eq!(texts(1, 401), ["Newer orders", "Older orders"]);
        assert_eq!(texts(2, 401), ["Newer orders"]);
        assert_eq!(pages("all", 0, 201)[0].to, "/stores/orders?state=all&page=1");
    }
}
