//! Orders once they are with the supplier: sheets, deliveries, returns, invoices, their end.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use chrono::NaiveDate;
use fleet::id::{LotId, OrderId, OrderLineId, PersonId};
use fleet::order::Order;
use fleet::person::{Person, Role};
use fleet::shelf_life::CureQuarter;
use serde::{Deserialize, Serialize};
use store::orders::{
    self, Arrived, GivenBack, Invoice, InvoicedLine, LotGiven, Received, Receiving,
};
use store::{Transaction, record};
use utoipa::openapi::Ref;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::order::{OrderWithLines, today_at};
use crate::access::Actor;
use crate::body::Body;
use crate::conditional::IfMatch;
use crate::once::{Answer, OnceKey, Turn};
use crate::paging::Asked;
use crate::path::Id;
use crate::problem::{Problem, Refused};
use crate::quantity::Amount;
use crate::resource::{Resource as _, Shown, tagged};
use crate::resources::{InvoiceLineFields, OrderFields, OrderLineFields, ReceiptFields};
use crate::state::ApiState;

/// In which form an order's sheet is wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct SheetWanted {
    /// `csv`, `xlsx` or `pdf`; `pdf` where not given.
    #[param(value_type = Option<String>)]
    format: Option<SheetFormat>,
}

#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SheetFormat {
    Csv,
    Xlsx,
    #[default]
    Pdf,
}

/// A delivery.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReceivingFields {
    /// Today where none is given.
    #[serde(default)]
    received_on: Option<NaiveDate>,
    /// The supplier's number of it.
    #[serde(default)]
    delivery_note: Option<String>,
    /// Who took it in; needed where more is taken than was ordered, or a lot that its dates speak
    /// against.
    #[serde(default)]
    received_by: Option<Uuid>,
    lines: Vec<ArrivedFields>,
}

/// What of a line is in it.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ArrivedFields {
    line: Uuid,
    quantity: i64,
    /// What stands on the bag.
    #[serde(default)]
    lot: Option<String>,
    /// The quarter of cure as it is marked: `3/94`, `2024-Q3`. Without it and without an expiry a
    /// seal is dated by this receipt.
    #[serde(default)]
    #[schema(example = "2024-Q3")]
    cured: Option<String>,
    #[serde(default)]
    expires_on: Option<NaiveDate>,
    /// Why more is taken than was ordered, or a lot past its last good day or cured over 20 years
    /// ago.
    #[serde(default)]
    accepted: Option<String>,
}

/// What a delivery led to.
#[derive(Debug, Serialize, ToSchema)]
pub struct ReceivedShown {
    #[schema(schema_with = order_schema)]
    pub order: Shown<OrderFields>,
    #[schema(schema_with = receipt_schema)]
    pub receipt: Shown<ReceiptFields>,
    /// Lots that it made: their ids.
    pub lots: Vec<Uuid>,
    /// Jobs that were short and are kitted now: their ids.
    pub kitted: Vec<Uuid>,
}

fn order_schema() -> Ref {
    Ref::from_schema_name("Order")
}

fn receipt_schema() -> Ref {
    Ref::from_schema_name("Receipt")
}

/// A note.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WhyFields {
    note: String,
}

/// When the rest comes.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BackOrderFields {
    expected_on: NaiveDate,
    note: String,
}

/// Goods that go back.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GivenBackFields {
    quantity: i64,
    /// What came on this line where none is given.
    #[serde(default)]
    lot: Option<Uuid>,
    reason: String,
    /// Whether others are to come for them; else the money.
    replaced: bool,
}

/// An invoice.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct InvoiceFields {
    /// The supplier's number.
    invoice: String,
    invoiced_on: NaiveDate,
    #[serde(default)]
    recorded_by: Option<Uuid>,
    lines: Vec<InvoicedFields>,
}

/// What an invoice asks for a line.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct InvoicedFields {
    /// Freight and other charges where none is given.
    #[serde(default)]
    line: Option<Uuid>,
    #[serde(default)]
    quantity: i64,
    amount: Amount,
    /// Needed where it is not what was agreed.
    #[serde(default)]
    reason: Option<String>,
}

/// An invoice's lines beside what was agreed.
#[derive(Debug, Serialize, ToSchema)]
pub struct InvoiceBooked {
    #[schema(schema_with = invoice_lines_schema)]
    pub lines: Vec<Shown<InvoiceLineFields>>,
}

fn invoice_lines_schema() -> utoipa::openapi::schema::Array {
    utoipa::openapi::ArrayBuilder::new().items(Ref::from_schema_name("InvoiceLine")).build()
}

/// Read an order as its supplier does
///
/// Role: viewer.
#[utoipa::path(
    get, path = "/orders/{id}/sheet", tag = "orders",
    params(("id" = Uuid, Path), SheetWanted),
    responses(
        (status = 200, description = "the sheet", body = Vec<u8>,
         content_type = "application/octet-stream"),
        Refused,
    ),
)]
pub async fn get_order_sheet(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    Asked(SheetWanted { format }): Asked<SheetWanted>,
) -> Result<Response, Problem> {
    let format = format.unwrap_or_default();
    let sheet = orders::sheet(state.store.connection(), actor.organisation, OrderId(id)).await?;
    let number = sheet.number.clone();
    let write = move || match format {
        SheetFormat::Csv => sheet.csv(),
        SheetFormat::Xlsx => sheet.workbook(),
        SheetFormat::Pdf => sheet.pdf(),
    };
    let written = tokio::task::spawn_blocking(write).await;
    let written = written.map_err(|cause| Problem::internal(&cause))?;
    let content = written.map_err(|cause| Problem::internal(&cause))?;
    let (media_type, ending) = match format {
        SheetFormat::Csv => ("text/csv; charset=utf-8", "csv"),
        SheetFormat::Xlsx => {
            ("application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", "xlsx")
        }
        SheetFormat::Pdf => ("application/pdf", "pdf"),
    };
    let safe: String =
        number.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect();
    let disposition = format!("attachment; filename=\"order-{safe}.{ending}\"");
    let mut headers = HeaderMap::new();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(media_type));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    if let Ok(disposition) = HeaderValue::try_from(disposition) {
        headers.insert(header::CONTENT_DISPOSITION, disposition);
    }
    Ok((headers, content).into_response())
}

impl ArrivedFields {
    fn build(self, received_on: NaiveDate) -> Result<Arrived, Problem> {
        let Self { line, quantity, lot, cured, expires_on, accepted } = self;
        let cured = cured.map(|text| CureQuarter::parse(&text, received_on)).transpose();
        let cured = cured.map_err(|error| Problem::rule(error.rule(), error.to_string()))?;
        let code = lot.filter(|code| !code.trim().is_empty());
        let lot = LotGiven { code, cured, expires_on };
        Ok(Arrived { line: OrderLineId(line), quantity, lot, accepted })
    }
}

impl ReceivedShown {
    fn show(received: Received) -> Self {
        Self {
            order: OrderFields::show(received.order),
            receipt: ReceiptFields::show(received.receipt),
            lots: received.lots.iter().map(|lot| lot.id.0).collect(),
            kitted: received.kitted.iter().map(|job| job.id.0).collect(),
        }
    }
}

/// Receive goods of an order
///
/// In part or whole; they are on the shelf in the same moment. Role: technician.
#[utoipa::path(
    post, path = "/orders/{id}/receipts", tag = "orders",
    params(("id" = Uuid, Path), ("Idempotency-Key" = Option<String>, Header)),
    request_body = ReceivingFields,
    responses(
        (status = 201, description = "received", body = ReceivedShown),
        (status = 422, description = "more than is open, past its last good day, not sent, or a day that can't be"),
        Refused,
    ),
)]
pub async fn receive_goods(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    key: OnceKey,
    Body(body): Body<ReceivingFields>,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let key = key.of(&body);
    let (connection, organisation, now) =
        (state.store.connection(), actor.organisation, state.now());
    let order = record::get::<Order>(connection, organisation, OrderId(id)).await?;
    let today = today_at(&state, organisation, order.site).await?;
    let ReceivingFields { received_on, delivery_note, received_by, lines } = body;
    let received_by = received_by.map(PersonId);
    if let Some(person) = received_by {
        record::get::<Person>(connection, organisation, person).await?;
    }
    let received_on = received_on.unwrap_or(today);
    let lines = lines.into_iter().map(|line| line.build(received_on)).collect::<Result<_, _>>()?;
    let wanted = Receiving { received_on, delivery_note, received_by, lines };
    let author = actor.author(now);
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let received = orders::receive(transaction, organisation, &author, order.id, &wanted);
        let shown = ReceivedShown::show(received.await?);
        let version = shown.order.version;
        kept.keep(transaction, Answer::json(StatusCode::CREATED, version, &shown)?).await
    };
    Ok(state.store.write(work).await?.into_response())
}

/// Book that the rest of a line comes later
///
/// Role: buyer.
#[utoipa::path(
    post, path = "/order-lines/{id}/back-order", tag = "orders",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = BackOrderFields,
    responses(
        (status = 200, description = "booked", body = ref("#/components/schemas/OrderLine")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "nothing is open, or no note"),
        Refused,
    ),
)]
pub async fn back_order_line(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(BackOrderFields { expected_on, note }): Body<BackOrderFields>,
) -> Result<Response, Problem> {
    actor.needs(Role::Buyer)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let at = (OrderLineId(id), version);
    let work = async |transaction: &Transaction| {
        orders::back_order(transaction, organisation, &author, at, expected_on, &note).await
    };
    let later = state.store.write(work).await?;
    Ok(tagged(StatusCode::OK, &OrderLineFields::show(later)))
}

/// Give up the rest of a line
///
/// Role: buyer.
#[utoipa::path(
    post, path = "/order-lines/{id}/cancellation", tag = "orders",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = WhyFields,
    responses(
        (status = 200, description = "given up", body = OrderWithLines),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "nothing is open, or no note"),
        Refused,
    ),
)]
pub async fn cancel_rest_of_line(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(WhyFields { note }): Body<WhyFields>,
) -> Result<Response, Problem> {
    actor.needs(Role::Buyer)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let at = (OrderLineId(id), version);
    let work = async |transaction: &Transaction| {
        orders::cancel_rest(transaction, organisation, &author, at, &note).await
    };
    let (order, line) = state.store.write(work).await?;
    Ok(axum::Json(OrderWithLines::show(order, vec![line])).into_response())
}

/// Give goods back to the supplier
///
/// For others, which are then awaited again, or for the money. Role: buyer.
#[utoipa::path(
    post, path = "/order-lines/{id}/returns", tag = "orders",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = GivenBackFields,
    responses(
        (status = 200, description = "booked", body = OrderWithLines),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "more than came, or than is there and not promised"),
        Refused,
    ),
)]
pub async fn give_back_goods(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(body): Body<GivenBackFields>,
) -> Result<Response, Problem> {
    actor.needs(Role::Buyer)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let GivenBackFields { quantity, lot, reason, replaced } = body;
    let wanted = GivenBack { quantity, lot: lot.map(LotId), reason, replaced };
    let at = (OrderLineId(id), version);
    let work = async |transaction: &Transaction| {
        orders::give_back(transaction, organisation, &author, at, &wanted).await
    };
    let (order, line) = state.store.write(work).await?;
    Ok(axum::Json(OrderWithLines::show(order, vec![line])).into_response())
}

/// Book an invoice
///
/// Each line beside what was agreed; a difference needs a reason. Role: buyer.
#[utoipa::path(
    post, path = "/orders/{id}/invoices", tag = "orders",
    params(("id" = Uuid, Path), ("Idempotency-Key" = Option<String>, Header)),
    request_body = InvoiceFields,
    responses(
        (status = 201, description = "booked", body = InvoiceBooked),
        (status = 409, description = "this line of this invoice is booked already"),
        (status = 422, description = "a difference without a reason, or in other money"),
        Refused,
    ),
)]
pub async fn book_invoice(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    key: OnceKey,
    Body(body): Body<InvoiceFields>,
) -> Result<Response, Problem> {
    actor.needs(Role::Buyer)?;
    let key = key.of(&body);
    let (organisation, now) = (actor.organisation, state.now());
    let order: Order = record::get(state.store.connection(), organisation, OrderId(id)).await?;
    let invoice = body.build(&order)?;
    let author = actor.author(now);
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let booked = orders::book_invoice(transaction, organisation, &author, order.id, &invoice);
        let lines = booked.await?.into_iter().map(InvoiceLineFields::show).collect();
        let shown = InvoiceBooked { lines };
        kept.keep(transaction, Answer::json(StatusCode::CREATED, None, &shown)?).await
    };
    Ok(state.store.write(work).await?.into_response())
}

impl InvoiceFields {
    fn build(self, order: &Order) -> Result<Invoice, Problem> {
        let Self { invoice, invoiced_on, recorded_by, lines } = self;
        if invoice.trim().is_empty() {
            return Err(Problem::rule("invoice-unnamed", "give the invoice's number"));
        }
        let line = |line: InvoicedFields| {
            let money = line.amount.build()?;
            if money.currency != order.currency {
                let detail =
                    format!("the order is in {}, not in {}", order.currency, money.currency);
                return Err(Problem::rule("currencies-mixed", detail));
            }
            Ok(InvoicedLine {
                line: line.line.map(OrderLineId),
                quantity: line.quantity,
                amount_minor: money.minor,
                reason: line.reason,
            })
        };
        let lines = lines.into_iter().map(line).collect::<Result<_, Problem>>()?;
        let recorded_by = recorded_by.map(PersonId);
        Ok(Invoice { number: invoice, invoiced_on, recorded_by, lines })
    }
}

/// Close an order
///
/// Of which nothing is open any more. Role: buyer.
#[utoipa::path(
    post, path = "/orders/{id}/closing", tag = "orders",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    responses(
        (status = 200, description = "closed", body = ref("#/components/schemas/Order")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "something is still to come"),
        Refused,
    ),
)]
pub async fn close_order(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
) -> Result<Response, Problem> {
    actor.needs(Role::Buyer)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let at = (OrderId(id), version);
    let work = async |transaction: &Transaction| {
        orders::close(transaction, organisation, &author, at).await
    };
    let closed = state.store.write(work).await?;
    Ok(tagged(StatusCode::OK, &OrderFields::show(closed)))
}

/// Call an order off
///
/// Of which nothing has come. Role: buyer.
#[utoipa::path(
    post, path = "/orders/{id}/cancellation", tag = "orders",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = WhyFields,
    responses(
        (status = 200, description = "called off", body = ref("#/components/schemas/Order")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "goods were received, or no note"),
        Refused,
    ),
)]
pub async fn cancel_order(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(WhyFields { note }): Body<WhyFields>,
) -> Result<Response, Problem> {
    actor.needs(Role::Buyer)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let at = (OrderId(id), version);
    let work = async |transaction: &Transaction| {
        orders::cancel(transaction, organisation, &author, at, &note).await
    };
    let cancelled = state.store.write(work).await?;
    Ok(tagged(StatusCode::OK, &OrderFields::show(cancelled)))
}
