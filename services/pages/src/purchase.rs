//! One order: what is in it, what happens to it next, what came of it.

use std::collections::HashMap;

use askama::Template;
use axum::extract::{Path, State};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use chrono::NaiveDate;
use fleet::id::{OrderId, OrderLineId, PartId};
use fleet::money::Money;
use fleet::order::{InvoiceLine, Order, OrderLine, OrderStatus, Receipt, ReceiptLine};
use fleet::part::Part;
use fleet::person::Person;
use fleet::site::Site;
use fleet::supplier::Supplier;
use runs::lead_times;
use store::{orders, record, runs as kept};
use uuid::Uuid;

use crate::failure::{Failure, shown};
use crate::figures::{count, day, grouped};
use crate::form::{Fact, Field, Mark};
use crate::frame::{Frame, Link, Room};
use crate::orders::{state_says, worth};
use crate::part::amount;
use crate::state::PagesState;
use crate::stores::paths;
use crate::visitor::{Fields, Right, Visitor};
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "purchase.html")]
pub struct PurchasePage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub facts: Vec<Fact>,
    pub action: String,
    pub version: i64,
    /// Which forms there are: `draft`, `approved`, `sent`, `received` or nothing.
    pub stage: &'static str,
    pub may_buy: bool,
    pub may_receive: bool,
    pub lines: Vec<LineView>,
    pub total: String,
    pub sheets: Vec<Link>,
    pub send: SendForm,
    pub receive: ReceiveForm,
    pub add: AddForm,
    pub reason: Field,
    pub invoice: InvoiceForm,
    pub came: Vec<Vec<String>>,
    pub invoices: Vec<Vec<String>>,
    pub invoiced_says: String,
}

/// A line and the forms that it has.
#[derive(Clone, Debug)]
pub struct LineView {
    pub key: String,
    pub version: i64,
    pub part: Link,
    pub name: String,
    pub quantity: String,
    pub came: String,
    pub open: String,
    pub has_open: bool,
    pub has_come: bool,
    pub price: String,
    pub money: String,
    pub advised: String,
    pub note: String,
    pub expected: String,
    pub mark: Option<Mark>,
    /// Of a draft.
    pub new_quantity: Field,
    pub new_note: Field,
    /// Of a delivery.
    pub taken: Field,
    pub lot: Field,
    pub cured: Field,
    pub expires: Field,
    pub accepted: Field,
    /// Of the rest.
    pub later_on: Field,
    pub later_note: Field,
    pub back: Field,
    pub back_reason: Field,
    pub asked: Field,
    pub asked_reason: Field,
}

#[derive(Clone, Debug, Default)]
pub struct SendForm {
    pub ordered_on: Field,
    pub expected_on: Field,
}

#[derive(Clone, Debug, Default)]
pub struct ReceiveForm {
    pub received_on: Field,
    pub delivery_note: Field,
}

#[derive(Clone, Debug, Default)]
pub struct AddForm {
    pub number: Field,
    pub quantity: Field,
    pub note: Field,
}

#[derive(Clone, Debug, Default)]
pub struct InvoiceForm {
    pub number: Field,
    pub invoiced_on: Field,
    pub charges: Field,
    pub charges_reason: Field,
}

/// A form that was refused: which one, what was typed, what is wrong with which field.
#[derive(Clone, Debug, Default)]
pub struct Typed {
    pub what: String,
    pub line: Option<OrderLineId>,
    pub fields: Fields,
    pub at: String,
    pub fault: String,
}

impl Typed {
    /// A field of a form, as it was typed where this is the form that was refused.
    fn field(
        &self,
        what: &str,
        line: Option<OrderLineId>,
        name: &str,
        usual: impl Into<String>,
    ) -> Field {
        if self.what != what || (line.is_some() && self.line.is_some() && self.line != line) {
            return Field::of(usual);
        }
        // Forms over many lines carry the line in the field's name.
        let name = match (line, self.line) {
            (Some(line), None) => format!("{name}-{line}"),
            _ => name.to_owned(),
        };
        let fault = if self.at == name { self.fault.clone() } else { String::new() };
        Field { value: self.fields.get(&name).to_owned(), fault }
    }
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(order): Path<Uuid>,
) -> Result<Response, Failure> {
    let about = About::read(&state, &visitor, OrderId(order)).await?;
    shown(&about.page(&visitor, &Typed::default()))
}

/// The order as its supplier reads it.
pub async fn sheet(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path((order, format)): Path<(Uuid, String)>,
) -> Result<Response, Failure> {
    let sheet =
        orders::sheet(state.store.connection(), visitor.organisation, OrderId(order)).await?;
    let (written, kind) = match format.as_str() {
        "csv" => (sheet.csv(), "text/csv; charset=utf-8"),
        "xlsx" => {
            (sheet.workbook(), "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")
        }
        "pdf" => (sheet.pdf(), "application/pdf"),
        _ => return Err(Failure::NotFound),
    };
    let bytes = written.map_err(|cause| Failure::ours(&cause))?;
    let safe = |letter: char| if letter.is_ascii_alphanumeric() { letter } else { '-' };
    let name: String = sheet.number.chars().map(safe).collect();
    let disposition = format!("attachment; filename=\"order-{name}.{format}\"");
    Ok(([(CONTENT_TYPE, kind.to_owned()), (CONTENT_DISPOSITION, disposition)], bytes)
        .into_response())
}

/// An order with everything that its page names.
pub struct About {
    pub yard: Yard,
    pub order: Order,
    pub lines: Vec<OrderLine>,
    supplier: Supplier,
    site: Option<Site>,
    parts: HashMap<PartId, Part>,
    received: HashMap<OrderLineId, i64>,
    receipts: (Vec<Receipt>, Vec<ReceiptLine>),
    invoices: Vec<InvoiceLine>,
    people: HashMap<fleet::id::PersonId, String>,
    advised: HashMap<PartId, i64>,
    expected_on: NaiveDate,
}

impl About {
    pub async fn read(
        state: &PagesState,
        visitor: &Visitor,
        order: OrderId,
    ) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let yard = Yard::read(state, visitor).await?;
        let order = record::get::<Order>(connection, organisation, order).await?;
        let supplier = record::get::<Supplier>(connection, organisation, order.supplier).await?;
        let mut lines = orders::lines(connection, organisation, &[order.id]).await?;
        let ids: Vec<PartId> = lines.iter().map(|line| line.part).collect();
        let parts: Vec<Part> = record::by_ids(connection, organisation, &ids).await?;
        let parts: HashMap<PartId, Part> = parts.into_iter().map(|it| (it.id, it)).collect();
        lines.sort_by_key(|line| parts.get(&line.part).map(|part| part.number.clone()));
        let people: Vec<Person> = record::all(connection, organisation).await?;
        let advised = match order.run {
            Some(run) => kept::advice_rows(connection, organisation, run).await?,
            None => Vec::new(),
        };
        let own = advised.into_iter().filter(|row| row.supplier == order.supplier);
        Ok(Self {
            received: orders::received(connection, organisation, &[order.id]).await?,
            receipts: orders::receipts(connection, organisation, &[order.id]).await?,
            invoices: orders::invoice_lines(connection, organisation, &[order.id]).await?,
            expected_on: lead_times::expected_on(connection, organisation, &order, yard.today)
                .await?,
            site: yard.sites.iter().find(|site| site.id == order.site).cloned(),
            people: people.into_iter().map(|person| (person.id, person.name)).collect(),
            advised: own.map(|row| (row.part, row.quantity)).collect(),
            yard,
            supplier,
            lines,
            parts,
            order,
        })
    }

    pub fn came(&self, line: &OrderLine) -> i64 {
        self.received.get(&line.id).copied().unwrap_or(0)
    }

    pub fn part_number(&self, part: PartId) -> &str {
        self.parts.get(&part).map_or("", |part| part.number.as_str())
    }

    pub fn page(&self, visitor: &Visitor, typed: &Typed) -> PurchasePage {
        let Self { order, yard, .. } = self;
        let all: Vec<&OrderLine> = self.lines.iter().collect();
        let total = worth(order, &all).to_string();
        let today = yard.today.to_string();
        let stage = match order.status {
            OrderStatus::Draft => "draft",
            OrderStatus::Approved => "approved",
            OrderStatus::Sent | OrderStatus::PartReceived => "sent",
            OrderStatus::Received => "received",
            OrderStatus::Closed | OrderStatus::Cancelled => "",
        };
        let path = format!("/stores/orders/{}", order.id);
        let sheet =
            |(text, format): (&str, &str)| Link::new(text, format!("{path}/sheet/{format}"));
        PurchasePage {
            frame: visitor.frame(format!("Order {}", order.number), Room::Stores),
            heading: format!(
                "Order {} to {}: {}",
                order.number,
                self.supplier.name,
                state_says(order.status)
            ),
            lead: format!("{}, {total} without freight.", count(all.len(), "line", "lines")),
            paths: paths("/stores/orders/one"),
            facts: self.facts(),
            action: path.clone(),
            version: order.version,
            stage,
            may_buy: visitor.may(Right::Buy),
            may_receive: visitor.may(Right::Receive),
            lines: self.lines.iter().map(|line| self.line(line, typed)).collect(),
            total,
            sheets: [("PDF to print", "pdf"), ("XLSX", "xlsx"), ("CSV", "csv")].map(sheet).to_vec(),
            send: SendForm {
                ordered_on: typed.field("send", None, "ordered_on", &today),
                expected_on: typed.field("send", None, "expected_on", self.expected_on.to_string()),
            },
            receive: ReceiveForm {
                received_on: typed.field("receive", None, "received_on", &today),
                delivery_note: typed.field("receive", None, "delivery_note", ""),
            },
            add: AddForm {
                number: typed.field("add", None, "number", ""),
                quantity: typed.field("add", None, "quantity", ""),
                note: typed.field("add", None, "note", ""),
            },
            reason: typed.field("cancel", None, "note", ""),
            invoice: InvoiceForm {
                number: typed.field("invoice", None, "number", ""),
                invoiced_on: typed.field("invoice", None, "invoiced_on", today),
                charges: typed.field("invoice", None, "charges", ""),
                charges_reason: typed.field("invoice", None, "charges_reason", ""),
            },
            came: self.deliveries(),
            invoices: self.invoiced(),
            invoiced_says: self.invoiced_says(),
        }
    }

    fn facts(&self) -> Vec<Fact> {
        let order = &self.order;
        let on = |day_: NaiveDate| day(day_, self.yard.today);
        let mut facts = Vec::new();
        facts.extend(self.site.as_ref().map(|site| Fact::new("Deliver to", &site.name)));
        facts.extend(order.ordered_on.map(|day| Fact::new("Ordered", on(day))));
        facts.extend(order.expected_on.map(|day| Fact::new("Expected", on(day))));
        let approved = order.approved_by.and_then(|person| self.people.get(&person));
        facts.extend(approved.map(|name| Fact::new("Approved by", name)));
        if order.run.is_some() {
            facts.push(Fact::new("Comes from", "the advice on what to order, whose run it keeps"));
        }
        facts.extend(order.note.as_ref().map(|note| Fact::new("Note", note)));
        facts
    }

    fn line(&self, line: &OrderLine, typed: &Typed) -> LineView {
        let part = self.parts.get(&line.part);
        let says = |quantity: i64| part.map(|it| amount(it.unit, quantity)).unwrap_or_default();
        let (came, id) = (self.came(line), Some(line.id));
        let open = line.open(came);
        let money = |minor: i64| Money::new(minor, self.order.currency);
        let price = match line.price_units {
            1 => money(line.price_minor).to_string(),
            units => format!("{} for {}", money(line.price_minor), says(units)),
        };
        let expected = line.expected_on.or(self.order.expected_on).filter(|_| open > 0);
        let late = expected.filter(|day| *day < self.yard.today);
        let late = late.filter(|_| self.order.status.awaits_goods());
        let advised = self.advised.get(&line.part).filter(|advised| **advised != line.quantity);
        LineView {
            key: line.id.to_string(),
            version: line.version,
            part: Link::new(
                part.map(|part| part.number.clone()).unwrap_or_default(),
                format!("/stores/parts/{}", line.part),
            ),
            name: part.map(|part| part.name.clone()).unwrap_or_default(),
            quantity: says(line.quantity - line.cancelled),
            came: says(came - line.returned),
            open: says(open),
            has_open: open > 0,
            has_come: came > line.returned,
            price,
            money: money(line.money_minor(line.quantity - line.cancelled)).to_string(),
            advised: advised
                .map(|advised| format!("advised: {}", says(*advised)))
                .unwrap_or_default(),
            note: line.note.clone().unwrap_or_default(),
            expected: expected.map(|on| day(on, self.yard.today)).unwrap_or_default(),
            mark: late.map(|_| Mark::soon("late")),
            new_quantity: typed.field("change", id, "quantity", line.quantity.to_string()),
            new_note: typed.field("change", id, "note", line.note.clone().unwrap_or_default()),
            taken: typed.field("receive", id, "taken", ""),
            lot: typed.field("receive", id, "lot", ""),
            cured: typed.field("receive", id, "cured", ""),
            expires: typed.field("receive", id, "expires", ""),
            accepted: typed.field("receive", id, "accepted", ""),
            later_on: typed.field("rest", id, "later_on", ""),
            later_note: typed.field("rest", id, "note", ""),
            back: typed.field("back", id, "quantity", ""),
            back_reason: typed.field("back", id, "reason", ""),
            asked: typed.field("invoice", id, "asked", ""),
            asked_reason: typed.field("invoice", id, "reason", ""),
        }
    }

    fn deliveries(&self) -> Vec<Vec<String>> {
        let (receipts, lines) = &self.receipts;
        let mut rows = Vec::new();
        for receipt in receipts {
            for taken in lines.iter().filter(|line| line.receipt == receipt.id) {
                let line = self.lines.iter().find(|line| line.id == taken.line);
                let part = line.map(|line| self.part_number(line.part)).unwrap_or_default();
                let by = receipt.received_by.and_then(|id| self.people.get(&id).cloned());
                rows.push(vec![
                    day(receipt.received_on, self.yard.today),
                    part.to_owned(),
                    grouped(taken.quantity),
                    receipt.delivery_note.clone().unwrap_or_else(|| "–".to_owned()),
                    by.unwrap_or_else(|| "–".to_owned()),
                    taken.accepted.clone().unwrap_or_default(),
                ]);
            }
        }
        rows
    }

    fn invoiced(&self) -> Vec<Vec<String>> {
        let money = |minor: i64| Money::new(minor, self.order.currency).to_string();
        let row = |row: &InvoiceLine| {
            let line = self.lines.iter().find(|line| Some(line.id) == row.line);
            vec![
                row.invoice.clone(),
                line.map_or("charges", |line| self.part_number(line.part)).to_owned(),
                money(row.amount_minor),
                money(row.agreed_minor),
                money(row.amount_minor - row.agreed_minor),
                row.reason.clone().unwrap_or_default(),
            ]
        };
        self.invoices.iter().map(row).collect()
    }

    fn invoiced_says(&self) -> String {
        let difference: i64 =
            self.invoices.iter().map(|row| row.amount_minor - row.agreed_minor).sum();
        let money = Money::new(difference.abs(), self.order.currency);
        match difference {
            0 => "The invoices ask what was agreed.".to_owned(),
            ..0 => format!("The invoices ask {money} less than was agreed."),
            _ => format!("The invoices ask {money} more than was agreed."),
        }
    }
}
