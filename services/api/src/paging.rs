//! Lists: a page at a time, with a `Link` header (RFC 8288) to the next.

use axum::extract::{FromRequestParts, Query};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, header};
use serde::{Deserialize, Serialize};
use store::record::PageOf;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::problem::Problem;

/// Rows on a page where nothing else is asked for.
const SIZE_DEFAULT: u64 = 100;

/// Which page is wanted: `?after=ID&size=N`.
#[derive(Clone, Copy, Debug)]
pub struct PageWanted(pub PageOf);

#[derive(Deserialize)]
struct Asked {
    after: Option<Uuid>,
    size: Option<u64>,
}

/// A page of a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct Listed<T> {
    pub items: Vec<T>,
    /// Give as `after` to see the next page; absent on the last. The header `Link` says the same.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<Uuid>,
}

impl<S: Send + Sync> FromRequestParts<S> for PageWanted {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let Query(asked) = Query::<Asked>::from_request_parts(parts, state)
            .await
            .map_err(|rejection| Problem::malformed(rejection.body_text()))?;
        let size = asked.size.unwrap_or(SIZE_DEFAULT);
        if !(1..=PageOf::SIZE_MAX).contains(&size) {
            return Err(Problem::rule(
                "page-size",
                format!("size {size} is not between 1 and {}", PageOf::SIZE_MAX),
            ));
        }
        Ok(Self(PageOf::new(asked.after, size)))
    }
}

/// `Link: <path?after=…&size=…>; rel="next"`, where there is a next page.
pub fn link_to_next(path: &str, wanted: PageOf, next: Option<Uuid>) -> HeaderMap {
    let mut headers = HeaderMap::new();
    if let Some(next) = next {
        let link = format!("<{path}?after={next}&size={}>; rel=\"next\"", wanted.size());
        if let Ok(link) = HeaderValue::try_from(link) {
            headers.insert(header::LINK, link);
        }
    }
    headers
}
