//! Many readings at once, as newline-delimited JSON.

use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::Response;
use exchange::load::Kind;
use fleet::person::Role;

use super::load::{LoadOptions, Loaded, take};
use crate::access::Actor;
use crate::paging::Asked;
use crate::problem::{Problem, Refused};
use crate::state::ApiState;
use crate::upload::Text;

const MEDIA_TYPE: &str = "application/x-ndjson";

/// Record many readings
///
/// An object a line, with the names of the file of readings: `serial`, `read_at`, `hours`, and where
/// needed `kind`, `hours_before`, `source`, `note`. All or nothing; sending it twice is sending it once.
/// Role: technician.
#[utoipa::path(
    post, path = "/readings", tag = "readings",
    params(LoadOptions),
    request_body(
        content = String, content_type = "application/x-ndjson",
        example = "{\"serial\": \"ND6-10422\", \"read_at\": \"2026-07-05T18:30:00Z\", \"hours\": 412.6}",
    ),
    responses(
        (status = 200, description = "what became of them", body = Loaded),
        (status = 413, description = "a file or a line that is too long"),
        (status = 415, description = "not application/x-ndjson"),
        (status = 422, description = "lines that break rules, each with line, field, value and rule"),
        Refused,
    ),
)]
pub async fn record_readings(
    State(state): State<ApiState>,
    actor: Actor,
    Asked(options): Asked<LoadOptions>,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, Problem> {
    actor.needs(Role::Technician)?;
    let given = headers.get(header::CONTENT_TYPE).and_then(|given| given.to_str().ok());
    let kind = given.and_then(|given| given.split(';').next()).map(str::trim);
    if kind != Some(MEDIA_TYPE) {
        let detail = format!(
            "many readings are sent as {MEDIA_TYPE}; a single one goes to \
             /v1/engines/{{id}}/readings as JSON"
        );
        let status = StatusCode::UNSUPPORTED_MEDIA_TYPE;
        return Err(Problem::new(status, "media-type", "Not this kind of body", detail));
    }
    take(&state, &actor, Kind::Readings, options, Text::Objects, body).await
}
