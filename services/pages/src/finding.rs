//! Something was found on an engine; a safety finding holds it.

use std::collections::HashMap;

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;
use fleet::engine::Engine;
use fleet::finding::{Finding, FindingStatus, Hold};
use fleet::id::{EngineId, FindingId, HoldId, TaskId};
use fleet::programme::{FindingKind, Task, Urgency};
use store::{StoreError, Transaction, findings, record};
use uuid::Uuid;

use crate::engine::{self, ClearingTyped, asks_of_finding};
use crate::failure::{Failure, onward, shown, shown_again};
use crate::figures::capital;
use crate::form::{Field, Mark};
use crate::frame::{Frame, Link, Notice, Room};
use crate::reads::{Standing, standings};
use crate::state::PagesState;
use crate::visitor::{Posted, Right, Visitor};
use crate::yard_records::{Yard, engine_path};

#[derive(Template)]
#[template(path = "finding.html")]
pub struct FindingPage {
    pub frame: Frame,
    pub engine: Link,
    pub heading: String,
    pub lead: String,
    pub action: String,
    pub kinds: Vec<KindChoice>,
    pub kind: Field,
    pub note: Field,
    pub hold: bool,
}

#[derive(Clone, Debug)]
pub struct KindChoice {
    pub value: String,
    pub text: String,
    pub chosen: bool,
    pub mark: Option<Mark>,
    /// What is done about it.
    pub work: String,
}

/// Longest note taken.
const NOTE_MAX: usize = 4_000;
/// The choice for what no kind on the list names.
const OTHER: &str = "other";

/// What the form holds.
#[derive(Default)]
struct Typed {
    kind: Field,
    note: Field,
    hold: bool,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(engine): Path<Uuid>,
) -> Result<Response, Failure> {
    visitor.check(Right::RecordFindings)?;
    let about = About::read(&state, &visitor, EngineId(engine)).await?;
    shown(&about.page(&visitor, Typed::default()))
}

pub async fn save(
    State(state): State<PagesState>,
    Path(engine): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::RecordFindings)?;
    let about = About::read(&state, &visitor, EngineId(engine)).await?;
    let mut typed = Typed {
        kind: Field::of(fields.get("kind")),
        note: Field::of(fields.get("note")),
        hold: fields.has("hold"),
    };
    let kind = about.kinds.iter().find(|kind| kind.id.to_string() == typed.kind.value);
    if kind.is_none() && typed.kind.value != OTHER {
        typed.kind.fault = "Choose what was found.".to_owned();
    } else if kind.is_none() && typed.note.value.is_empty() {
        typed.note.fault = "Say in a few words what was found.".to_owned();
    } else if typed.note.value.chars().count() > NOTE_MAX {
        typed.note.fault = format!("At most {NOTE_MAX} characters.");
    }
    if typed.kind.wrong() || typed.note.wrong() {
        return shown_again(&about.page(&visitor, typed));
    }
    let finding = about.found(&state, &visitor, kind, &typed);
    let (organisation, author) = (visitor.organisation, visitor.author(&state));
    let write =
        async |tx: &Transaction| findings::record(tx, organisation, &author, &finding).await;
    let followed = state.store.write::<_, StoreError>(write).await?;
    let name = about.yard.name(about.engine.id);
    let says = match &followed.hold {
        Some(_) => {
            format!("Recorded: {}. {name} is on hold and counts as not there.", finding.title)
        }
        None => format!("Recorded: {}. {name} may still be hired.", finding.title),
    };
    let says = format!("{says} Job {} is proposed on the bench.", followed.job.number);
    let path = engine_path(about.engine.id);
    let notice = Notice { saved: format!("finding {path}"), ..Notice::done(says) };
    Ok(onward(&state, &path, &notice))
}

/// Clears a hold, with what was done about it.
pub async fn clear_hold(
    State(state): State<PagesState>,
    Path(hold): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let hold = record::get::<Hold>(connection, organisation, HoldId(hold)).await?;
    visitor.check(if hold.safety { Right::ClearSafetyHold } else { Right::ClearHold })?;
    let path = engine_path(hold.engine);
    let mut note = Field::of(fields.get("note"));
    let mut settled = Field::of(fields.get("settled"));
    let of_engine = findings::of_engines(connection, organisation, &[hold.engine]).await?;
    if note.value.is_empty() {
        note.fault = "Say what was done, then clear the hold.".to_owned();
    }
    if asks_of_finding(&hold, &of_engine) && !["yes", "no"].contains(&settled.value.as_str()) {
        settled.fault = "Say whether what was found is settled.".to_owned();
    }
    if note.wrong() || settled.wrong() {
        let typed = ClearingTyped { hold: hold.id, note, settled };
        return shown_again(&engine::whole(&state, &visitor, hold.engine, Some(typed)).await?);
    }
    let (author, note) = (visitor.author(&state), note.value);
    let settles = settled.value == "yes";
    let clear = async |tx: &Transaction| {
        let (of, note) = ((organisation, &author, &visitor.person), &note);
        if settles {
            findings::clear_and_settle(tx, of.0, of.1, of.2, hold.id, note).await.map(drop)
        } else {
            findings::clear_hold(tx, of.0, of.1, of.2, hold.id, note).await.map(drop)
        }
    };
    state.store.write::<_, StoreError>(clear).await?;
    let finding = match (settles, settled.value.is_empty()) {
        (true, _) => " Its finding is closed.",
        (false, false) => " Its finding stays open.",
        (false, true) => "",
    };
    let says = format!("The hold for \"{}\" is cleared: {note}.{finding}", hold.reason);
    Ok(onward(&state, &path, &Notice::done(says)))
}

struct About {
    yard: Yard,
    engine: Engine,
    standing: Option<Standing>,
    kinds: Vec<FindingKind>,
    tasks: HashMap<TaskId, Task>,
}

impl About {
    async fn read(
        state: &PagesState,
        visitor: &Visitor,
        engine: EngineId,
    ) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let engine = record::get::<Engine>(connection, organisation, engine).await?;
        let standings = standings(connection, organisation, &[engine.id]).await?;
        let mut kinds: Vec<FindingKind> = record::all(connection, organisation).await?;
        kinds.retain(|kind| !kind.archived);
        // What stops a hire first: it is looked for in a hurry.
        kinds.sort_by(|a, b| (a.urgency, &a.name).cmp(&(b.urgency, &b.name)));
        let tasks: Vec<Task> = record::all(connection, organisation).await?;
        Ok(Self {
            yard: Yard::read(state, visitor).await?,
            standing: standings.get(&engine.id).copied(),
            engine,
            kinds,
            tasks: tasks.into_iter().map(|task| (task.id, task)).collect(),
        })
    }

    fn found(
        &self,
        state: &PagesState,
        visitor: &Visitor,
        kind: Option<&FindingKind>,
        typed: &Typed,
    ) -> Finding {
        let note = (!typed.note.value.is_empty()).then(|| typed.note.value.clone());
        let title: String = match kind {
            Some(kind) => kind.name.clone(),
            None => typed.note.value.chars().take(80).collect(),
        };
        let (urgency, safety) =
            kind.map_or((Urgency::NextService, false), |kind| (kind.urgency, kind.safety));
        Finding {
            id: FindingId::fresh(),
            version: 1,
            engine: self.engine.id,
            kind: kind.map(|kind| kind.id),
            title,
            urgency: if typed.hold { Urgency::Stop } else { urgency },
            safety,
            status: FindingStatus::Open,
            found_at: state.now(),
            found_by: Some(visitor.person.id),
            life: self.standing.map(|standing| standing.life),
            note,
            closed_at: None,
            closing_note: None,
        }
    }

    fn page(&self, visitor: &Visitor, typed: Typed) -> FindingPage {
        let Self { yard, engine, .. } = self;
        let path = engine_path(engine.id);
        let choice = |kind: &FindingKind| KindChoice {
            value: kind.id.to_string(),
            text: capital(&kind.name),
            chosen: kind.id.to_string() == typed.kind.value,
            mark: mark(kind),
            work: self.work(kind),
        };
        let other = KindChoice {
            value: OTHER.to_owned(),
            text: "Something else".to_owned(),
            chosen: typed.kind.value == OTHER,
            mark: None,
            work: "In your own words below.".to_owned(),
        };
        FindingPage {
            frame: visitor.frame("Record a finding", Room::Fleet),
            engine: Link::new(&engine.serial, &path),
            heading: format!("Record a finding on {}", yard.name(engine.id)),
            lead: "A finding marked “stop” takes the engine off hire at once.".to_owned(),
            action: format!("{path}/finding"),
            kinds: self.kinds.iter().map(choice).chain([other]).collect(),
            kind: typed.kind,
            note: typed.note,
            hold: typed.hold,
        }
    }

    fn work(&self, kind: &FindingKind) -> String {
        let task = kind.task.and_then(|task| self.tasks.get(&task));
        let cause = kind.likely_cause.as_deref().map(|cause| format!("Likely: {cause}."));
        let task = task.map(|task| format!("Asks for: {}.", task.name));
        cause.into_iter().chain(task).collect::<Vec<_>>().join(" ")
    }
}

fn mark(kind: &FindingKind) -> Option<Mark> {
    match kind.urgency {
        Urgency::Stop => Some(Mark::stop("stop")),
        Urgency::ThreeDays => Some(Mark::soon("3 days")),
        Urgency::NextService | Urgency::LayUp => None,
    }
}
