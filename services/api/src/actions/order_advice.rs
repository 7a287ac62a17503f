//! What to order, as the last run left it.

use axum::extract::{OriginalUri, State};
use axum::response::Response;
use chrono::NaiveDate;
use fleet::id::{SiteId, SupplierId};
use fleet::run::RunKind;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use store::runs::{self, AdviceRow};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::run_page::{RunListed, answer_page, find_run};
use crate::access::Actor;
use crate::paging::{Asked, page_of};
use crate::problem::{Problem, Refused};
use crate::quantity::Amount;
use crate::state::ApiState;

/// A line of advice.
#[derive(Debug, Serialize, ToSchema)]
pub struct Advice {
    pub id: Uuid,
    pub part: Uuid,
    pub supplier: Uuid,
    pub site: Option<Uuid>,
    pub quantity: i64,
    pub order_by: NaiveDate,
    pub unit_price: Amount,
    pub total: Amount,
    /// Thousandths of demand met from the shelf.
    pub fill_rate_permille: Option<i32>,
    pub reason: String,
    pub detail: Option<Value>,
}

/// What part of the list is wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct AdviceWanted {
    supplier: Option<Uuid>,
    site: Option<Uuid>,
    /// Only what must be ordered on or before this day.
    order_by: Option<NaiveDate>,
    /// A certain run; the last good one where none is given.
    run: Option<Uuid>,
    /// The last id seen.
    after: Option<Uuid>,
    /// Rows on the page, 1 to 500.
    size: Option<u64>,
}

/// List what to order
///
/// The most pressing first, as of the last good run. Role: viewer.
#[utoipa::path(
    get, path = "/order-advice", tag = "orders",
    params(AdviceWanted),
    responses(
        (status = 200, description = "a page; the header Link names the next",
         body = RunListed<Advice>),
        (status = 404, description = "no run has been finished yet"),
        Refused,
    ),
)]
pub async fn list_order_advice(
    State(state): State<ApiState>,
    actor: Actor,
    OriginalUri(uri): OriginalUri,
    Asked(asked): Asked<AdviceWanted>,
) -> Result<Response, Problem> {
    let wanted = page_of(asked.after, asked.size)?;
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let run = find_run(connection, &actor, RunKind::OrderAdvice, asked.run).await?;
    let mut rows = runs::advice_rows(connection, organisation, run.id).await?;
    rows.retain(|row| {
        asked.supplier.is_none_or(|supplier| row.supplier == SupplierId(supplier))
            && asked.site.is_none_or(|site| row.site == Some(SiteId(site)))
            && asked.order_by.is_none_or(|day| row.order_by <= day)
    });
    rows.sort_by_key(|row| (row.order_by, row.id));
    answer_page(&run, rows, |row| row.id.0, Advice::from, (&uri, wanted))
}

impl From<AdviceRow> for Advice {
    fn from(row: AdviceRow) -> Self {
        Self {
            id: row.id.0,
            part: row.part.0,
            supplier: row.supplier.0,
            site: row.site.map(|site| site.0),
            quantity: row.quantity,
            order_by: row.order_by,
            unit_price: Amount::show(row.unit_price),
            total: Amount::show(row.total),
            fill_rate_permille: row.fill_rate_permille,
            reason: row.reason,
            detail: row.detail,
        }
    }
}
