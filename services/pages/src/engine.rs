//! One engine: holds first, then what falls due, hours, findings, services, readings.

use std::cmp::{Ordering, Reverse};
use std::collections::HashMap;

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;
use chrono::{Days, NaiveDate};
use fleet::calendar::day_of;
use fleet::engine::{Engine, EngineStatus};
use fleet::finding::{Finding, FindingStatus, Hold};
use fleet::hours::Hours;
use fleet::id::{EngineId, HoldId, TaskId};
use fleet::ledger::Ledger;
use fleet::programme::{Task, Urgency};
use fleet::reading::{Reading, ReadingKind};
use fleet::run::RunKind;
use fleet::service::{Service, ServiceReason};
use runs::hours::{Basis, RunningFactor};
use store::{findings, readings, record, services};
use uuid::Uuid;

use crate::afloat::{self, DueRow};
use crate::chart::Picture;
use crate::chart::hours::{Ahead, EngineHours, Event, EventKind, Shown};
use crate::check::{self, CheckSeen};
use crate::due;
use crate::failure::{Failure, shown};
use crate::figures::{capital, count, day, hours, hours_bare, moment, percent};
use crate::form::{Fact, Field, Mark};
use crate::frame::{Frame, Link, Room};
use crate::reads;
use crate::retire::{self, EngineOutlook};
use crate::run::{DueRun, Latest};
use crate::spare::{self, SpareBox};
use crate::state::PagesState;
use crate::swap_correction::last_swap;
use crate::visitor::{Right, Visitor};
use crate::yard_records::{Yard, engine_path};

#[derive(Template)]
#[template(path = "engine.html")]
pub struct EnginePage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub holds: Vec<HoldLine>,
    /// Where it is on hold or on the bench.
    pub spare: Option<SpareBox>,
    pub acts: Vec<Link>,
    pub due: Vec<DueRow>,
    pub due_says: String,
    pub nothing_due: String,
    pub picture: Picture,
    pub usage_says: String,
    pub findings: Vec<FindingLine>,
    /// The latest at hand-over and return.
    pub checks: Vec<CheckSeen>,
    pub services: Vec<String>,
    pub readings: Vec<ReadingRow>,
    pub outlook: Option<EngineOutlook>,
    pub facts: Vec<Fact>,
}

#[derive(Clone, Debug)]
pub struct HoldLine {
    pub sentence: String,
    /// Where to clear it; empty for those who may not.
    pub clear_to: String,
    pub note: Field,
    /// Whether its finding is open, so that clearing asks what becomes of it.
    pub asks: bool,
    /// "yes" or "no", as it was chosen.
    pub settled: Field,
}

/// What was typed to clear a hold and is wrong.
#[derive(Clone, Debug)]
pub struct ClearingTyped {
    pub hold: HoldId,
    pub note: Field,
    pub settled: Field,
}

#[derive(Clone, Debug)]
pub struct FindingLine {
    pub mark: Option<Mark>,
    pub sentence: String,
}

#[derive(Clone, Debug)]
pub struct ReadingRow {
    pub day: String,
    pub what: String,
    pub meter: String,
    pub life: String,
}

/// Days ahead that the picture of the hours shows, and the steps of its band.
const AHEAD_DAYS: u64 = 364;
const AHEAD_STEP_DAYS: u64 = 14;
/// The latest readings are listed; the rest are in the picture and in the export.
const READINGS_MAX: usize = 60;

/// What is on record of one engine.
struct Record {
    engine: Engine,
    ledger: Ledger,
    readings: Vec<Reading>,
    services: Vec<Service>,
    findings: Vec<Finding>,
    holds: Vec<Hold>,
    tasks: HashMap<TaskId, String>,
}

impl Record {
    async fn read(
        state: &PagesState,
        visitor: &Visitor,
        engine: EngineId,
    ) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let engine = record::get::<Engine>(connection, organisation, engine).await?;
        let one = [engine.id];
        let mut readings = readings::of_engines(connection, organisation, &one).await?;
        let readings = readings.remove(&engine.id).unwrap_or_default();
        let mut services = services::of_engines(connection, organisation, &one).await?;
        services.sort_by_key(|service| Reverse((service.done_on, service.id)));
        let mut findings = findings::of_engines(connection, organisation, &one).await?;
        findings.sort_by_key(|finding| Reverse(finding.found_at));
        let mut holds = findings::holds_of_engines(connection, organisation, &one).await?;
        holds.retain(|hold| hold.cleared_at.is_none());
        let tasks: Vec<Task> = record::all(connection, organisation).await?;
        Ok(Self {
            ledger: readings::ledger(&readings)?,
            engine,
            readings,
            services,
            findings,
            holds,
            tasks: tasks.into_iter().map(|task| (task.id, task.name)).collect(),
        })
    }

    fn task(&self, task: TaskId) -> String {
        self.tasks.get(&task).cloned().unwrap_or_default()
    }
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Path(engine): Path<Uuid>,
) -> Result<Response, Failure> {
    shown(&whole(&state, &visitor, EngineId(engine), None).await?)
}

/// The page of an engine, with what was typed to clear a hold and was refused.
pub async fn whole(
    state: &PagesState,
    visitor: &Visitor,
    engine: EngineId,
    typed: Option<ClearingTyped>,
) -> Result<EnginePage, Failure> {
    let record = Record::read(state, visitor, engine).await?;
    let mut yard = Yard::read(state, visitor).await?;
    yard.write_hours_as(reads::last(&record.ledger).iter());
    let latest = Latest::of(state, visitor.organisation, RunKind::Due).await?;
    let run = match &latest.done {
        Some(done) => Some(DueRun::read(state, visitor.organisation, done).await?),
        None => None,
    };
    let outlook = retire::of_engine(state, visitor, record.engine.id).await?;
    let due_says = latest.says(&yard);
    let holds = record.holds.iter();
    let holds = holds.map(|hold| hold_line(visitor, &yard, &record, hold, typed.as_ref()));
    let holds = holds.collect();
    let spare = spare::offered(state, visitor, record.engine.id).await?;
    let checks = check::latest(state, visitor, &yard, record.engine.id).await?;
    Ok(EnginePage {
        checks,
        holds,
        spare,
        outlook,
        due_says,
        ..page(visitor, &yard, &record, run.as_ref())
    })
}

fn page(visitor: &Visitor, yard: &Yard, record: &Record, run: Option<&DueRun>) -> EnginePage {
    let engine = &record.engine;
    let hours = hours_picture(yard, record, run);
    let lead = hours.describe();
    EnginePage {
        frame: visitor.frame(&engine.serial, Room::Fleet),
        heading: match yard.boat_of(engine.id) {
            Some(boat) => format!("{}, on {}", engine.serial, boat.name),
            None => engine.serial.clone(),
        },
        lead,
        holds: Vec::new(),
        spare: None,
        acts: acts(visitor, yard, record),
        due: due_rows(yard, record, run),
        due_says: String::new(),
        nothing_due: match run {
            None => "What falls due has not been computed yet.".to_owned(),
            Some(_) => "The programme names no interval for this model.".to_owned(),
        },
        picture: hours.draw("hours"),
        usage_says: usage_says(yard, engine, run),
        findings: record.findings.iter().map(|finding| finding_line(yard, finding)).collect(),
        checks: Vec::new(),
        services: record.services.iter().map(|s| service_line(yard, record, s)).collect(),
        readings: reading_rows(yard, record),
        outlook: None,
        facts: facts(yard, engine),
    }
}

fn acts(visitor: &Visitor, yard: &Yard, record: &Record) -> Vec<Link> {
    let path = engine_path(record.engine.id);
    let mut acts = Vec::new();
    if visitor.may(Right::RecordFindings) {
        if yard.boat_of(record.engine.id).is_some() {
            acts.push(Link::new("Check at hand-over or return", format!("{path}/check")));
        }
        acts.push(Link::new("Record a finding", format!("{path}/finding")));
    }
    if visitor.may(Right::Plan) && yard.boat_of(record.engine.id).is_some() {
        acts.push(Link::new("Fit a spare or swap", format!("{path}/spare")));
    }
    if visitor.may(Right::RecordHours) {
        acts.push(Link::new("Meter swapped", format!("{path}/meter")));
        let last = reads::last(&record.ledger).map(|last| last.read_at);
        let swap = last_swap(&record.ledger).map(|swap| swap.at);
        if last.is_some() && last != swap {
            acts.push(Link::new("Correct the last reading", format!("{path}/correction")));
        }
        if swap.is_some() {
            let to = format!("{path}/meter/correction");
            acts.push(Link::new("Correct the meter swap", to));
        }
    }
    acts
}

fn hold_line(
    visitor: &Visitor,
    yard: &Yard,
    record: &Record,
    hold: &Hold,
    typed: Option<&ClearingTyped>,
) -> HoldLine {
    let typed = typed.filter(|typed| typed.hold == hold.id);
    let right = if hold.safety { Right::ClearSafetyHold } else { Right::ClearHold };
    let since = moment(hold.placed_at, yard.zone, yard.today);
    let by = match (hold.safety, visitor.may(right)) {
        (true, false) => " A safety hold: only a person named by the owner may clear it.",
        _ => "",
    };
    HoldLine {
        sentence: format!("Not to be hired: {}, since {since}.{by}", hold.reason),
        clear_to: if visitor.may(right) {
            format!("/holds/{}/clear", hold.id)
        } else {
            String::new()
        },
        note: typed.map(|typed| typed.note.clone()).unwrap_or_default(),
        asks: asks_of_finding(hold, &record.findings),
        settled: typed.map(|typed| typed.settled.clone()).unwrap_or_default(),
    }
}

/// Whether clearing the hold leaves a finding that somebody must say something about. One that a job
/// is on is closed by releasing the job.
pub fn asks_of_finding(hold: &Hold, findings: &[Finding]) -> bool {
    let finding = findings.iter().find(|finding| Some(finding.id) == hold.finding);
    finding.is_some_and(|finding| finding.status == FindingStatus::Open)
}

fn due_rows(yard: &Yard, record: &Record, run: Option<&DueRun>) -> Vec<DueRow> {
    let Some(run) = run else { return Vec::new() };
    let by = yard.today + Days::new(30);
    let days = due::Days { today: yard.today, by, style: yard.style };
    let ahead = run.ahead(record.engine.id, by);
    let lines = run.lines.iter().filter(|line| line.engine == record.engine.id);
    let mut rows: Vec<_> =
        lines.map(|line| (line, line.facts.show(days, ahead.as_ref()))).collect();
    rows.sort_by(|a, b| b.1.urgency.partial_cmp(&a.1.urgency).unwrap_or(Ordering::Equal));
    rows.into_iter()
        .map(|(line, shown)| afloat::due_row(yard, line, shown, record.task(line.task)))
        .collect()
}

fn hours_picture(yard: &Yard, record: &Record, run: Option<&DueRun>) -> EngineHours {
    let life = record.ledger.life(Hours::ZERO);
    let on = |at| day_of(at, yard.zone);
    let mut shown: Vec<Shown> =
        life.iter().map(|p| Shown { day: on(p.at), hours: p.life.as_decimal() }).collect();
    if let (true, Some(run)) = (shown.is_empty(), run) {
        // Without a meter the hire log stands in.
        let known = run.fleet.engine(record.engine.id).map_or(&[][..], |known| known.life());
        shown.extend(known.iter().map(|&(day, hours)| Shown { day, hours }));
    }
    let swaps = life.iter().filter(|point| point.meter_changed).map(|point| Event {
        day: on(point.at),
        kind: EventKind::MeterSwap,
        what: "meter swapped or reset".to_owned(),
    });
    let services = record.services.iter().map(|service| Event {
        day: service.done_on,
        kind: EventKind::Service,
        what: record.task(service.task),
    });
    let findings = record.findings.iter().map(|finding| Event {
        day: on(finding.found_at),
        kind: EventKind::Finding,
        what: finding.title.clone(),
    });
    let ahead = |days: u64| {
        let run = run?;
        let to = yard.today + Days::new(days);
        let last = run.fleet.engine(record.engine.id)?.last_life()?;
        let hours = run.ahead(record.engine.id, to)?.hours;
        let at = |p| last + hours.quantile(p);
        Some(Ahead { day: to, low: at(0.1), median: at(0.5), high: at(0.9) })
    };
    EngineHours {
        engine: record.engine.serial.clone(),
        shown,
        ahead: (1..=AHEAD_DAYS / AHEAD_STEP_DAYS)
            .filter_map(|i| ahead(i * AHEAD_STEP_DAYS))
            .collect(),
        events: swaps.chain(services).chain(findings).collect(),
        today: yard.today,
    }
}

fn usage_says(yard: &Yard, engine: &Engine, run: Option<&DueRun>) -> String {
    let pool = yard.pool(engine.pool).map_or("its pool", |pool| &pool.name);
    let ahead = run.and_then(|run| run.ahead(engine.id, yard.today + Days::new(90)));
    match ahead {
        Some(ahead) => format!(
            "{}Of what is expected, {} rests on this engine's own record and the rest on {pool}.",
            basis(engine, run),
            percent(ahead.own_share)
        ),
        None => "No forecast: it needs a reading and a due run after it.".to_owned(),
    }
}

/// Where the hours of an engine without a meter come from.
fn basis(engine: &Engine, run: Option<&DueRun>) -> String {
    let known = run.and_then(|run| Some((run, run.fleet.engine(engine.id)?)));
    let Some((run, known)) = known else { return String::new() };
    match known.basis {
        Basis::Meter => String::new(),
        Basis::HireLog => match run.fleet.factor(known.pool) {
            Some(RunningFactor { factor, hires }) if hires > 0 => format!(
                "No meter: hire hours × {factor:.2}, learned from {}. ",
                count(hires, "hire of metered engines", "hires of metered engines")
            ),
            Some(RunningFactor { factor, .. }) => {
                format!("No meter: hire hours × {factor:.2}, as entered. ")
            }
            None => "No meter, and too few hires to learn a running factor from: hire hours \
                     are taken whole. "
                .to_owned(),
        },
        Basis::Pool => "No hours on record: its pool speaks for it. ".to_owned(),
    }
}

fn finding_line(yard: &Yard, finding: &Finding) -> FindingLine {
    let found = moment(finding.found_at, yard.zone, yard.today);
    let note = finding.note.as_deref().map(|note| format!(": {note}")).unwrap_or_default();
    let closed = match (finding.status, &finding.closing_note) {
        (FindingStatus::Closed, Some(note)) => format!(" Closed: {note}"),
        (FindingStatus::Closed, None) => " Closed.".to_owned(),
        (FindingStatus::InWork, _) => " A job is on it.".to_owned(),
        (FindingStatus::Open, _) => String::new(),
    };
    let mark = match (finding.status, finding.urgency) {
        (FindingStatus::Closed, _) => None,
        (_, Urgency::Stop) => Some(Mark::stop("stop")),
        (_, Urgency::ThreeDays) => Some(Mark::soon("3 days")),
        (_, Urgency::NextService) => Some(Mark::plain("next service")),
        (_, Urgency::LayUp) => Some(Mark::plain("lay-up")),
    };
    FindingLine { mark, sentence: format!("{}, {found}{note}.{closed}", capital(&finding.title)) }
}

fn service_line(yard: &Yard, record: &Record, service: &Service) -> String {
    let at = service.life.map(|life| format!(", at {}", hours(life.seconds(), yard.style)));
    let why = match service.reason {
        ServiceReason::Due => ", due",
        ServiceReason::Finding => ", on a finding",
        ServiceReason::LayUp => ", at lay-up",
        ServiceReason::Commissioning => ", at commissioning",
        ServiceReason::Failure => ", after a failure",
        ServiceReason::Unknown => "",
    };
    format!(
        "{}, {}{}{why}",
        record.task(service.task),
        day(service.done_on, yard.today),
        at.unwrap_or_default()
    )
}

fn reading_rows(yard: &Yard, record: &Record) -> Vec<ReadingRow> {
    let life = record.ledger.life(Hours::ZERO);
    let life_at = |reading: &Reading| {
        let point = life.iter().find(|point| point.at == reading.read_at);
        point.map(|point| hours_bare(point.life.seconds(), yard.style)).unwrap_or_default()
    };
    let mut latest: Vec<&Reading> = record.readings.iter().collect();
    latest.sort_by_key(|reading| Reverse((reading.read_at, reading.recorded_at)));
    let row = |reading: &Reading| ReadingRow {
        day: moment(reading.read_at, yard.zone, yard.today),
        what: match (reading.kind, reading.shown_before) {
            (ReadingKind::Reading, _) => "read".to_owned(),
            (ReadingKind::Estimate, _) => "estimated".to_owned(),
            (ReadingKind::MeterReplaced, Some(before)) => {
                let at = hours(before.seconds(), yard.style);
                let right = if reading.corrects.is_some() { ", put right" } else { "" };
                format!("meter swapped at {at}{right}")
            }
            (ReadingKind::MeterReplaced, None) => "meter swapped".to_owned(),
            (ReadingKind::Reset, _) => "meter reset".to_owned(),
            (ReadingKind::Correction, _) => "corrected".to_owned(),
        },
        meter: hours_bare(reading.shown.seconds(), yard.style),
        life: life_at(reading),
    };
    latest.into_iter().take(READINGS_MAX).map(row).collect()
}

fn facts(yard: &Yard, engine: &Engine) -> Vec<Fact> {
    let mut facts = Vec::new();
    if let Some(model) = yard.models.get(&engine.model) {
        facts.push(Fact::new("Model", format!("{} {}", model.maker, model.name)));
        facts.push(Fact::new("Figures of the model", &model.source));
    }
    if let Some(pool) = yard.pool(engine.pool) {
        facts.push(Fact::new("Pool", &pool.name));
    }
    let status = match engine.status {
        EngineStatus::InService => "in service",
        EngineStatus::LaidUp => "laid up",
        EngineStatus::Retired => "retired",
        EngineStatus::Sold => "sold",
    };
    facts.push(Fact::new("Status", status));
    let on = |d: NaiveDate| day(d, yard.today);
    let optional = [
        ("Tag", engine.tag.clone()),
        ("Bought", engine.bought_on.map(on)),
        ("First run", engine.first_run_on.map(on)),
        (
            "Severity of use",
            engine.severity_percent.map(|percent| format!("hours limb × {percent} %")),
        ),
        ("Note", engine.note.clone()),
    ];
    facts.extend(optional.into_iter().filter_map(|(name, value)| Some(Fact::new(name, value?))));
    facts
}
