//! Fleet: the engines, where they sit and what they have run.

use std::cmp::Ordering;
use std::collections::{HashMap, HashSet};

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use fleet::calendar::day_of;
use fleet::engine::{Engine, EngineStatus};
use fleet::id::{EngineId, OrganisationId};
use fleet::run::RunKind;
use runs::hours::Basis;
use serde::Deserialize;
use store::findings;

use crate::failure::{Failure, in_address, shown};
use crate::figures::{count, day, hours_bare};
use crate::form::{Choice, Column, Mark};
use crate::frame::{Frame, Link, Room};
use crate::lives;
use crate::outlook;
use crate::reads::{Standing, standings};
use crate::run::Latest;
use crate::state::PagesState;
use crate::visitor::{Right, Visitor};
use crate::yard_records::{Yard, engine_path};

#[derive(Template)]
#[template(path = "fleet_list.html")]
pub struct FleetPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub act: Option<Link>,
    pub find: String,
    pub pools: Vec<Choice>,
    pub columns: Vec<Column>,
    pub rows: Vec<EngineRow>,
    pub nothing: String,
    pub more: Option<Link>,
}

#[derive(Clone, Debug)]
pub struct EngineRow {
    pub engine: Link,
    pub mark: Option<Mark>,
    pub boat: String,
    pub model: String,
    pub pool: String,
    pub hours: String,
    pub read: String,
}

const ROWS_MAX: usize = 200;

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    find: String,
    pool: String,
    sort: String,
    from: usize,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let mut yard = Yard::read(&state, &visitor).await?;
    let asked = yard.engines.values().filter(|engine| is_asked_for(&yard, engine, &wanted));
    let ids: Vec<EngineId> = asked.map(|engine| engine.id).collect();
    let standings = standings(connection, organisation, &ids).await?;
    yard.write_hours_as(standings.values());
    let asked = ids.iter().filter_map(|id| yard.engines.get(id)).collect();
    let holds = findings::open_holds(connection, organisation).await?;
    let held = holds.iter().map(|hold| hold.engine).collect();
    let list = sorted(&yard, asked, &standings, &wanted);
    let hired = hired_hours(&state, organisation, &yard).await?;
    let page = page(&visitor, &yard, &wanted, &Seen { list, standings, held, hired });
    shown(&page)
}

struct Seen<'a> {
    list: Vec<&'a Engine>,
    standings: HashMap<EngineId, Standing>,
    held: HashSet<EngineId>,
    /// Life hours of engines without a meter, by the hire log.
    hired: HashMap<EngineId, f64>,
}

async fn hired_hours(
    state: &PagesState,
    organisation: OrganisationId,
    yard: &Yard,
) -> Result<HashMap<EngineId, f64>, Failure> {
    let latest = Latest::of(state, organisation, RunKind::Due).await?;
    let Some(run) = latest.done else { return Ok(HashMap::new()) };
    let fleet = outlook::of_run(state, organisation, &run).await?;
    let hours = |id: &EngineId| {
        let known = fleet.engine(*id).filter(|known| known.basis == Basis::HireLog)?;
        Some((*id, known.last_life()?))
    };
    Ok(yard.engines.keys().filter_map(hours).collect())
}

fn is_asked_for(yard: &Yard, engine: &Engine, wanted: &Wanted) -> bool {
    let find = wanted.find.trim().to_lowercase();
    let has = |text: &str| text.to_lowercase().contains(&find);
    let model = yard.models.get(&engine.model);
    (wanted.pool.is_empty() || engine.pool.to_string() == wanted.pool)
        && (find.is_empty()
            || has(&engine.serial)
            || engine.tag.as_deref().is_some_and(has)
            || yard.boat_of(engine.id).is_some_and(|boat| has(&boat.name))
            || model.is_some_and(|model| has(&model.name) || has(&model.maker)))
}

fn sorted<'a>(
    yard: &Yard,
    mut engines: Vec<&'a Engine>,
    standings: &HashMap<EngineId, Standing>,
    wanted: &Wanted,
) -> Vec<&'a Engine> {
    let (down, by) = match wanted.sort.strip_prefix('-') {
        Some(by) => (true, by),
        None => (false, wanted.sort.as_str()),
    };
    let boat = |e: &Engine| yard.boat_of(e.id).map(|boat| boat.name.clone());
    let life = |e: &Engine| standings.get(&e.id).map(|standing| standing.life);
    let read = |e: &Engine| standings.get(&e.id).map(|standing| standing.read_at);
    engines.sort_by(|a, b| {
        let order: Ordering = match by {
            "boat" => boat(a).cmp(&boat(b)),
            "hours" => life(a).cmp(&life(b)),
            "read" => read(a).cmp(&read(b)),
            _ => Ordering::Equal,
        };
        let order = order.then_with(|| a.serial.cmp(&b.serial));
        if down { order.reverse() } else { order }
    });
    engines
}

fn page(visitor: &Visitor, yard: &Yard, wanted: &Wanted, seen: &Seen<'_>) -> FleetPage {
    let rows = seen.list.iter().skip(wanted.from).take(ROWS_MAX);
    let rows: Vec<_> = rows.map(|engine| engine_row(yard, engine, seen)).collect();
    let after = wanted.from + rows.len();
    let held = seen.list.iter().filter(|engine| seen.held.contains(&engine.id)).count();
    FleetPage {
        frame: visitor.frame("Fleet", Room::Fleet),
        heading: count(seen.list.len(), "engine", "engines"),
        lead: lead(yard, seen, held),
        paths: lives::paths("/fleet"),
        act: visitor
            .may(Right::RecordHours)
            .then(|| Link::new("Enter the hours from the board", "/fleet/hours")),
        find: wanted.find.clone(),
        pools: yard.pool_choices(&wanted.pool),
        columns: columns(wanted),
        nothing: if yard.engines.is_empty() {
            "No engine is on record yet. “slackwater load engines --template” writes the file to \
             fill in; load models and pools first."
                .to_owned()
        } else {
            "No engine matches. Search for a part of a serial, a boat or a model.".to_owned()
        },
        more: (after < seen.list.len()).then(|| {
            let to = format!("{}&from={after}", address(wanted, &wanted.sort));
            Link::new(format!("The next of {}", seen.list.len()), to)
        }),
        rows,
    }
}

fn lead(yard: &Yard, seen: &Seen<'_>, held: usize) -> String {
    let last = seen.standings.values().map(|standing| standing.read_at).max();
    let read = match last {
        Some(at) => {
            format!("Hours by the readings up to {}.", day(day_of(at, yard.zone), yard.today))
        }
        None => "No reading yet.".to_owned(),
    };
    match held {
        0 => read,
        n => format!("{read} {}.", count(n, "is on hold", "are on hold")),
    }
}

fn engine_row(yard: &Yard, engine: &Engine, seen: &Seen<'_>) -> EngineRow {
    let standing = seen.standings.get(&engine.id);
    let mark = match engine.status {
        _ if seen.held.contains(&engine.id) => Some(Mark::stop("hold")),
        EngineStatus::InService => None,
        EngineStatus::LaidUp => Some(Mark::plain("laid up")),
        EngineStatus::Retired => Some(Mark::plain("retired")),
        EngineStatus::Sold => Some(Mark::plain("sold")),
    };
    let hired = seen.hired.get(&engine.id);
    let model = yard.models.get(&engine.model);
    EngineRow {
        engine: Link::new(&engine.serial, engine_path(engine.id)),
        mark,
        boat: yard.boat_of(engine.id).map(|boat| boat.name.clone()).unwrap_or_default(),
        model: model.map(|m| format!("{} {}", m.maker, m.name)).unwrap_or_default(),
        pool: yard.pool(engine.pool).map(|pool| pool.name.clone()).unwrap_or_default(),
        hours: match (standing, hired) {
            (Some(standing), _) => hours_bare(standing.life.seconds(), yard.style),
            (None, Some(hired)) => format!("about {hired:.0}"),
            (None, None) => "–".to_owned(),
        },
        read: match (standing, hired) {
            (Some(standing), _) => day(day_of(standing.read_at, yard.zone), yard.today),
            (None, Some(_)) => "no meter: by the hire log".to_owned(),
            (None, None) => "never".to_owned(),
        },
    }
}

fn columns(wanted: &Wanted) -> Vec<Column> {
    let sorting = |text: &str, by: &str| {
        let up = wanted.sort == by || (by == "engine" && wanted.sort.is_empty());
        let down = wanted.sort == format!("-{by}");
        let next = if up { format!("-{by}") } else { by.to_owned() };
        let sorted = if up {
            "ascending"
        } else if down {
            "descending"
        } else {
            ""
        };
        Column { text: text.to_owned(), number: by == "hours", to: address(wanted, &next), sorted }
    };
    let still = |text: &str| Column { text: text.to_owned(), ..Column::default() };
    vec![
        sorting("Engine", "engine"),
        sorting("Boat", "boat"),
        still("Model"),
        still("Pool"),
        sorting("Life hours", "hours"),
        sorting("Last read", "read"),
    ]
}

fn address(wanted: &Wanted, sort: &str) -> String {
    let (find, pool) = (in_address(&wanted.find), in_address(&wanted.pool));
    format!("/fleet?find={find}&pool={pool}&sort={}", in_address(sort))
}
