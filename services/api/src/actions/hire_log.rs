//! When boats were out on hire.

use axum::extract::{OriginalUri, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use fleet::boat::Boat;
use fleet::engine::Engine;
use fleet::hire::Hire;
use fleet::id::{BoatId, BookingId, EngineId, HireId};
use fleet::person::Role;
use serde::{Deserialize, Serialize};
use store::{Transaction, hire, record};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::access::Actor;
use crate::body::Body;
use crate::once::{Answer, OnceKey, Turn};
use crate::paging::{Listed, PageWanted, link_to_next};
use crate::path::Id;
use crate::problem::{Problem, Refused};
use crate::resource::Resource as _;
use crate::resources::HireFields;
use crate::state::ApiState;

/// A boat out on hire.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewHire {
    boat: Uuid,
    out_at: DateTime<Utc>,
    /// May be to come, where the boat is out now.
    back_at: DateTime<Utc>,
    #[serde(default)]
    used_for: Option<String>,
    #[serde(default)]
    booking: Option<Uuid>,
    /// Who or what wrote it down; the token's name where none is given.
    #[serde(default)]
    source: Option<String>,
}

/// Record a hire
///
/// A boat is out once at a time. Many at once are loaded as a file. Role: technician.
#[utoipa::path(
    post, path = "/hire-log", tag = "hire-log",
    params(("Idempotency-Key" = Option<String>, Header)),
    request_body = NewHire,
    responses(
        (status = 201, description = "recorded", body = ref("#/components/schemas/Hire")),
        (status = 404, description = "no such boat"),
        (status = 409, description = "the boat went out at that moment already"),
        (status = 422, description = "overlaps another hire, ends before it begins, or lies in the \
         future"),
        Refused,
    ),
)]
pub async fn record_hire(
    State(state): State<ApiState>,
    actor: Actor,
    key: OnceKey,
    Body(body): Body<NewHire>,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let key = key.of(&body);
    let now = state.now();
    let NewHire { boat, out_at, back_at, used_for, booking, source } = body;
    let given = Hire {
        id: HireId::fresh(),
        boat: BoatId(boat),
        out_at,
        back_at,
        used_for,
        booking: booking.map(BookingId),
        source: source.unwrap_or_else(|| actor.name.clone()),
    };
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let hire = hire::record_hire(transaction, actor.organisation, given.clone(), now).await?;
        let answer = Answer::json(StatusCode::CREATED, None, &HireFields::show(hire))?;
        kept.keep(transaction, answer).await
    };
    Ok(state.store.write(work).await?.into_response())
}

/// List when a boat was out
///
/// In the order in which it was recorded. Role: viewer.
#[utoipa::path(
    get, path = "/boats/{id}/hire-log", tag = "hire-log",
    params(
        ("id" = Uuid, Path),
        ("after" = Option<Uuid>, Query, description = "the last id seen"),
        ("size" = Option<u64>, Query, description = "rows on the page, 1 to 500"),
    ),
    responses(
        (status = 200, description = "a page; the header Link names the next",
         body = ref("#/components/schemas/HireList")),
        Refused,
    ),
)]
pub async fn list_hire_of_boat(
    State(state): State<ApiState>,
    actor: Actor,
    Id(boat): Id,
    OriginalUri(uri): OriginalUri,
    PageWanted(wanted): PageWanted,
) -> Result<Response, Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let boat = record::get::<Boat>(connection, organisation, BoatId(boat)).await?.id;
    let page = hire::log_page_of_boat(connection, organisation, boat, wanted).await?;
    let items: Vec<_> = page.rows.into_iter().map(HireFields::show).collect();
    let links = link_to_next(&uri, wanted, page.next);
    Ok((links, axum::Json(Listed { items, next: page.next })).into_response())
}

/// List when an engine was out
///
/// The hires of the boats that it sat on, while it sat on them, in the order in which they were
/// recorded. Role: viewer.
#[utoipa::path(
    get, path = "/engines/{id}/hire-log", tag = "hire-log",
    params(
        ("id" = Uuid, Path),
        ("after" = Option<Uuid>, Query, description = "the last id seen"),
        ("size" = Option<u64>, Query, description = "rows on the page, 1 to 500"),
    ),
    responses(
        (status = 200, description = "a page; the header Link names the next",
         body = ref("#/components/schemas/HireList")),
        Refused,
    ),
)]
pub async fn list_hire_of_engine(
    State(state): State<ApiState>,
    actor: Actor,
    Id(engine): Id,
    OriginalUri(uri): OriginalUri,
    PageWanted(wanted): PageWanted,
) -> Result<Response, Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let engine = record::get::<Engine>(connection, organisation, EngineId(engine)).await?.id;
    let page = hire::log_page_of_engine(connection, organisation, engine, wanted).await?;
    let items: Vec<_> = page.rows.into_iter().map(HireFields::show).collect();
    let links = link_to_next(&uri, wanted, page.next);
    Ok((links, axum::Json(Listed { items, next: page.next })).into_response())
}
