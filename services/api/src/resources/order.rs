//! Orders from draft to receipt.

use crate::resource::{Resource, Shown};
use chrono::{DateTime, NaiveDate, Utc};
use fleet::order::{InvoiceLine, Order, OrderLine, OrderStatus, Receipt, ReceiptLine};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one order.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Order)]
pub struct OrderFields {
    pub number: String,
    pub supplier: Uuid,
    pub site: Uuid,
    #[schema(value_type = String)]
    pub status: OrderStatus,
    pub currency: String,
    pub ordered_on: Option<NaiveDate>,
    pub expected_on: Option<NaiveDate>,
    pub approved_by: Option<Uuid>,
    pub run: Option<Uuid>,
    pub note: Option<String>,
    pub created_at: DateTime<Utc>,
}

impl Resource for OrderFields {
    type Noun = Order;
    const PATH: &'static str = "/orders";
    const NAME: &'static str = "Order";

    fn show(noun: Order) -> Shown<Self> {
        let Order {
            id,
            version,
            number,
            supplier,
            site,
            status,
            currency,
            ordered_on,
            expected_on,
            approved_by,
            run,
            note,
            created_at,
        } = noun;
        let fields = Self {
            number,
            supplier: supplier.0,
            site: site.0,
            status,
            currency: currency.to_string(),
            ordered_on,
            expected_on,
            approved_by: approved_by.map(|x| x.0),
            run: run.map(|x| x.0),
            note,
            created_at,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

/// The fields of one order line.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = OrderLine)]
pub struct OrderLineFields {
    pub order: Uuid,
    pub part: Uuid,
    pub quantity: i64,
    pub price_minor: i64,
    pub price_units: i64,
    /// Units that won't come any more.
    pub cancelled: i64,
    /// Units that went back to the supplier.
    pub returned: i64,
    pub expected_on: Option<NaiveDate>,
    pub note: Option<String>,
}

impl Resource for OrderLineFields {
    type Noun = OrderLine;
    const PATH: &'static str = "/order-lines";
    const NAME: &'static str = "OrderLine";

    fn show(noun: OrderLine) -> Shown<Self> {
        let OrderLine {
            id,
            version,
            order,
            part,
            quantity,
            price_minor,
            price_units,
            cancelled,
            returned,
            expected_on,
            note,
        } = noun;
        let fields = Self {
            order: order.0,
            part: part.0,
            quantity,
            price_minor,
            price_units,
            cancelled,
            returned,
            expected_on,
            note,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

/// The fields of one receipt.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Receipt)]
pub struct ReceiptFields {
    pub order: Uuid,
    pub received_on: NaiveDate,
    pub delivery_note: Option<String>,
    pub received_by: Option<Uuid>,
    pub recorded_at: DateTime<Utc>,
}

impl Resource for ReceiptFields {
    type Noun = Receipt;
    const PATH: &'static str = "/receipts";
    const NAME: &'static str = "Receipt";

    fn show(noun: Receipt) -> Shown<Self> {
        let Receipt { id, order, received_on, delivery_note, received_by, recorded_at } = noun;
        let fields = Self {
            order: order.0,
            received_on,
            delivery_note,
            received_by: received_by.map(|x| x.0),
            recorded_at,
        };
        Shown { id: id.0, version: None, fields }
    }
}

/// The fields of one receipt line.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = ReceiptLine)]
pub struct ReceiptLineFields {
    pub receipt: Uuid,
    pub line: Uuid,
    pub quantity: i64,
    pub invoiced_minor: Option<i64>,
    /// Why more was taken than was ordered.
    pub accepted: Option<String>,
}

impl Resource for ReceiptLineFields {
    type Noun = ReceiptLine;
    const PATH: &'static str = "/receipt-lines";
    const NAME: &'static str = "ReceiptLine";

    fn show(noun: ReceiptLine) -> Shown<Self> {
        let ReceiptLine { id, receipt, line, quantity, invoiced_minor, accepted } = noun;
        let fields = Self { receipt: receipt.0, line: line.0, quantity, invoiced_minor, accepted };
        Shown { id: id.0, version: None, fields }
    }
}

/// The fields of one invoice line.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = InvoiceLine)]
pub struct InvoiceLineFields {
    pub order: Uuid,
    /// None: freight and other charges.
    pub line: Option<Uuid>,
    pub invoice: String,
    pub invoiced_on: NaiveDate,
    pub quantity: i64,
    pub amount_minor: i64,
    /// What the order's price comes to.
    pub agreed_minor: i64,
    pub reason: Option<String>,
    pub recorded_by: Option<Uuid>,
    pub recorded_at: DateTime<Utc>,
}

impl Resource for InvoiceLineFields {
    type Noun = InvoiceLine;
    const PATH: &'static str = "/invoice-lines";
    const NAME: &'static str = "InvoiceLine";

    fn show(noun: InvoiceLine) -> Shown<Self> {
        let InvoiceLine {
            id,
            order,
            line,
            invoice,
            invoiced_on,
            quantity,
            amount_minor,
            agreed_minor,
            reason,
            recorded_by,
            recorded_at,
        } = noun;
        let fields = Self {
            order: order.0,
            line: line.map(|x| x.0),
            invoice,
            invoiced_on,
            quantity,
            amount_minor,
            agreed_minor,
            reason,
            recorded_by: recorded_by.map(|x| x.0),
            recorded_at,
        };
        Shown { id: id.0, version: None, fields }
    }
}
