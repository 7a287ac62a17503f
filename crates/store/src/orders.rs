//! Orders, their lines and what came of them.

use fleet::id::{OrderId, OrganisationId, PartId};
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
