//! Who changed what, when, from what to what.

use axum::Json;
use axum::extract::{OriginalUri, State};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use fleet::change::ChangeKind;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use store::history::{self, Kept};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::access::Actor;
use crate::paging::{Asked, Listed, link_to_next, page_of};
use crate::problem::{Problem, Refused};
use crate::state::ApiState;

/// A change of a record.
#[derive(Debug, Serialize, ToSchema)]
pub struct Change {
    pub id: Uuid,
    pub at: DateTime<Utc>,
    pub actor: String,
    /// Of the person or the token.
    pub actor_id: Option<Uuid>,
    #[schema(example = "engine")]
    pub noun: String,
    pub entity: Uuid,
    /// `created`, `changed` or `removed`.
    #[schema(value_type = String)]
    pub kind: ChangeKind,
    pub before: Option<Value>,
    pub after: Option<Value>,
    pub note: Option<String>,
}

/// Which changes are wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ChangesWanted {
    /// Of one record: what it is, as the changes say it; with `entity`.
    #[param(example = "engine")]
    noun: Option<String>,
    /// Of one record: its id; with `noun`.
    entity: Option<Uuid>,
    /// The last id seen.
    after: Option<Uuid>,
    /// Rows on the page, 1 to 500.
    size: Option<u64>,
}

impl From<Kept> for Change {
    fn from(kept: Kept) -> Self {
        let Kept { id, at, actor, actor_id, noun, entity, kind, before, after, note } = kept;
        Self { id, at, actor, actor_id, noun, entity, kind, before, after, note }
    }
}

/// List changes
///
/// Of one record or of all, the oldest first. Role: viewer.
#[utoipa::path(
    get, path = "/history", tag = "history",
    params(ChangesWanted),
    responses(
        (status = 200, description = "a page; the header Link names the next",
         body = Listed<Change>),
        Refused,
    ),
)]
pub async fn list_history(
    State(state): State<ApiState>,
    actor: Actor,
    OriginalUri(uri): OriginalUri,
    Asked(asked): Asked<ChangesWanted>,
) -> Result<Response, Problem> {
    let ChangesWanted { noun, entity, after, size } = asked;
    let wanted = page_of(after, size)?;
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let page = match (noun, entity) {
        (Some(noun), Some(entity)) => {
            history::of_entity(connection, organisation, &noun, entity, wanted).await?
        }
        (None, None) => history::of_all(connection, organisation, wanted).await?,
        _ => return Err(Problem::malformed("give noun and entity together, or neither")),
    };
    let items: Vec<Change> = page.rows.into_iter().map(Change::from).collect();
    let links = link_to_next(&uri, wanted, page.next);
    Ok((links, Json(Listed { items, next: page.next })).into_response())
}
