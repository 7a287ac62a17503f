//! What every request is held to: size, time, an id in the log, and a problem even where nobody
//! wrote one.

use std::any::Any;
use std::time::Duration;

use axum::Router;
use axum::extract::{DefaultBodyLimit, Request};
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::{Next, from_fn};
use axum::response::{IntoResponse, Response};
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::compression::CompressionLayer;
use tower_http::request_id::{
    MakeRequestUuid, PropagateRequestIdLayer, RequestId, SetRequestIdLayer,
};
use tower_http::timeout::TimeoutLayer;
use tower_http::trace::TraceLayer;
use utoipa::openapi::OpenApi;
use utoipa_swagger_ui::{Config, SwaggerUi};

use crate::problem::Problem;
use crate::state::ApiState;

/// Largest JSON body.
const BODY_BYTES_MAX: usize = 1 << 20;
/// A request that takes longer is given up; long work is a run of the worker.
const TIMEOUT: Duration = Duration::from_secs(30);
/// A file may be under way for longer.
const UPLOAD_TIMEOUT: Duration = Duration::from_secs(15 * 60);
/// The documentation page needs its own scripts and styles, and nothing from anywhere else.
const DOCS_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; \
                           img-src 'self' data:; connect-src 'self'; base-uri 'none'; \
                           form-action 'none'; frame-ancestors 'none'";

/// The routes within their limits.
pub fn bounded(quick: Router<ApiState>, uploads: Router<ApiState>) -> Router<ApiState> {
    let late = |after| TimeoutLayer::with_status_code(StatusCode::SERVICE_UNAVAILABLE, after);
    let quick = quick.layer(DefaultBodyLimit::max(BODY_BYTES_MAX)).layer(late(TIMEOUT));
    quick
        .merge(uploads.layer(late(UPLOAD_TIMEOUT)))
        .fallback(async || Problem::missing("address"))
        .layer(CatchPanicLayer::custom(panicked))
        .layer(from_fn(answer_with_problems))
        .layer(CompressionLayer::new())
        .layer(PropagateRequestIdLayer::x_request_id())
        .layer(TraceLayer::new_for_http().make_span_with(span))
        .layer(SetRequestIdLayer::x_request_id(MakeRequestUuid))
}

/// The page that shows the document. It asks no other host, and its policy says so.
pub fn docs(document: OpenApi) -> Router {
    // Without a validator: the page would show the document to somebody else's service.
    let config = Config::from("/v1/openapi.json").validator_url("none");
    let page = SwaggerUi::new("/docs").config(config).url("/v1/openapi.json", document);
    Router::from(page).layer(from_fn(async |request: Request, next: Next| {
        let mut response = next.run(request).await;
        let policy = HeaderValue::from_static(DOCS_POLICY);
        response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
        response
    }))
}

fn span(request: &Request) -> tracing::Span {
    let id = request.extensions().get::<RequestId>();
    let id = id.and_then(|id| id.header_value().to_str().ok()).unwrap_or("");
    // The path only: what follows the question mark may name people.
    tracing::info_span!("request", id, method = %request.method(), path = request.uri().path())
}

/// Layers and the router answer some failures with a bare status.
async fn answer_with_problems(request: Request, next: Next) -> Response {
    let response = next.run(request).await;
    let status = response.status();
    if !status.is_client_error() && !status.is_server_error() {
        return response;
    }
    let kind = response.headers().get(header::CONTENT_TYPE);
    if kind.is_some_and(|kind| kind.as_bytes().starts_with(b"application/")) {
        return response;
    }
    let allow = response.headers().get(header::ALLOW).cloned();
    let mut told = match status {
        StatusCode::METHOD_NOT_ALLOWED => {
            let detail = "this address does not take that method; the header Allow lists those";
            Problem::new(status, "method-not-allowed", "Not this method", detail)
        }
        StatusCode::SERVICE_UNAVAILABLE => {
            let detail =
                "it took too long and was given up; look what is on record before you repeat it";
            Problem::new(status, "too-slow", "Took too long", detail)
        }
        _ => Problem::new(status, "refused", "Refused", "the request can't be taken like this"),
    }
    .into_response();
    if let Some(allow) = allow {
        told.headers_mut().insert(header::ALLOW, allow);
    }
    told
}

fn panicked(_: Box<dyn Any + Send>) -> Response {
    // The panic's own text was written by its hook.
    Problem::internal(&"a handler panicked").into_response()
}
