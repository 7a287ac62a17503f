//! What the forms of an order's page do. Each is one write; what is refused comes back with its
//! values and the reason beside the field.

use axum::extract::{Path, State};
use axum::response::Response;
use chrono::NaiveDate;
use fleet::Money;
use fleet::id::{OrderId, OrderLineId};
use fleet::order::OrderStatus;
use fleet::shelf_life::CureQuarter;
use store::orders::{
    self, Arrived, GivenBack, Invoice, InvoicedLine, LineChange, LotGiven, NewLine, Receiving,
    Sending,
};
use store::parts;
use store::{StoreError, Transaction};
use uuid::Uuid;

use crate::failure::{Failure, onward, sentence, shown_again};
use crate::figures::count;
use crate::frame::Notice;
use crate::purchase::{About, Typed};
use crate::state::PagesState;
use crate::visitor::{Fields, Posted, Right, Visitor};

/// What went wrong with a form: at which field, and why.
struct Wrong {
    at: String,
    fault: String,
}

/// Why a form led to nothing.
enum Undone {
    Wrong(Wrong),
    Failed(Failure),
}

impl From<Failure> for Undone {
    fn from(failure: Failure) -> Self {
        Self::Failed(failure)
    }
}

impl Undone {
    fn at(field: impl Into<String>, fault: impl Into<String>) -> Self {
        Self::Wrong(Wrong { at: field.into(), fault: fault.into() })
    }

    /// A rule of the store, at the field that it is about; `usual` where it is about none of its own.
    fn of(error: StoreError, usual: &str) -> Self {
        match &error {
            StoreError::Broken { rule, .. } => {
                let at = match *rule {
                    "order-note-missing" => "note",
                    _ => usual,
                };
                Self::at(at, sentence(&error.to_string()))
            }
            _ => Self::Failed(error.into()),
        }
    }
}

/// A form of an order, or of one of its lines.
struct Sent<'a> {
    state: &'a PagesState,
    visitor: &'a Visitor,
    about: &'a About,
    fields: &'a Fields,
}

pub async fn of_order(
    State(state): State<PagesState>,
    Path((order, what)): Path<(Uuid, String)>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    let about = About::read(&state, &visitor, OrderId(order)).await?;
    let right = if what == "receive" { Right::Receive } else { Right::Buy };
    visitor.check(right)?;
    let sent = Sent { state: &state, visitor: &visitor, about: &about, fields: &fields };
    let done = match what.as_str() {
        "approve" | "reopen" | "close" => sent.moved(&what).await,
        "send" => sent.send().await,
        "receive" => sent.receive().await,
        "add" => sent.add().await,
        "invoice" => sent.invoice().await,
        "cancel" => sent.cancel().await,
        _ => Err(Failure::NotFound.into()),
    };
    answer(&state, &visitor, &about, (what, None), &fields, done)
}

pub async fn of_line(
    State(state): State<PagesState>,
    Path((order, line, what)): Path<(Uuid, Uuid, String)>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::Buy)?;
    let about = About::read(&state, &visitor, OrderId(order)).await?;
    let line = OrderLineId(line);
    let sent = Sent { state: &state, visitor: &visitor, about: &about, fields: &fields };
    let done = match what.as_str() {
        "change" => sent.change(line).await,
        "remove" => sent.remove(line).await,
        "rest" => sent.rest(line).await,
        "back" => sent.back(line).await,
        _ => Err(Failure::NotFound.into()),
    };
    answer(&state, &visitor, &about, (what, Some(line)), &fields, done)
}

fn answer(
    state: &PagesState,
    visitor: &Visitor,
    about: &About,
    (what, line): (String, Option<OrderLineId>),
    fields: &Fields,
    done: Result<String, Undone>,
) -> Result<Response, Failure> {
    let path = format!("/stores/orders/{}", about.order.id);
    match done {
        Ok(says) => {
            let saved = format!("{what} {path}");
            Ok(onward(state, &path, &Notice { saved, ..Notice::done(says) }))
        }
        // A form without a field of its own has nowhere to show it but above the page.
        Err(Undone::Wrong(Wrong { at, fault })) if at.is_empty() => {
            Ok(onward(state, &path, &Notice::wrong(fault)))
        }
        Err(Undone::Wrong(Wrong { at, fault })) => {
            let typed = Typed { what, line, fields: fields.clone(), at, fault };
            shown_again(&about.page(visitor, &typed))
        }
        Err(Undone::Failed(failure)) => Err(failure),
    }
}

impl Sent<'_> {
    fn version(&self) -> Result<i64, Undone> {
        self.fields.get("version").parse().map_err(|_| Failure::Unreadable.into())
    }

    fn day(&self, name: &str) -> Result<NaiveDate, Undone> {
        self.fields.get(name).parse().map_err(|_| Undone::at(name, "Give a day."))
    }

    fn whole(&self, name: &str) -> Result<i64, Undone> {
        let digits: String = self.fields.get(name).chars().filter(|c| !c.is_whitespace()).collect();
        digits.parse().map_err(|_| Undone::at(name, "Give a whole number."))
    }

    fn note(&self, name: &str) -> Option<String> {
        let note = self.fields.get(name);
        (!note.is_empty()).then(|| note.to_owned())
    }

    async fn moved(&self, what: &str) -> Result<String, Undone> {
        let at = (self.about.order.id, self.version()?);
        let (organisation, author) = (self.visitor.organisation, self.visitor.author(self.state));
        let person = Some(self.visitor.person.id);
        let write = async |tx: &Transaction| match what {
            "approve" => orders::approve(tx, organisation, &author, at, person).await,
            "reopen" => orders::reopen(tx, organisation, &author, at).await,
            _ => orders::close(tx, organisation, &author, at).await,
        };
        let order = self.state.store.write(write).await.map_err(|error| Undone::of(error, ""))?;
        let number = &order.number;
        Ok(match order.status {
            OrderStatus::Approved => format!(
                "Order {number} is approved. Send its sheet to the supplier, then book it as sent."
            ),
            OrderStatus::Draft => format!("Order {number} is a draft again."),
            _ => format!("Order {number} is closed."),
        })
    }

    async fn send(&self) -> Result<String, Undone> {
        let at = (self.about.order.id, self.version()?);
        let sending =
            Sending { ordered_on: self.day("ordered_on")?, expected_on: self.day("expected_on")? };
        let (organisation, author) = (self.visitor.organisation, self.visitor.author(self.state));
        let today = self.about.yard.today;
        let write = async |tx: &Transaction| {
            orders::send(tx, organisation, &author, at, sending, today).await
        };
        let sent = self.state.store.write(write).await.map_err(|error| {
            let field = match error.rule() {
                "order-before-it-was-sent" => "expected_on",
                _ => "ordered_on",
            };
            Undone::of(error, field)
        })?;
        Ok(format!("Order {} is with the supplier; its parts count as on order.", sent.number))
    }

    async fn receive(&self) -> Result<String, Undone> {
        let received_on = self.day("received_on")?;
        let mut lines = Vec::new();
        for line in &self.about.lines {
            let name = format!("taken-{}", line.id);
            if !self.fields.has(&name) {
                continue;
            }
            let quantity = self.whole(&name)?;
            lines.push((name, self.arrived(line.id, quantity, received_on)?));
        }
        let Some((first, _)) = lines.first() else {
            return Err(Undone::at("received_on", "Write how many came of at least one line."));
        };
        let first = first.clone();
        let many: Vec<String> = lines.iter().map(|(name, _)| name.clone()).collect();
        let wanted = Receiving {
            received_on,
            delivery_note: self.note("delivery_note"),
            received_by: Some(self.visitor.person.id),
            lines: lines.into_iter().map(|(_, arrived)| arrived).collect(),
        };
        let (organisation, author) = (self.visitor.organisation, self.visitor.author(self.state));
        let order = self.about.order.id;
        let write = async |tx: &Transaction| {
            orders::receive(tx, organisation, &author, order, &wanted).await
        };
        let received = self.state.store.write(write).await.map_err(|error| {
            if matches!(error, StoreError::Taken { .. }) {
                let fault = "This delivery note of this order is booked already.";
                return Undone::at("delivery_note", fault);
            }
            let field = match error.rule() {
                "order-day-in-future" | "order-before-it-was-sent" => "received_on".to_owned(),
                "received-more-than-ordered" => self.over(&wanted, &many).unwrap_or(first),
                "received-expired" | "cure-quarter-long-ago" => {
                    self.too_old(&wanted).unwrap_or(first)
                }
                _ => first,
            };
            Undone::of(error, &field)
        })?;
        let jobs: Vec<String> =
            received.kitted.iter().map(|job| format!("job {}", job.number)).collect();
        let lines = count(received.lines.len(), "line", "lines");
        let kitted = match jobs.as_slice() {
            [] => "No job that waits is made whole by it.".to_owned(),
            jobs => format!("Kitted now: {}.", jobs.join(", ")),
        };
        Ok(format!("{lines} received and on the shelf. {kitted}"))
    }

    fn arrived(
        &self,
        line: OrderLineId,
        quantity: i64,
        received_on: NaiveDate,
    ) -> Result<Arrived, Undone> {
        let of = |name: &str| self.note(&format!("{name}-{line}"));
        let cured = of("cured").map(|text| CureQuarter::parse(&text, received_on)).transpose();
        let cured = cured
            .map_err(|error| Undone::at(format!("cured-{line}"), sentence(&error.to_string())))?;
        let expires_on = of("expires").map(|text| text.parse()).transpose();
        let expires_on =
            expires_on.map_err(|_| Undone::at(format!("expires-{line}"), "Give a day."))?;
        let lot = LotGiven { code: of("lot"), cured, expires_on };
        Ok(Arrived { line, quantity, lot, accepted: of("accepted") })
    }

    /// The field of the first line of which more came than is open.
    fn over(&self, wanted: &Receiving, names: &[String]) -> Option<String> {
        let at = wanted.lines.iter().position(|arrived| {
            let line = self.about.lines.iter().find(|line| line.id == arrived.line);
            line.is_some_and(|line| arrived.quantity > line.open(self.about.came(line)))
        })?;
        names.get(at).cloned()
    }

    /// The field of the first date that may speak against what came.
    fn too_old(&self, wanted: &Receiving) -> Option<String> {
        let unexplained = wanted.lines.iter().filter(|arrived| arrived.accepted.is_none());
        unexplained.into_iter().find_map(|arrived| {
            let lot = &arrived.lot;
            let past = lot.expires_on.is_some_and(|last| last < wanted.received_on);
            let by_cure = lot.expires_on.is_none() && lot.cured.is_some();
            match (past, by_cure) {
                (true, _) => Some(format!("expires-{}", arrived.line)),
                (_, true) => Some(format!("cured-{}", arrived.line)),
                _ => None,
            }
        })
    }

    async fn add(&self) -> Result<String, Undone> {
        let at = (self.about.order.id, self.version()?);
        let number = self.fields.get("number").to_owned();
        let (connection, organisation) = (self.state.store.connection(), self.visitor.organisation);
        let found = parts::by_numbers(connection, organisation, &[number.as_str()]).await;
        let found = found.map_err(Failure::from)?;
        let [part] = &found[..] else {
            return Err(Undone::at("number", "No part has this number."));
        };
        let quantity = self.whole("quantity")?;
        let line = NewLine { part: part.id, quantity, price: None, note: self.note("note") };
        let (author, today) = (self.visitor.author(self.state), self.about.yard.today);
        let write = async |tx: &Transaction| {
            orders::add_line(tx, organisation, &author, at, &line, today).await
        };
        match self.state.store.write(write).await {
            Ok(_) => Ok(format!("{number} is on the order.")),
            Err(StoreError::Taken { .. }) => {
                Err(Undone::at("number", "This part is on the order already: change its line."))
            }
            Err(error) if error.rule() == "order-price-missing" => Err(Undone::of(error, "number")),
            Err(error) => Err(Undone::of(error, "quantity")),
        }
    }

    async fn change(&self, line: OrderLineId) -> Result<String, Undone> {
        let at = (line, self.version()?);
        let change =
            LineChange { quantity: self.whole("quantity")?, price: None, note: self.note("note") };
        let (organisation, author) = (self.visitor.organisation, self.visitor.author(self.state));
        let today = self.about.yard.today;
        let write = async |tx: &Transaction| {
            orders::change_line(tx, organisation, &author, at, &change, today).await
        };
        let changed = self.state.store.write(write).await;
        let changed = changed.map_err(|error| Undone::of(error, "quantity"))?;
        Ok(format!("{} is changed.", self.about.part_number(changed.part)))
    }

    async fn remove(&self, line: OrderLineId) -> Result<String, Undone> {
        let at = (line, self.version()?);
        let (organisation, author) = (self.visitor.organisation, self.visitor.author(self.state));
        let write =
            async |tx: &Transaction| orders::remove_line(tx, organisation, &author, at, None).await;
        self.state.store.write(write).await.map_err(|error| Undone::of(error, ""))?;
        Ok("The line is off the order.".to_owned())
    }

    async fn rest(&self, line: OrderLineId) -> Result<String, Undone> {
        let at = (line, self.version()?);
        let note = self.fields.get("note").to_owned();
        let never = self.fields.get("do") == "never";
        let later_on = if never { None } else { Some(self.day("later_on")?) };
        let (organisation, author) = (self.visitor.organisation, self.visitor.author(self.state));
        let write = async |tx: &Transaction| match later_on {
            Some(day) => orders::back_order(tx, organisation, &author, at, day, &note).await,
            None => Ok(orders::cancel_rest(tx, organisation, &author, at, &note).await?.1),
        };
        let line = self.state.store.write(write).await;
        let line = line.map_err(|error| Undone::of(error, "later_on"))?;
        let part = self.about.part_number(line.part);
        Ok(if never {
            format!("The rest of {part} is given up.")
        } else {
            format!("The rest of {part} is expected later.")
        })
    }

    async fn back(&self, line: OrderLineId) -> Result<String, Undone> {
        let at = (line, self.version()?);
        let wanted = GivenBack {
            quantity: self.whole("quantity")?,
            lot: None,
            reason: self.fields.get("reason").to_owned(),
            replaced: self.fields.get("do") == "others",
        };
        let (organisation, author) = (self.visitor.organisation, self.visitor.author(self.state));
        let write = async |tx: &Transaction| {
            orders::give_back(tx, organisation, &author, at, &wanted).await
        };
        let given = self.state.store.write(write).await;
        let (_, line) = given.map_err(|error| match error.rule() {
            "order-note-missing" => Undone::at("reason", sentence(&error.to_string())),
            _ => Undone::of(error, "quantity"),
        })?;
        let part = self.about.part_number(line.part);
        Ok(format!("{} {part} went back to the supplier.", wanted.quantity))
    }

    async fn invoice(&self) -> Result<String, Undone> {
        let number = self.fields.get("number").to_owned();
        if number.is_empty() {
            return Err(Undone::at("number", "Give the invoice's number."));
        }
        let mut lines = Vec::new();
        for line in &self.about.lines {
            let asked = format!("asked-{}", line.id);
            if self.fields.has(&asked) {
                lines.push(InvoicedLine {
                    line: Some(line.id),
                    quantity: self.about.came(line) - line.returned,
                    amount_minor: self.money(&asked)?,
                    reason: self.note(&format!("reason-{}", line.id)),
                });
            }
        }
        if self.fields.has("charges") {
            lines.push(InvoicedLine {
                line: None,
                quantity: 0,
                amount_minor: self.money("charges")?,
                reason: self.note("charges_reason"),
            });
        }
        if lines.is_empty() {
            return Err(Undone::at("charges", "Write what is asked for at least one line."));
        }
        let recorded_by = Some(self.visitor.person.id);
        let invoiced_on = self.day("invoiced_on")?;
        let invoice = Invoice { number, invoiced_on, recorded_by, lines };
        let (organisation, author) = (self.visitor.organisation, self.visitor.author(self.state));
        let order = self.about.order.id;
        let write = async |tx: &Transaction| {
            orders::book_invoice(tx, organisation, &author, order, &invoice).await
        };
        match self.state.store.write(write).await {
            Ok(booked) => {
                let lines = count(booked.len(), "line", "lines");
                Ok(format!("Invoice {} is booked, {lines}.", invoice.number))
            }
            Err(StoreError::Taken { .. }) => {
                Err(Undone::at("number", "This invoice is booked for this line already."))
            }
            Err(error) => Err(Undone::of(error, "charges")),
        }
    }

    fn money(&self, name: &str) -> Result<i64, Undone> {
        let given = Money::parse(self.fields.get(name), self.about.order.currency);
        let given = given.map_err(|error| Undone::at("charges", sentence(&error.to_string())))?;
        Ok(given.minor)
    }

    async fn cancel(&self) -> Result<String, Undone> {
        let at = (self.about.order.id, self.version()?);
        let note = self.fields.get("note").to_owned();
        let (organisation, author) = (self.visitor.organisation, self.visitor.author(self.state));
        let write =
            async |tx: &Transaction| orders::cancel(tx, organisation, &author, at, &note).await;
        let order = self.state.store.write(write).await;
        let order = order.map_err(|error| Undone::of(error, "note"))?;
        Ok(format!("Order {} is called off.", order.number))
    }
}
