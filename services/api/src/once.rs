//! `Idempotency-Key`: a create that is sent twice adds once and answers the same.
//!
//! The answer is kept in the transaction of the work itself, so there is no moment at which one is
//! there without the other.

use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;
use sha2::{Digest, Sha256};
use store::Transaction;
use store::once::{self as kept, Key, Seen};

use crate::access::Actor;
use crate::conditional::entity_tag;
use crate::problem::Problem;

/// How long a key is remembered.
const REMEMBERED_HOURS: i64 = 48;
/// Longest key taken.
const KEY_BYTES_MAX: usize = 200;

/// What the header says, if it is there.
pub struct OnceKey {
    key: Option<String>,
    digest: Vec<u8>,
}

/// What a create answers, in the form in which it is kept.
pub struct Answer {
    status: StatusCode,
    version: Option<i64>,
    location: Option<String>,
    body: Vec<u8>,
}

impl Answer {
    /// # Errors
    /// The value can't become JSON.
    pub fn json(
        status: StatusCode,
        version: Option<i64>,
        value: &impl Serialize,
    ) -> Result<Self, Problem> {
        let body = serde_json::to_vec(value).map_err(|cause| Problem::internal(&cause))?;
        Ok(Self { status, version, location: None, body })
    }

    /// Says where the new thing is.
    #[must_use]
    pub fn at(self, location: String) -> Self {
        Self { location: Some(location), ..self }
    }
}

impl IntoResponse for Answer {
    fn into_response(self) -> Response {
        let mut headers = HeaderMap::new();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/json"));
        if let Some(version) = self.version {
            headers.insert(header::ETAG, entity_tag(version));
        }
        let location = self.location.and_then(|location| HeaderValue::try_from(location).ok());
        if let Some(location) = location {
            headers.insert(header::LOCATION, location);
        }
        (self.status, headers, self.body).into_response()
    }
}

impl OnceKey {
    /// Takes the body into account: the same key with another request is a mistake.
    #[must_use]
    pub fn of(mut self, body: &impl Serialize) -> Self {
        if let Ok(bytes) = serde_json::to_vec(body) {
            self.digest.extend(bytes);
            self.digest = Sha256::digest(&self.digest).to_vec();
        }
        self
    }
}

impl<S: Send + Sync> FromRequestParts<S> for OnceKey {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        let digest = Sha256::digest(format!("{} {}", parts.method, parts.uri)).to_vec();
        let Some(given) = parts.headers.get("idempotency-key") else {
            return Ok(Self { key: None, digest });
        };
        match given.to_str() {
            Ok(text) if !text.is_empty() && text.len() <= KEY_BYTES_MAX => {
                Ok(Self { key: Some(text.to_owned()), digest })
            }
            _ => Err(Problem::malformed(format!(
                "Idempotency-Key takes 1 to {KEY_BYTES_MAX} visible characters"
            ))),
        }
    }
}

/// A key within the transaction of its work.
pub enum Turn<'a> {
    /// The work is to be done; keep its answer.
    First(Kept<'a>),
    /// It was done before, and this was the answer.
    Before(Answer),
}

/// Where the answer of the work is kept.
pub struct Kept<'a> {
    key: Option<Key<'a>>,
}

impl OnceKey {
    /// Takes the key in the transaction of the work; without a key, every turn is a first one.
    ///
    /// # Errors
    /// The key was used with another request.
    pub async fn take<'a>(
        &'a self,
        transaction: &Transaction,
        actor: &Actor,
        now: DateTime<Utc>,
    ) -> Result<Turn<'a>, Problem> {
        let Some(text) = self.key.as_deref() else {
            return Ok(Turn::First(Kept { key: None }));
        };
        let key = Key {
            organisation: actor.organisation,
            actor: actor.id,
            text,
            request_digest: &self.digest,
        };
        let lasts = TimeDelta::hours(REMEMBERED_HOURS);
        match kept::take(transaction, key, now, lasts).await? {
            Seen::First => Ok(Turn::First(Kept { key: Some(key) })),
            Seen::Before(answer) => Ok(Turn::Before(replayed(answer))),
            Seen::OtherRequest => Err(Problem::rule(
                "idempotency-key-reused",
                format!("the key \"{text}\" was used with another request; take a new one"),
            )),
        }
    }
}

impl Kept<'_> {
    /// Keeps the answer beside the work, and gives it back.
    ///
    /// # Errors
    /// The store failed.
    pub async fn keep(self, transaction: &Transaction, answer: Answer) -> Result<Answer, Problem> {
        if let Some(key) = self.key {
            let kept_answer = kept::Answer {
                status: answer.status.as_u16(),
                headers: serde_json::json!({
                    "version": answer.version,
                    "location": answer.location,
                }),
                body: answer.body.clone(),
            };
            kept::keep(transaction, key, &kept_answer).await?;
        }
        Ok(answer)
    }
}

fn replayed(answer: kept::Answer) -> Answer {
    Answer {
        status: StatusCode::from_u16(answer.status).unwrap_or(StatusCode::CREATED),
        version: answer.headers.get("version").and_then(serde_json::Value::as_i64),
        location: answer.headers.get("location").and_then(|x| x.as_str()).map(str::to_owned),
        body: answer.body,
    }
}
