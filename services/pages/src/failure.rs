//! Pages for what went wrong, and the one place where errors become answers. They say what
//! happened and what now, and never the cause of a fault of ours: that is logged.

use askama::Template;
use axum::http::StatusCode;
use axum::http::header::SET_COOKIE;
use axum::response::{Html, IntoResponse, Redirect, Response};
use chrono::NaiveDate;
use runs::RunError;
use store::StoreError;

use crate::cookie::{Cookie, write_notice};
use crate::figures::capital;
use crate::frame::{Frame, Link, Notice};
use crate::state::PagesState;

/// A notice that nobody came to read is dropped.
const NOTICE_SECONDS: i64 = 60;

#[derive(Template)]
#[template(path = "failure.html")]
pub struct FailurePage {
    pub frame: Frame,
    pub heading: String,
    pub sentence: String,
    pub onward: Link,
}

/// Why a page can't be shown.
#[derive(Debug)]
pub enum Failure {
    /// Nobody is signed in; afterwards on to this path.
    SignedOut {
        onward: String,
    },
    /// Signed in, but this is for others.
    NotAllowed {
        what: &'static str,
    },
    /// Also for another organisation's rows: whether they exist is not ours to tell.
    NotFound,
    /// A form without our key: an old page, or not our page.
    OldForm,
    /// A form that is not one.
    Unreadable,
    /// Somebody else changed it meanwhile, or it breaks a rule of the store.
    Refused {
        sentence: String,
    },
    Ours,
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Missing { .. } => Self::NotFound,
            StoreError::Stale { .. }
            | StoreError::Taken { .. }
            | StoreError::Dangling { .. }
            | StoreError::Refused { .. }
            | StoreError::Broken { .. } => Self::Refused { sentence: sentence(&error.to_string()) },
            cause => Self::ours(&cause),
        }
    }
}

impl From<RunError> for Failure {
    fn from(error: RunError) -> Self {
        match error {
            RunError::Store(error) => error.into(),
            RunError::Refused { what, .. } => Self::Refused { sentence: sentence(&what) },
            cause => Self::ours(&cause),
        }
    }
}

impl Failure {
    /// A fault of ours: logged here, once.
    pub fn ours(cause: &(dyn std::error::Error + 'static)) -> Self {
        tracing::error!(error = cause, "a page could not be made");
        Self::Ours
    }

    fn page(&self) -> (StatusCode, &'static str, String) {
        let again = "Go back, load the page again and repeat what you did.";
        match self {
            // Never shown: it leads to the sign-in page.
            Self::SignedOut { .. } => (StatusCode::UNAUTHORIZED, "Sign in", String::new()),
            Self::NotAllowed { what } => (
                StatusCode::FORBIDDEN,
                "This is for others",
                format!(
                    "Your role does not let you {what}. An owner of your yard can change that."
                ),
            ),
            Self::NotFound => (
                StatusCode::NOT_FOUND,
                "There is nothing at this address",
                "It may have been taken away, or the address is not whole.".to_owned(),
            ),
            Self::OldForm => (
                StatusCode::FORBIDDEN,
                "This form is too old",
                format!("Nothing was changed. {again}"),
            ),
            Self::Unreadable => (
                StatusCode::BAD_REQUEST,
                "This form can't be read",
                format!("Nothing was changed. {again}"),
            ),
            Self::Refused { sentence } => {
                (StatusCode::CONFLICT, "Nothing was changed", format!("{sentence} {again}"))
            }
            Self::Ours => (
                StatusCode::INTERNAL_SERVER_ERROR,
                "Something of ours failed",
                "Nothing was changed. It is on record for whoever runs this service; try again in \
                 a minute."
                    .to_owned(),
            ),
        }
    }
}

impl IntoResponse for Failure {
    fn into_response(self) -> Response {
        if let Self::SignedOut { onward } = &self {
            return Redirect::to(&format!("/sign-in?onward={}", in_address(onward)))
                .into_response();
        }
        let (status, heading, sentence) = self.page();
        let page = FailurePage {
            frame: Frame::bare(heading),
            heading: heading.to_owned(),
            sentence,
            onward: Link::new("To Afloat", "/afloat"),
        };
        match page.render() {
            Ok(page) => (status, Html(page)).into_response(),
            Err(cause) => {
                tracing::error!(%cause, "the page for a failure could not be made");
                status.into_response()
            }
        }
    }
}

/// A page that could be made, or our failure to make it.
pub fn shown(page: &impl Template) -> Result<Response, Failure> {
    page.render().map(|page| Html(page).into_response()).map_err(|cause| Failure::ours(&cause))
}

/// The same for a form with a mistake in it: the answer says that nothing was taken.
pub fn shown_again(page: &impl Template) -> Result<Response, Failure> {
    shown(page).map(|page| (StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
}

/// Answers a form that was taken: on to `to`, which says what happened.
pub fn onward(state: &PagesState, to: &str, notice: &Notice) -> Response {
    let cookie = Cookie::Notice.set(&write_notice(notice), NOTICE_SECONDS, state.cookies);
    ([(SET_COOKIE, cookie)], Redirect::to(to)).into_response()
}

/// A text without capital or full stop, as errors and runs word theirs, as a sentence. Its dates
/// are written as pages write them.
pub fn sentence(text: &str) -> String {
    let text = &dates_in_words(text);
    let stop = if text.ends_with(['.', '!', '?']) || text.is_empty() { "" } else { "." };
    format!("{}{stop}", capital(text))
}

/// `2026-11-24` as `Tue 24 Nov 2026`.
fn dates_in_words(text: &str) -> String {
    let (mut said, mut rest) = (String::new(), text);
    while let Some((before, date, after)) = first_date(rest) {
        said.push_str(before);
        said.push_str(&date.format("%a %-d %b %Y").to_string());
        rest = after;
    }
    said + rest
}

/// The first whole date in a text, with what stands before and after it.
fn first_date(text: &str) -> Option<(&str, NaiveDate, &str)> {
    const LENGTH: usize = 10;
    let is_part = |letter: char| letter.is_ascii_alphanumeric() || letter == '-';
    text.char_indices().find_map(|(at, _)| {
        let (date, after) = text.get(at..)?.split_at_checked(LENGTH)?;
        let before = &text[..at];
        let alone = !before.ends_with(is_part) && !after.starts_with(is_part);
        let date = date.parse().ok().filter(|_| alone && date.is_ascii())?;
        Some((before, date, after))
    })
}

/// `text` as the value of a query (RFC 3986, unreserved characters stay).
pub fn in_address(text: &str) -> String {
    text.bytes()
        .map(|byte| match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
                char::from(byte).to_string()
            }
            other => format!("%{other:02X}"),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_in_a_refusal_are_written_as_elsewhere_on_a_page() {
        assert_eq!(
            sentence("2026-11-25 is after 2026-11-24, in lot B-2026-11-24"),
            "Wed 25 Nov 2026 is after Tue 24 Nov 2026, in lot B-2026-11-24."
        );
        for plain in ["Order 26-31 is sent.", "1234567890.", "2026-13-01.", "Blå 2026-1-1."] {
            assert_eq!(sentence(plain), plain);
        }
    }

    #[test]
    fn a_path_is_kept_whole_in_a_query() {
        assert_eq!(
            in_address("/afloat?by=2026-07-12&pool=å"),
            "%2Fafloat%3Fby%3D2026-07-12%26pool%3D%C3%A5"
        );
    }

    #[test]
    fn an_errors_text_becomes_a_sentence() {
        assert_eq!(sentence("another boat has the same name"), "Another boat has the same name.");
        assert_eq!(sentence("It is one already."), "It is one already.");
    }

    #[test]
    fn the_cause_of_a_fault_of_ours_is_not_told() {
        let failure = Failure::from(StoreError::Address { given: "postgres://secret".into() });
        assert!(!failure.page().2.contains("secret"));
    }
}
