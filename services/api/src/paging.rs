//! Lists: a page at a time, with a `Link` header (RFC 8288) to the next.
//!
//! A parameter that a list does not know is refused: a filter that is misspelt must not answer with
//! everything.

use axum::extract::{FromRequestParts, Query};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, Uri, header};
use serde::de::DeserializeOwned;
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

/// What follows the question mark, for lists that can be narrowed. Unknown parameters are refused
/// by the type itself.
#[derive(Clone, Copy, Debug)]
pub struct Asked<T>(pub T);

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PageOnly {
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

impl<S: Send + Sync, T: DeserializeOwned> FromRequestParts<S> for Asked<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let Query(asked) = Query::<T>::from_request_parts(parts, state)
            .await
            .map_err(|rejection| Problem::malformed(rejection.body_text()))?;
        Ok(Self(asked))
    }
}

impl<S: Send + Sync> FromRequestParts<S> for PageWanted {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let Asked(PageOnly { after, size }) = Asked::from_request_parts(parts, state).await?;
        page_of(after, size).map(Self)
    }
}

/// # Errors
/// A size of none, or of more than a page may hold.
pub fn page_of(after: Option<Uuid>, size: Option<u64>) -> Result<PageOf, Problem> {
    let size = size.unwrap_or(SIZE_DEFAULT);
    if !(1..=PageOf::SIZE_MAX).contains(&size) {
        let detail = format!("size {size} is not between 1 and {}", PageOf::SIZE_MAX);
        return Err(Problem::rule("page-size", detail));
    }
    Ok(PageOf::new(after, size))
}

/// `Link: <path?after=…&size=…>; rel="next"`, where there is a next page. What else was asked for
/// stays.
pub fn link_to_next(uri: &Uri, wanted: PageOf, next: Option<Uuid>) -> HeaderMap {
    let mut headers = HeaderMap::new();
    let Some(next) = next else { return headers };
    let kept = uri.query().unwrap_or("").split('&').filter(|pair| {
        !pair.is_empty() && !pair.starts_with("after=") && !pair.starts_with("size=")
    });
    let kept: String = kept.map(|pair| format!("&{pair}")).collect();
    let (path, size) = (uri.path(), wanted.size());
    let link = format!("<{path}?after={next}&size={size}{kept}>; rel=\"next\"");
    if let Ok(link) = HeaderValue::try_from(link) {
        headers.insert(header::LINK, link);
    }
    headers
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_link_keeps_what_the_list_was_narrowed_by() {
        let uri: Uri = "/v1/due?pool=7&after=1&size=2&before=2026-07-01".parse().expect("a URI");
        let next = Uuid::from_u128(9);
        let headers = link_to_next(&uri, PageOf::new(None, 2), Some(next));
        let link = headers[header::LINK].to_str().expect("text");
        let expected =
            format!("</v1/due?after={next}&size=2&pool=7&before=2026-07-01>; rel=\"next\"");
        assert_eq!(link, expected);
        assert!(link_to_next(&uri, PageOf::new(None, 2), None).is_empty());
    }
}
