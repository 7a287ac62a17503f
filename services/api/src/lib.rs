//! JSON over HTTP: `/v1/...`, one file a resource, and the document that describes it.
//!
//! `resources` are nouns that are kept as they are given; `actions` are what has rules of its own.
//!
//! Invariants: a handler parses, calls and answers; every problem is RFC 9457; every route is in the
//! document (`openapi/slackwater.json`, kept true by a test).

mod access;
mod actions;
mod body;
mod conditional;
mod document;
mod limits;
mod once;
mod paging;
mod path;
mod problem;
mod quantity;
mod resource;
mod resources;
mod state;
mod upload;

use axum::Router;

pub use document::{document, document_text};
pub use state::ApiState;

/// Everything under `/v1`, with its document at `/v1/openapi.json`, and the page that shows it at
/// `/docs`.
pub fn router(state: ApiState) -> Router {
    let document::Routes { quick, uploads, document } = document::routes();
    let versioned = limits::bounded(quick, uploads).with_state(state);
    Router::new().nest("/v1", versioned).merge(limits::docs(document))
}
