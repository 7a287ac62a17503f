//! Record what a meter shows.

use axum::extract::{OriginalUri, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use fleet::engine::Engine;
use fleet::id::{EngineId, OrganisationId, PersonId, ReadingId};
use fleet::ledger::Accepted;
use fleet::person::Role;
use fleet::reading::{Reading, ReadingKind};
use serde::{Deserialize, Serialize};
use store::{Transaction, readings, record};
use utoipa::ToSchema;
use utoipa::openapi::Ref;
use uuid::Uuid;

use crate::access::Actor;
use crate::body::Body;
use crate::once::{Answer, OnceKey, Turn};
use crate::paging::{Listed, PageWanted, link_to_next};
use crate::path::Id;
use crate::problem::{Problem, Refused};
use crate::quantity::parse_hours;
use crate::resource::{Resource as _, Shown};
use crate::resources::ReadingFields;
use crate::state::ApiState;

/// What a meter showed. A meter that was swapped is recorded as a meter swap.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewReading {
    /// `reading` where none is given; `estimate`, `reset` (the same meter fell back) or `correction`
    /// (what was written for this very moment is void).
    #[schema(value_type = Option<String>)]
    #[serde(default)]
    kind: Option<ReadingKind>,
    read_at: DateTime<Utc>,
    /// Hours.
    #[schema(example = 412.6)]
    shown: f64,
    /// Hours: what it showed last before a reset.
    #[serde(default)]
    shown_before: Option<f64>,
    /// Who or what wrote it down; the token's name where none is given.
    #[serde(default)]
    source: Option<String>,
    #[serde(default)]
    recorded_by: Option<Uuid>,
    #[serde(default)]
    note: Option<String>,
}

/// What became of it.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReadingOutcome {
    /// On record now.
    New,
    /// The same value for the same moment was on record already; nothing was added.
    Known,
    /// On record, but so far above the engine's usual rate that it is worth asking about.
    Unusual,
}

/// A reading that was taken.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecordedReading {
    pub outcome: ReadingOutcome,
    /// How many times its usual rate the engine would have run; only where that is unusual.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub times_usual: Option<f64>,
    #[schema(schema_with = reading_schema)]
    pub reading: Shown<ReadingFields>,
}

fn reading_schema() -> Ref {
    Ref::from_schema_name("Reading")
}

impl NewReading {
    fn build(
        self,
        engine: EngineId,
        actor: &Actor,
        now: DateTime<Utc>,
    ) -> Result<Reading, Problem> {
        let Self { kind, read_at, shown, shown_before, source, recorded_by, note } = self;
        let kind = kind.unwrap_or(ReadingKind::Reading);
        if kind == ReadingKind::MeterReplaced {
            let detail = "record a swapped meter at /v1/engines/{id}/meter-swaps";
            return Err(Problem::rule("reading-is-a-swap", detail));
        }
        if (kind == ReadingKind::Reset) != shown_before.is_some() {
            let detail = "a reset needs shown_before, and nothing else has it";
            return Err(Problem::rule("hours-before-a-swap", detail));
        }
        Ok(Reading {
            id: ReadingId::fresh(),
            engine,
            kind,
            read_at,
            shown: parse_hours(shown)?,
            shown_before: shown_before.map(parse_hours).transpose()?,
            corrects: None,
            source: source.unwrap_or_else(|| actor.name.clone()),
            recorded_by: recorded_by.map(PersonId),
            recorded_at: now,
            note,
        })
    }
}

/// Record what a meter shows
///
/// Hours neither fall nor outrun time. The same value for the same moment adds nothing; another is
/// refused, and put right by a correction. Role: technician.
#[utoipa::path(
    post, path = "/engines/{id}/readings", tag = "readings",
    params(("id" = Uuid, Path), ("Idempotency-Key" = Option<String>, Header)),
    request_body = NewReading,
    responses(
        (status = 201, description = "recorded", body = RecordedReading),
        (status = 200, description = "on record already", body = RecordedReading),
        (status = 404, description = "no such engine"),
        (status = 422, description = "falls, rises faster than time, lies in the future, or differs \
         from what is on record"),
        Refused,
    ),
)]
pub async fn record_reading(
    State(state): State<ApiState>,
    actor: Actor,
    Id(engine): Id,
    key: OnceKey,
    Body(body): Body<NewReading>,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let key = key.of(&body);
    let now = state.now();
    let reading = body.build(EngineId(engine), &actor, now)?;
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let accepted = readings::append(transaction, actor.organisation, &reading, now).await?;
        let (status, recorded) =
            recorded(transaction, actor.organisation, &reading, accepted).await?;
        kept.keep(transaction, Answer::json(status, None, &recorded)?).await
    };
    Ok(state.store.write(work).await?.into_response())
}

/// What is answered to a reading that was taken.
pub(super) async fn recorded(
    transaction: &Transaction,
    organisation: OrganisationId,
    reading: &Reading,
    accepted: Accepted,
) -> Result<(StatusCode, RecordedReading), Problem> {
    let mut shown = reading.clone();
    let (status, outcome, times_usual) = match accepted {
        Accepted::New => (StatusCode::CREATED, ReadingOutcome::New, None),
        Accepted::Unusual { times_usual } => {
            (StatusCode::CREATED, ReadingOutcome::Unusual, Some(times_usual))
        }
        Accepted::Known => {
            let known = readings::of_engines(transaction, organisation, &[reading.engine]).await?;
            // The moment as it is kept: finer parts of a second are not.
            let read_at = readings::entry(reading).read_at;
            let mut there = known.into_values().flatten().filter(|known| known.read_at == read_at);
            if let Some(last) = there.next_back() {
                shown = last;
            }
            (StatusCode::OK, ReadingOutcome::Known, None)
        }
    };
    let reading = ReadingFields::show(shown);
    Ok((status, RecordedReading { outcome, times_usual, reading }))
}

/// List the readings of an engine
///
/// In the order in which they were recorded. Role: viewer.
#[utoipa::path(
    get, path = "/engines/{id}/readings", tag = "readings",
    params(
        ("id" = Uuid, Path),
        ("after" = Option<Uuid>, Query, description = "the last id seen"),
        ("size" = Option<u64>, Query, description = "rows on the page, 1 to 500"),
    ),
    responses(
        (status = 200, description = "a page; the header Link names the next",
         body = ref("#/components/schemas/ReadingList")),
        Refused,
    ),
)]
pub async fn list_readings_of_engine(
    State(state): State<ApiState>,
    actor: Actor,
    Id(engine): Id,
    OriginalUri(uri): OriginalUri,
    PageWanted(wanted): PageWanted,
) -> Result<Response, Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let engine = record::get::<Engine>(connection, organisation, EngineId(engine)).await?.id;
    let page = readings::page_of_engine(connection, organisation, engine, wanted).await?;
    let items: Vec<_> = page.rows.into_iter().map(ReadingFields::show).collect();
    let links = link_to_next(&uri, wanted, page.next);
    Ok((links, axum::Json(Listed { items, next: page.next })).into_response())
}
