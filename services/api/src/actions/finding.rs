//! Record what was found, and be done with it.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use fleet::finding::{Finding, FindingStatus};
use fleet::id::{EngineId, FindingId, FindingKindId, PersonId};
use fleet::person::Role;
use fleet::programme::{FindingKind, Urgency};
use serde::{Deserialize, Serialize};
use store::{Transaction, findings, record};
use utoipa::ToSchema;
use utoipa::openapi::Ref;
use uuid::Uuid;

use crate::access::Actor;
use crate::body::Body;
use crate::conditional::IfMatch;
use crate::once::{Answer, OnceKey, Turn};
use crate::path::Id;
use crate::problem::{Problem, Refused};
use crate::quantity::parse_hours;
use crate::resource::{Resource as _, Shown, tagged};
use crate::resources::{FindingFields, HoldFields, JobFields};
use crate::state::ApiState;

/// What was found.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewFinding {
    engine: Uuid,
    /// A known kind: it gives urgency and safety where they are not given here.
    #[serde(default)]
    kind: Option<Uuid>,
    /// The kind's name where none is given.
    #[serde(default)]
    title: Option<String>,
    /// `stop`, `three_days`, `next_service` or `lay_up`.
    #[schema(value_type = Option<String>)]
    #[serde(default)]
    urgency: Option<Urgency>,
    /// Whether it can hurt somebody. A kind that is about safety stays so.
    #[serde(default)]
    safety: bool,
    /// Now where none is given.
    #[serde(default)]
    found_at: Option<DateTime<Utc>>,
    #[serde(default)]
    found_by: Option<Uuid>,
    /// The engine's hours then.
    #[serde(default)]
    life: Option<f64>,
    #[serde(default)]
    note: Option<String>,
}

/// A finding and what follows from it.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecordedFinding {
    #[schema(schema_with = finding_schema)]
    pub finding: Shown<FindingFields>,
    /// Where it is about safety, or says stop, the engine is not to be hired until this is cleared.
    #[schema(schema_with = hold_schema)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hold: Option<Shown<HoldFields>>,
    /// What is proposed to be done; a planner agrees to it, or drops it.
    #[schema(schema_with = job_schema)]
    pub job: Shown<JobFields>,
}

/// Why a finding is done with.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Closing {
    #[schema(example = "stop cord replaced")]
    note: String,
}

fn finding_schema() -> Ref {
    Ref::from_schema_name("Finding")
}

fn hold_schema() -> Ref {
    Ref::from_schema_name("Hold")
}

fn job_schema() -> Ref {
    Ref::from_schema_name("Job")
}

impl NewFinding {
    fn build(self, kind: Option<&FindingKind>, now: DateTime<Utc>) -> Result<Finding, Problem> {
        let Self { engine, kind: _, title, urgency, safety, found_at, found_by, life, note } = self;
        let title = title.filter(|title| !title.trim().is_empty());
        let title = title.or_else(|| kind.map(|kind| kind.name.clone()));
        let urgency = urgency.or_else(|| kind.map(|kind| kind.urgency));
        let (Some(title), Some(urgency)) = (title, urgency) else {
            let detail = "a finding has a title and an urgency, or a kind that gives them";
            return Err(Problem::rule("finding-unnamed", detail));
        };
        let found_at = found_at.unwrap_or(now);
        if found_at > now {
            let detail = format!("nothing is found in the future ({found_at})");
            return Err(Problem::rule("finding-in-future", detail));
        }
        let finding = Finding {
            id: FindingId::fresh(),
            version: 1,
            engine: EngineId(engine),
            kind: kind.map(|kind| kind.id),
            title,
            urgency,
            safety: safety || kind.is_some_and(|kind| kind.safety),
            status: FindingStatus::Open,
            found_at,
            found_by: found_by.map(PersonId),
            life: life.map(parse_hours).transpose()?,
            note,
            closed_at: None,
            closing_note: None,
        };
        Ok(finding)
    }
}

/// Record a finding
///
/// What is about safety, or says stop, holds the engine in the same moment; a job is proposed with
/// the task of its kind. Role: technician.
#[utoipa::path(
    post, path = "/findings", tag = "findings",
    params(("Idempotency-Key" = Option<String>, Header)),
    request_body = NewFinding,
    responses(
        (status = 201, description = "recorded", body = RecordedFinding),
        (status = 422, description = "no title or urgency, or in the future"),
        Refused,
    ),
)]
pub async fn record_finding(
    State(state): State<ApiState>,
    actor: Actor,
    key: OnceKey,
    Body(body): Body<NewFinding>,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let key = key.of(&body);
    let now = state.now();
    let (organisation, author) = (actor.organisation, actor.author(now));
    let kind = match body.kind {
        None => None,
        Some(kind) => {
            let id = FindingKindId(kind);
            Some(record::get::<FindingKind>(state.store.connection(), organisation, id).await?)
        }
    };
    let finding = body.build(kind.as_ref(), now)?;
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        let followed = findings::record(transaction, organisation, &author, &finding).await?;
        let recorded = RecordedFinding {
            finding: FindingFields::show(finding.clone()),
            hold: followed.hold.map(HoldFields::show),
            job: JobFields::show(followed.job),
        };
        kept.keep(transaction, Answer::json(StatusCode::CREATED, None, &recorded)?).await
    };
    Ok(state.store.write(work).await?.into_response())
}

/// Close a finding
///
/// Not while its hold stands. What it proposed and nobody agreed to is dropped. Role: technician.
#[utoipa::path(
    post, path = "/findings/{id}/closing", tag = "findings",
    params(("id" = Uuid, Path), ("If-Match" = String, Header)),
    request_body = Closing,
    responses(
        (status = 200, description = "closed", body = ref("#/components/schemas/Finding")),
        (status = 412, description = "changed meanwhile"),
        (status = 422, description = "closed before, or its hold stands"),
        Refused,
    ),
)]
pub async fn close_finding(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    IfMatch(version): IfMatch,
    Body(Closing { note }): Body<Closing>,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let now = state.now();
    let (organisation, author) = (actor.organisation, actor.author(now));
    let work = async |transaction: &Transaction| {
        let of = (FindingId(id), version);
        findings::close(transaction, organisation, &author, of, &note).await
    };
    let closed = state.store.write(work).await?;
    Ok(tagged(StatusCode::OK, &FindingFields::show(closed)))
}
