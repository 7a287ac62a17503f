//! A boat is looked over at hand-over or return: quick on a phone, and what is not as it should be is
//! a finding at once.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;
use fleet::boat::Fitting;
use fleet::engine::Engine;
use fleet::hire::{CheckItem, CheckItemKind, CheckKind, CheckOutcome, HireCheck};
use fleet::hours::Hours;
use fleet::id::{CheckItemId, EngineId, HireCheckId, ReadingId};
use fleet::reading::{Reading, ReadingKind};
use store::readings::{self, ReadingError};
use store::{StoreError, Transaction, boats, hire, record};
use uuid::Uuid;

use crate::failure::{Failure, onward, sentence, shown, shown_again};
use crate::figures::{capital, count, hours, moment};
use crate::form::{Choice, Field, Mark, choose};
use crate::frame::{Frame, Link, Notice, Room};
use crate::reads::{Standing, standings};
use crate::state::PagesState;
use crate::visitor::{Fields, Posted, Right, Visitor};
use crate::yard_records::{Yard, engine_path};

#[derive(Template)]
#[template(path = "check.html")]
pub struct CheckPage {
    pub frame: Frame,
    pub engine: Link,
    pub heading: String,
    pub path: String,
    /// Why no check can be taken; else the form is there.
    pub nowhere: String,
    pub kinds: Vec<Choice>,
    pub kind: Field,
    pub lines: Vec<CheckLine>,
    pub meter: Field,
    pub meter_hint: String,
    pub note: Field,
}

/// One thing to look at.
#[derive(Clone, Debug)]
pub struct CheckLine {
    pub name: &'static str,
    pub text: &'static str,
    /// What follows where it is not good.
    pub follows: &'static str,
    /// "good", "bad" or nothing.
    pub outcome: String,
}

/// A check as an engine's page lists it.
#[derive(Clone, Debug)]
pub struct CheckSeen {
    pub mark: Option<Mark>,
    pub sentence: String,
}

/// As many as an engine's page lists.
const LATEST: u64 = 5;
const NOTE_MAX: usize = 4_000;

/// In the order in which somebody walks round the boat.
const LINES: [(CheckItemKind, &str); 8] = [
    (CheckItemKind::FuelLeaks, "No fuel leak at tank, hose, engine"),
    (CheckItemKind::StopCord, "Stop cord stops the engine"),
    (CheckItemKind::TellTale, "Water at the tell-tale"),
    (CheckItemKind::Shift, "In and out of gear"),
    (CheckItemKind::Propeller, "Propeller whole, no line round it"),
    (CheckItemKind::Clamps, "Clamps and transom"),
    (CheckItemKind::OilLevel, "Engine oil level"),
    (CheckItemKind::Flushed, "Flushed with fresh water"),
];

const fn item_words(item: CheckItemKind) -> &'static str {
    match item {
        CheckItemKind::OilLevel => "oil level",
        CheckItemKind::StopCord => "stop cord",
        CheckItemKind::FuelLeaks => "fuel",
        CheckItemKind::Clamps => "clamps",
        CheckItemKind::Propeller => "propeller",
        CheckItemKind::TellTale => "tell-tale",
        CheckItemKind::Shift => "gear",
        CheckItemKind::Flushed => "flushing",
    }
}

/// What a bad line leads to, said before it is chosen.
const fn follows(item: CheckItemKind) -> &'static str {
    match item.finding() {
        Some((_, fleet::programme::Urgency::Stop, _)) => "holds the engine",
        Some(_) => "within 3 days",
        None => "put it right now",
    }
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(engine): Path<Uuid>,
) -> Result<Response, Failure> {
    visitor.check(Right::RecordFindings)?;
    let about = About::read(&state, &visitor, EngineId(engine)).await?;
    shown(&about.page(&visitor, &Fields::default(), Faults::default()))
}

/// What is wrong with what was typed.
#[derive(Default)]
struct Faults {
    kind: String,
    meter: String,
    note: String,
}

pub async fn save(
    State(state): State<PagesState>,
    Path(engine): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::RecordFindings)?;
    let about = About::read(&state, &visitor, EngineId(engine)).await?;
    let mut faults = Faults::default();
    let kind = fields.get("kind").parse::<CheckKind>().ok();
    if kind.is_none() {
        faults.kind = "Say whether it goes out or came back.".to_owned();
    }
    let meter = match fields.get("meter") {
        "" => None,
        text => match Hours::parse(text) {
            Ok(shown) => Some(shown),
            Err(error) => {
                faults.meter = sentence(&error.to_string());
                None
            }
        },
    };
    let note = fields.get("note");
    if note.chars().count() > NOTE_MAX {
        faults.note = format!("At most {NOTE_MAX} characters.");
    }
    let wrong = [&faults.kind, &faults.meter, &faults.note].iter().any(|fault| !fault.is_empty());
    let (Some(kind), Some(place), false) = (kind, about.place.as_ref(), wrong) else {
        return shown_again(&about.page(&visitor, &fields, faults));
    };
    let (organisation, author) = (visitor.organisation, visitor.author(&state));
    let now = author.at;
    let check = HireCheck {
        id: HireCheckId::fresh(),
        boat: place.boat,
        engine: Some(about.engine.id),
        kind,
        checked_at: now,
        checked_by: Some(visitor.person.id),
        note: (!note.is_empty()).then(|| note.to_owned()),
    };
    let items = seen(&fields, check.id);
    let reading = meter.map(|shown| about.reading(&visitor, shown, now));
    let write = async |tx: &Transaction| {
        if let Some(reading) = &reading {
            readings::append(tx, organisation, reading, now).await?;
        }
        let kept = hire::record_check(tx, organisation, check.clone(), &items, now).await?;
        Ok::<_, ReadingError>(hire::raise_findings(tx, organisation, &author, &kept, &items).await?)
    };
    match state.store.write(write).await {
        Ok(raised) => {
            let path = engine_path(about.engine.id);
            let holds = raised.iter().any(|(_, followed)| followed.hold.is_some());
            let name = about.yard.name(about.engine.id);
            let says = match (raised.len(), holds) {
                (0, _) => format!("Checked: {name}."),
                (found, true) => format!(
                    "Checked: {name}. {} recorded; it is on hold and counts as not there.",
                    count(found, "finding", "findings")
                ),
                (found, false) => format!(
                    "Checked: {name}. {} recorded; it may still be hired.",
                    count(found, "finding", "findings")
                ),
            };
            let notice = Notice { saved: format!("check {path}"), ..Notice::done(says) };
            Ok(onward(&state, &path, &notice))
        }
        Err(ReadingError::Ledger(error)) => {
            faults.meter = sentence(&error.to_string());
            shown_again(&about.page(&visitor, &fields, faults))
        }
        Err(ReadingError::Store(StoreError::Broken { what, .. })) => {
            let mut page = about.page(&visitor, &fields, faults);
            page.frame.notice = Some(Notice::wrong(sentence(&what)));
            shown_again(&page)
        }
        Err(ReadingError::Store(error)) => Err(error.into()),
    }
}

/// What was looked at; what has neither mark was not.
fn seen(fields: &Fields, check: HireCheckId) -> Vec<CheckItem> {
    let item = |(item, _): &(CheckItemKind, &str)| CheckItem {
        id: CheckItemId::fresh(),
        check,
        item: *item,
        outcome: fields.get(item.as_str()).parse().unwrap_or(CheckOutcome::NotLooked),
    };
    LINES.iter().map(item).collect()
}

/// The latest checks of an engine, as its page lists them.
pub async fn latest(
    state: &PagesState,
    visitor: &Visitor,
    yard: &Yard,
    engine: EngineId,
) -> Result<Vec<CheckSeen>, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let checks = hire::latest_checks_of_engine(connection, organisation, engine, LATEST).await?;
    Ok(checks.iter().map(|(check, items)| line(yard, check, items)).collect())
}

fn line(yard: &Yard, check: &HireCheck, items: &[CheckItem]) -> CheckSeen {
    let of = |outcome: CheckOutcome| -> Vec<&str> {
        items.iter().filter(|one| one.outcome == outcome).map(|one| item_words(one.item)).collect()
    };
    let (bad, good) = (of(CheckOutcome::Bad), of(CheckOutcome::Good));
    let kind = match check.kind {
        CheckKind::HandOver => "hand-over",
        CheckKind::Return => "return",
    };
    let at = moment(check.checked_at, yard.zone, yard.today);
    let boat = yard.boats.get(&check.boat).map_or("", |boat| boat.name.as_str());
    let seen = match (bad.is_empty(), good.len()) {
        (false, _) => format!("not good: {}", bad.join(", ")),
        (true, 0) => "nothing was looked at".to_owned(),
        (true, good) if good == items.len() => "all good".to_owned(),
        (true, good) => format!("{good} of {} good, the others not looked at", items.len()),
    };
    let note = check.note.as_deref().map(|note| format!(": {note}")).unwrap_or_default();
    CheckSeen {
        mark: (!bad.is_empty()).then(|| Mark::soon("not good")),
        sentence: format!("{} of {boat}, {at}, {seen}{note}", capital(kind)),
    }
}

struct About {
    yard: Yard,
    engine: Engine,
    place: Option<Fitting>,
    standing: Option<Standing>,
}

impl About {
    async fn read(
        state: &PagesState,
        visitor: &Visitor,
        engine: EngineId,
    ) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let engine = record::get::<Engine>(connection, organisation, engine).await?;
        let place = boats::open_of(connection, organisation, engine.id).await?;
        let standings = standings(connection, organisation, &[engine.id]).await?;
        let mut yard = Yard::read(state, visitor).await?;
        yard.write_hours_as(standings.values());
        Ok(Self { yard, standing: standings.get(&engine.id).copied(), place, engine })
    }

    fn reading(
        &self,
        visitor: &Visitor,
        shown: Hours,
        now: chrono::DateTime<chrono::Utc>,
    ) -> Reading {
        Reading {
            id: ReadingId::fresh(),
            engine: self.engine.id,
            kind: ReadingKind::Reading,
            read_at: now,
            shown,
            shown_before: None,
            corrects: None,
            source: "check".to_owned(),
            recorded_by: Some(visitor.person.id),
            recorded_at: now,
            note: None,
        }
    }

    fn page(&self, visitor: &Visitor, fields: &Fields, faults: Faults) -> CheckPage {
        let path = engine_path(self.engine.id);
        let name = self.yard.name(self.engine.id);
        let typed = |name: &str, fault: String| Field { value: fields.get(name).to_owned(), fault };
        let line = |(item, text): &(CheckItemKind, &'static str)| CheckLine {
            name: item.as_str(),
            text,
            follows: follows(*item),
            outcome: fields.get(item.as_str()).to_owned(),
        };
        let kinds = [Choice::new("hand_over", "Goes out"), Choice::new("return", "Came back")];
        CheckPage {
            frame: visitor.frame("Check", Room::Fleet),
            engine: Link::new(&self.engine.serial, &path),
            heading: format!("Look over {name}"),
            path: format!("{path}/check"),
            nowhere: match &self.place {
                Some(_) => String::new(),
                None => "It sits on no boat, and a check is of a boat with its engine.".to_owned(),
            },
            kinds: choose(kinds, fields.get("kind")),
            kind: Field { value: String::new(), fault: faults.kind },
            lines: LINES.iter().map(line).collect(),
            meter_hint: self.standing.map_or("No reading is on record.".to_owned(), |standing| {
                let last = hours(standing.shown.seconds(), self.yard.style);
                format!("It last showed {last}. Leave it empty where nobody read it.")
            }),
            meter: typed("meter", faults.meter),
            note: typed("note", faults.note),
        }
    }
}
