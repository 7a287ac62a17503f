//! Orders until they are with the supplier: drafted, changed, approved, sent.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::NaiveDate;
use chrono_tz::Tz;
use fleet::calendar::day_of;
use fleet::id::{
    OrderId, OrderLineId, OrganisationId, PartId, PersonId, RunId, SiteId, SupplierId,
};
use fleet::order::{Order, OrderLine};
use fleet::person::Role;
use fleet::run::RunKind;
use fleet::site::Site;
use fleet::supplier::Supplier;
use serde::{Deserialize, Serialize};
use store::orders::{self, LineChange, NewLine, NewOrder, Sending};
use store::{Transaction, record};
use utoipa::ToSchema;
use utoipa::openapi::Ref;
use uuid::Uuid;

use super::run_page::find_run;
use crate::access::Actor;
use crate::body::Body;
use crate::conditional::IfMatch;
use crate::once::{Answer, OnceKey, Turn};
use crate::path::Id;
use crate::problem::{Problem, Refused};
use crate::quantity::Amount;
use crate::resource::{Resource as _, Shown, tagged};
use crate::resources::{OrderFields, OrderLineFields};
use crate::state::ApiState;

/// An order to be written by hand.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewOrderFields {
    supplier: Uuid,
    /// Where it is delivered to.
    site: Uuid,
    lines: Vec<NewLineFields>,
    #[serde(default)]
    note: Option<String>,
}

/// A line to be.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewLineFields {
    part: Uuid,
    /// In the part's unit.
    quantity: i64,
    /// As the terms say where none is given.
    #[serde(default)]
    price: Option<PriceFields>,
    /// Why it is not in whole packs, or less than the least that is sold.
    #[serde(default)]
    note: Option<String>,
}

/// A price and for how much of the part it is.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PriceFields {
    #[serde(flatten)]
    amount: Amount,
    /// Units of the part; 1 where not given.
    #[serde(default)]
    units: Option<i64>,
}

/// Which part of an advice becomes orders.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FromAdvice {
    site: Uuid,
    /// The last good run where none is given.
    #[serde(default)]
    run: Option<Uuid>,
    /// All suppliers where none is given.
    #[serde(default)]
    suppliers: Vec<Uuid>,
}

/// What is to be on a line.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LineChangeFields {
    quantity: i64,
    #[serde(default)]
    price: Option<PriceFields>,
    /// Needed where it is not what was advised, or not as it is sold.
    #[serde(default)]
    note: Option<String>,
}

/// Who approves.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Approval {
    #[serde(default)]
    person: Option<Uuid>,
}

/// When it went out.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SendingFields {
    /// Today where none is given.
    #[serde(default)]
    ordered_on: Option<NaiveDate>,
    /// By the stated lead times where none is given.
    #[serde(default)]
    expected_on: Option<NaiveDate>,
}

/// An order with its lines.
#[derive(Debug, Serialize, ToSchema)]
pub struct OrderWithLines {
    #[schema(schema_with = order_schema)]
    pub order: Shown<OrderFields>,
    #[schema(schema_with = lines_schema)]
    pub lines: Vec<Shown<OrderLineFields>>,
}

fn order_schema() -> Ref {
    Ref::from_schema_name("Order")
}

fn lines_schema() -> utoipa::openapi::schema::Array {
    utoipa::openapi::ArrayBuilder::new().items(Ref::from_schema_name("OrderLine")).build()
}

impl OrderWithLines {
    pub fn show(order: Order, lines: Vec<OrderLine>) -> Self {
        let lines = lines.into_iter().map(OrderLineFields::show).collect();
        Self { order: OrderFields::show(order), lines }
    }
}

impl PriceFields {
    /// Minor units for so many units of the part, in the supplier's currency.
    fn build(self, of: &Supplier) -> Result<(i64, i64), Problem> {
        let money = self.amount.build()?;
        if money.currency != of.currency {
            let detail = format!("{} sells in {}, not in {}", of.name, of.currency, money.currency);
            return Err(Problem::rule("currencies-mixed", detail));
        }
        let units = self.units.unwrap_or(1);
        if units <= 0 || money.minor < 0 {
            let detail = format!("{money} for {units} is no price");
            return Err(Problem::rule("price-not-positive", detail));
        }
        Ok((money.minor, units))
    }
}

impl NewLineFields {
    fn build(self, of: &Supplier) -> Result<NewLine, Problem> {
        let Self { part, quantity, price, note } = self;
        let price = price.map(|price| price.build(of)).transpose()?;
        Ok(NewLine { part: PartId(part), quantity, price, note })
    }
}

/// Today by the clock of a site.
pub async fn today_at(
    state: &ApiState,
    organisation: OrganisationId,
    site: SiteId,
) -> Result<NaiveDate, Problem> {
    let site = record::get::<Site>(state.store.connection(), organisation, site).await?;
    Ok(day_of(state.now(), site.time_zone.parse().unwrap_or(Tz::UTC)))
}

/// Write an order
///
/// It is a draft. Role: buyer.
#[utoipa::path(
    post, path = "/orders", tag = "orders",
    params(("Idempotency-Key" = Option<String>, Header)),
    request_body = NewOrderFields,
    responses(
        (status = 201, description = "drafted", body = OrderWithLines),
        (status = 422, description = "a quantity that is not sold so, or a part without terms"),
        Refused,
    ),
)]
pub async fn draft_order(
    State(state): State<ApiState>,
    actor: Actor,
    key: OnceKey,
    Body(body): Body<NewOrderFields>,
) -> Result<Response, Problem> {
    actor.needs(Role::Buyer)?;
    let key = key.of(&body);
    let NewOrderFields { supplier, site, lines, note } = body;
    let (organisation, now) = (actor.organisation, state.now());
    let id = SupplierId(supplier);
    let supplier: Supplier = record::get(state.store.connection(), organisation, id).await?;
    let today = today_at(&state, organisation, SiteId(site)).await?;
    let lines = lines.into_iter().map(|line| line.build(&supplier)).collect::<Result<_, _>>()?;
    let wanted = NewOrder { supplier: supplier.id, site: SiteId(site), note, lines };
    let author = actor.author(now);
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let drafted = orders::draft(transaction, organisation, &author, &wanted, today).await?;
        let shown = OrderWithLines::show(drafted.0, drafted.1);
        kept.keep(transaction, Answer::json(StatusCode::CREATED, Some(1), &shown)?).await
    };
    Ok(state.store.write(work).await?.into_response())
}

/// Draft orders from an advice
///
/// One a supplier; each remembers the run. Where the run has a limit by month, what waits for a later
/// month is left out. Role: buyer.
#[utoipa::path(
    post, path = "/order-advice/orders", tag = "orders",
    params(("Idempotency-Key" = Option<String>, Header)),
    request_body = FromAdvice,
    responses(
        (status = 201, description = "drafted", body = Vec<OrderWithLines>),
        (status = 404, description = "no run has been finished yet"),
        (status = 422, description = "nothing to order, nothing this month, or drafted already"),
        Refused,
    ),
)]
pub async fn draft_orders_of_advice(
    State(state): State<ApiState>,
    actor: Actor,
    key: OnceKey,
    Body(body): Body<FromAdvice>,
) -> Result<Response, Problem> {
    actor.needs(Role::Buyer)?;
    let key = key.of(&body);
    let FromAdvice { site, run, suppliers } = body;
    let (organisation, now) = (actor.organisation, state.now());
    let today = today_at(&state, organisation, SiteId(site)).await?;
    let run = find_run(state.store.connection(), &actor, RunKind::OrderAdvice, run).await?;
    let of: (RunId, SiteId) = (run.id, SiteId(site));
    let suppliers: Vec<SupplierId> = suppliers.into_iter().map(SupplierId).collect();
    let author = actor.author(now);
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let drafted =
            orders::draft_of_advice(transaction, organisation, &author, of, &suppliers, today);
        let drafted = drafted.await?.into_iter();
        let shown: Vec<_> = drafted.map(|it| OrderWithLines::show(it.0, it.1)).collect();
        kept.keep(transaction, Answer::json(StatusCode::CREATED, None, &shown)?).await
    };
    Ok(state.store.write(work).await?.into_response())
}

async fn order_and_supplier(
    state: &ApiState,
    actor: &Actor,
    order: OrderId,
) -> Result<(Order, Supplier), Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let order = record::get::<Order>(connection, organisation, order).await?;
    let supplier = record::get::<Supplier>(connection, organisation, order.supplier).await?;
    Ok((order, supplier))
}

/// Add a line to a draft
///
/// Role: buyer.
#[utoipa::path(
    post, path = "/orders/{id}/lines", tag = "orders",
    params(
        ("id" = Uuid, Path), ("If-Match" = String, Header),
        ("Idempotency-Key" = Option<String>, Header),
    ),
    request_body = NewLineFields,
    responses(
        (status = 201, description = "added", body = ref("#/components/schemas/OrderLine")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "no draft any more, or not sold so"),
        Refused,
    ),
)]
pub async fn add_order_line(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    key: OnceKey,
    Body(body): Body<NewLineFields>,
) -> Result<Response, Problem> {
    actor.needs(Role::Buyer)?;
    let key = key.of(&body);
    let (organisation, now) = (actor.organisation, state.now());
    let (order, supplier) = order_and_supplier(&state, &actor, OrderId(id)).await?;
    let today = today_at(&state, organisation, order.site).await?;
    let (line, author, at) = (body.build(&supplier)?, actor.author(now), (order.id, version));
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let added = orders::add_line(transaction, organisation, &author, at, &line, today).await?;
        let shown = OrderLineFields::show(added);
        kept.keep(transaction, Answer::json(StatusCode::CREATED, Some(1), &shown)?).await
    };
    Ok(state.store.write(work).await?.into_response())
}

/// Change a line of a draft
///
/// Role: buyer.
#[utoipa::path(
    put, path = "/order-lines/{id}", tag = "orders",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = LineChangeFields,
    responses(
        (status = 200, description = "changed", body = ref("#/components/schemas/OrderLine")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "no draft any more, not sold so, or overruled without a note"),
        Refused,
    ),
)]
pub async fn change_order_line(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(body): Body<LineChangeFields>,
) -> Result<Response, Problem> {
    actor.needs(Role::Buyer)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let line: OrderLine =
        record::get(state.store.connection(), organisation, OrderLineId(id)).await?;
    let (order, supplier) = order_and_supplier(&state, &actor, line.order).await?;
    let today = today_at(&state, organisation, order.site).await?;
    let LineChangeFields { quantity, price, note } = body;
    let price = price.map(|price| price.build(&supplier)).transpose()?;
    let (change, at) = (LineChange { quantity, price, note }, (line.id, version));
    let work = async |transaction: &Transaction| {
        orders::change_line(transaction, organisation, &author, at, &change, today).await
    };
    let changed = state.store.write(work).await?;
    Ok(tagged(StatusCode::OK, &OrderLineFields::show(changed)))
}

/// Take a line off a draft
///
/// Role: buyer.
#[utoipa::path(
    delete, path = "/order-lines/{id}", tag = "orders",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    responses(
        (status = 204, description = "taken off"),
        (status = 412, description = "changed meanwhile"),
        Refused,
    ),
)]
pub async fn remove_order_line(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
) -> Result<StatusCode, Problem> {
    actor.needs(Role::Buyer)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let at = (OrderLineId(id), version);
    let work = async |transaction: &Transaction| {
        orders::remove_line(transaction, organisation, &author, at, None).await
    };
    state.store.write(work).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Approve a draft
///
/// Its lines change no more. Role: buyer.
#[utoipa::path(
    post, path = "/orders/{id}/approval", tag = "orders",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = Approval,
    responses(
        (status = 200, description = "approved", body = ref("#/components/schemas/Order")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "no draft, without lines, or of a person who may not approve"),
        Refused,
    ),
)]
pub async fn approve_order(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(Approval { person }): Body<Approval>,
) -> Result<Response, Problem> {
    actor.needs(Role::Buyer)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let (at, by) = ((OrderId(id), version), person.map(PersonId));
    let work = async |transaction: &Transaction| {
        orders::approve(transaction, organisation, &author, at, by).await
    };
    let approved = state.store.write(work).await?;
    Ok(tagged(StatusCode::OK, &OrderFields::show(approved)))
}

/// Make a draft again of an approved order
///
/// Role: buyer.
#[utoipa::path(
    post, path = "/orders/{id}/reopening", tag = "orders",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    responses(
        (status = 200, description = "a draft again", body = ref("#/components/schemas/Order")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "not approved, or out already"),
        Refused,
    ),
)]
pub async fn reopen_order(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
) -> Result<Response, Problem> {
    actor.needs(Role::Buyer)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let at = (OrderId(id), version);
    let work = async |transaction: &Transaction| {
        orders::reopen(transaction, organisation, &author, at).await
    };
    let reopened = state.store.write(work).await?;
    Ok(tagged(StatusCode::OK, &OrderFields::show(reopened)))
}

/// Book that an order went out
///
/// Role: buyer.
#[utoipa::path(
    post, path = "/orders/{id}/sending", tag = "orders",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = SendingFields,
    responses(
        (status = 200, description = "sent", body = ref("#/components/schemas/Order")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "not approved, or in the future"),
        Refused,
    ),
)]
pub async fn send_order(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(body): Body<SendingFields>,
) -> Result<Response, Problem> {
    actor.needs(Role::Buyer)?;
    let (organisation, author) = (actor.organisation, actor.author(state.now()));
    let (order, supplier) = order_and_supplier(&state, &actor, OrderId(id)).await?;
    let today = today_at(&state, organisation, order.site).await?;
    let ordered_on = body.ordered_on.unwrap_or(today);
    let expected_on = match body.expected_on {
        Some(day) => day,
        None => {
            let connection = state.store.connection();
            let lines = orders::lines(connection, organisation, &[order.id]).await?;
            let parts: Vec<PartId> = lines.iter().map(|line| line.part).collect();
            let sold =
                orders::sold(connection, organisation, &supplier, &parts, ordered_on).await?;
            let slowest = sold.values().map(|sold| sold.terms.lead.on(ordered_on).median_days);
            let days = chrono::Days::new(u64::from(slowest.max().unwrap_or(0)));
            ordered_on.checked_add_days(days).unwrap_or(ordered_on)
        }
    };
    let (sending, at) = (Sending { ordered_on, expected_on }, (order.id, version));
    let work = async |transaction: &Transaction| {
        orders::send(transaction, organisation, &author, at, sending, today).await
    };
    let sent = state.store.write(work).await?;
    Ok(tagged(StatusCode::OK, &OrderFields::show(sent)))
}

/// List the lines of an order
///
/// Role: viewer.
#[utoipa::path(
    get, path = "/orders/{id}/lines", tag = "orders",
    params(("id" = Uuid, Path)),
    responses((status = 200, description = "the order and its lines", body = OrderWithLines), Refused),
)]
pub async fn list_lines_of_order(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
) -> Result<Json<OrderWithLines>, Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let order = record::get::<Order>(connection, organisation, OrderId(id)).await?;
    let lines = orders::lines(connection, organisation, &[order.id]).await?;
    Ok(Json(OrderWithLines::show(order, lines)))
}
