//! Record work done.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Days, NaiveDate, Utc};
use fleet::Minutes;
use fleet::engine::Engine;
use fleet::id::{EngineId, JobId, PartId, PersonId, ServiceId, ServicePartId, TaskId};
use fleet::person::Role;
use fleet::service::{Service, ServicePart, ServiceReason};
use serde::{Deserialize, Serialize};
use store::{Transaction, record};
use utoipa::ToSchema;
use utoipa::openapi::Ref;
use uuid::Uuid;

use crate::access::Actor;
use crate::body::Body;
use crate::once::{Answer, OnceKey, Turn};
use crate::problem::{Problem, Refused};
use crate::quantity::parse_hours;
use crate::resource::{Resource as _, Shown};
use crate::resources::ServiceFields;
use crate::state::ApiState;

/// Parts on one service.
const PARTS_MAX: usize = 200;

/// A task that was done on an engine.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewService {
    engine: Uuid,
    task: Uuid,
    done_on: NaiveDate,
    /// The engine's life hours then, where they are known.
    #[serde(default)]
    life: Option<f64>,
    /// `due`, `finding`, `lay_up`, `commissioning`, `failure` or `unknown`.
    #[schema(value_type = String)]
    reason: ServiceReason,
    #[serde(default)]
    job: Option<Uuid>,
    #[serde(default)]
    done_by: Option<Uuid>,
    /// Minutes at the bench.
    #[serde(default)]
    spent: Option<u32>,
    #[serde(default)]
    note: Option<String>,
    /// Who or what wrote it down; the token's name where none is given.
    #[serde(default)]
    source: Option<String>,
    #[serde(default)]
    parts: Vec<PartUsed>,
}

/// A part that went in. What leaves the shelf is booked as a stock move of its own.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PartUsed {
    part: Uuid,
    quantity: i64,
}

/// A service with its parts.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecordedService {
    #[schema(schema_with = service_schema)]
    service: Shown<ServiceFields>,
    parts: Vec<PartUsed>,
}

fn service_schema() -> Ref {
    Ref::from_schema_name("Service")
}

impl NewService {
    fn build(self, actor: &Actor, now: DateTime<Utc>) -> Result<(Service, Vec<PartUsed>), Problem> {
        let Self { engine, task, done_on, life, reason, job, done_by, spent, note, source, parts } =
            self;
        // A site may be ahead of UTC by most of a day.
        if done_on > now.date_naive() + Days::new(1) {
            let detail = format!("nothing was done on {done_on} yet");
            return Err(Problem::rule("service-in-future", detail));
        }
        if parts.len() > PARTS_MAX {
            let detail = format!("{} parts; a service takes at most {PARTS_MAX}", parts.len());
            return Err(Problem::rule("too-many-parts", detail));
        }
        let service = Service {
            id: ServiceId::fresh(),
            engine: EngineId(engine),
            task: TaskId(task),
            done_on,
            life: life.map(parse_hours).transpose()?,
            reason,
            job: job.map(JobId),
            done_by: done_by.map(PersonId),
            spent: spent.map(Minutes),
            note,
            source: source.unwrap_or_else(|| actor.name.clone()),
            recorded_at: now,
        };
        Ok((service, parts))
    }
}

/// Record a service
///
/// It counts from that day and those hours. Role: technician.
#[utoipa::path(
    post, path = "/services", tag = "services",
    params(("Idempotency-Key" = Option<String>, Header)),
    request_body = NewService,
    responses(
        (status = 201, description = "recorded", body = RecordedService),
        (status = 409, description = "that task was recorded for that engine and day before"),
        (status = 422, description = "in the future, or names what is not there"),
        Refused,
    ),
)]
pub async fn record_service(
    State(state): State<ApiState>,
    actor: Actor,
    key: OnceKey,
    Body(body): Body<NewService>,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let key = key.of(&body);
    let (organisation, now) = (actor.organisation, state.now());
    let (service, used) = body.build(&actor, now)?;
    let parts: Vec<ServicePart> = used
        .iter()
        .map(|used| ServicePart {
            id: ServicePartId::fresh(),
            service: service.id,
            part: PartId(used.part),
            quantity: used.quantity,
        })
        .collect();
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        record::get::<Engine>(transaction, organisation, service.engine).await?;
        record::append(transaction, organisation, std::slice::from_ref(&service)).await?;
        record::append(transaction, organisation, &parts).await?;
        let recorded =
            RecordedService { service: ServiceFields::show(service.clone()), parts: used.clone() };
        kept.keep(transaction, Answer::json(StatusCode::CREATED, None, &recorded)?).await
    };
    Ok(state.store.write(work).await?.into_response())
}
