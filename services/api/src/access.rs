//! Who calls, for which organisation, and what they may do.
//!
//! Invariant: a handler can't reach the store's rows without an [`Actor`], and an `Actor` names one
//! organisation.

use axum::extract::FromRequestParts;
use axum::http::header;
use axum::http::request::Parts;
use chrono::{DateTime, Utc};
use fleet::id::OrganisationId;
use fleet::person::Role;
use store::record::Author;
use store::secret::Secret;
use store::tokens;
use uuid::Uuid;

use crate::problem::Problem;
use crate::state::ApiState;

/// The caller behind a bearer token.
#[derive(Clone, Debug)]
pub struct Actor {
    pub organisation: OrganisationId,
    pub id: Uuid,
    pub name: String,
    pub role: Role,
}

impl Actor {
    /// # Errors
    /// The role does not include what `needed` may do.
    pub fn needs(&self, needed: Role) -> Result<(), Problem> {
        if self.role.includes(needed) { Ok(()) } else { Err(Problem::forbidden(needed.as_str())) }
    }

    /// How the history names the caller.
    pub fn author(&self, at: DateTime<Utc>) -> Author {
        Author { id: Some(self.id), name: self.name.clone(), at, note: None }
    }
}

impl FromRequestParts<ApiState> for Actor {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &ApiState) -> Result<Self, Problem> {
        let given = parts
            .headers
            .get(header::AUTHORIZATION)
            .and_then(|value| value.to_str().ok())
            .and_then(|value| value.split_once(' '))
            .filter(|(scheme, _)| scheme.eq_ignore_ascii_case("bearer"))
            .ok_or_else(Problem::signed_out)?;
        let now = state.now();
        let secret = Secret::given(given.1);
        let (organisation, token) = tokens::find(state.store.connection(), &secret, now)
            .await?
            .ok_or_else(Problem::signed_out)?;
        if tokens::is_use_worth_noting(&token, now) {
            let note = async |transaction: &store::Transaction| {
                tokens::note_use(transaction, organisation, token.id, now).await
            };
            state.store.write(note).await?;
        }
        Ok(Self { organisation, id: token.id.0, name: token.name, role: token.role })
    }
}
