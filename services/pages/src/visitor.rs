//! Who asks, for which organisation, and whether they may.
//!
//! A handler can't be written without: it gets its organisation from [`Visitor`], and the fields of
//! a form from [`Posted`], which holds the form's key against the session's.

use axum::extract::multipart::Field as MultipartField;
use axum::extract::{Form, FromRequest, FromRequestParts, Multipart, Request};
use axum::http::request::Parts;
use axum::http::{HeaderMap, Method};
use fleet::id::{OrganisationId, SessionId};
use fleet::person::{Person, Role};
use store::secret::Secret;
use store::{Author, sessions};

use crate::cookie::{Cookie, read_notice};
use crate::failure::Failure;
use crate::frame::{Frame, Notice, Room, Who};
use crate::state::PagesState;

/// Somebody who is signed in.
#[derive(Clone, Debug)]
pub struct Visitor {
    pub organisation: OrganisationId,
    pub person: Person,
    pub session: SessionId,
    form_key: String,
    notice: Option<Notice>,
}

/// What a role may or may not do on pages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Right {
    RecordHours,
    RecordFindings,
    ClearHold,
    ClearSafetyHold,
    /// Plans and what follows from them.
    Plan,
    WorkJobs,
    AgreeJobs,
    CountStock,
    Buy,
    Receive,
}

impl Right {
    const fn says(self) -> &'static str {
        match self {
            Self::RecordHours => "record hours",
            Self::RecordFindings => "record findings",
            Self::ClearHold => "clear a hold",
            Self::ClearSafetyHold => "clear a safety hold; it is a right of its own",
            Self::Plan => "plan",
            Self::WorkJobs => "work on jobs",
            Self::AgreeJobs => "agree to jobs or drop them",
            Self::CountStock => "count stock",
            Self::Buy => "order parts",
            Self::Receive => "receive parts",
        }
    }
}

impl Visitor {
    pub fn may(&self, right: Right) -> bool {
        match right {
            Right::ClearSafetyHold => self.person.may_clear_holds,
            Right::Plan | Right::AgreeJobs => {
                matches!(self.person.role, Role::Planner | Role::Owner)
            }
            Right::Buy => matches!(self.person.role, Role::Buyer | Role::Owner),
            _ => self.person.role != Role::Viewer,
        }
    }

    pub fn check(&self, right: Right) -> Result<(), Failure> {
        if self.may(right) { Ok(()) } else { Err(Failure::NotAllowed { what: right.says() }) }
    }

    /// The frame of a page for them, with what just happened.
    pub fn frame(&self, title: impl Into<String>, room: Room) -> Frame {
        let who = Who {
            name: self.person.name.clone(),
            role: self.person.role.to_string(),
            form_key: self.form_key.clone(),
        };
        Frame::of(title, room, who).with_notice(self.notice.clone())
    }

    /// Them as the author of a change.
    pub fn author(&self, state: &PagesState) -> Author {
        Author {
            id: Some(self.person.id.0),
            name: self.person.name.clone(),
            at: state.now(),
            note: None,
        }
    }
}

impl FromRequestParts<PagesState> for Visitor {
    type Rejection = Failure;

    async fn from_request_parts(parts: &mut Parts, state: &PagesState) -> Result<Self, Failure> {
        let onward = match parts.method {
            Method::GET => parts.uri.path_and_query().map_or("/", |path| path.as_str()),
            // A form sent after the session ended: back to where one can start.
            _ => "/",
        };
        let signed_out = || Failure::SignedOut { onward: onward.to_owned() };
        let token = Cookie::Session.read(&parts.headers, state.cookies).ok_or_else(signed_out)?;
        let secret = Secret::given(&token);
        let found = sessions::find(state.store.connection(), &secret, state.now()).await?;
        let session = found.ok_or_else(signed_out)?;
        let notice = Cookie::Notice.read(&parts.headers, state.cookies);
        Ok(Self {
            organisation: session.organisation,
            person: session.person,
            session: session.session,
            form_key: session.csrf_token,
            notice: notice.as_deref().and_then(read_notice),
        })
    }
}

/// A form that came from a page of ours, and who sent it.
pub struct Posted {
    pub visitor: Visitor,
    pub fields: Fields,
}

/// The fields of a form, in the order in which they were sent.
#[derive(Clone, Debug, Default)]
pub struct Fields(Vec<(String, String)>);

impl Fields {
    #[cfg(test)]
    pub fn of(pairs: &[(&str, &str)]) -> Self {
        Self(pairs.iter().map(|(key, value)| ((*key).to_owned(), (*value).to_owned())).collect())
    }

    /// What was typed, without spaces around it; empty where the field is absent.
    pub fn get(&self, name: &str) -> &str {
        self.0.iter().find(|(key, _)| key == name).map_or("", |(_, value)| value.trim())
    }

    /// Whether the form had such a field, with or without something in it.
    pub fn sent(&self, name: &str) -> bool {
        self.0.iter().any(|(key, _)| key == name)
    }

    /// All values of a name, in the order of the form.
    pub fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        self.0.iter().filter(move |(key, _)| key == name).map(|(_, value)| value.trim())
    }

    pub fn has(&self, name: &str) -> bool {
        !self.get(name).is_empty()
    }

    /// The same as it was typed: for passwords.
    pub fn get_whole(&self, name: &str) -> &str {
        self.0.iter().find(|(key, _)| key == name).map_or("", |(_, value)| value)
    }
}

impl FromRequest<PagesState> for Posted {
    type Rejection = Failure;

    async fn from_request(request: Request, state: &PagesState) -> Result<Self, Failure> {
        let (mut parts, body) = request.into_parts();
        check_origin(&parts.headers)?;
        let visitor = Visitor::from_request_parts(&mut parts, state).await?;
        let fields = read_form(Request::from_parts(parts, body), state).await?;
        if !same(fields.get("form_key"), &visitor.form_key) {
            return Err(Failure::OldForm);
        }
        Ok(Self { visitor, fields })
    }
}

/// Largest file taken in by a form; some 300,000 readings. Larger ones go in parts, or by the command
/// line.
pub const FILE_BYTES_MAX: usize = 16 << 20;

/// A form with a file, from a page of ours, and who sent it.
pub struct PostedFile {
    pub visitor: Visitor,
    pub fields: Fields,
    /// Its name and what it holds; `None` where none was chosen.
    pub file: Option<(String, Vec<u8>)>,
    /// The file was larger than [`FILE_BYTES_MAX`]; nothing of it is here.
    pub too_large: bool,
}

impl FromRequest<PagesState> for PostedFile {
    type Rejection = Failure;

    async fn from_request(request: Request, state: &PagesState) -> Result<Self, Failure> {
        let (mut parts, body) = request.into_parts();
        check_origin(&parts.headers)?;
        let visitor = Visitor::from_request_parts(&mut parts, state).await?;
        let form = Multipart::from_request(Request::from_parts(parts, body), state).await;
        let mut form = form.map_err(|_| Failure::Unreadable)?;
        let (mut fields, mut file, mut too_large) = (Fields::default(), None, false);
        // The key stands before the file, so that a stranger's file is not taken in.
        while let Some(field) = form.next_field().await.map_err(|_| Failure::Unreadable)? {
            let name = field.name().unwrap_or_default().to_owned();
            let Some(file_name) = field.file_name().map(str::to_owned) else {
                let text = field.text().await.map_err(|_| Failure::Unreadable)?;
                fields.0.push((name, text));
                continue;
            };
            if !same(fields.get("form_key"), &visitor.form_key) {
                return Err(Failure::OldForm);
            }
            match receive(field).await? {
                None => too_large = true,
                Some(bytes) if file_name.is_empty() && bytes.is_empty() => {}
                Some(bytes) => file = Some((file_name, bytes)),
            }
        }
        if !same(fields.get("form_key"), &visitor.form_key) {
            return Err(Failure::OldForm);
        }
        Ok(Self { visitor, fields, file, too_large })
    }
}

/// A file as it comes; `None` where it is too large. It is then read to its end all the same, as far
/// as the route takes it: a browser shows an answer only to what it could send.
async fn receive(mut field: MultipartField<'_>) -> Result<Option<Vec<u8>>, Failure> {
    let (mut file, mut seen) = (Vec::new(), 0);
    while let Some(chunk) = field.chunk().await.map_err(|_| Failure::Unreadable)? {
        seen += chunk.len();
        if seen <= FILE_BYTES_MAX {
            file.extend_from_slice(&chunk);
        } else {
            file = Vec::new();
        }
    }
    Ok((seen <= FILE_BYTES_MAX).then_some(file))
}

/// The fields of a form from anybody: only for signing in.
pub async fn read_form(request: Request, state: &PagesState) -> Result<Fields, Failure> {
    // The router limits its size.
    let form = Form::<Vec<(String, String)>>::from_request(request, state).await;
    form.map(|Form(fields)| Fields(fields)).map_err(|_| Failure::Unreadable)
}

/// Refuses a form that a browser says another site's page sent. What browsers do not say is left
/// to the form's key.
pub fn check_origin(headers: &HeaderMap) -> Result<(), Failure> {
    let said = headers.get("sec-fetch-site").and_then(|value| value.to_str().ok());
    match said {
        None | Some("same-origin" | "none") => Ok(()),
        Some(_) => Err(Failure::OldForm),
    }
}

/// Compares in a time that does not tell where they differ.
fn same(given: &str, expected: &str) -> bool {
    !expected.is_empty()
        && given.len() == expected.len()
        && given.bytes().zip(expected.bytes()).fold(0, |all, (a, b)| all | (a ^ b)) == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_form_key_must_be_whole_and_there() {
        assert!(same("abc", "abc"));
        for (given, expected) in [("", ""), ("ab", "abc"), ("abd", "abc"), ("abc", "")] {
            assert!(!same(given, expected), "{given:?} {expected:?}");
        }
    }

    #[test]
    fn fields_are_found_by_name_and_trimmed() {
        let pairs = [("a", " 1 "), ("b", " "), ("a", "2")];
        let fields = Fields(pairs.map(|(k, v)| (k.to_owned(), v.to_owned())).to_vec());
        assert_eq!((fields.get("a"), fields.get_whole("a"), fields.get("d")), ("1", " 1 ", ""));
        assert!(!fields.has("b"));
    }

    #[test]
    fn a_form_from_another_site_is_refused() {
        let mut headers = HeaderMap::new();
        assert!(check_origin(&headers).is_ok());
        headers.insert("sec-fetch-site", "cross-site".parse().unwrap());
        assert!(check_origin(&headers).is_err());
        headers.insert("sec-fetch-site", "same-origin".parse().unwrap());
        assert!(check_origin(&headers).is_ok());
    }
}
