//! The OpenAPI 3.1 document, made from the routes themselves.

use std::collections::BTreeMap;

use axum::Router;
use serde_json::Value;
use utoipa::openapi::security::{Http, HttpAuthScheme, SecurityScheme};
use utoipa::openapi::{
    ComponentsBuilder, InfoBuilder, OpenApi, OpenApiBuilder, SecurityRequirement,
};

use crate::actions;
use crate::problem::{Fault, Problem};
use crate::resources;
use crate::state::ApiState;

const ABOUT: &str = "Upkeep of a fleet of small outboards: hours, due work, parts, plans.\n\n\
Send a token as `Authorization: Bearer …`; roles: viewer reads; technician also writes hours, \
findings and counts; planner also boats, programme, plans and jobs; buyer also parts, suppliers and \
orders; owner everything. A change needs `If-Match` with the ETag that was read; a create takes an \
`Idempotency-Key`. Lists come in pages with a `Link` header. Whatever is refused is a problem \
(RFC 9457) that names the rule, and changes nothing. Instants are UTC, dates are days of the site's \
calendar.";

/// The routes under `/v1`, and the document that describes them.
pub(crate) struct Routes {
    /// A small body in, an answer at once.
    pub quick: Router<ApiState>,
    /// Files in: larger, and longer under way.
    pub uploads: Router<ApiState>,
    pub document: OpenApi,
}

pub(crate) fn routes() -> Routes {
    let (quick, quick_document) = actions::quick().split_for_parts();
    let (uploads, uploads_document) = actions::uploads().split_for_parts();
    let (kept, paths, schemas) = resources::all().into_parts();
    let mut document = OpenApiBuilder::new()
        .info(
            InfoBuilder::new()
                .title("Slackwater")
                .version(env!("CARGO_PKG_VERSION"))
                .description(Some(ABOUT))
                .build(),
        )
        .paths(paths)
        .components(Some(
            ComponentsBuilder::new()
                .schemas_from_iter(schemas)
                .schema_from::<Problem>()
                .schema_from::<Fault>()
                .security_scheme("token", SecurityScheme::Http(Http::new(HttpAuthScheme::Bearer)))
                .build(),
        ))
        .security(Some([SecurityRequirement::new("token", Vec::<String>::new())]))
        .build();
    for written in [quick_document, uploads_document] {
        // First below /v1, then together: nesting alone would replace what a path has already.
        document.merge(OpenApiBuilder::new().build().nest("/v1", written));
    }
    Routes { quick: kept.merge(quick), uploads, document }
}

/// The document alone.
pub fn document() -> OpenApi {
    routes().document
}

/// The document as it is kept in `openapi/`: its keys sorted, since whether a JSON map keeps the order
/// in which it was filled hangs on what else is compiled beside it.
///
/// # Errors
/// It can't become JSON.
pub fn document_text() -> Result<String, serde_json::Error> {
    let sorted = sorted(serde_json::to_value(document())?);
    Ok(serde_json::to_string_pretty(&sorted)? + "\n")
}

fn sorted(value: Value) -> Value {
    match value {
        Value::Object(fields) => {
            let by_name: BTreeMap<String, Value> = fields.into_iter().collect();
            Value::Object(by_name.into_iter().map(|(name, value)| (name, sorted(value))).collect())
        }
        Value::Array(items) => Value::Array(items.into_iter().map(sorted).collect()),
        plain => plain,
    }
}
