//! Computations: asked for, followed, and their files.

use axum::Json;
use axum::extract::{OriginalUri, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use fleet::id::{RunId, SiteId};
use fleet::person::Role;
use fleet::run::{RunKind, RunStatus};
use fleet::site::Site;
use runs::parameters;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use store::{Transaction, organisations, record, runs as kept};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::access::Actor;
use crate::body::Body;
use crate::once::{Answer, OnceKey, Turn};
use crate::paging::{Asked, Listed, link_to_next, page_of};
use crate::path::{Id, Part};
use crate::problem::{Problem, Refused};
use crate::state::ApiState;

/// A run of a computation.
#[derive(Debug, Serialize, ToSchema)]
pub struct Run {
    pub id: Uuid,
    #[schema(value_type = String)]
    pub kind: RunKind,
    #[schema(value_type = String)]
    pub status: RunStatus,
    /// None where it is for all sites.
    pub site: Option<Uuid>,
    pub program_version: String,
    pub seed: i64,
    /// SHA-256 of the records that it was computed from.
    pub input_digest: Option<String>,
    pub parameters: Value,
    pub scores: Option<Value>,
    pub summary: Option<Value>,
    /// Why it failed.
    pub failure: Option<String>,
    /// How far it is, in thousandths.
    pub progress_permille: i32,
    pub progress_note: Option<String>,
    pub requested_by: String,
    pub requested_at: DateTime<Utc>,
    pub started_at: Option<DateTime<Utc>>,
    pub finished_at: Option<DateTime<Utc>>,
}

/// A run with the names of its files.
#[derive(Debug, Serialize, ToSchema)]
pub struct RunWithFiles {
    #[serde(flatten)]
    pub run: Run,
    pub files: Vec<RunFile>,
}

/// A file of a run.
#[derive(Debug, Serialize, ToSchema)]
pub struct RunFile {
    pub name: String,
    pub media_type: String,
}

/// What a run is to be made of.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewRun {
    /// `due`, `forecast`, `order_advice`, `plan`, `usage`, `life` or `snapshot`.
    #[schema(value_type = String)]
    kind: RunKind,
    /// All sites where none is given.
    #[serde(default)]
    site: Option<Uuid>,
    /// The same seed and records give the same result; 1 where none is given.
    #[serde(default)]
    seed: Option<i64>,
    /// What the computation of that kind takes besides. A plan takes `plan` (`lay_up` or
    /// `rotation`), and if wanted `seconds`, `work`, `gap`, `from` (a plan to go on from), `finish_on`,
    /// `weeks`, `parts` (`if_ordered_today` or `on_hand_and_ordered`), `strike` and `add` (lists of
    /// `{engine, task}`) and `what_if` (`{"more_hands": {"skill", "people"}}`,
    /// `{"order_late": {"order", "days"}}` or `{"more_engines": {"pool", "engines"}}`).
    #[schema(value_type = Object)]
    #[serde(default)]
    parameters: serde_json::Map<String, Value>,
}

/// Which runs are wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct RunsWanted {
    /// `due`, `forecast`, `order_advice`, `plan`, `usage`, `life` or `snapshot`.
    #[param(value_type = Option<String>)]
    kind: Option<RunKind>,
    /// The last id seen.
    after: Option<Uuid>,
    /// Rows on the page, 1 to 500.
    size: Option<u64>,
}

impl From<kept::Run> for Run {
    fn from(run: kept::Run) -> Self {
        let digest = |bytes: Vec<u8>| bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        Self {
            id: run.id.0,
            kind: run.kind,
            status: run.status,
            site: run.site.map(|site| site.0),
            program_version: run.program_version,
            seed: run.seed,
            input_digest: run.input_digest.map(digest),
            parameters: run.parameters,
            scores: run.scores,
            summary: run.summary,
            failure: run.failure,
            progress_permille: run.progress_permille,
            progress_note: run.progress_note,
            requested_by: run.requested_by,
            requested_at: run.requested_at,
            started_at: run.started_at,
            finished_at: run.finished_at,
        }
    }
}

/// List runs
///
/// The newest first. Role: viewer.
#[utoipa::path(
    get, path = "/runs", tag = "runs",
    params(RunsWanted),
    responses(
        (status = 200, description = "a page; the header Link names the next", body = Listed<Run>),
        Refused,
    ),
)]
pub async fn list_runs(
    State(state): State<ApiState>,
    actor: Actor,
    OriginalUri(uri): OriginalUri,
    Asked(asked): Asked<RunsWanted>,
) -> Result<Response, Problem> {
    let RunsWanted { kind, after, size } = asked;
    let wanted = page_of(after, size)?;
    let page = kept::page(state.store.connection(), actor.organisation, kind, wanted).await?;
    let items: Vec<Run> = page.rows.into_iter().map(Run::from).collect();
    let links = link_to_next(&uri, wanted, page.next);
    Ok((links, Json(Listed { items, next: page.next })).into_response())
}

/// Read a run
///
/// Ask again until its status is `done` or `failed`. Role: viewer.
#[utoipa::path(
    get, path = "/runs/{id}", tag = "runs",
    params(("id" = Uuid, Path)),
    responses((status = 200, description = "as it is", body = RunWithFiles), Refused),
)]
pub async fn get_run(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
) -> Result<Json<RunWithFiles>, Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let run = kept::get(connection, organisation, RunId(id)).await?;
    let files = kept::files(connection, organisation, run.id).await?;
    let files = files.into_iter().map(|(name, media_type)| RunFile { name, media_type });
    Ok(Json(RunWithFiles { files: files.collect(), run: run.into() }))
}

/// Read a file of a run
///
/// Role: viewer.
#[utoipa::path(
    get, path = "/runs/{id}/files/{name}", tag = "runs",
    params(("id" = Uuid, Path), ("name" = String, Path)),
    responses(
        (status = 200, description = "its content", body = Vec<u8>,
         content_type = "application/octet-stream"),
        Refused,
    ),
)]
pub async fn get_run_file(
    State(state): State<ApiState>,
    actor: Actor,
    Part((id, name)): Part<(Uuid, String)>,
) -> Result<Response, Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let file = kept::file(connection, organisation, RunId(id), &name).await?;
    let mut headers = HeaderMap::new();
    let media_type = HeaderValue::try_from(file.media_type);
    let unnamed = HeaderValue::from_static("application/octet-stream");
    headers.insert(header::CONTENT_TYPE, media_type.unwrap_or(unnamed));
    headers.insert(header::CONTENT_DISPOSITION, HeaderValue::from_static("attachment"));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    Ok((headers, file.content).into_response())
}

/// Ask for a run
///
/// It waits for the worker; the header Location names where to follow it. Role: planner for due, plan,
/// usage and life; buyer for order advice; either for a forecast; owner for a snapshot.
#[utoipa::path(
    post, path = "/runs", tag = "runs",
    params(("Idempotency-Key" = Option<String>, Header)),
    request_body = NewRun,
    responses(
        (status = 202, description = "asked for", body = Run, headers(("Location" = String))),
        (status = 404, description = "no such site"),
        Refused,
    ),
)]
pub async fn request_run(
    State(state): State<ApiState>,
    actor: Actor,
    key: OnceKey,
    Body(body): Body<NewRun>,
) -> Result<Response, Problem> {
    check_role(&actor, body.kind)?;
    let currency = organisations::get(state.store.connection(), actor.organisation).await?.currency;
    // A slip is told at once, not by a run that fails.
    parameters::check(body.kind, &Value::Object(body.parameters.clone()), currency)?;
    let key = key.of(&body);
    let NewRun { kind, site, seed, parameters } = body;
    let (organisation, now) = (actor.organisation, state.now());
    let request = kept::Request {
        kind,
        site: site.map(SiteId),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        seed: seed.unwrap_or(1),
        parameters: Value::Object(parameters),
        requested_by: actor.name.clone(),
    };
    let work = async |transaction: &Transaction| {
        let kept = match key.take(transaction, &actor, now).await? {
            Turn::First(kept) => kept,
            Turn::Before(answer) => return Ok::<_, Problem>(answer),
        };
        if let Some(site) = request.site {
            record::get::<Site>(transaction, organisation, site).await?;
        }
        let run = kept::request(transaction, organisation, &request, now).await?;
        let location = format!("/v1/runs/{}", run.id);
        let answer = Answer::json(StatusCode::ACCEPTED, None, &Run::from(run))?.at(location);
        kept.keep(transaction, answer).await
    };
    Ok(state.store.write(work).await?.into_response())
}

fn check_role(actor: &Actor, kind: RunKind) -> Result<(), Problem> {
    match kind {
        RunKind::Due | RunKind::Plan | RunKind::Usage | RunKind::Life => actor.needs(Role::Planner),
        RunKind::OrderAdvice => actor.needs(Role::Buyer),
        RunKind::Forecast if actor.role.includes(Role::Planner) => Ok(()),
        RunKind::Forecast => actor.needs(Role::Buyer),
        RunKind::Snapshot => actor.needs(Role::Owner),
    }
}
