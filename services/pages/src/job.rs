//! A job's card: what is done, with which parts, and what happens next.

use std::collections::HashMap;

use askama::Template;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Response};
use chrono::{DateTime, NaiveDate, Utc};
use fleet::bench::{Job, JobPart, JobStatus, JobTask, TaskOutcome};
use fleet::engine::{Engine, TestFigure, Torque};
use fleet::finding::{Finding, Hold};
use fleet::hours::Hours;
use fleet::id::{JobId, LotId, PartId, ReadingId, TaskId};
use fleet::job::{JobState, Shortage};
use fleet::ledger::LedgerError;
use fleet::part::{Lot, Part, Reservation};
use fleet::person::{Bay, Person};
use fleet::programme::{AccessGroup, Task};
use fleet::reading::{Reading, ReadingKind};
use store::jobs::{self, Done, Followed};
use store::parts::PartFilter;
use store::readings::{self, ReadingError};
use store::{PageOf, StoreError, Transaction, engines, findings, record, sites, stock};
use uuid::Uuid;

use crate::bench::{job_path, state_mark, state_words};
use crate::failure::{Failure, onward, sentence, shown, shown_again};
use crate::figures::{count, day, expected, hours, moment};
use crate::form::{Choice, Fact, Field, Mark, choose};
use crate::frame::{Frame, Link, Notice, Room};
use crate::job_figures::{Figures, figures};
use crate::part::amount;
use crate::reads::{Standing, standings};
use crate::state::PagesState;
use crate::transfer::{Offer, offers};
use crate::visitor::{Fields, Posted, Right, Visitor};
use crate::yard_records::{Yard, engine_path};

#[derive(Template)]
#[template(path = "job.html")]
pub struct JobPage {
    pub frame: Frame,
    /// Somebody else changed the job while this was typed.
    pub conflict: Option<Conflict>,
    pub heading: String,
    pub state: Mark,
    pub lead: String,
    pub engine: Link,
    pub path: String,
    pub version: i64,
    pub cautions: Vec<String>,
    pub facts: Vec<Fact>,
    pub waits: Vec<Wait>,
    /// `None` where nothing is taken off.
    pub figures: Option<Figures>,
    /// Whether work is written down now: on the bench or on test.
    pub at_work: bool,
    pub tasks: Vec<TaskLine>,
    pub parts: Vec<PartLine>,
    pub meter: Option<MeterField>,
    pub add: Option<AddPart>,
    /// What was asked for on the bench and can be taken off again.
    pub off: Vec<TakeOff>,
    /// Whether that stands open: it is what a short job may wait for.
    pub off_open: bool,
    /// The next step, filled; then the others.
    pub next: Option<Step>,
    pub others: Vec<Step>,
    pub leave: Vec<Leave>,
    pub finding_to: String,
}

/// What two people made of one job.
#[derive(Clone, Debug)]
pub struct Conflict {
    pub says: String,
    pub rows: Vec<ConflictRow>,
}

/// One thing that they see differently.
#[derive(Clone, Debug)]
pub struct ConflictRow {
    pub what: String,
    pub typed: String,
    pub stands: String,
}

/// A part that is missing, and where else it lies.
#[derive(Clone, Debug)]
pub struct Wait {
    pub says: String,
    pub offers: Vec<Offer>,
}

/// A button: where to, and what it says.
#[derive(Clone, Debug)]
pub struct Step {
    pub go: &'static str,
    pub says: &'static str,
}

/// Stood over or dropped: with a reason, and a day where one is waited for.
#[derive(Clone, Debug)]
pub struct Leave {
    pub go: &'static str,
    pub says: &'static str,
    pub hint: &'static str,
    pub until: Option<Field>,
    pub reason: Field,
    pub open: bool,
}

#[derive(Clone, Debug)]
pub struct TaskLine {
    pub id: String,
    pub version: i64,
    pub name: String,
    pub says: String,
    pub caution: String,
    pub outcomes: Vec<Choice>,
    pub spent: Field,
    pub note: Field,
}

#[derive(Clone, Debug)]
pub struct PartLine {
    pub id: String,
    pub version: i64,
    pub part: Link,
    pub name: String,
    pub needed: String,
    /// From which lots to take, what expires first first.
    pub lots: Vec<String>,
    pub used: Field,
    /// Asked for where far more went in than such a job takes.
    pub why: Option<Field>,
    pub says: String,
}

#[derive(Clone, Debug)]
pub struct MeterField {
    pub field: Field,
    pub last: String,
}

#[derive(Clone, Debug)]
pub struct AddPart {
    pub number: Field,
    pub quantity: Field,
    /// As in [`PartLine`].
    pub why: Option<Field>,
}

/// A part that was asked for on the bench.
#[derive(Clone, Debug)]
pub struct TakeOff {
    /// Of the job's part; the button sends `off-ID`.
    pub id: String,
    pub version: i64,
    pub says: String,
    pub fault: String,
}

const MINUTES_MAX: u32 = 24 * 60;
const REASON_MAX: usize = 500;

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(job): Path<Uuid>,
) -> Result<Response, Failure> {
    let card = Card::read(&state, &visitor, JobId(job)).await?;
    shown(&card.page(&visitor, &Typed::default()))
}

/// What was typed and what is wrong with it, by the name of its field.
#[derive(Default)]
struct Typed {
    fields: Fields,
    faults: HashMap<String, String>,
}

impl Typed {
    fn wrong(&mut self, name: impl Into<String>, fault: impl AsRef<str>) {
        self.faults.insert(name.into(), sentence(fault.as_ref()));
    }

    /// A field that is there only once something is asked.
    fn asked(&self, name: &str) -> Option<Field> {
        let there = self.faults.contains_key(name) || !self.fields.get(name).is_empty();
        there.then(|| self.field(name, ""))
    }

    /// What was typed, or what is on record.
    fn field(&self, name: &str, on_record: impl Into<String>) -> Field {
        let value = if self.fields.sent(name) {
            self.fields.get(name).to_owned()
        } else {
            on_record.into()
        };
        Field { value, fault: self.faults.get(name).cloned().unwrap_or_default() }
    }
}

/// Saves what was written down, then moves the job where a button says so. Nothing is kept where
/// something of it is wrong: what was typed stays.
pub async fn save(
    State(state): State<PagesState>,
    Path(job): Path<Uuid>,
    posted: Posted,
) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    let card = Card::read(&state, &visitor, JobId(job)).await?;
    visitor.check(match fields.get("go") {
        "agreed" | "dropped" | "proposed" => Right::AgreeJobs,
        _ => Right::WorkJobs,
    })?;
    let mut typed = Typed { fields, ..Typed::default() };
    let Some(wishes) = card.wishes(&mut typed) else {
        return shown_again(&card.page(&visitor, &typed));
    };
    match carry_out(&state, &visitor, &card, &wishes).await {
        Ok(followed) => {
            let says = card.says(&wishes, &followed);
            let saved = format!("job {}", card.job.id);
            let notice = Notice { saved, ..Notice::done(says) };
            Ok(onward(&state, &job_path(card.job.id), &notice))
        }
        Err(Refusal::At(name, fault)) => {
            typed.wrong(name, fault);
            shown_again(&card.page(&visitor, &typed))
        }
        Err(Refusal::Stale) => {
            // Read again: what stands now is what the other one made of it.
            let card = Card::read(&state, &visitor, JobId(job)).await?;
            let mut page = card.page(&visitor, &typed);
            page.conflict = Some(card.conflict(&state, &visitor, &typed).await?);
            let answer = shown(&page)?;
            Ok((StatusCode::CONFLICT, answer).into_response())
        }
        Err(Refusal::Rule(fault)) => {
            let mut page = card.page(&visitor, &typed);
            page.frame.notice = Some(Notice::wrong(sentence(&fault)));
            shown_again(&page)
        }
        Err(Refusal::Failed(failure)) => Err(failure),
    }
}

/// What the form asks for.
struct Wishes {
    tasks: Vec<(JobTask, i64, Done)>,
    /// With its version, what went in, and why so much.
    parts: Vec<(JobPart, i64, i64, Option<String>)>,
    meter: Option<Hours>,
    add: Option<(String, i64, Option<String>)>,
    /// With the version of its line.
    off: Option<(JobPart, i64)>,
    state: Option<JobState>,
    version: i64,
}

/// Why nothing was kept: a field, a rule of the job, or a fault of ours.
enum Refusal {
    At(String, String),
    Rule(String),
    /// Somebody else changed the job, a task or a part of it meanwhile.
    Stale,
    Failed(Failure),
}

impl From<StoreError> for Refusal {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Broken { .. } => Self::Rule(error.to_string()),
            StoreError::Stale { .. } => Self::Stale,
            error => Self::Failed(error.into()),
        }
    }
}

async fn carry_out(
    state: &PagesState,
    visitor: &Visitor,
    card: &Card,
    wishes: &Wishes,
) -> Result<Followed, Refusal> {
    let add = match &wishes.add {
        None => None,
        Some((number, quantity, why)) => {
            Some((card.part_of(state, visitor, number).await?, *quantity, why.as_deref()))
        }
    };
    let (organisation, who, now) = (visitor.organisation, visitor.author(state), state.now());
    let work = async |tx: &Transaction| {
        for (task, version, done) in &wishes.tasks {
            // Whoever writes a task down did it.
            let done = Done { by: Some(visitor.person.id), ..done.clone() };
            let done = jobs::done(tx, organisation, &who, task.id, *version, done).await;
            done.map_err(|error| asked(error, format!("n-{}", task.id)))?;
        }
        let mut off = wishes.off.as_ref().map(|(part, version)| (part.id, *version));
        for (part, version, used, why) in &wishes.parts {
            let used = (*used, why.as_deref());
            let used = jobs::use_part(tx, organisation, &who, part.id, *version, used).await;
            let used = used.map_err(|error| asked(error, format!("w-{}", part.id)))?;
            off = off.map(|off| if off.0 == used.id { (off.0, used.version) } else { off });
        }
        if let Some(shown) = wishes.meter {
            let reading = card.reading(visitor, shown, now);
            match readings::append(tx, organisation, &reading, now).await {
                Ok(_) => {}
                Err(ReadingError::Ledger(error)) => return Err(meter_refused(&error)),
                Err(ReadingError::Store(error)) => return Err(error.into()),
            }
        }
        let today = sites::today(tx, organisation, card.job.site, now).await?;
        let (id, version) = (card.job.id, wishes.version);
        if let Some(add) = add {
            let added = jobs::add_part(tx, organisation, &who, (id, version), add, today).await;
            return added.map_err(|error| asked(error, "add-why".to_owned()));
        }
        if let Some((part, version)) = off {
            let off = jobs::take_off_part(tx, organisation, &who, part, version, today).await;
            return off.map_err(|error| refused_at(error, format!("off-{part}")));
        }
        match wishes.state.clone() {
            Some(wanted) => {
                Ok(jobs::follow(tx, organisation, &who, id, version, wanted, today).await?)
            }
            None => Ok(Followed { job: card.job.clone(), shortages: Vec::new() }),
        }
    };
    state.store.write(work).await
}

/// What is asked about stands at the field that answers it.
fn asked(error: StoreError, name: String) -> Refusal {
    match error.rule() {
        "used-far-beyond-need" | "minutes-far-beyond-plan" => Refusal::At(name, error.to_string()),
        _ => error.into(),
    }
}

/// A rule that is broken by what one button asks for stands beside it.
fn refused_at(error: StoreError, name: String) -> Refusal {
    match error {
        StoreError::Broken { .. } => Refusal::At(name, error.to_string()),
        error => error.into(),
    }
}

fn meter_refused(error: &LedgerError) -> Refusal {
    Refusal::At("meter".to_owned(), error.to_string())
}

/// All that a card shows.
struct Card {
    yard: Yard,
    job: Job,
    engine: Engine,
    tasks: Vec<JobTask>,
    known: HashMap<TaskId, Task>,
    needed: Vec<JobPart>,
    parts: HashMap<PartId, Part>,
    held: Vec<Reservation>,
    lots: HashMap<LotId, Lot>,
    shortages: Vec<Shortage>,
    offers: HashMap<PartId, Vec<Offer>>,
    finding: Option<Finding>,
    holds: Vec<Hold>,
    person: Option<String>,
    bay: Option<String>,
    standing: Option<Standing>,
    torques: Vec<Torque>,
    tests: Vec<TestFigure>,
}

impl Card {
    async fn read(state: &PagesState, visitor: &Visitor, id: JobId) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let job = record::get::<Job>(connection, organisation, id).await?;
        let engine = record::get::<Engine>(connection, organisation, job.engine).await?;
        let mut tasks = jobs::tasks(connection, organisation, &[id]).await?;
        tasks.sort_by_key(|task| task.sequence);
        let ids: Vec<TaskId> = tasks.iter().map(|task| task.task).collect();
        let known: Vec<Task> = record::by_ids(connection, organisation, &ids).await?;
        let needed = jobs::parts(connection, organisation, &[id]).await?;
        let ids: Vec<PartId> = needed.iter().map(|part| part.part).collect();
        let parts: Vec<Part> = record::by_ids(connection, organisation, &ids).await?;
        let lots = stock::aged_lots(connection, organisation, &ids).await?;
        let one = std::slice::from_ref(&job);
        let mut shortages = match job.status {
            JobStatus::Short => jobs::shortages(connection, organisation, one).await?,
            _ => std::collections::BTreeMap::new(),
        };
        let finding = match job.finding {
            Some(finding) => record::find::<Finding>(connection, organisation, finding).await?,
            None => None,
        };
        let mut holds = findings::holds_of_engines(connection, organisation, &[engine.id]).await?;
        holds.retain(|hold| hold.cleared_at.is_none());
        let person = match job.person {
            Some(person) => record::find::<Person>(connection, organisation, person).await?,
            None => None,
        };
        let bay = match job.bay {
            Some(bay) => record::find::<Bay>(connection, organisation, bay).await?,
            None => None,
        };
        let standings = standings(connection, organisation, &[engine.id]).await?;
        let (_, torques, tests) =
            engines::models(connection, organisation, &[engine.model]).await?;
        let mut yard = Yard::read(state, visitor).await?;
        yard.write_hours_as(standings.values());
        let shortages = shortages.remove(&id).unwrap_or_default();
        let mut elsewhere = HashMap::new();
        for short in shortages.iter().filter(|_| visitor.may(Right::Buy)) {
            let Some(part) = parts.iter().find(|part| part.id == short.part) else { continue };
            let of = (job.site, i64::from(short.missing), Some(id));
            elsewhere.insert(part.id, offers(connection, organisation, &yard, part, of).await?);
        }
        Ok(Self {
            known: known.into_iter().map(|task| (task.id, task)).collect(),
            parts: parts.into_iter().map(|part| (part.id, part)).collect(),
            held: stock::held_for_jobs(connection, organisation, &[id]).await?,
            lots: lots.into_iter().map(|lot| (lot.id, lot)).collect(),
            shortages,
            offers: elsewhere,
            standing: standings.get(&engine.id).copied(),
            person: person.map(|person| person.name),
            bay: bay.map(|bay| bay.name),
            yard,
            job,
            engine,
            tasks,
            needed,
            finding,
            holds,
            torques,
            tests,
        })
    }

    const fn at_work(&self) -> bool {
        matches!(self.job.status, JobStatus::OnBench | JobStatus::OnTest)
    }

    /// The part that somebody typed the number of.
    async fn part_of(
        &self,
        state: &PagesState,
        visitor: &Visitor,
        number: &str,
    ) -> Result<PartId, Refusal> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let found = store::parts::by_numbers(connection, organisation, &[number]).await?;
        if let [part] = &found[..] {
            return Ok(part.id);
        }
        let filter = PartFilter { text: Some(number.to_owned()), ..PartFilter::default() };
        let of = PageOf::new(None, 4);
        let near = store::parts::page(connection, organisation, &filter, of).await?.rows;
        let near: Vec<&str> = near.iter().map(|part| part.number.as_str()).collect();
        let fault = if near.is_empty() {
            format!("no part has the number \"{number}\"")
        } else {
            format!("no part has just this number; near it: {}", near.join(", "))
        };
        Err(Refusal::At("add-number".to_owned(), fault))
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
            source: "bench".to_owned(),
            recorded_by: Some(visitor.person.id),
            recorded_at: now,
            note: None,
        }
    }

    /// What the form asks for; `None` where a field is wrong.
    fn wishes(&self, typed: &mut Typed) -> Option<Wishes> {
        let go = typed.fields.get("go").to_owned();
        let version = typed.fields.get("version").parse().unwrap_or(self.job.version);
        let mut wishes = Wishes {
            tasks: Vec::new(),
            parts: Vec::new(),
            meter: None,
            add: None,
            off: None,
            state: None,
            version,
        };
        if self.at_work() {
            wishes.tasks = self.tasks_done(typed);
            wishes.parts = self.parts_used(typed);
            wishes.meter = meter_read(typed);
        }
        match go.as_str() {
            "add" => wishes.add = part_asked(typed),
            "save" => {}
            off if off.starts_with("off-") => {
                let id = off.trim_start_matches("off-");
                let part = self.needed.iter().find(|part| part.id.to_string() == id);
                // Gone meanwhile: what somebody else took off is off.
                wishes.off = part.map(|part| {
                    (part.clone(), version_of(typed, &format!("ov-{id}"), part.version))
                });
            }
            _ => wishes.state = wanted(&go, typed),
        }
        typed.faults.is_empty().then_some(wishes)
    }

    fn tasks_done(&self, typed: &mut Typed) -> Vec<(JobTask, i64, Done)> {
        let mut done = Vec::new();
        for task in &self.tasks {
            let (outcome, spent, note) =
                (format!("o-{}", task.id), format!("m-{}", task.id), format!("n-{}", task.id));
            let Ok(outcome) = typed.fields.get(&outcome).parse::<TaskOutcome>() else {
                // Without it the others have nowhere to go, and what was typed must not be lost.
                if [&spent, &note].into_iter().any(|field| !typed.fields.get(field).is_empty()) {
                    typed.wrong(outcome, "what came of it: then its minutes and note are kept");
                }
                continue;
            };
            let minutes = match typed.fields.get(&spent) {
                "" => None,
                text => match text.parse::<u32>() {
                    Ok(minutes) if minutes <= MINUTES_MAX => Some(fleet::Minutes(minutes)),
                    _ => {
                        typed.wrong(spent, format!("minutes as a number, {MINUTES_MAX} at most"));
                        continue;
                    }
                },
            };
            let note = Some(typed.fields.get(&note).to_owned()).filter(|note| !note.is_empty());
            let same = task.outcome == Some(outcome) && task.spent == minutes && task.note == note;
            if !same {
                let version = version_of(typed, &format!("tv-{}", task.id), task.version);
                done.push((
                    task.clone(),
                    version,
                    Done { outcome, spent: minutes, by: None, note },
                ));
            }
        }
        done
    }

    fn parts_used(&self, typed: &mut Typed) -> Vec<(JobPart, i64, i64, Option<String>)> {
        let mut used = Vec::new();
        for part in &self.needed {
            let name = format!("u-{}", part.id);
            match typed.fields.get(&name) {
                "" => {}
                text => match text.parse::<i64>() {
                    Ok(given) if (0..=1_000_000).contains(&given) => {
                        if part.used != Some(given)
                            && !(part.used.is_none() && given == part.quantity)
                        {
                            let version =
                                version_of(typed, &format!("pv-{}", part.id), part.version);
                            let why = told(typed, &format!("w-{}", part.id));
                            used.push((part.clone(), version, given, why));
                        }
                    }
                    _ => typed.wrong(name, "a whole number, 0 where none went in"),
                },
            }
        }
        used
    }

    fn says(&self, wishes: &Wishes, followed: &Followed) -> String {
        let job = format!("Job {}", self.job.number);
        if wishes.add.is_some() {
            return match followed.job.status {
                JobStatus::Short => format!("{job} is short: the part is not there."),
                _ => format!("The part is kept back for job {}.", self.job.number),
            };
        }
        if let Some((part, _)) = &wishes.off {
            let number = self.parts.get(&part.part).map_or("The part", |part| &part.number);
            return match followed.job.status {
                JobStatus::Short => format!("{number} is taken off; {job} is still short."),
                JobStatus::Kitted => format!("{number} is taken off; {job} has all its parts."),
                _ => format!("{number} is taken off {job}."),
            };
        }
        match wishes.state {
            None => "Saved.".to_owned(),
            Some(_) => match followed.job.status {
                JobStatus::Kitted => format!("{job} is kitted: all its parts are kept back."),
                JobStatus::Short => {
                    let parts = count(followed.shortages.len(), "part", "parts");
                    format!("{job} is short of {parts}; what is there is kept back.")
                }
                JobStatus::Released => format!(
                    "{job} is released. Parts, minutes and hours are booked; {} may go back to work.",
                    self.yard.name(self.engine.id)
                ),
                status => format!("{job} is {}.", state_words(status)),
            },
        }
    }

    fn page(&self, visitor: &Visitor, typed: &Typed) -> JobPage {
        let Self { yard, job, engine, .. } = self;
        let works = visitor.may(Right::WorkJobs);
        let may = May { works, agrees: visitor.may(Right::AgreeJobs) };
        let title = format!("Job {}", job.number);
        let path = engine_path(engine.id);
        JobPage {
            frame: visitor.frame(&title, Room::Bench),
            heading: format!("{title} on {}", yard.name(engine.id)),
            state: state_mark(job.status),
            lead: self.lead(),
            engine: Link::new(&engine.serial, &path),
            path: job_path(job.id),
            version: job.version,
            cautions: self.cautions(),
            facts: self.facts(),
            waits: self.waits(),
            figures: self.figures(),
            at_work: self.at_work() && works,
            tasks: self.tasks.iter().map(|task| self.task_line(task, typed)).collect(),
            parts: self.needed.iter().map(|part| self.part_line(part, typed)).collect(),
            conflict: None,
            meter: (self.at_work() && works).then(|| self.meter(typed)),
            add: (job.status == JobStatus::OnBench && works).then(|| AddPart {
                number: typed.field("add-number", ""),
                quantity: typed.field("add-quantity", "1"),
                why: typed.asked("add-why"),
            }),
            off: if works { self.may_come_off(typed) } else { Vec::new() },
            off_open: job.status == JobStatus::Short
                || typed.faults.keys().any(|name| name.starts_with("off-")),
            next: next(job.status, may),
            others: others(job.status, works),
            leave: leave(job.status, may, typed),
            finding_to: format!("{path}/finding"),
        }
    }

    /// What was typed beside what stands now, where the two differ.
    async fn conflict(
        &self,
        state: &PagesState,
        visitor: &Visitor,
        typed: &Typed,
    ) -> Result<Conflict, Failure> {
        let mut rows: Vec<ConflictRow> = Vec::new();
        let mut add = |what: String, typed: String, stands: String| {
            if typed != stands {
                rows.push(ConflictRow { what, typed, stands });
            }
        };
        for task in &self.tasks {
            let sent = |name: &str| typed.fields.get(&format!("{name}-{}", task.id)).to_owned();
            let (outcome, spent, note) = (sent("o"), sent("m"), sent("n"));
            if outcome.is_empty() && spent.is_empty() && note.is_empty() {
                continue;
            }
            let known = self.known.get(&task.task).map(|known| known.name.clone());
            let stands = written(
                task.outcome.map_or("", TaskOutcome::as_str),
                &task.spent.map(|spent| spent.0.to_string()).unwrap_or_default(),
                task.note.as_deref().unwrap_or_default(),
            );
            add(known.unwrap_or_default(), written(&outcome, &spent, &note), stands);
        }
        for part in &self.needed {
            let sent = typed.fields.get(&format!("u-{}", part.id));
            if sent.is_empty() {
                continue;
            }
            let number = self.parts.get(&part.part).map(|part| part.number.clone());
            let stands = part.used.unwrap_or(part.quantity).to_string();
            let said = |pieces: &str| format!("{pieces} went in");
            add(number.unwrap_or_default(), said(sent), said(&stands));
        }
        let go = typed.fields.get("go");
        let wish = go.parse::<JobStatus>().ok().map(state_words);
        let stands = state_words(self.job.status).to_owned();
        match (go, wish) {
            (_, Some(wish)) => add("The job".to_owned(), format!("make it {wish}"), stands),
            ("add", _) => {
                let (number, quantity) =
                    (typed.fields.get("add-number"), typed.fields.get("add-quantity"));
                let has = self.needed.iter().find(|part| {
                    self.parts.get(&part.part).is_some_and(|part| part.number == number)
                });
                let has = has.map_or("none of it".to_owned(), |part| part.quantity.to_string());
                add(format!("Part {number}"), format!("{quantity} more"), has);
            }
            _ => {}
        }
        let connection = state.store.connection();
        let of_job = self.changed_last(connection, visitor).await?;
        let who = of_job.map_or_else(
            || "Somebody else changed this job meanwhile.".to_owned(),
            |(who, at)| {
                let at = moment(at, self.yard.zone, self.yard.today);
                format!("{who} changed this job meanwhile, {at}.")
            },
        );
        let says = format!(
            "{who} Nothing of yours is kept yet. What you typed is still in the fields that are \
             open; press again to put it in the place of what stands now."
        );
        Ok(Conflict { says, rows })
    }

    /// Who changed the job, a task or a part of it last, and when.
    async fn changed_last(
        &self,
        connection: &store::Connection,
        visitor: &Visitor,
    ) -> Result<Option<(String, DateTime<Utc>)>, Failure> {
        let ids: Vec<Uuid> = std::iter::once(self.job.id.0)
            .chain(self.tasks.iter().map(|task| task.id.0))
            .chain(self.needed.iter().map(|part| part.id.0))
            .collect();
        let organisation = visitor.organisation;
        let last = store::history::last_of(
            connection,
            organisation,
            &["job", "job task", "job part"],
            &ids,
        )
        .await?;
        Ok(last.map(|kept| (kept.actor, kept.at)))
    }

    fn lead(&self) -> String {
        let minutes: u32 = self.tasks.iter().map(|task| task.planned.0).sum();
        let tasks = count(self.tasks.len(), "task", "tasks");
        let mut says = vec![format!("{tasks}, about {minutes} min")];
        says.extend(self.finding.as_ref().map(|finding| format!("found: {}", finding.title)));
        says.extend(self.job.reason.clone());
        says.extend(self.job.note.clone());
        sentence(&says.join("; "))
    }

    fn facts(&self) -> Vec<Fact> {
        let (job, today) = (&self.job, self.yard.today);
        let mut facts = Vec::new();
        facts.extend(job.planned_on.map(|on| Fact::new("Planned for", day(on, today))));
        facts.extend(job.stood_over_until.map(|on| Fact::new("Stood over until", day(on, today))));
        facts.extend(self.person.as_ref().map(|person| Fact::new("Who", person)));
        facts.extend(self.bay.as_ref().map(|bay| Fact::new("Where", bay)));
        let model = self.yard.models.get(&self.engine.model);
        facts.extend(
            model.map(|model| Fact::new("Model", format!("{} {}", model.maker, model.name))),
        );
        if let Some(standing) = &self.standing {
            let on = day(fleet::calendar::day_of(standing.read_at, self.yard.zone), today);
            let shown = hours(standing.shown.seconds(), self.yard.style);
            facts.push(Fact::new("Meter", format!("{shown} on {on}")));
        }
        for hold in &self.holds {
            facts.push(Fact::new("On hold", &hold.reason));
        }
        facts
    }

    fn waits(&self) -> Vec<Wait> {
        let one = |short: &Shortage| {
            let part = self.parts.get(&short.part);
            let (number, unit) = part.map_or((String::new(), fleet::part::Unit::Each), |part| {
                (format!("{}, {}", part.number, part.name), part.unit)
            });
            let until = expected(short.until, self.yard.today);
            let missing = amount(unit, i64::from(short.missing));
            Wait {
                says: format!("{number}: {missing} missing, {until}."),
                offers: self.offers.get(&short.part).cloned().unwrap_or_default(),
            }
        };
        self.shortages.iter().map(one).collect()
    }

    fn figures(&self) -> Option<Figures> {
        let tasks = self.tasks.iter().filter_map(|task| self.known.get(&task.task));
        let opened = tasks.into_iter().any(|task| task.access != AccessGroup::NothingOff);
        let model = self.yard.models.get(&self.engine.model).filter(|_| opened)?;
        Some(figures(model, &self.torques, &self.tests))
    }

    /// The usual ones of what comes off, common practice and no substitute for the maker's manual;
    /// those of the tasks stand with the tasks.
    fn cautions(&self) -> Vec<String> {
        let tasks: Vec<&Task> =
            self.tasks.iter().filter_map(|task| self.known.get(&task.task)).collect();
        if tasks.is_empty() {
            return Vec::new();
        }
        let off = |group: AccessGroup| tasks.iter().any(|task| task.access == group);
        let mut cautions = vec![
            "Engine off, stop cord out and plug lead off before a hand goes near propeller or \
             flywheel; fuel shut off, no flame or spark, open air."
                .to_owned(),
        ];
        if off(AccessGroup::GearcaseOff) || off(AccessGroup::CarrierOut) {
            cautions.push(
                "Carry and clamp the weight before the last bolt is out. Let pressure off before a \
                 tester or plug comes off; eyes covered for circlips and springs."
                    .to_owned(),
            );
            cautions.push("Catch waste oil; it goes to where the yard collects it.".to_owned());
        }
        if off(AccessGroup::CowlOff) {
            cautions.push(
                "With the cowl off and the engine running: hair, sleeves and tools clear of the \
                 flywheel; water to the intake; nobody by the propeller."
                    .to_owned(),
            );
        }
        cautions.push("The engine maker's manual and local rules come first.".to_owned());
        cautions
    }

    fn task_line(&self, task: &JobTask, typed: &Typed) -> TaskLine {
        let known = self.known.get(&task.task);
        let id = task.id.to_string();
        let spent = task.spent.map(|spent| spent.0.to_string()).unwrap_or_default();
        let outcome = task.outcome.map_or("", TaskOutcome::as_str);
        let chosen = typed.field(&format!("o-{id}"), outcome).value;
        let choices = [
            Choice::new("", "not said yet"),
            Choice::new("done", "done"),
            Choice::new("not_needed", "looked at, not needed"),
            Choice::new("not_done", "not done"),
        ];
        let mut says = vec![format!("about {} min", task.planned.0)];
        if !self.at_work() {
            says.extend(task.outcome.map(|outcome| outcome.as_str().replace('_', " ")));
            says.extend(task.spent.map(|spent| format!("took {} min", spent.0)));
            says.extend(task.note.clone());
        }
        TaskLine {
            version: task.version,
            name: known.map(|task| task.name.clone()).unwrap_or_default(),
            says: says.join(" · "),
            caution: known.and_then(|task| task.caution.clone()).unwrap_or_default(),
            outcomes: choose(choices, &chosen),
            spent: typed.field(&format!("m-{id}"), spent),
            note: typed.field(&format!("n-{id}"), task.note.clone().unwrap_or_default()),
            id,
        }
    }

    fn part_line(&self, part: &JobPart, typed: &Typed) -> PartLine {
        let known = self.parts.get(&part.part);
        let id = part.id.to_string();
        let unit = known.map_or(fleet::part::Unit::Each, |part| part.unit);
        let lots = self.held.iter().filter(|held| held.part == part.part);
        let used = part.used.unwrap_or(part.quantity).to_string();
        let mut says = Vec::new();
        if part.beyond_plan > 0 {
            says.push(format!("{} asked for on the bench", amount(unit, part.beyond_plan)));
        }
        if !self.at_work() {
            says.extend(part.used.map(|used| format!("used {}", amount(unit, used))));
        }
        PartLine {
            version: part.version,
            part: Link::new(
                known.map(|part| part.number.clone()).unwrap_or_default(),
                format!("/stores/parts/{}", part.part),
            ),
            name: known.map(|part| part.name.clone()).unwrap_or_default(),
            needed: amount(unit, part.quantity),
            lots: lots.map(|held| self.lot(held, unit)).collect(),
            used: typed.field(&format!("u-{id}"), used),
            why: typed.asked(&format!("w-{id}")),
            says: says.join(" · "),
            id,
        }
    }

    fn may_come_off(&self, typed: &Typed) -> Vec<TakeOff> {
        let asked = self.needed.iter().filter(|part| part.beyond_plan > 0);
        let asked = asked.filter(|_| !self.job.status.is_closed());
        let line = |part: &JobPart| {
            let known = self.parts.get(&part.part);
            let unit = known.map_or(fleet::part::Unit::Each, |part| part.unit);
            let name = known.map(|part| format!("{}, {}", part.number, part.name));
            let quantity = amount(unit, part.beyond_plan);
            TakeOff {
                id: part.id.to_string(),
                version: part.version,
                says: format!("Take off {quantity} of {}", name.unwrap_or_default()),
                fault: typed.faults.get(&format!("off-{}", part.id)).cloned().unwrap_or_default(),
            }
        };
        asked.map(line).collect()
    }

    fn lot(&self, held: &Reservation, unit: fleet::part::Unit) -> String {
        let taken = amount(unit, held.quantity);
        match held.lot.and_then(|lot| self.lots.get(&lot)) {
            None => format!("{taken}, no lot"),
            Some(lot) => {
                let code = lot.code.as_deref().unwrap_or("without a code");
                let age = match lot.expires_on {
                    Some(until) => format!("use by {}", day(until, self.yard.today)),
                    None => lot.freshness().sentence(),
                };
                format!("{taken} of lot {code}, {age}")
            }
        }
    }

    fn meter(&self, typed: &Typed) -> MeterField {
        MeterField {
            field: typed.field("meter", ""),
            last: self.standing.map_or("No reading is on record.".to_owned(), |standing| {
                format!("It last showed {}.", hours(standing.shown.seconds(), self.yard.style))
            }),
        }
    }
}

fn version_of(typed: &Typed, name: &str, on_record: i64) -> i64 {
    typed.fields.get(name).parse().unwrap_or(on_record)
}

fn meter_read(typed: &mut Typed) -> Option<Hours> {
    let text = typed.fields.get("meter").to_owned();
    if text.is_empty() {
        return None;
    }
    match Hours::parse(&text) {
        Ok(shown) => Some(shown),
        Err(error) => {
            typed.wrong("meter", error.to_string());
            None
        }
    }
}

/// What came of a task, on one line.
fn written(outcome: &str, spent: &str, note: &str) -> String {
    let spent = if spent.is_empty() { String::new() } else { format!("{spent} min") };
    let outcome = outcome.replace('_', " ");
    let said: Vec<&str> =
        [outcome.as_str(), &spent, note].into_iter().filter(|text| !text.is_empty()).collect();
    if said.is_empty() { "nothing said".to_owned() } else { said.join(", ") }
}

fn told(typed: &Typed, name: &str) -> Option<String> {
    Some(typed.fields.get(name).to_owned()).filter(|why| !why.is_empty())
}

fn part_asked(typed: &mut Typed) -> Option<(String, i64, Option<String>)> {
    let number = typed.fields.get("add-number").to_owned();
    if number.is_empty() {
        typed.wrong("add-number", "write the part's number");
    }
    match typed.fields.get("add-quantity").parse::<i64>() {
        Ok(quantity) if quantity > 0 => Some((number, quantity, told(typed, "add-why"))),
        _ => {
            typed.wrong("add-quantity", "a whole number, 1 or more");
            None
        }
    }
}

fn wanted(go: &str, typed: &mut Typed) -> Option<JobState> {
    let reason = typed.fields.get(&format!("reason-{go}")).to_owned();
    let mut reasoned = || {
        if reason.is_empty() {
            typed.wrong(format!("reason-{go}"), "say why, in a few words");
        } else if reason.chars().count() > REASON_MAX {
            typed.wrong(format!("reason-{go}"), format!("at most {REASON_MAX} characters"));
        }
        reason.clone()
    };
    Some(match go {
        "proposed" => JobState::Proposed,
        "agreed" => JobState::Agreed,
        "kitted" => JobState::Kitted,
        "short" => JobState::Short { of: Vec::new() },
        "on_bench" => JobState::OnBench,
        "on_test" => JobState::OnTest,
        "released" => JobState::Released,
        "dropped" => JobState::Dropped { reason: reasoned() },
        "stood_over" => {
            let reason = reasoned();
            match typed.fields.get("until").parse::<NaiveDate>() {
                Ok(until) => JobState::StoodOver { until, reason },
                Err(_) => {
                    typed.wrong("until", "choose the day that it waits for");
                    return None;
                }
            }
        }
        _ => {
            typed.wrong("go", "choose one of the buttons");
            return None;
        }
    })
}

/// What who looks may do with jobs.
#[derive(Clone, Copy)]
struct May {
    works: bool,
    agrees: bool,
}

/// What most people will do next.
fn next(status: JobStatus, may: May) -> Option<Step> {
    let step = |go, says| Some(Step { go, says });
    match status {
        JobStatus::Proposed | JobStatus::StoodOver if may.agrees => {
            step("agreed", "Agree, and keep its parts back")
        }
        JobStatus::Agreed | JobStatus::Short if may.works => {
            step("kitted", "Look again for its parts")
        }
        JobStatus::Kitted if may.works => step("on_bench", "Start on the bench"),
        JobStatus::OnBench if may.works => step("on_test", "Work done: to test"),
        JobStatus::OnTest if may.works => step("released", "Release, and book what was used"),
        _ => None,
    }
}

fn others(status: JobStatus, works: bool) -> Vec<Step> {
    let step = |go, says| Step { go, says };
    match status {
        JobStatus::OnTest if works => vec![
            step("save", "Save what was written down"),
            step("on_bench", "Test failed: back to the bench"),
        ],
        JobStatus::OnBench if works => vec![step("save", "Save what was written down")],
        JobStatus::Kitted if works => vec![step("short", "A part is not there after all")],
        _ => Vec::new(),
    }
}

fn leave(status: JobStatus, by: May, typed: &Typed) -> Vec<Leave> {
    let may = status.may_become();
    let mut leave = Vec::new();
    if by.works && may.contains(&JobStatus::StoodOver) {
        let (until, reason) = (typed.field("until", ""), typed.field("reason-stood_over", ""));
        leave.push(Leave {
            go: "stood_over",
            says: "Stand it over to a later day",
            hint: "Its parts go back to the shelf; what was done and used so far is booked.",
            open: until.wrong() || reason.wrong(),
            until: Some(until),
            reason,
        });
    }
    if by.agrees && may.contains(&JobStatus::Dropped) {
        let reason = typed.field("reason-dropped", "");
        leave.push(Leave {
            go: "dropped",
            says: "Drop it",
            hint: "It won't be done; its parts go back to the shelf, its finding is open again.",
            open: reason.wrong(),
            until: None,
            reason,
        });
    }
    leave
}
