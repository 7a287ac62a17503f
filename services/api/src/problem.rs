//! RFC 9457 problem details: the one place where errors become HTTP.
//!
//! Invariant: the cause of a 500 is logged here, once, and never sent.

use std::collections::BTreeMap;

use axum::Json;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use store::StoreError;
use store::readings::ReadingError;
use utoipa::openapi::{ContentBuilder, Ref, RefOr, Response as Described, ResponseBuilder};
use utoipa::{IntoResponses, ToSchema};

/// What went wrong, as RFC 9457 words it.
#[derive(Clone, Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "type": "urn:slackwater:rule:reading-falls",
    "title": "The request breaks a rule",
    "status": 422,
    "detail": "99.0 h is below 100.0 h, shown before; if the meter was swapped, record that instead"
}))]
pub struct Problem {
    /// A stable name: `urn:slackwater:rule:` and the rule, never reworded.
    #[serde(rename = "type")]
    pub kind: String,
    pub title: String,
    pub status: u16,
    /// What was given, the rule, and what to do instead.
    pub detail: String,
    /// The fields that break rules.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<Fault>,
}

/// One value that breaks a rule.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct Fault {
    /// Line of a file or of a stream, from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<u64>,
    /// Column or field.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub field: Option<String>,
    /// What was given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    pub rule: String,
    pub message: String,
}

impl Problem {
    pub fn new(status: StatusCode, rule: &str, title: &str, detail: impl Into<String>) -> Self {
        Self {
            kind: format!("urn:slackwater:rule:{rule}"),
            title: title.to_owned(),
            status: status.as_u16(),
            detail: detail.into(),
            faults: Vec::new(),
        }
    }

    /// A rule of the fleet is broken; nothing was changed.
    pub fn rule(rule: &str, detail: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, rule, "The request breaks a rule", detail)
    }

    /// One field's value breaks a rule; nothing was changed.
    pub fn of_field(rule: &str, field: &str, value: impl ToString, message: &str) -> Self {
        let (field, value) = (Some(field.to_owned()), Some(value.to_string()));
        let (rule, message) = (rule.to_owned(), message.to_owned());
        let problem = Self::rule(&rule, message.clone());
        Self { faults: vec![Fault { line: None, field, value, rule, message }], ..problem }
    }

    /// Several values break rules; nothing was changed.
    pub fn faults(faults: Vec<Fault>, detail: impl Into<String>) -> Self {
        Self { faults, ..Self::rule("rows-refused", detail) }
    }

    /// Also for another organisation's rows: whether they exist is not ours to tell.
    pub fn missing(noun: &str) -> Self {
        let detail = format!("there is no such {noun}");
        Self::new(StatusCode::NOT_FOUND, "not-found", "Not found", detail)
    }

    pub fn malformed(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, "malformed", "The request can't be read", detail)
    }

    pub fn signed_out() -> Self {
        Self::new(
            StatusCode::UNAUTHORIZED,
            "not-signed-in",
            "Not signed in",
            "send a token in the header: Authorization: Bearer …",
        )
    }

    pub fn forbidden(needs: &str) -> Self {
        let detail = format!("this needs the role {needs}");
        Self::new(StatusCode::FORBIDDEN, "role-too-small", "Not allowed", detail)
    }

    pub fn changed_meanwhile() -> Self {
        Self::new(
            StatusCode::PRECONDITION_FAILED,
            "changed-meanwhile",
            "Changed meanwhile",
            "somebody changed this since you read it; read it again, then repeat your change",
        )
    }

    pub fn precondition_missing() -> Self {
        Self::new(
            StatusCode::PRECONDITION_REQUIRED,
            "if-match-missing",
            "If-Match is missing",
            "send the ETag that you read in the header If-Match, so that no change is lost",
        )
    }

    /// Logs `cause` and answers without it.
    pub fn internal(cause: &dyn std::fmt::Display) -> Self {
        tracing::error!(%cause, "a request failed");
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "internal",
            "The service failed",
            "nothing was changed; the cause is in the service's log",
        )
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Self {
        let detail = error.to_string();
        match &error {
            StoreError::Missing { noun } => Self::missing(noun),
            StoreError::Stale { .. } => Self::changed_meanwhile(),
            StoreError::Taken { .. } => {
                Self::new(StatusCode::CONFLICT, error.rule(), "Already there", detail)
            }
            StoreError::Dangling { .. }
            | StoreError::Refused { .. }
            | StoreError::Broken { .. } => Self::rule(error.rule(), detail),
            StoreError::Corrupt(cause) => Self::internal(cause),
            StoreError::Database(cause) => Self::internal(cause),
            StoreError::Address { .. } | StoreError::Later | StoreError::Password(_) => {
                Self::internal(&error)
            }
        }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut response = (status, Json(self)).into_response();
        response
            .headers_mut()
            .insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        if status == StatusCode::UNAUTHORIZED {
            response
                .headers_mut()
                .insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        response
    }
}

impl From<ReadingError> for Problem {
    fn from(error: ReadingError) -> Self {
        match error {
            ReadingError::Ledger(broken) => Self::rule(broken.rule(), broken.to_string()),
            ReadingError::Store(error) => error.into(),
        }
    }
}

/// For the document: whatever else is answered is a problem.
pub struct Refused;

impl IntoResponses for Refused {
    fn responses() -> BTreeMap<String, RefOr<Described>> {
        let content = ContentBuilder::new().schema(Some(Ref::from_schema_name("Problem"))).build();
        let described = ResponseBuilder::new()
            .description("a problem (RFC 9457)")
            .content("application/problem+json", content)
            .build();
        BTreeMap::from([("default".to_owned(), RefOr::T(described))])
    }
}
