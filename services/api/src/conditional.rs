//! Entity tags (RFC 9110, section 8.8.3): a change names the version that it was made from.

use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderValue, header};

use crate::problem::Problem;

/// The version named by `If-Match`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct IfMatch(pub i64);

impl<S: Send + Sync> FromRequestParts<S> for IfMatch {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        let given =
            parts.headers.get(header::IF_MATCH).ok_or_else(Problem::precondition_missing)?;
        let version = given
            .to_str()
            .ok()
            .and_then(|text| text.trim().strip_prefix('"')?.strip_suffix('"')?.parse().ok());
        version.map(Self).ok_or_else(|| {
            Problem::malformed("If-Match takes one strong entity tag as it was read, like \"3\"")
        })
    }
}

/// The entity tag of a version.
pub fn entity_tag(version: i64) -> HeaderValue {
    HeaderValue::try_from(format!("\"{version}\"")).unwrap_or(HeaderValue::from_static("\"0\""))
}

#[cfg(test)]
mod tests {
    use axum::http::Request;
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case::as_read(Some("\"3\""), Ok(IfMatch(3)))]
    #[case::missing(None, Err(428))]
    #[case::without_quotes(Some("3"), Err(400))]
    #[case::weak(Some("W/\"3\""), Err(400))]
    #[case::any(Some("*"), Err(400))]
    #[tokio::test]
    async fn a_change_names_one_version(
        #[case] header: Option<&str>,
        #[case] expected: Result<IfMatch, u16>,
    ) {
        let mut request = Request::builder();
        if let Some(header) = header {
            request = request.header("if-match", header);
        }
        let (mut parts, ()) = request.body(()).expect("a request").into_parts();
        let answer = IfMatch::from_request_parts(&mut parts, &()).await;
        assert_eq!(answer.map_err(|problem| problem.status), expected);
    }
}
