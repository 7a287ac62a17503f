//! Hours from the board: one list in jetty order, the last value shown, a fall asked about at once.

use std::collections::{HashMap, HashSet};

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use chrono::{DateTime, Days, NaiveDate, NaiveDateTime, Utc};
use fleet::boat::Boat;
use fleet::calendar::day_of;
use fleet::engine::{Engine, EngineStatus};
use fleet::hours::Hours;
use fleet::id::{EngineId, ReadingId, SiteId};
use fleet::ledger::Accepted;
use fleet::reading::{Meter, MeterKind, Reading, ReadingKind};
use serde::Deserialize;
use store::readings::{self, ReadingError};
use store::{Transaction, record};

use crate::failure::{Failure, onward, sentence, shown, shown_again};
use crate::figures::{HoursStyle, LOCAL, count, day, hours, parse_local};
use crate::form::{Choice, Field, choose};
use crate::frame::{Frame, Link, Notice, Room};
use crate::not_yet::{ENGINES_FIRST, load_files};
use crate::reads::{Standing, standings};
use crate::state::PagesState;
use crate::visitor::{Fields, Posted, Right, Visitor};
use crate::yard_records::{Yard, engine_path};

#[derive(Template)]
#[template(path = "board.html")]
pub struct BoardPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub sites: Vec<Choice>,
    pub site: String,
    pub read_at: Field,
    pub groups: Vec<Jetty>,
    pub nothing: String,
    /// Where what is missing comes in.
    pub nothing_to: Option<Link>,
}

#[derive(Clone, Debug)]
pub struct Jetty {
    pub name: String,
    pub lines: Vec<BoardLine>,
}

/// One engine on the board.
#[derive(Clone, Debug)]
pub struct BoardLine {
    pub id: String,
    /// The boat, as written on the board.
    pub name: String,
    pub engine: String,
    pub field: Field,
    /// Asked about and not saved.
    pub refused: bool,
    /// The last reading, as the site writes hours.
    pub last: String,
    /// The same in decimal hours, for the script.
    pub last_h: String,
    /// The most that can have been gained since, in decimal hours.
    pub most_h: String,
    pub last_says: String,
    pub swap_to: String,
}

/// The board is written at the end of the day: what is offered as the time.
const BOARD_HOUR: u32 = 20;
/// Engines of one site on one page.
const LINES_MAX: usize = 1_000;

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    site: String,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    visitor.check(Right::RecordHours)?;
    let yard = Yard::read(&state, &visitor).await?;
    let site = chosen_site(&yard, &visitor, &wanted.site);
    let read_at = Field::of(last_evening(&yard).format(LOCAL).to_string());
    let page = page(&state, &visitor, &yard, site, read_at, &HashMap::new()).await?;
    shown(&page)
}

/// Saves the lines that were typed. What the ledger refuses is asked about, the rest is saved.
pub async fn save(State(state): State<PagesState>, posted: Posted) -> Result<Response, Failure> {
    let Posted { visitor, fields } = posted;
    visitor.check(Right::RecordHours)?;
    let yard = Yard::read(&state, &visitor).await?;
    let site = chosen_site(&yard, &visitor, fields.get("site"));
    let typed = fields.get("read_at");
    let read_at = match parse_local(typed, yard.zone) {
        Some(at) if at <= state.now() => at,
        other => {
            let fault = match other {
                Some(_) => "This is still to come. When was the board written?",
                None => "Write a date and a time.",
            };
            let field = Field { value: typed.to_owned(), fault: fault.to_owned() };
            let kept = kept_lines(&yard, site, &fields);
            return shown_again(&page(&state, &visitor, &yard, site, field, &kept).await?);
        }
    };
    let saved = save_lines(&state, &visitor, &yard, site, &fields, read_at).await?;
    // Also where some lines are asked about: what was saved is not to come back as kept typing.
    let chosen = site.map(|site| site.to_string()).unwrap_or_default();
    let kept = format!("hours {chosen}");
    if saved.asked.is_empty() {
        let notice = Notice { saved: kept, ..Notice::done(saved.says()) };
        return Ok(onward(&state, &format!("/fleet/hours?site={chosen}"), &notice));
    }
    let mut page = page(&state, &visitor, &yard, site, Field::of(typed), &saved.asked).await?;
    page.frame.notice = Some(Notice { saved: kept, ..Notice::wrong(saved.says()) });
    shown_again(&page)
}

/// What became of the lines.
#[derive(Default)]
struct Saved {
    count: usize,
    /// Kept, but more than three times the usual rate.
    unusual: Vec<String>,
    /// Not kept: what was typed, and why.
    asked: HashMap<EngineId, Field>,
}

impl Saved {
    fn says(&self) -> String {
        let mut says = match self.count {
            0 => "Nothing was saved.".to_owned(),
            n => format!("{}.", count(n, "reading saved", "readings saved")),
        };
        if !self.asked.is_empty() {
            let asked = count(self.asked.len(), "line is", "lines are");
            says += &format!(" {asked} asked about below and not saved yet.");
        }
        if !self.unusual.is_empty() {
            says += &format!(
                " Worth a second look: {}. If one is wrong, correct it on the engine's page.",
                self.unusual.join("; ")
            );
        }
        says
    }
}

async fn save_lines(
    state: &PagesState,
    visitor: &Visitor,
    yard: &Yard,
    site: Option<SiteId>,
    fields: &Fields,
    read_at: DateTime<Utc>,
) -> Result<Saved, Failure> {
    let typed = typed_lines(yard, site, fields);
    let (organisation, now) = (visitor.organisation, state.now());
    let save = async |tx: &Transaction| {
        let mut saved = Saved::default();
        for (engine, text) in &typed {
            let shown = match Hours::parse(text) {
                Ok(shown) => shown,
                Err(error) => {
                    saved.asked.insert(*engine, asked(text, &error.to_string()));
                    continue;
                }
            };
            let reading = Reading {
                id: ReadingId::fresh(),
                engine: *engine,
                kind: ReadingKind::Reading,
                read_at,
                shown,
                shown_before: None,
                corrects: None,
                source: "board".to_owned(),
                recorded_by: Some(visitor.person.id),
                recorded_at: now,
                note: None,
            };
            match readings::append(tx, organisation, &reading, now).await {
                Ok(Accepted::New | Accepted::Known) => saved.count += 1,
                Ok(Accepted::Unusual { times_usual }) => {
                    saved.count += 1;
                    let name = yard.name(*engine);
                    saved.unusual.push(format!("{name} ran {times_usual:.0} times its usual"));
                }
                Err(ReadingError::Ledger(error)) => {
                    saved.asked.insert(*engine, asked(text, &error.to_string()));
                }
                Err(ReadingError::Store(error)) => return Err(error),
            }
        }
        Ok(saved)
    };
    Ok(state.store.write(save).await?)
}

fn asked(typed: &str, error: &str) -> Field {
    Field { value: typed.to_owned(), fault: sentence(error) }
}

/// The lines that something was typed in, of engines of this site only.
fn typed_lines(yard: &Yard, site: Option<SiteId>, fields: &Fields) -> Vec<(EngineId, String)> {
    let seats = seats(yard, site);
    let typed =
        seats.iter().map(|seat| (seat.engine.id, fields.get(&format!("h-{}", seat.engine.id))));
    typed.filter(|(_, text)| !text.is_empty()).map(|(id, text)| (id, text.to_owned())).collect()
}

/// What was typed, to be shown again as it was.
fn kept_lines(yard: &Yard, site: Option<SiteId>, fields: &Fields) -> HashMap<EngineId, Field> {
    let typed = typed_lines(yard, site, fields).into_iter();
    typed.map(|(engine, text)| (engine, Field::of(text))).collect()
}

fn chosen_site(yard: &Yard, visitor: &Visitor, given: &str) -> Option<SiteId> {
    let given = yard.sites.iter().find(|site| site.id.to_string() == given);
    let home = yard.sites.iter().find(|site| Some(site.id) == visitor.person.site);
    given.or(home).or_else(|| yard.sites.first()).map(|site| site.id)
}

fn last_evening(yard: &Yard) -> NaiveDateTime {
    let local = yard.now.with_timezone(&yard.zone).naive_local();
    let evening = |day: NaiveDate| day.and_hms_opt(BOARD_HOUR, 0, 0).unwrap_or(local);
    let today = evening(local.date());
    if today <= local { today } else { evening(local.date() - Days::new(1)) }
}

/// An engine in its place: on a boat at a jetty, or ashore.
struct Seat<'a> {
    engine: &'a Engine,
    boat: Option<&'a Boat>,
}

/// The engines in service of a site, in jetty order, those ashore last.
fn seats(yard: &Yard, site: Option<SiteId>) -> Vec<Seat<'_>> {
    let mut seats: Vec<_> = yard
        .engines
        .values()
        .filter(|engine| engine.status == EngineStatus::InService)
        .map(|engine| Seat { engine, boat: yard.boat_of(engine.id) })
        .filter(|seat| match seat.boat {
            Some(boat) => Some(boat.site) == site,
            None => yard.site_of(seat.engine) == site,
        })
        .collect();
    seats.sort_by_key(|seat| {
        let boat = seat.boat;
        (
            boat.is_none(),
            boat.and_then(|boat| boat.jetty.clone()),
            boat.and_then(|boat| boat.jetty_order).unwrap_or(i32::MAX),
            boat.map(|boat| boat.name.clone()),
            seat.engine.serial.clone(),
        )
    });
    seats.truncate(LINES_MAX);
    seats
}

async fn page(
    state: &PagesState,
    visitor: &Visitor,
    yard: &Yard,
    site: Option<SiteId>,
    read_at: Field,
    typed: &HashMap<EngineId, Field>,
) -> Result<BoardPage, Failure> {
    let seats = seats(yard, site);
    let ids: Vec<EngineId> = seats.iter().map(|seat| seat.engine.id).collect();
    let connection = state.store.connection();
    let standings = standings(connection, visitor.organisation, &ids).await?;
    let style = HoursStyle::of(standings.values().map(|standing| standing.shown.seconds()));
    let meters: Vec<Meter> = record::all(connection, visitor.organisation).await?;
    let without: HashSet<EngineId> = meters
        .iter()
        .filter(|meter| meter.kind == MeterKind::NoMeter && meter.removed_at.is_none())
        .map(|meter| meter.engine)
        .collect();
    let mut groups: Vec<Jetty> = Vec::new();
    for seat in seats.iter().filter(|seat| !without.contains(&seat.engine.id)) {
        let name = match seat.boat {
            Some(boat) => boat.jetty.clone().unwrap_or_else(|| "No jetty".to_owned()),
            None => "Ashore".to_owned(),
        };
        let field = typed.get(&seat.engine.id).cloned().unwrap_or_default();
        let line = line(yard, style, seat, standings.get(&seat.engine.id), field);
        match groups.last_mut().filter(|group| group.name == name) {
            Some(group) => group.lines.push(line),
            None => groups.push(Jetty { name, lines: vec![line] }),
        }
    }
    let site = site.map(|site| site.to_string()).unwrap_or_default();
    let sites = yard.sites.iter().map(|site| Choice::new(site.id.to_string(), &site.name));
    Ok(BoardPage {
        frame: visitor.frame("Hours from the board", Room::Fleet),
        heading: "Hours from the board".to_owned(),
        lead: "In jetty order. Type what the meter shows, as 123.4 or 123:24; leave out what \
               nobody read."
            .to_owned(),
        sites: choose(sites, &site),
        site,
        read_at,
        groups,
        nothing_to: yard.engines.is_empty().then(load_files),
        nothing: if yard.engines.is_empty() {
            format!("No engine is on record yet. {ENGINES_FIRST}")
        } else {
            "No engine with a meter is in service at this site.".to_owned()
        },
    })
}

fn line(
    yard: &Yard,
    style: HoursStyle,
    seat: &Seat<'_>,
    standing: Option<&Standing>,
    field: Field,
) -> BoardLine {
    let engine = seat.engine;
    let hours_since = |s: &Standing| (yard.now - s.read_at).num_minutes().max(0) as f64 / 60.0;
    BoardLine {
        id: engine.id.to_string(),
        name: seat.boat.map_or(engine.serial.clone(), |boat| boat.name.clone()),
        engine: if seat.boat.is_some() { engine.serial.clone() } else { String::new() },
        refused: field.wrong(),
        field,
        last: standing.map(|s| hours(s.shown.seconds(), style)).unwrap_or_default(),
        last_h: standing.map_or("0".to_owned(), |s| format!("{:.4}", s.shown.as_decimal())),
        most_h: standing.map_or("1000000".to_owned(), |s| format!("{:.1}", hours_since(s) + 0.1)),
        last_says: standing.map_or("no reading yet".to_owned(), |s| {
            let on = day(day_of(s.read_at, yard.zone), yard.today);
            format!("{} on {on}", hours(s.shown.seconds(), style))
        }),
        swap_to: format!("{}/meter?onward=/fleet/hours", engine_path(engine.id)),
    }
}
