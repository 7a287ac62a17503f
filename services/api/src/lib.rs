//! JSON over HTTP: `/v1/...`, one file a resource, and the document that describes it.
//!
//! Invariants: a handler parses, calls and answers; every problem is RFC 9457; every route is in the
//! document (`openapi/slackwater.json`, kept true by a test).

mod access;
mod body;
mod conditional;
mod document;
mod once;
mod paging;
mod problem;
mod quantity;
mod resource;
mod resources;
mod state;

use std::time::Duration;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::StatusCode;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::compression::CompressionLayer;
use tower_http::timeout::TimeoutLayer;

pub use access::may;
pub use document::document;
pub use state::ApiState;

use crate::problem::Problem;

/// Largest JSON body.
const BODY_BYTES_MAX: usize = 1 << 20;
/// A request that takes longer is given up; long work is a run of the worker.
const TIMEOUT: Duration = Duration::from_secs(30);

/// Everything under `/v1`, with its document at `/v1/openapi.json`, and the page that shows it at
/// `/docs`.
pub fn router(state: ApiState) -> Router {
    let (routes, openapi) = document::routes();
    let docs = utoipa_swagger_ui::SwaggerUi::new("/docs").url("/v1/openapi.json", openapi);
    let versioned = routes
        .fallback(async || Problem::missing("address"))
        .layer(DefaultBodyLimit::max(BODY_BYTES_MAX))
        .layer(TimeoutLayer::with_status_code(StatusCode::SERVICE_UNAVAILABLE, TIMEOUT))
        .layer(CompressionLayer::new())
        .layer(CatchPanicLayer::new())
        .with_state(state);
    Router::new().nest("/v1", versioned).merge(docs)
}
