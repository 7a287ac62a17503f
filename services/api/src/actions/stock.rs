//! What is on the shelves, now or at a past moment.

use axum::Json;
use axum::extract::{OriginalUri, State};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, NaiveDate, Utc};
use fleet::id::{PartId, SiteId};
use fleet::part::{DatedBy, LotCondition};
use serde::{Deserialize, Serialize};
use store::stock::{self, ShelfRow};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::access::Actor;
use crate::paging::{Asked, Listed, link_to_next, page_of};
use crate::problem::{Problem, Refused};
use crate::state::ApiState;

/// Which stock is wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct StockWanted {
    /// Now where none is given.
    at: Option<DateTime<Utc>>,
    site: Option<Uuid>,
    part: Option<Uuid>,
    /// The last part seen: a page has all lots of each of its parts.
    after: Option<Uuid>,
    /// Parts on the page, 1 to 500.
    size: Option<u64>,
}

/// What a site has of a lot, or of a part without one.
#[derive(Debug, Serialize, ToSchema)]
pub struct OnShelf {
    part: Uuid,
    site: Uuid,
    #[serde(skip_serializing_if = "Option::is_none")]
    lot: Option<Uuid>,
    /// The sum of all moves until then. Below zero: more left without naming its lot than came so.
    on_hand: i64,
    #[serde(skip_serializing_if = "Option::is_none")]
    expires_on: Option<NaiveDate>,
    /// `cure`, `label`, `receipt` or `unknown`.
    #[schema(value_type = String)]
    dated_by: DatedBy,
    /// `new` or `used`.
    #[schema(value_type = String)]
    condition: LotCondition,
    /// The same in words.
    #[schema(example = "until 2027-03-31, dated by receipt")]
    freshness: String,
}

impl From<ShelfRow> for OnShelf {
    fn from(row: ShelfRow) -> Self {
        let ShelfRow { site, lot, on_hand } = row;
        Self {
            part: lot.part.0,
            site: site.0,
            on_hand,
            expires_on: lot.expires_on,
            dated_by: lot.dated_by,
            condition: lot.condition,
            freshness: lot.freshness().sentence(),
            lot: stock::lot_of(lot.id).map(|id| id.0),
        }
    }
}

/// List stock
///
/// By part, site and lot; at a past moment too. Role: viewer.
#[utoipa::path(
    get, path = "/stock", tag = "stock",
    params(StockWanted),
    responses(
        (status = 200, description = "a page; the header Link names the next",
         body = Listed<OnShelf>),
        Refused,
    ),
)]
pub async fn list_stock(
    State(state): State<ApiState>,
    actor: Actor,
    OriginalUri(uri): OriginalUri,
    Asked(asked): Asked<StockWanted>,
) -> Result<Response, Problem> {
    let StockWanted { at, site, part, after, size } = asked;
    let wanted = page_of(after, size)?;
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let at = at.unwrap_or_else(|| state.now());
    let (site, part) = (site.map(SiteId), part.map(PartId));
    let page = stock::at(connection, organisation, at, (site, part), wanted).await?;
    let items: Vec<_> = page.rows.into_iter().map(OnShelf::from).collect();
    let links = link_to_next(&uri, wanted, page.next);
    Ok((links, Json(Listed { items, next: page.next })).into_response())
}
