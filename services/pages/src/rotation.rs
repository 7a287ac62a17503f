//! Which engines come out of service in the coming weeks, when, and what that costs: the rotation.

use std::collections::{BTreeMap, HashMap, HashSet};

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use chrono::NaiveDate;
use fleet::engine::EngineStatus;
use fleet::finding::Hold;
use fleet::id::{EngineId, PoolId, SiteId};
use fleet::visit::{Plan, PlanKind, Visit};
use runs::plan::account::LeftOut;
use runs::plan::bundle::Bundled;
use runs::plan::rotation::Levelling;
use serde::Deserialize;
use store::{findings, record};

use crate::failure::{Failure, shown};
use crate::figures::{capital, count, day, day_long};
use crate::form::{Act, Choice, Mark, choose};
use crate::frame::{Frame, Link, Room};
use crate::lay_up::{
    Runs, VersionLine, chosen_site, orders_say, reason_in_words, to_order, version_lines,
};
use crate::plan_seen::{Names, PlanSeen, acts, bench_time, chosen, proven, stands, versions};
use crate::state::PagesState;
use crate::visitor::{Right, Visitor};
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "rotation.html")]
pub struct RotationPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub sites: Vec<Choice>,
    pub under_way: Option<Link>,
    pub failed: String,
    pub says: Vec<String>,
    pub acts: Vec<Act>,
    pub links: Vec<Link>,
    pub days: Vec<RotationDay>,
    pub left_out: Vec<String>,
    pub levelling: Vec<String>,
    pub spares: Vec<String>,
    /// What it counts on that nobody has ordered yet.
    pub to_order: Vec<String>,
    pub versions: Vec<VersionLine>,
    pub nothing: String,
}

/// What comes out on one day.
#[derive(Clone, Debug)]
pub struct RotationDay {
    pub name: String,
    pub lines: Vec<RotationLine>,
}

#[derive(Clone, Debug)]
pub struct RotationLine {
    pub engine: Link,
    pub mark: Option<Mark>,
    /// Slot, why, and what it costs, in a sentence.
    pub sentence: String,
    pub move_to: String,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    site: String,
    plan: String,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    let asked = match wanted.plan.parse() {
        Ok(id) => record::find::<Plan>(connection, organisation, id).await?,
        Err(_) => None,
    };
    let site = match &asked {
        Some(plan) => yard.sites.iter().find(|site| site.id == plan.site),
        None => chosen_site(&yard, &visitor, &wanted.site),
    };
    let id = site.map(|site| site.id);
    let of = versions(connection, organisation, (id, PlanKind::Rotation)).await?;
    let runs = Runs::read(&state, &visitor, site, PlanKind::Rotation).await?;
    let holds = findings::open_holds(connection, organisation).await?;
    let spares = spares(&yard, id, &holds);
    let sites = match yard.sites.len() {
        0 | 1 => Vec::new(),
        _ => {
            let all = yard.sites.iter().map(|it| Choice::new(it.id.to_string(), &it.name));
            choose(all, &id.map(|id| id.to_string()).unwrap_or_default())
        }
    };
    let page = match chosen(&of, &wanted.plan) {
        Some(plan) => {
            let seen = PlanSeen::read(connection, organisation, plan.id).await?;
            page(&visitor, &yard, &seen, &of)
        }
        None => empty(&visitor, &yard, id),
    };
    let (under_way, failed) = (runs.under_way, runs.failed);
    shown(&RotationPage { sites, spares, under_way, failed, ..page })
}

fn empty(visitor: &Visitor, yard: &Yard, site: Option<SiteId>) -> RotationPage {
    let make = |site: SiteId| {
        Act::new("Plan the rotation", "/plans/ask").with("site", site).with("kind", "rotation")
    };
    RotationPage {
        frame: visitor.frame("Rotation", Room::Afloat),
        heading: format!("No rotation yet, seen from {}", day_long(yard.today, yard.today)),
        lead: String::new(),
        sites: Vec::new(),
        under_way: None,
        failed: String::new(),
        says: Vec::new(),
        acts: site.filter(|_| visitor.may(Right::Plan)).map(make).into_iter().collect(),
        links: Vec::new(),
        days: Vec::new(),
        left_out: Vec::new(),
        levelling: Vec::new(),
        spares: Vec::new(),
        to_order: Vec::new(),
        versions: Vec::new(),
        nothing: "A rotation says which engines come out in the coming six weeks, and on which \
                  day, so that due work is done and hire is never short. It is made anew each \
                  night."
            .to_owned(),
    }
}

fn page(visitor: &Visitor, yard: &Yard, seen: &PlanSeen, versions: &[Plan]) -> RotationPage {
    let plan = &seen.plan;
    let standing = seen.standing.as_ref();
    let account = standing.and_then(|standing| standing.account.as_ref());
    let planned = seen.visits.len() - seen.left_out();
    let mut says: Vec<String> = standing.map(proven).into_iter().collect();
    says.push(boat_days(&seen.visits));
    says.extend(account.and_then(|account| orders_say(yard, account)));
    let what_if = standing.is_some() && visitor.may(Right::Plan);
    RotationPage {
        frame: visitor.frame("Rotation", Room::Afloat),
        heading: format!("{}: {} out", plan.name, count(planned, "engine comes", "engines come")),
        lead: stands(plan, yard),
        says,
        acts: acts(visitor, plan),
        links: what_if
            .then(|| Link::new("What if", format!("/plans/{}/what-if", plan.id)))
            .into_iter()
            .collect(),
        days: days(yard, seen, None),
        left_out: standing.map(|s| left_out(yard, &seen.names, &s.left_out())).unwrap_or_default(),
        levelling: account.map(|a| levelling(yard, &a.levelling)).unwrap_or_default(),
        to_order: account.map(|account| to_order(yard, account)).unwrap_or_default(),
        versions: version_lines(yard, plan, versions),
        nothing: "Nothing falls due in these weeks.".to_owned(),
        ..empty(visitor, yard, None)
    }
}

/// What the whole rotation takes off hire.
fn boat_days(visits: &[Visit]) -> String {
    let days: i64 = visits
        .iter()
        .filter(|visit| visit.boat_out)
        .filter_map(|visit| Some((visit.ends_on? - visit.starts_on?).num_days() + 1))
        .sum();
    let quiet = visits.iter().filter(|v| v.starts_on.is_some() && !v.boat_out).count();
    let days = count(usize::try_from(days).unwrap_or(0), "boat-day", "boat-days");
    match quiet {
        0 => format!("Hire misses {days} by it."),
        quiet => format!(
            "Hire misses {days} by it; {} no day of hire.",
            count(quiet, "visit costs", "visits cost")
        ),
    }
}

/// The visits of a rotation by day, up to and with `until`.
pub fn days(yard: &Yard, seen: &PlanSeen, until: Option<NaiveDate>) -> Vec<RotationDay> {
    let mut by_day: BTreeMap<NaiveDate, Vec<RotationLine>> = BTreeMap::new();
    for visit in &seen.visits {
        let Some(on) = visit.starts_on else { continue };
        if until.is_none_or(|until| on <= until) && visit.ends_on >= Some(yard.today) {
            by_day.entry(on).or_default().push(line(yard, seen, visit));
        }
    }
    let named = |(on, lines): (NaiveDate, Vec<RotationLine>)| RotationDay {
        name: day_long(on, yard.today),
        lines,
    };
    by_day.into_iter().map(named).collect()
}

fn line(yard: &Yard, seen: &PlanSeen, visit: &Visit) -> RotationLine {
    let asked = seen.standing.as_ref().and_then(|s| s.problem.of_engine(visit.engine));
    let why = asked.and_then(|asked| asked.bundle.first().map(|first| (first, asked.bundle.len())));
    let why = match why {
        Some((first, tasks)) => reached(yard, &seen.names, first, tasks),
        None => seen.tasks(visit.id),
    };
    RotationLine {
        engine: yard.link(visit.engine),
        mark: visit.locked.then(|| Mark::plain("locked")),
        sentence: format!("{why}. {}.", capital(&takes(visit))),
        move_to: PlanSeen::visit_path(visit.id),
    }
}

/// `Gear oil: due between Wed 8 Jul and Sat 11 Jul (eight times in ten); and 2 more tasks`.
fn reached(yard: &Yard, names: &Names, first: &Bundled, tasks: usize) -> String {
    let name = names.tasks.get(&first.task).cloned().unwrap_or_default();
    let on = |date: NaiveDate| day(date, yard.today);
    let when = match (first.early_on, first.due_on, first.late_on) {
        (Some(early), _, Some(late)) if early != late && early > yard.today => {
            format!("due between {} and {} (eight times in ten)", on(early), on(late))
        }
        (_, Some(due), _) if due > yard.today => format!("{} on {}", first.why.words(), on(due)),
        _ => first.why.words().to_owned(),
    };
    let more = match tasks {
        0 | 1 => String::new(),
        2 => "; and 1 more task".to_owned(),
        n => format!("; and {} more tasks", n - 1),
    };
    format!("{name}: {when}{more}")
}

/// What it takes, and what hire misses: `0:25 h of work before hire begins; the boat misses no day`.
fn takes(visit: &Visit) -> String {
    let time = bench_time(visit.bench);
    let days = match (visit.starts_on, visit.ends_on) {
        (Some(from), Some(to)) => (to - from).num_days() + 1,
        _ => 0,
    };
    match visit.boat_out {
        true => {
            let days = count(usize::try_from(days).unwrap_or(0), "day", "days");
            format!("{time} of work on the bench; the boat misses {days} of hire")
        }
        false if visit.mode.as_deref() == Some("before hire") => {
            format!("{time} of work before hire begins; the boat misses no day")
        }
        false => format!("{time} of work on the bench; it is not on hire then anyway"),
    }
}

fn left_out(yard: &Yard, names: &Names, left_out: &[LeftOut]) -> Vec<String> {
    let line = |out: &LeftOut| {
        let way = out.ways.first().map(|way| format!(" It would fit with {}.", way.sentence));
        format!(
            "{} ({}): {}.{}",
            yard.name(out.engine),
            names.tasks(&out.tasks),
            reason_in_words(&out.reason),
            way.unwrap_or_default()
        )
    };
    left_out.iter().map(line).collect()
}

/// Who should get the long hires, and what it gains.
fn levelling(yard: &Yard, pools: &[Levelling]) -> Vec<String> {
    let named = |engines: &[EngineId]| {
        engines.iter().map(|engine| yard.name(*engine)).collect::<Vec<_>>().join(", ")
    };
    let line = |pool: &Levelling| {
        format!(
            "{}: give the long hires to {}, the short ones to {}. Then at most {} fall due in one \
             week, instead of {}.",
            yard.pool(pool.pool).map_or("", |pool| pool.name.as_str()),
            named(&pool.long_hires),
            named(&pool.short_hires),
            count(pool.most_in_a_week_so, "service", "services"),
            pool.most_in_a_week
        )
    };
    pools.iter().map(line).collect()
}

/// Engines that sit on no boat and may be fitted, by pool.
pub fn spares(yard: &Yard, site: Option<SiteId>, holds: &[Hold]) -> Vec<String> {
    let held: HashSet<EngineId> = holds.iter().map(|hold| hold.engine).collect();
    let mut by_pool: HashMap<PoolId, Vec<String>> = HashMap::new();
    for engine in yard.engines.values() {
        let is_spare = engine.status == EngineStatus::InService
            && !held.contains(&engine.id)
            && yard.boat_of(engine.id).is_none();
        if is_spare {
            by_pool.entry(engine.pool).or_default().push(engine.serial.clone());
        }
    }
    let of_site = yard.pools.iter().filter(|pool| site.is_none_or(|site| site == pool.site));
    let line = |pool: &fleet::pool::Pool| {
        let mut serials = by_pool.remove(&pool.id)?;
        serials.sort_unstable();
        Some(format!("{}: {}", pool.name, serials.join(", ")))
    };
    of_site.filter_map(line).collect()
}
