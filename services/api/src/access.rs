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
        if may(self.role, needed) { Ok(()) } else { Err(Problem::forbidden(needed.as_str())) }
    }

    /// How the history names the caller.
    pub fn author(&self, at: DateTime<Utc>) -> Author {
        Author { id: Some(self.id), name: self.name.clone(), at, note: None }
    }
}

/// Whether `role` may do what `needed` may. Planners and buyers may both do a technician's work, but
/// not each other's.
pub fn may(role: Role, needed: Role) -> bool {
    match needed {
        Role::Viewer => true,
        Role::Technician => role != Role::Viewer,
        Role::Planner => matches!(role, Role::Planner | Role::Owner),
        Role::Buyer => matches!(role, Role::Buyer | Role::Owner),
        Role::Owner => role == Role::Owner,
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

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case::everybody_reads(Role::Viewer, Role::Viewer, true)]
    #[case::a_viewer_writes_no_hours(Role::Viewer, Role::Technician, false)]
    #[case::a_planner_writes_hours(Role::Planner, Role::Technician, true)]
    #[case::a_buyer_counts_stock(Role::Buyer, Role::Technician, true)]
    #[case::a_buyer_plans_nothing(Role::Buyer, Role::Planner, false)]
    #[case::a_planner_buys_nothing(Role::Planner, Role::Buyer, false)]
    #[case::an_owner_does_everything(Role::Owner, Role::Buyer, true)]
    #[case::only_an_owner_sets_people(Role::Planner, Role::Owner, false)]
    fn roles_include_one_another(#[case] role: Role, #[case] needed: Role, #[case] expected: bool) {
        assert_eq!(may(role, needed), expected);
    }
}
