//! Orders, their lines and what came of them.
//!
//! Invariants: an order is locked before anything of it is read to be changed, so two people who
//! receive the same delivery come one after the other; what arrives is received, on the shelf and on
//! record in one transaction; each change of an order or a line is in the history.

mod draft;
mod goods;
mod invoice;
mod sheet;
mod sold;

use std::collections::{BTreeMap, HashMap};

use chrono::NaiveDate;
use fleet::id::{OrderId, OrderLineId, OrganisationId, PartId, RunId, SiteId, SupplierId};
use fleet::order::{InvoiceLine, Order, OrderError, OrderLine, OrderStatus, Receipt, ReceiptLine};
use sea_orm::{ColumnTrait as _, Condition, ConnectionTrait};

use crate::Transaction;
use crate::entity::{invoice_lines, order_lines, orders, receipt_lines, receipts};
use crate::error::StoreError;
use crate::record::{self, Author, Page, PageOf};

pub use draft::{
    LineChange, NewLine, NewOrder, Sending, add_line, approve, change_line, draft, draft_of_advice,
    remove_line, reopen, send,
};
pub use goods::{
    Arrived, GivenBack, LotGiven, Received, Receiving, back_order, cancel, cancel_rest, close,
    give_back, receive,
};
pub use invoice::{Invoice, InvoicedLine, book_invoice};
pub use sheet::sheet;
pub use sold::{Sold, sold};

impl From<OrderError> for StoreError {
    fn from(error: OrderError) -> Self {
        Self::Broken { rule: error.rule(), what: error.to_string() }
    }
}

/// Orders in any of `states` (all where there are none), by id.
pub async fn page(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    states: &[OrderStatus],
    wanted: PageOf,
) -> Result<Page<Order>, StoreError> {
    let condition = if states.is_empty() {
        Condition::all()
    } else {
        let words = states.iter().map(|state| state.as_str());
        Condition::all().add(orders::Column::Status.is_in(words))
    };
    record::page_where(connection, organisation, condition, wanted).await
}

/// The orders of `numbers` that are there.
pub async fn by_numbers(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    numbers: &[&str],
) -> Result<Vec<Order>, StoreError> {
    record::by_text(connection, organisation, orders::Column::Number, numbers).await
}

pub async fn lines(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[OrderId],
) -> Result<Vec<OrderLine>, StoreError> {
    let keys: Vec<_> = of.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, order_lines::Column::OrderId, &keys).await
}

/// The lines of any order that are of these parts.
pub async fn lines_of_parts(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    parts: &[PartId],
) -> Result<Vec<OrderLine>, StoreError> {
    let keys: Vec<_> = parts.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, order_lines::Column::PartId, &keys).await
}

/// Deliveries of orders and their lines.
pub async fn receipts(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[OrderId],
) -> Result<(Vec<Receipt>, Vec<ReceiptLine>), StoreError> {
    let keys: Vec<_> = of.iter().map(|id| id.0).collect();
    let receipts: Vec<Receipt> =
        record::by_column(connection, organisation, receipts::Column::OrderId, &keys).await?;
    let keys: Vec<_> = receipts.iter().map(|receipt| receipt.id.0).collect();
    let lines =
        record::by_column(connection, organisation, receipt_lines::Column::ReceiptId, &keys)
            .await?;
    Ok((receipts, lines))
}

/// What a supplier is to bring.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Expected {
    /// As the line says, else as the order says; `None` where neither does.
    pub on: Option<NaiveDate>,
    pub quantity: i64,
}

/// What is still to come to a site of each part, the first first. Only what is with the supplier
/// counts: a draft brings nothing.
pub async fn expected(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    site: SiteId,
    parts: &[PartId],
) -> Result<BTreeMap<PartId, Vec<Expected>>, StoreError> {
    let lines = lines_of_parts(connection, organisation, parts).await?;
    let mut ids: Vec<OrderId> = lines.iter().map(|line| line.order).collect();
    ids.sort_unstable();
    ids.dedup();
    let orders = record::by_ids::<Order>(connection, organisation, &ids).await?;
    let on_the_way = |order: &&Order| order.site == site && order.status.awaits_goods();
    let open: BTreeMap<OrderId, &Order> =
        orders.iter().filter(on_the_way).map(|order| (order.id, order)).collect();
    let ids: Vec<OrderId> = open.keys().copied().collect();
    let received = received(connection, organisation, &ids).await?;
    let mut expected: BTreeMap<PartId, Vec<Expected>> = BTreeMap::new();
    for line in lines {
        let Some(order) = open.get(&line.order) else { continue };
        let came = received.get(&line.id).copied().unwrap_or(0);
        let quantity = line.open(came);
        if quantity > 0 {
            let on = line.expected_on.or(order.expected_on);
            expected.entry(line.part).or_default().push(Expected { on, quantity });
        }
    }
    for coming in expected.values_mut() {
        coming.sort_by_key(|one| one.on.unwrap_or(NaiveDate::MAX));
    }
    Ok(expected)
}

/// Units that arrived so far, by line; returns not taken off.
pub async fn received(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[OrderId],
) -> Result<HashMap<OrderLineId, i64>, StoreError> {
    let (_, lines) = receipts(connection, organisation, of).await?;
    let mut received = HashMap::new();
    for line in lines {
        *received.entry(line.line).or_default() += line.quantity;
    }
    Ok(received)
}

/// What suppliers' invoices asked for.
pub async fn invoice_lines(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[OrderId],
) -> Result<Vec<InvoiceLine>, StoreError> {
    let keys: Vec<_> = of.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, invoice_lines::Column::OrderId, &keys).await
}

/// All orders to one supplier.
pub async fn of_supplier(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    supplier: SupplierId,
) -> Result<Vec<Order>, StoreError> {
    record::by_column(connection, organisation, orders::Column::SupplierId, &[supplier.0]).await
}

/// Orders that came from the advice of a run.
pub async fn of_run(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    run: RunId,
) -> Result<Vec<Order>, StoreError> {
    record::by_column(connection, organisation, orders::Column::RunId, &[run.0]).await
}

/// The order at that version, nobody else's until the transaction ends.
async fn lock_at(
    transaction: &Transaction,
    organisation: OrganisationId,
    order: OrderId,
    version: i64,
) -> Result<Order, StoreError> {
    let order = record::lock::<Order>(transaction, organisation, order).await?;
    if order.version == version {
        return Ok(order);
    }
    Err(StoreError::Stale { noun: "order", given: version, current: order.version })
}

/// The line at that version, with its order; the order is locked first, as everywhere.
async fn lock_line(
    transaction: &Transaction,
    organisation: OrganisationId,
    line: OrderLineId,
    version: i64,
) -> Result<(Order, OrderLine), StoreError> {
    let found = record::get::<OrderLine>(transaction, organisation, line).await?;
    let order = record::lock::<Order>(transaction, organisation, found.order).await?;
    let line = record::lock::<OrderLine>(transaction, organisation, line).await?;
    if line.version == version {
        return Ok((order, line));
    }
    Err(StoreError::Stale { noun: "order line", given: version, current: line.version })
}

/// The author with a note for the history.
fn noting(author: &Author, note: Option<&str>) -> Author {
    Author { note: note.map(str::to_owned), ..author.clone() }
}

/// A note that says something.
fn told(note: &str) -> Result<&str, OrderError> {
    let note = note.trim();
    if note.is_empty() { Err(OrderError::NoteMissing) } else { Ok(note) }
}
