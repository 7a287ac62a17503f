//! Which engine sits on which boat.

use axum::extract::{OriginalUri, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use fleet::boat::{Boat, Fitting};
use fleet::engine::Engine;
use fleet::id::{BoatId, EngineId, FittingId};
use fleet::person::Role;
use serde::{Deserialize, Serialize};
use store::{Transaction, boats, record};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::access::Actor;
use crate::body::Body;
use crate::conditional::IfMatch;
use crate::once::{Answer, OnceKey, Turn};
use crate::paging::{Listed, PageWanted, link_to_next};
use crate::path::Id;
use crate::problem::{Problem, Refused};
use crate::resource::{Resource as _, Shown, tagged};
use crate::resources::FittingFields;
use crate::state::ApiState;

/// An engine on a boat, from when to when.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewFitting {
    engine: Uuid,
    boat: Uuid,
    /// 0 on a boat of one engine; counted from port otherwise.
    #[serde(default)]
    position: i32,
    /// Now where none is given.
    #[serde(default)]
    fitted_at: Option<DateTime<Utc>>,
    /// Where it has come off since.
    #[serde(default)]
    removed_at: Option<DateTime<Utc>>,
    /// Whatever sat there, and wherever the engine sat, comes off in the same moment; else that is
    /// refused.
    #[serde(default)]
    replaces: bool,
}

/// When an engine came off.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Removal {
    /// Now where none is given.
    #[serde(default)]
    removed_at: Option<DateTime<Utc>>,
}

/// Fit an engine to a boat
///
/// An engine sits on one boat at a time, and one engine at a place. A spare that is put on in place of
/// another is one call with `replaces`. Role: planner.
#[utoipa::path(
    post, path = "/fittings", tag = "fittings",
    params(("Idempotency-Key" = Option<String>, Header)),
    request_body = NewFitting,
    responses(
        (status = 201, description = "fitted", body = ref("#/components/schemas/Fitting")),
        (status = 404, description = "no such engine or boat"),
        (status = 422, description = "overlaps another fitting, ends before it begins, or lies in the \
         future"),
        Refused,
    ),
)]
pub async fn record_fitting(
    State(state): State<ApiState>,
    actor: Actor,
    key: OnceKey,
    Body(body): Body<NewFitting>,
) -> Result<Response, Problem> {
    actor.needs(Role::Planner)?;
    let key = key.of(&body);
    let now = state.now();
    let (organisation, author) = (actor.organisation, actor.author(now));
    let NewFitting { engine, boat, position, fitted_at, removed_at, replaces } = body;
    if replaces && removed_at.is_some() {
        let detail = "what replaces another sits there now; leave removed_at out";
        return Err(Problem::rule("fitting-ended", detail));
    }
    let (engine, boat) = (EngineId(engine), BoatId(boat));
    let fitted_at = fitted_at.unwrap_or(now);
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let fitting = if replaces {
            boats::fit(transaction, organisation, &author, engine, boat, position, fitted_at)
                .await?
        } else {
            let id = FittingId::fresh();
            let given = Fitting { id, version: 1, engine, boat, position, fitted_at, removed_at };
            boats::record_fitting(transaction, organisation, &author, given).await?
        };
        let answer = Answer::json(StatusCode::CREATED, Some(1), &FittingFields::show(fitting))?;
        kept.keep(transaction, answer).await
    };
    Ok(state.store.write(work).await?.into_response())
}

/// Two engines that change places.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewExchange {
    engine: Uuid,
    with: Uuid,
    /// Now where none is given.
    #[serde(default)]
    at: Option<DateTime<Utc>>,
}

/// Two fittings that began in the same moment.
#[derive(Debug, Serialize, ToSchema)]
pub struct Exchanged {
    #[schema(schema_with = fittings_schema)]
    fittings: Vec<Shown<FittingFields>>,
}

fn fittings_schema() -> utoipa::openapi::Array {
    let fitting = utoipa::openapi::Ref::from_schema_name("Fitting");
    utoipa::openapi::ArrayBuilder::new().items(fitting).build()
}

/// Let two engines change places
///
/// Both come off and each begins where the other sat, in the same moment. Role: planner.
#[utoipa::path(
    post, path = "/fittings/exchange", tag = "fittings",
    params(("Idempotency-Key" = Option<String>, Header)),
    request_body = NewExchange,
    responses(
        (status = 201, description = "exchanged", body = Exchanged),
        (status = 404, description = "no such engine"),
        (status = 422, description = "one of them sits on no boat, was fitted later, or it lies in the future"),
        Refused,
    ),
)]
pub async fn exchange_engines(
    State(state): State<ApiState>,
    actor: Actor,
    key: OnceKey,
    Body(body): Body<NewExchange>,
) -> Result<Response, Problem> {
    actor.needs(Role::Planner)?;
    let key = key.of(&body);
    let now = state.now();
    let (organisation, author) = (actor.organisation, actor.author(now));
    let NewExchange { engine, with, at } = body;
    let (both, at) = ((EngineId(engine), EngineId(with)), at.unwrap_or(now));
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let fittings = boats::exchange(transaction, organisation, &author, both, at).await?;
        let fittings = fittings.into_iter().map(FittingFields::show).collect();
        let answer = Answer::json(StatusCode::CREATED, None, &Exchanged { fittings })?;
        kept.keep(transaction, answer).await
    };
    Ok(state.store.write(work).await?.into_response())
}

/// Take an engine off its boat
///
/// Role: planner.
#[utoipa::path(
    post, path = "/fittings/{id}/removal", tag = "fittings",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = Removal,
    responses(
        (status = 200, description = "taken off", body = ref("#/components/schemas/Fitting")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "off before, before it was fitted, or in the future"),
        Refused,
    ),
)]
pub async fn end_fitting(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(Removal { removed_at }): Body<Removal>,
) -> Result<Response, Problem> {
    actor.needs(Role::Planner)?;
    let now = state.now();
    let (organisation, author) = (actor.organisation, actor.author(now));
    let at = removed_at.unwrap_or(now);
    let work = async |transaction: &Transaction| {
        boats::take_off(transaction, organisation, &author, FittingId(id), version, at).await
    };
    let fitting = state.store.write(work).await?;
    Ok(tagged(StatusCode::OK, &FittingFields::show(fitting)))
}

/// List where an engine sat
///
/// In the order in which it was recorded. Role: viewer.
#[utoipa::path(
    get, path = "/engines/{id}/fittings", tag = "fittings",
    params(
        ("id" = Uuid, Path),
        ("after" = Option<Uuid>, Query, description = "the last id seen"),
        ("size" = Option<u64>, Query, description = "rows on the page, 1 to 500"),
    ),
    responses(
        (status = 200, description = "a page; the header Link names the next",
         body = ref("#/components/schemas/FittingList")),
        Refused,
    ),
)]
pub async fn list_fittings_of_engine(
    State(state): State<ApiState>,
    actor: Actor,
    Id(engine): Id,
    OriginalUri(uri): OriginalUri,
    PageWanted(wanted): PageWanted,
) -> Result<Response, Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let engine = record::get::<Engine>(connection, organisation, EngineId(engine)).await?.id;
    let page = boats::page_of_engine(connection, organisation, engine, wanted).await?;
    let items: Vec<_> = page.rows.into_iter().map(FittingFields::show).collect();
    let links = link_to_next(&uri, wanted, page.next);
    Ok((links, axum::Json(Listed { items, next: page.next })).into_response())
}

/// List what sat on a boat
///
/// In the order in which it was recorded. Role: viewer.
#[utoipa::path(
    get, path = "/boats/{id}/fittings", tag = "fittings",
    params(
        ("id" = Uuid, Path),
        ("after" = Option<Uuid>, Query, description = "the last id seen"),
        ("size" = Option<u64>, Query, description = "rows on the page, 1 to 500"),
    ),
    responses(
        (status = 200, description = "a page; the header Link names the next",
         body = ref("#/components/schemas/FittingList")),
        Refused,
    ),
)]
pub async fn list_fittings_of_boat(
    State(state): State<ApiState>,
    actor: Actor,
    Id(boat): Id,
    OriginalUri(uri): OriginalUri,
    PageWanted(wanted): PageWanted,
) -> Result<Response, Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let boat = record::get::<Boat>(connection, organisation, BoatId(boat)).await?.id;
    let page = boats::page_of_boat(connection, organisation, boat, wanted).await?;
    let items: Vec<_> = page.rows.into_iter().map(FittingFields::show).collect();
    let links = link_to_next(&uri, wanted, page.next);
    Ok((links, axum::Json(Listed { items, next: page.next })).into_response())
}
