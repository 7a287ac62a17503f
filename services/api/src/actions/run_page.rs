//! Pages of a run's rows.
//!
//! The rows of a run never change, so a list of them is sorted by what matters and paged by the last
//! row seen; each page names its run, and the link to the next asks for the same one.

use axum::Json;
use axum::http::{HeaderValue, Uri, header};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use fleet::id::{RunId, SiteId};
use fleet::run::{RunKind, RunStatus};
use serde::Serialize;
use store::Connection;
use store::record::PageOf;
use store::runs::{self, Run};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::access::Actor;
use crate::problem::Problem;

/// A page of a run's rows.
#[derive(Debug, Serialize, ToSchema)]
pub struct RunListed<T> {
    /// The run that they are of.
    pub run: Uuid,
    pub computed_at: Option<DateTime<Utc>>,
    pub items: Vec<T>,
    /// Give as `after`, with `run`, to see the next page; absent on the last. The header `Link` says
    /// the same.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<Uuid>,
}

/// The run that is asked for, else the last good one.
///
/// # Errors
/// None has been finished, or the one asked for is another kind's.
pub async fn find_run(
    connection: &Connection,
    actor: &Actor,
    kind: RunKind,
    asked: Option<Uuid>,
) -> Result<Run, Problem> {
    let none: Option<SiteId> = None;
    let run = match asked {
        Some(id) => Some(runs::get(connection, actor.organisation, RunId(id)).await?)
            .filter(|run| run.kind == kind && run.status == RunStatus::Done),
        None => runs::latest(connection, actor.organisation, kind, none).await?,
    };
    run.ok_or_else(|| Problem::missing("finished run; ask for one at /v1/runs"))
}

/// The page after `wanted.after` of rows that are in their order.
///
/// # Errors
/// `after` is no row of this run.
pub fn answer_page<T, S: Serialize>(
    run: &Run,
    mut rows: Vec<T>,
    id: impl Fn(&T) -> Uuid,
    show: impl Fn(T) -> S,
    (uri, wanted): (&Uri, PageOf),
) -> Result<Response, Problem> {
    let start = match wanted.after {
        None => 0,
        Some(after) => {
            let place = rows.iter().position(|row| id(row) == after).ok_or_else(|| {
                let detail = "that row is not in this list: a newer run took its place, or other \
                              filters were given; give the run that the page named, or start anew";
                Problem::rule("page-of-another-list", detail)
            })?;
            place + 1
        }
    };
    let size = usize::try_from(wanted.size()).unwrap_or(usize::MAX);
    let mut page = rows.split_off(start);
    let more = page.len() > size;
    page.truncate(size);
    let next = page.last().filter(|_| more).map(id);
    let listed = RunListed {
        run: run.id.0,
        computed_at: run.finished_at,
        items: page.into_iter().map(show).collect(),
        next,
    };
    let mut response = Json(listed).into_response();
    let link = next.and_then(|next| HeaderValue::try_from(link(uri, run.id, wanted, next)).ok());
    if let Some(link) = link {
        response.headers_mut().insert(header::LINK, link);
    }
    Ok(response)
}

fn link(uri: &Uri, run: RunId, wanted: PageOf, next: Uuid) -> String {
    let own = ["after=", "size=", "run="];
    let pairs = uri.query().unwrap_or("").split('&');
    let kept =
        pairs.filter(|pair| !pair.is_empty() && !own.iter().any(|own| pair.starts_with(own)));
    let kept: String = kept.map(|pair| format!("&{pair}")).collect();
    let (path, size) = (uri.path(), wanted.size());
    format!("<{path}?run={run}&after={next}&size={size}{kept}>; rel=\"next\"")
}
