//! Load a file: looked at first, kept when its reader says so.
//!
//! The file waits in memory between the two, so that nobody chooses it twice. Kept per process, one
//! for each who is signed in, a few at most and not for long: where it has gone, it is asked for
//! again.

use std::collections::HashMap;
use std::io::Cursor;
use std::sync::{Mutex, PoisonError};

use askama::Template;
use axum::body::Bytes;
use axum::extract::{Path, State};
use axum::http::HeaderValue;
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, TimeDelta, Utc};
use exchange::load::Kind;
use exchange::table::{RowFault, is_workbook};
use fleet::id::SessionId;
use store::load::{Ending, FaultyRows, Input, LoadReport, LoadRequest, load};
use tokio::runtime::Handle;
use uuid::Uuid;

use crate::failure::{Failure, onward, sentence, shown, shown_again};
use crate::figures::{capital, count};
use crate::form::{Choice, choose};
use crate::frame::{Frame, Link, Notice, Room};
use crate::state::PagesState;
use crate::visitor::{FILE_BYTES_MAX, Posted, PostedFile, Visitor};
use crate::yard;

/// Most that is read of a form whose file is too large, so that its sender is told.
pub const FORM_BYTES_MAX: usize = 256 << 20;
const PATH: &str = "/yard/files";
/// Files that wait at once; the oldest goes first.
const WAITING_MAX: usize = 8;
const WAITING_MINUTES: i64 = 30;
/// Bad values listed; the rest are counted.
const FAULTS_SHOWN: usize = 200;

#[derive(Template)]
#[template(path = "files.html")]
pub struct FilesPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub kinds: Vec<Choice>,
    pub kind_fault: String,
    pub file_fault: String,
    pub looked: Option<Looked>,
    pub templates: Vec<TemplateRow>,
}

/// What came of looking at a file.
#[derive(Clone, Debug, Default)]
pub struct Looked {
    pub heading: String,
    pub says: String,
    pub faults: Vec<FaultRow>,
    /// How many more there are.
    pub more: String,
    pub keep: Option<Keep>,
}

/// A bad value and why.
#[derive(Clone, Debug)]
pub struct FaultRow {
    pub line: String,
    pub column: String,
    pub value: String,
    pub why: String,
}

/// The button that keeps what was looked at.
#[derive(Clone, Debug)]
pub struct Keep {
    pub id: String,
    pub text: String,
    /// Without faults it is what one came for; with faults it is the second choice.
    pub class: &'static str,
}

/// A kind of file, and the one to fill in.
#[derive(Clone, Debug)]
pub struct TemplateRow {
    pub link: Link,
    pub about: String,
}

/// A file that waits for its reader.
#[derive(Clone)]
struct Waiting {
    id: Uuid,
    kind: Kind,
    name: String,
    bytes: Bytes,
    /// Whether its reader has seen bad rows, and may leave them out.
    faulty: FaultyRows,
    since: DateTime<Utc>,
}

/// Files that wait, by who is signed in.
#[derive(Default)]
pub struct Uploads {
    waiting: Mutex<HashMap<SessionId, Waiting>>,
}

impl Uploads {
    fn put(&self, session: SessionId, file: Waiting) {
        let mut waiting = self.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        let now = file.since;
        waiting.retain(|_, other| now - other.since < TimeDelta::minutes(WAITING_MINUTES));
        waiting.remove(&session);
        if waiting.len() >= WAITING_MAX {
            let oldest = waiting.iter().min_by_key(|(_, file)| file.since).map(|(id, _)| *id);
            if let Some(oldest) = oldest {
                waiting.remove(&oldest);
            }
        }
        waiting.insert(session, file);
    }

    /// The file of that session, if it is the one meant and still there; it is gone from here then.
    fn take(&self, session: SessionId, id: &str, now: DateTime<Utc>) -> Option<Waiting> {
        let mut waiting = self.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        let there = waiting.get(&session)?;
        let fresh = now - there.since < TimeDelta::minutes(WAITING_MINUTES);
        if there.id.to_string() != id || !fresh {
            return None;
        }
        waiting.remove(&session)
    }
}

pub async fn show(visitor: Visitor) -> Result<Response, Failure> {
    check(&visitor)?;
    shown(&page(&visitor, "", None))
}

/// The file to fill in, each column explained.
pub async fn template(visitor: Visitor, Path(kind): Path<String>) -> Result<Response, Failure> {
    check(&visitor)?;
    let kind: Kind = kind.parse().map_err(|_| Failure::NotFound)?;
    let name = format!("attachment; filename=\"{}.csv\"", kind.name());
    let name = HeaderValue::try_from(name).map_err(|cause| Failure::ours(&cause))?;
    let text = HeaderValue::from_static("text/csv; charset=utf-8");
    Ok(([(CONTENT_TYPE, text), (CONTENT_DISPOSITION, name)], kind.template()).into_response())
}

/// Looks at a file: all is done as if it were kept, and nothing is.
pub async fn look(
    State(state): State<PagesState>,
    posted: PostedFile,
) -> Result<Response, Failure> {
    let PostedFile { visitor, fields, file, too_large } = posted;
    check(&visitor)?;
    let chosen = fields.get("kind").to_owned();
    let kind = chosen.parse::<Kind>().ok().filter(|kind| may_load(&visitor, *kind));
    let mut again = page(&visitor, &chosen, None);
    if kind.is_none() {
        again.kind_fault = "Choose what the file holds.".to_owned();
    }
    if too_large {
        let mebibytes = FILE_BYTES_MAX >> 20;
        again.file_fault = format!(
            "The file is larger than {mebibytes} MB. Send it in parts, or load it on the command \
             line: slackwater load."
        );
    } else if file.is_none() {
        again.file_fault = "Choose a file.".to_owned();
    }
    let (Some(kind), Some((name, bytes)), false) = (kind, file, too_large) else {
        return shown_again(&again);
    };
    let bytes = Bytes::from(bytes);
    let (id, since, faulty) = (Uuid::now_v7(), state.now(), FaultyRows::LeaveOut);
    let mut waiting = Waiting { id, kind, name, bytes, faulty, since };
    let report = carry_out(&state, &visitor, &waiting, Ending::RollBack).await?;
    let bad = report.faults.count() > 0;
    if !bad {
        waiting.faulty = FaultyRows::RefuseFile;
    }
    let looked = looked(&waiting, &report);
    if looked.keep.is_some() {
        state.uploads.put(visitor.session, waiting);
    }
    let page = page(&visitor, kind.name(), Some(looked));
    if bad { shown_again(&page) } else { shown(&page) }
}

/// Keeps a file that was looked at.
pub async fn keep(State(state): State<PagesState>, posted: Posted) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    check(&visitor)?;
    let Some(file) = state.uploads.take(visitor.session, fields.get("file"), state.now()) else {
        let mut again = page(&visitor, fields.get("kind"), None);
        again.file_fault = "The file did not wait so long. Choose it again.".to_owned();
        return shown_again(&again);
    };
    if !may_load(&visitor, file.kind) {
        return Err(Failure::NotAllowed { what: "load such files" });
    }
    let report = carry_out(&state, &visitor, &file, Ending::Keep).await?;
    if !report.kept {
        // What is on record changed since it was looked at.
        let looked = Looked { keep: None, ..looked(&file, &report) };
        return shown_again(&page(&visitor, file.kind.name(), Some(looked)));
    }
    let LoadReport { added, faults, .. } = report;
    let left_out = match faults.count() {
        0 => String::new(),
        n => format!(
            " {} left out.",
            capital(&count(
                whole(n),
                "value that breaks a rule is",
                "values that break a rule are"
            ))
        ),
    };
    let added = count(whole(added), "row is", "rows are");
    let notice = Notice::done(format!("{}: {added} on record now.{left_out}", file.name));
    Ok(onward(&state, PATH, &notice))
}

/// Reads and loads on a thread of its own: it blocks.
async fn carry_out(
    state: &PagesState,
    visitor: &Visitor,
    file: &Waiting,
    ending: Ending,
) -> Result<LoadReport, Failure> {
    let note = Some(format!("loaded from {}", file.name));
    let author = store::Author { note, ..visitor.author(state) };
    let organisation = visitor.organisation;
    let (kind, faulty) = (file.kind, file.faulty);
    let request = LoadRequest { organisation, author, kind, faulty, ending };
    let input = input(file);
    let (store, runtime) = (state.store.clone(), Handle::current());
    let loaded = tokio::task::spawn_blocking(move || {
        runtime.block_on(load(&store, &request, input, &mut |_| ()))
    });
    Ok(loaded.await.map_err(|cause| Failure::ours(&cause))??)
}

fn input(file: &Waiting) -> Input {
    let name = file.name.to_lowercase();
    if is_workbook(&file.bytes) {
        Input::Workbook { bytes: file.bytes.to_vec(), sheet: None }
    } else if name.ends_with(".ndjson") || name.ends_with(".jsonl") {
        Input::Objects(Box::new(Cursor::new(file.bytes.clone())))
    } else {
        Input::Text(Box::new(Cursor::new(file.bytes.clone())))
    }
}

fn looked(file: &Waiting, report: &LoadReport) -> Looked {
    let LoadReport { read, added, unchanged, faults, .. } = report;
    let rows = |n: u64| count(whole(n), "row", "rows");
    let bad = faults.count();
    let new = format!("{} new", count(whole(*added), "row is", "rows are"));
    let there = match unchanged {
        0 => String::new(),
        n => format!(", {} on record already", count(whole(*n), "is", "are")),
    };
    let says = match (bad, *added) {
        (0, 0) => format!("{} read{there}. There is nothing to load.", rows(*read)),
        (0, _) => format!("{} read: {new}{there}. Nothing is kept yet.", rows(*read)),
        (n, _) => format!(
            "{} break a rule: see below where and why. Of {} read, {new}{there}. Correct the file and \
             choose it again; nothing is kept yet.",
            count(whole(n), "value", "values"),
            rows(*read)
        ),
    };
    let says = says.replacen("1 value break ", "1 value breaks ", 1);
    let (text, class) = match bad {
        0 => (format!("Load {}", count(whole(*added), "row", "rows")), ""),
        _ => (format!("Load the {} without fault, leave the others out", rows(*added)), "plain"),
    };
    let keep = (*added > 0).then(|| Keep { id: file.id.to_string(), text, class });
    let more = bad.saturating_sub(FAULTS_SHOWN as u64);
    Looked {
        heading: format!("{}, looked at", file.name),
        says,
        faults: faults.faults().iter().take(FAULTS_SHOWN).map(fault_row).collect(),
        more: if more == 0 { String::new() } else { format!("And {more} more.") },
        keep,
    }
}

fn fault_row(fault: &RowFault) -> FaultRow {
    let line = match &fault.sheet {
        Some(sheet) => format!("{sheet}, row {}", fault.line),
        None => fault.line.to_string(),
    };
    FaultRow {
        line,
        column: fault.column.clone(),
        value: fault.value.clone(),
        why: sentence(&fault.message),
    }
}

/// Numbers of rows, for words that count things.
fn whole(n: u64) -> usize {
    usize::try_from(n).unwrap_or(usize::MAX)
}

fn may_load(visitor: &Visitor, kind: Kind) -> bool {
    visitor.person.role.includes(kind.role())
}

/// The way here, for whoever may load some kind of file.
pub fn path(visitor: &Visitor) -> Option<Link> {
    let may = Kind::ALL.into_iter().any(|kind| may_load(visitor, kind));
    may.then(|| Link::new("Load a file", PATH))
}

fn check(visitor: &Visitor) -> Result<(), Failure> {
    match path(visitor) {
        Some(_) => Ok(()),
        None => Err(Failure::NotAllowed { what: "load files" }),
    }
}

fn page(visitor: &Visitor, chosen: &str, looked: Option<Looked>) -> FilesPage {
    let kinds = Kind::ALL.into_iter().filter(|kind| may_load(visitor, *kind));
    let choices = kinds
        .clone()
        .map(|kind| Choice::new(kind.name(), format!("{}: {}", in_words(kind), kind.about())));
    let templates = kinds.map(|kind| TemplateRow {
        link: Link::new(format!("{}.csv", kind.name()), format!("/yard/files/{}", kind.name())),
        about: kind.about().to_owned(),
    });
    FilesPage {
        frame: visitor.frame("Load a file", Room::Yard),
        heading: "Load a file".to_owned(),
        lead:
            "It is looked at first, and nothing is kept until you say so. Rows that are on record \
               already change nothing, so a corrected file can be loaded again."
                .to_owned(),
        paths: yard::paths(visitor, PATH),
        templates: templates.collect(),
        kinds: choose([Choice::new("", "Choose")].into_iter().chain(choices), chosen),
        kind_fault: String::new(),
        file_fault: String::new(),
        looked,
    }
}

/// `finding-kinds` → `Finding kinds`.
fn in_words(kind: Kind) -> String {
    capital(&kind.name().replace('-', " "))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn waiting(minutes: i64) -> Waiting {
        Waiting {
            id: Uuid::now_v7(),
            kind: Kind::Boats,
            name: "boats.csv".to_owned(),
            bytes: Bytes::from_static(b"boat\n"),
            faulty: FaultyRows::RefuseFile,
            since: DateTime::UNIX_EPOCH + TimeDelta::minutes(minutes),
        }
    }

    #[test]
    fn a_file_waits_for_its_own_reader_and_not_for_ever() {
        let uploads = Uploads::default();
        let (ours, theirs) = (SessionId::fresh(), SessionId::fresh());
        let file = waiting(0);
        let id = file.id.to_string();
        let at = |minutes| DateTime::UNIX_EPOCH + TimeDelta::minutes(minutes);
        uploads.put(ours, file.clone());
        assert!(uploads.take(theirs, &id, at(1)).is_none());
        assert!(uploads.take(ours, "another", at(1)).is_none());
        assert!(uploads.take(ours, &id, at(WAITING_MINUTES)).is_none());
        assert!(uploads.take(ours, &id, at(WAITING_MINUTES - 1)).is_some());
        assert!(uploads.take(ours, &id, at(1)).is_none(), "it is taken once");
    }

    #[test]
    fn only_a_few_files_wait_and_the_oldest_goes_first() {
        let uploads = Uploads::default();
        let files: Vec<_> =
            (0..=WAITING_MAX as i64).map(|n| (SessionId::fresh(), waiting(n))).collect();
        files.iter().for_each(|(session, file)| uploads.put(*session, file.clone()));
        let now = DateTime::UNIX_EPOCH + TimeDelta::minutes(10);
        let there = |(session, file): &(SessionId, Waiting)| {
            uploads.take(*session, &file.id.to_string(), now).is_some()
        };
        let waiting: Vec<bool> = files.iter().map(there).collect();
        assert!(!waiting[0] && waiting[1..].iter().all(|there| *there), "{waiting:?}");
    }
}
