//! What a supplier's invoice asks for, beside what was agreed.

use chrono::NaiveDate;
use fleet::Money;
use fleet::id::{InvoiceLineId, OrderId, OrderLineId, OrganisationId, PersonId};
use fleet::order::{InvoiceLine, Order, OrderError};
use fleet::supplier::Supplier;

use super::{invoice_lines, lines};
use crate::Transaction;
use crate::error::StoreError;
use crate::record::{self, Author};

/// An invoice as it is booked.
#[derive(Clone, Debug)]
pub struct Invoice {
    pub number: String,
    pub invoiced_on: NaiveDate,
    pub recorded_by: Option<PersonId>,
    pub lines: Vec<InvoicedLine>,
}

/// What it asks for one line.
#[derive(Clone, Debug)]
pub struct InvoicedLine {
    /// `None`: freight and other charges.
    pub line: Option<OrderLineId>,
    pub quantity: i64,
    /// In the order's currency.
    pub amount_minor: i64,
    /// Why it is not what was agreed.
    pub reason: Option<String>,
}

/// Books an invoice of an order that is out: each line beside what the order agreed, for charges
/// beside the supplier's freight on record. What an earlier invoice asked for is agreed no second
/// time, nor is more than was ordered.
///
/// # Errors
/// A line that is not of this order; a quantity below zero; a difference without a reason; the same
/// invoice's line twice.
pub async fn book_invoice(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    order: OrderId,
    invoice: &Invoice,
) -> Result<Vec<InvoiceLine>, StoreError> {
    let order = record::lock::<Order>(transaction, organisation, order).await?;
    order.status.check_billed()?;
    let supplier = record::get::<Supplier>(transaction, organisation, order.supplier).await?;
    let of_order = lines(transaction, organisation, &[order.id]).await?;
    let before = invoice_lines(transaction, organisation, &[order.id]).await?;
    let mut booked = Vec::new();
    for asked in &invoice.lines {
        if asked.quantity < 0 {
            return Err(OrderError::QuantityNotPositive { quantity: asked.quantity }.into());
        }
        let earlier = before
            .iter()
            .filter(|known| known.line == asked.line && known.invoice != invoice.number);
        let agreed_minor = match asked.line {
            None if earlier.clone().any(|known| known.agreed_minor > 0) => 0,
            None => supplier.freight_minor.unwrap_or(0),
            Some(id) => {
                let line = of_order.iter().find(|line| line.id == id);
                let line = line.ok_or(StoreError::Missing { noun: "order line" })?;
                let invoiced: i64 = earlier.map(|known| known.quantity).sum();
                let left = (line.quantity - line.cancelled - invoiced).max(0);
                line.money_minor(asked.quantity.min(left))
            }
        };
        let reason = asked.reason.clone().filter(|reason| !reason.trim().is_empty());
        if asked.amount_minor != agreed_minor && reason.is_none() {
            let money = |minor| Money::new(minor, order.currency).to_string();
            let (asked, agreed) = (money(asked.amount_minor), money(agreed_minor));
            return Err(OrderError::InvoiceDiffers { asked, agreed }.into());
        }
        booked.push(InvoiceLine {
            id: InvoiceLineId::fresh(),
            order: order.id,
            line: asked.line,
            invoice: invoice.number.clone(),
            invoiced_on: invoice.invoiced_on,
            quantity: asked.quantity,
            amount_minor: asked.amount_minor,
            agreed_minor,
            reason,
            recorded_by: invoice.recorded_by,
            recorded_at: author.at,
        });
    }
    record::append(transaction, organisation, &booked).await?;
    Ok(booked)
}
