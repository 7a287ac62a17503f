//! A scanned tag leads to its engine: to record what was found, three taps from the jetty.

use axum::extract::{Path, State};
use axum::response::{IntoResponse, Redirect, Response};

use crate::failure::Failure;
use crate::state::PagesState;
use crate::visitor::{Right, Visitor};
use crate::yard_records::{Yard, engine_path};

/// The tag of an engine, or of the boat that it sits on.
pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(tag): Path<String>,
) -> Result<Response, Failure> {
    let yard = Yard::read(&state, &visitor).await?;
    let tag = tag.trim();
    let is_it = |known: &Option<String>| known.as_deref() == Some(tag);
    let engine = yard.engines.values().find(|engine| {
        is_it(&engine.tag) || yard.boat_of(engine.id).is_some_and(|boat| is_it(&boat.tag))
    });
    let path = engine_path(engine.ok_or(Failure::NotFound)?.id);
    let to = if visitor.may(Right::RecordFindings) { format!("{path}/finding") } else { path };
    Ok(Redirect::to(&to).into_response())
}
