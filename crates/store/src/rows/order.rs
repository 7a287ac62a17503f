//! Rows of `fleet::order`.

use fleet::id::{
    InvoiceLineId, OrderId, OrderLineId, OrganisationId, PartId, PersonId, ReceiptId,
    ReceiptLineId, RunId, SiteId, SupplierId,
};
use fleet::order::{InvoiceLine, Order, OrderLine, Receipt, ReceiptLine};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{invoice_lines, order_lines, orders, receipt_lines, receipts};
use crate::error::StoreError;
use crate::record::{Record, Shared};
use crate::value::{currency, to_microseconds, word};

impl Record for Order {
    type Entity = orders::Entity;
    type Row = orders::Model;
    type Id = OrderId;
    const ORGANISATION: orders::Column = orders::Column::OrganisationId;
    const ID: orders::Column = orders::Column::Id;
    const NOUN: &'static str = "order";

    fn id(&self) -> OrderId {
        self.id
    }

    fn key(id: OrderId) -> Uuid {
        id.0
    }

    fn from_row(row: orders::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: OrderId(row.id),
            version: row.version,
            number: row.number,
            supplier: SupplierId(row.supplier_id),
            site: SiteId(row.site_id),
            status: word(&row.status)?,
            currency: currency(&row.currency)?,
            ordered_on: row.ordered_on,
            expected_on: row.expected_on,
            approved_by: row.approved_by_id.map(PersonId),
            run: row.run_id.map(RunId),
            note: row.note,
            created_at: row.created_at,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> orders::Model {
        orders::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            number: self.number.clone(),
            supplier_id: self.supplier.0,
            site_id: self.site.0,
            status: self.status.as_str().to_owned(),
            currency: self.currency.code().to_owned(),
            ordered_on: self.ordered_on,
            expected_on: self.expected_on,
            approved_by_id: self.approved_by.map(|id| id.0),
            run_id: self.run.map(|id| id.0),
            note: self.note.clone(),
            created_at: to_microseconds(self.created_at),
        }
    }
}

impl Shared for Order {
    const VERSION: orders::Column = orders::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for OrderLine {
    type Entity = order_lines::Entity;
    type Row = order_lines::Model;
    type Id = OrderLineId;
    const ORGANISATION: order_lines::Column = order_lines::Column::OrganisationId;
    const ID: order_lines::Column = order_lines::Column::Id;
    const NOUN: &'static str = "order line";

    fn id(&self) -> OrderLineId {
        self.id
    }

    fn key(id: OrderLineId) -> Uuid {
        id.0
    }

    fn from_row(row: order_lines::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: OrderLineId(row.id),
            version: row.version,
            order: OrderId(row.order_id),
            part: PartId(row.part_id),
            quantity: row.quantity,
            price_minor: row.price_minor,
            price_units: row.price_units,
            cancelled: row.cancelled,
            returned: row.returned,
            expected_on: row.expected_on,
            note: row.note,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> order_lines::Model {
        order_lines::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            order_id: self.order.0,
            part_id: self.part.0,
            quantity: self.quantity,
            price_minor: self.price_minor,
            price_units: self.price_units,
            cancelled: self.cancelled,
            expected_on: self.expected_on,
            note: self.note.clone(),
            returned: self.returned,
        }
    }
}

impl Shared for OrderLine {
    const VERSION: order_lines::Column = order_lines::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for Receipt {
    type Entity = receipts::Entity;
    type Row = receipts::Model;
    type Id = ReceiptId;
    const ORGANISATION: receipts::Column = receipts::Column::OrganisationId;
    const ID: receipts::Column = receipts::Column::Id;
    const NOUN: &'static str = "receipt";

    fn id(&self) -> ReceiptId {
        self.id
    }

    fn key(id: ReceiptId) -> Uuid {
        id.0
    }

    fn from_row(row: receipts::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: ReceiptId(row.id),
            order: OrderId(row.order_id),
            received_on: row.received_on,
            delivery_note: row.delivery_note,
            received_by: row.received_by_id.map(PersonId),
            recorded_at: row.recorded_at,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> receipts::Model {
        receipts::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            order_id: self.order.0,
            received_on: self.received_on,
            delivery_note: self.delivery_note.clone(),
            received_by_id: self.received_by.map(|id| id.0),
            recorded_at: to_microseconds(self.recorded_at),
        }
    }
}

impl Record for ReceiptLine {
    type Entity = receipt_lines::Entity;
    type Row = receipt_lines::Model;
    type Id = ReceiptLineId;
    const ORGANISATION: receipt_lines::Column = receipt_lines::Column::OrganisationId;
    const ID: receipt_lines::Column = receipt_lines::Column::Id;
    const NOUN: &'static str = "receipt line";

    fn id(&self) -> ReceiptLineId {
        self.id
    }

    fn key(id: ReceiptLineId) -> Uuid {
        id.0
    }

    fn from_row(row: receipt_lines::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: ReceiptLineId(row.id),
            receipt: ReceiptId(row.receipt_id),
            line: OrderLineId(row.line_id),
            quantity: row.quantity,
            invoiced_minor: row.invoiced_minor,
            accepted: row.accepted,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> receipt_lines::Model {
        receipt_lines::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            receipt_id: self.receipt.0,
            line_id: self.line.0,
            quantity: self.quantity,
            invoiced_minor: self.invoiced_minor,
            accepted: self.accepted.clone(),
        }
    }
}

impl Record for InvoiceLine {
    type Entity = invoice_lines::Entity;
    type Row = invoice_lines::Model;
    type Id = InvoiceLineId;
    const ORGANISATION: invoice_lines::Column = invoice_lines::Column::OrganisationId;
    const ID: invoice_lines::Column = invoice_lines::Column::Id;
    const NOUN: &'static str = "invoice line";

    fn id(&self) -> InvoiceLineId {
        self.id
    }

    fn key(id: InvoiceLineId) -> Uuid {
        id.0
    }

    fn from_row(row: invoice_lines::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: InvoiceLineId(row.id),
            order: OrderId(row.order_id),
            line: row.line_id.map(OrderLineId),
            invoice: row.invoice,
            invoiced_on: row.invoiced_on,
            quantity: row.quantity,
            amount_minor: row.amount_minor,
            agreed_minor: row.agreed_minor,
            reason: row.reason,
            recorded_by: row.recorded_by_id.map(PersonId),
            recorded_at: row.recorded_at,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> invoice_lines::Model {
        invoice_lines::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            order_id: self.order.0,
            line_id: self.line.map(|id| id.0),
            invoice: self.invoice.clone(),
            invoiced_on: self.invoiced_on,
            quantity: self.quantity,
            amount_minor: self.amount_minor,
            agreed_minor: self.agreed_minor,
            reason: self.reason.clone(),
            recorded_by_id: self.recorded_by.map(|id| id.0),
            recorded_at: to_microseconds(self.recorded_at),
        }
    }
}
