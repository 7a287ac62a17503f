//! Orders from draft to receipt.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use crate::id::{
    OrderId, OrderLineId, PartId, PersonId, ReceiptId, ReceiptLineId, RunId, SiteId, SupplierId,
};
use crate::money::Currency;
use crate::word::words;

words! {
    pub enum OrderStatus {
        /// Being written.
        Draft = "draft",
        /// May be sent.
        Approved = "approved",
        /// With the supplier.
        Sent = "sent",
        /// Some of it is here.
        PartReceived = "part_received",
        /// All of it is here.
        Received = "received",
        /// Done with.
        Closed = "closed",
        /// Called off.
        Cancelled = "cancelled",
    }
}

/// What is asked of one supplier.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Order {
    pub id: OrderId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub number: String,
    pub supplier: SupplierId,
    pub site: SiteId,
    pub status: OrderStatus,
    pub currency: Currency,
    pub ordered_on: Option<NaiveDate>,
    pub expected_on: Option<NaiveDate>,
    pub approved_by: Option<PersonId>,
    /// The advice it came from.
    pub run: Option<RunId>,
    pub note: Option<String>,
    pub created_at: DateTime<Utc>,
}

/// What is ordered of one part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OrderLine {
    pub id: OrderLineId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub order: OrderId,
    pub part: PartId,
    pub quantity: i64,
    /// For price_units, in the order's currency.
    pub price_minor: i64,
    pub price_units: i64,
    /// Units that won't come any more.
    pub cancelled: i64,
    pub expected_on: Option<NaiveDate>,
    pub note: Option<String>,
}

/// A delivery. Append-only.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Receipt {
    pub id: ReceiptId,
    pub order: OrderId,
    pub received_on: NaiveDate,
    pub delivery_note: Option<String>,
    pub received_by: Option<PersonId>,
    pub recorded_at: DateTime<Utc>,
}

/// What a delivery held of an order's line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReceiptLine {
    pub id: ReceiptLineId,
    pub receipt: ReceiptId,
    pub line: OrderLineId,
    pub quantity: i64,
    /// For price_units, in the order's currency.
    pub invoiced_minor: Option<i64>,
}
