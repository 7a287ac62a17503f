//! Orders, their lines and what came of them.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use fleet::id::{OrderId, OrderLineId, OrganisationId, PartId, SiteId};
use fleet::order::{Order, OrderLine, OrderStatus, Receipt, ReceiptLine};
use sea_orm::{ColumnTrait as _, Condition, ConnectionTrait};

use crate::entity::{order_lines, orders, receipt_lines, receipts};
use crate::error::StoreError;
use crate::record::{self, Page, PageOf};

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
    let on_the_way = |order: &&Order| {
        order.site == site && matches!(order.status, OrderStatus::Sent | OrderStatus::PartReceived)
    };
    let open: BTreeMap<OrderId, &Order> =
        orders.iter().filter(on_the_way).map(|order| (order.id, order)).collect();
    let ids: Vec<OrderId> = open.keys().copied().collect();
    let (_, receipts) = self::receipts(connection, organisation, &ids).await?;
    let mut received: BTreeMap<OrderLineId, i64> = BTreeMap::new();
    for one in receipts {
        *received.entry(one.line).or_default() += one.quantity;
    }
    let mut expected: BTreeMap<PartId, Vec<Expected>> = BTreeMap::new();
    for line in lines {
        let Some(order) = open.get(&line.order) else { continue };
        let came = received.get(&line.id).copied().unwrap_or(0);
        let quantity = line.quantity - line.cancelled - came;
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
