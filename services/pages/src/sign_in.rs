//! Signing in and out.

use askama::Template;
use axum::extract::{Path, Query, Request, State};
use axum::http::header::SET_COOKIE;
use axum::response::{IntoResponse, Redirect, Response};
use chrono::TimeDelta;
use fleet::id::{OrganisationId, PersonId};
use serde::Deserialize;
use store::secret::{Secret, verify_password};
use store::{Transaction, people, sessions};

use crate::cookie::Cookie;
use crate::failure::{Failure, shown, shown_again};
use crate::frame::Frame;
use crate::state::PagesState;
use crate::visitor::{Posted, check_origin, read_form};

/// A technician signs in once a fortnight.
const SESSION_DAYS: i64 = 14;

#[derive(Template)]
#[template(path = "sign_in.html")]
pub struct SignInPage {
    pub frame: Frame,
    pub email: String,
    /// Where to go on afterwards: a path of ours.
    pub onward: String,
    pub fault: String,
}

#[derive(Deserialize)]
pub struct Onward {
    #[serde(default)]
    onward: String,
}

pub async fn show(Query(query): Query<Onward>) -> Result<Response, Failure> {
    shown(&page("", &query.onward, ""))
}

/// Takes e-mail and password. Which of the two is wrong is not told.
pub async fn sign_in(
    State(state): State<PagesState>,
    request: Request,
) -> Result<Response, Failure> {
    check_origin(request.headers())?;
    let fields = read_form(request, &state).await?;
    let email = fields.get("email").to_lowercase();
    let onward = fields.get("onward");
    if state.attempts.must_wait(&email, state.now()) {
        let fault = "Too many tries with this address; try again in a quarter of an hour.";
        return shown_again(&page(&email, onward, fault));
    }
    match find_by_password(&state, &email, fields.get_whole("password")).await? {
        Some((organisation, person)) => {
            state.attempts.forget(&email);
            open_session(&state, organisation, person, own_path(onward)).await
        }
        None => {
            state.attempts.count_failure(&email, state.now());
            shown_again(&page(&email, onward, "Address or password is not right."))
        }
    }
}

/// Takes a link that signs in once.
pub async fn sign_in_once(
    State(state): State<PagesState>,
    Path(token): Path<String>,
) -> Result<Response, Failure> {
    let now = state.now();
    let secret = Secret::given(&token);
    let used = state.store.write(async |tx| sessions::use_link(tx, &secret, now).await);
    match used.await? {
        Some((organisation, person)) => open_session(&state, organisation, person, "/").await,
        None => {
            let fault = "This link was used before, or is too old. Sign in with your password, or \
                         ask for a new link.";
            shown_again(&page("", "", fault))
        }
    }
}

pub async fn sign_out(
    State(state): State<PagesState>,
    posted: Posted,
) -> Result<Response, Failure> {
    let (visitor, now) = (posted.visitor, state.now());
    let end = async |tx: &Transaction| {
        sessions::end(tx, visitor.organisation, visitor.session, now).await
    };
    state.store.write(end).await?;
    let cookie = Cookie::Session.clear(state.cookies);
    Ok(([(SET_COOKIE, cookie)], Redirect::to("/sign-in")).into_response())
}

/// Whose password it is. Takes as long for an address that nobody has.
async fn find_by_password(
    state: &PagesState,
    email: &str,
    password: &str,
) -> Result<Option<(OrganisationId, PersonId)>, Failure> {
    let candidates = people::candidates(state.store.connection(), email).await?;
    let password = password.to_owned();
    let room = state.attempts.room().await;
    let check = tokio::task::spawn_blocking(move || {
        if candidates.is_empty() {
            verify_password(&password, None);
        }
        candidates.into_iter().find(|c| verify_password(&password, Some(&c.password_hash)))
    });
    let found = check.await.map_err(|cause| Failure::ours(&cause))?;
    drop(room);
    Ok(found.map(|candidate| (candidate.organisation, candidate.person.id)))
}

async fn open_session(
    state: &PagesState,
    organisation: OrganisationId,
    person: PersonId,
    onward: &str,
) -> Result<Response, Failure> {
    let now = state.now();
    let lasts = TimeDelta::days(SESSION_DAYS);
    let open = async |tx: &Transaction| sessions::open(tx, organisation, person, now, lasts).await;
    let opened = state.store.write(open).await?;
    let cookie = Cookie::Session.set(opened.secret.reveal(), lasts.num_seconds(), state.cookies);
    Ok(([(SET_COOKIE, cookie)], Redirect::to(onward)).into_response())
}

fn page(email: &str, onward: &str, fault: &str) -> SignInPage {
    SignInPage {
        frame: Frame::bare("Sign in"),
        email: email.to_owned(),
        onward: own_path(onward).to_owned(),
        fault: fault.to_owned(),
    }
}

/// `path` if it is one of ours; the front door for what would lead to another site.
pub fn own_path(path: &str) -> &str {
    let bytes = path.as_bytes();
    let ours = bytes.first() == Some(&b'/')
        && !matches!(bytes.get(1), Some(b'/' | b'\\'))
        && bytes.iter().all(|b| b.is_ascii_graphic());
    if ours { path } else { "/" }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn signing_in_never_leads_to_another_site() {
        for ours in ["/afloat?by=2026-07-12", "/"] {
            assert_eq!(own_path(ours), ours);
        }
        for other in ["//evil.example", "/\\evil.example", "https://evil.example", "", "/a\r\nb"] {
            assert_eq!(own_path(other), "/", "{other}");
        }
    }
}
