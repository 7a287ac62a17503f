//! Find parts by number, name, maker, and the old number that they stand in for.

use axum::Json;
use axum::extract::{OriginalUri, State};
use axum::response::{IntoResponse, Response};
use fleet::part::PartKind;
use serde::Deserialize;
use store::parts::{self, PartFilter};
use utoipa::IntoParams;
use uuid::Uuid;

use crate::access::Actor;
use crate::paging::{Asked, Listed, link_to_next, page_of};
use crate::problem::{Problem, Refused};
use crate::resource::Resource as _;
use crate::resources::PartFields;
use crate::state::ApiState;

/// Which parts are wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct PartsWanted {
    /// Words, each of which is part of the number, the name or the maker, letters' case aside. What
    /// stands in for a part so found is found with it.
    text: Option<String>,
    /// `part`, `kit`, `fluid` or `consumable`.
    #[param(value_type = Option<String>)]
    kind: Option<PartKind>,
    /// The last id seen.
    after: Option<Uuid>,
    /// Rows on the page, 1 to 500.
    size: Option<u64>,
}

/// Search parts
///
/// Role: viewer.
#[utoipa::path(
    get, path = "/parts/search", tag = "parts",
    params(PartsWanted),
    responses(
        (status = 200, description = "a page; the header Link names the next",
         body = ref("#/components/schemas/PartList")),
        Refused,
    ),
)]
pub async fn search_parts(
    State(state): State<ApiState>,
    actor: Actor,
    OriginalUri(uri): OriginalUri,
    Asked(asked): Asked<PartsWanted>,
) -> Result<Response, Problem> {
    let PartsWanted { text, kind, after, size } = asked;
    let wanted = page_of(after, size)?;
    let filter = PartFilter { kind, text };
    let page = parts::page(state.store.connection(), actor.organisation, &filter, wanted).await?;
    let items: Vec<_> = page.rows.into_iter().map(PartFields::show).collect();
    let links = link_to_next(&uri, wanted, page.next);
    Ok((links, Json(Listed { items, next: page.next })).into_response())
}
