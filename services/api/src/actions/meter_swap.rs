//! Record that a meter was swapped.

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use fleet::id::{EngineId, PersonId};
use fleet::person::Role;
use fleet::reading::MeterKind;
use serde::{Deserialize, Serialize};
use store::Transaction;
use store::meters::{self, MeterSwap, RightSwap, SwapCorrection, Swapped};
use utoipa::ToSchema;
use utoipa::openapi::Ref;
use uuid::Uuid;

use super::reading::{RecordedReading, recorded};
use crate::access::Actor;
use crate::body::Body;
use crate::once::{Answer, OnceKey, Turn};
use crate::path::Id;
use crate::problem::{Problem, Refused};
use crate::quantity::parse_hours;
use crate::resource::{Resource as _, Shown};
use crate::resources::MeterFields;
use crate::state::ApiState;

/// A meter taken off an engine, and another put on: two numbers.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewMeterSwap {
    swapped_at: DateTime<Utc>,
    /// Hours that the old meter showed last.
    #[schema(example = 412.6)]
    old_last: f64,
    /// Hours that the new meter showed first.
    #[schema(example = 0.0)]
    new_first: f64,
    /// Of the new meter: `hour_meter`, `key_on`, `network` or `no_meter`; the old one's where none is
    /// given.
    #[schema(value_type = Option<String>)]
    #[serde(default)]
    kind: Option<MeterKind>,
    /// Of the new meter.
    #[serde(default)]
    serial: Option<String>,
    /// Who or what wrote it down; the token's name where none is given.
    #[serde(default)]
    source: Option<String>,
    #[serde(default)]
    recorded_by: Option<Uuid>,
    #[serde(default)]
    note: Option<String>,
}

/// A swap that was taken.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecordedMeterSwap {
    #[serde(flatten)]
    pub recorded: RecordedReading,
    /// The meter that was put on.
    #[schema(schema_with = meter_schema)]
    pub meter: Shown<MeterFields>,
}

fn meter_schema() -> Ref {
    Ref::from_schema_name("Meter")
}

impl NewMeterSwap {
    fn build(self, engine: EngineId, actor: &Actor) -> Result<MeterSwap, Problem> {
        let Self { swapped_at, old_last, new_first, kind, serial, source, recorded_by, note } =
            self;
        Ok(MeterSwap {
            engine,
            at: swapped_at,
            old_last: parse_hours(old_last)?,
            new_first: parse_hours(new_first)?,
            kind,
            serial,
            source: source.unwrap_or_else(|| actor.name.clone()),
            recorded_by: recorded_by.map(PersonId),
            note,
        })
    }
}

/// Record a swapped meter
///
/// The engine's life hours go on without a break. The old meter's last reading obeys the rules of any
/// reading. Role: technician.
#[utoipa::path(
    post, path = "/engines/{id}/meter-swaps", tag = "readings",
    params(("id" = Uuid, Path), ("Idempotency-Key" = Option<String>, Header)),
    request_body = NewMeterSwap,
    responses(
        (status = 201, description = "recorded", body = RecordedMeterSwap),
        (status = 200, description = "on record already", body = RecordedMeterSwap),
        (status = 404, description = "no such engine"),
        (status = 422, description = "the old meter's last reading falls or rises faster than time, \
         lies in the future, or differs from what is on record"),
        Refused,
    ),
)]
pub async fn record_meter_swap(
    State(state): State<ApiState>,
    actor: Actor,
    Id(engine): Id,
    key: OnceKey,
    Body(body): Body<NewMeterSwap>,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let key = key.of(&body);
    let now = state.now();
    let author = actor.author(now);
    let swap = body.build(EngineId(engine), &actor)?;
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let done = meters::swap(transaction, actor.organisation, &author, swap.clone()).await?;
        let Swapped { accepted, reading, meter } = done;
        let (status, recorded) =
            recorded(transaction, actor.organisation, &reading, accepted).await?;
        let swapped = RecordedMeterSwap { recorded, meter: MeterFields::show(meter) };
        kept.keep(transaction, Answer::json(status, None, &swapped)?).await
    };
    Ok(state.store.write(work).await?.into_response())
}

/// What is right of a swap that is on record.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewSwapCorrection {
    /// The moment for which the swap is on record.
    swap: DateTime<Utc>,
    /// How it was instead; absent where no meter was swapped.
    #[serde(default)]
    right: Option<SwapAsItWas>,
    /// Hours that the meter showed at that moment, where none was swapped.
    #[serde(default)]
    shown: Option<f64>,
    /// Why; kept with the correction.
    reason: String,
    /// Who or what wrote it down; the token's name where none is given.
    #[serde(default)]
    source: Option<String>,
    #[serde(default)]
    recorded_by: Option<Uuid>,
}

/// A swap as it was.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SwapAsItWas {
    swapped_at: DateTime<Utc>,
    /// Hours that the old meter showed last.
    #[schema(example = 412.6)]
    old_last: f64,
    /// Hours that the new meter showed first.
    #[schema(example = 0.0)]
    new_first: f64,
}

impl NewSwapCorrection {
    fn build(self, engine: EngineId, actor: &Actor) -> Result<SwapCorrection, Problem> {
        let Self { swap, right, shown, reason, source, recorded_by } = self;
        let right = match (right, shown) {
            (Some(SwapAsItWas { swapped_at, old_last, new_first }), None) => RightSwap::Swap {
                at: swapped_at,
                old_last: parse_hours(old_last)?,
                new_first: parse_hours(new_first)?,
            },
            (None, Some(shown)) => RightSwap::NoSwap { shown: parse_hours(shown)? },
            _ => {
                let detail = "give right (how the swap was) or shown (what the meter showed, where \
                              none was swapped)";
                return Err(Problem::rule("swap-correction-unclear", detail));
            }
        };
        Ok(SwapCorrection {
            engine,
            swap,
            right,
            source: source.unwrap_or_else(|| actor.name.clone()),
            recorded_by: recorded_by.map(PersonId),
            reason,
        })
    }
}

/// Put right a swapped meter
///
/// Its hours or its moment, or that no meter was swapped at all. The wrong one stays on record and
/// no longer counts; the rules of the ledger hold for every reading before and after, so a swap that
/// later readings rest on can't be undone. Role: technician.
#[utoipa::path(
    post, path = "/engines/{id}/meter-swap-corrections", tag = "readings",
    params(("id" = Uuid, Path), ("Idempotency-Key" = Option<String>, Header)),
    request_body = NewSwapCorrection,
    responses(
        (status = 201, description = "put right", body = RecordedReading),
        (status = 200, description = "on record so already", body = RecordedReading),
        (status = 404, description = "no such engine"),
        (status = 422, description = "no swap counts at that moment, no reason, or readings before or \
         after it would fall or rise faster than time"),
        Refused,
    ),
)]
pub async fn correct_meter_swap(
    State(state): State<ApiState>,
    actor: Actor,
    Id(engine): Id,
    key: OnceKey,
    Body(body): Body<NewSwapCorrection>,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let key = key.of(&body);
    let now = state.now();
    let author = actor.author(now);
    let correction = body.build(EngineId(engine), &actor)?;
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let organisation = actor.organisation;
        let (accepted, reading) =
            meters::correct_swap(transaction, organisation, &author, correction.clone()).await?;
        let (status, recorded) = recorded(transaction, organisation, &reading, accepted).await?;
        kept.keep(transaction, Answer::json(status, None, &recorded)?).await
    };
    Ok(state.store.write(work).await?.into_response())
}
