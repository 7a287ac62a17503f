//! Lay-up: the winter's plan, week by week and bench by bench, with load against hands, what is
//! short and what would help.

use std::collections::{BTreeMap, HashMap};

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use chrono::{Datelike, Days, NaiveDate};
use fleet::id::{EngineId, SiteId};
use fleet::money::Money;
use fleet::part::Unit;
use fleet::person::{Bay, Person};
use fleet::run::{RunKind, RunStatus};
use fleet::site::Site;
use fleet::visit::{Plan, PlanKind, Visit};
use planning::ShortageKind;
use runs::plan::account::{Account, LeftOut, Short, ToOrder, Worth};
use runs::plan::standing::Standing;
use serde::Deserialize;
use store::{Connection, record, runs as kept};

use crate::chart::load::{SkillLoad, Week, draw};
use crate::chart::{Picture, Table};
use crate::failure::{Failure, sentence, shown};
use crate::figures::{count, day, span};
use crate::form::{Act, Choice, Mark, choose};
use crate::frame::{Frame, Link, Room};
use crate::part::amount;
use crate::plan_seen::{
    PlanSeen, Taken, acts, bench_time, chosen, compare_link, hours_minutes, monday, plan_path,
    proven, stands, status_mark, stay, versions,
};
use crate::state::PagesState;
use crate::visitor::{Right, Visitor};
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "lay_up.html")]
pub struct LayUpPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub sites: Vec<Choice>,
    /// A run that is under way, or what the last one said.
    pub under_way: Option<Link>,
    pub failed: String,
    /// The first is the page's filled button.
    pub acts: Vec<Act>,
    pub links: Vec<Link>,
    /// How good the plan is, and what it is short of, in sentences.
    pub says: Vec<String>,
    pub left_out: Vec<LeftOutLine>,
    pub short: Vec<String>,
    pub picture: Option<Picture>,
    pub weeks: Vec<WeekShown>,
    pub to_order: Vec<String>,
    pub worth: Table,
    pub prices: Table,
    pub notes: Vec<String>,
    pub versions: Vec<VersionLine>,
    /// What must be entered before a plan can be made.
    pub missing: Vec<String>,
    pub nothing: String,
}

/// An engine that does not fit in.
#[derive(Clone, Debug)]
pub struct LeftOutLine {
    pub engine: Link,
    pub tasks: String,
    pub reason: String,
    pub ways: Vec<String>,
    pub move_to: Option<Link>,
}

/// One week: days across, one thin line per visit.
#[derive(Clone, Debug)]
pub struct WeekShown {
    pub name: String,
    pub days: Vec<DayHead>,
    pub visits: Vec<VisitLine>,
}

/// A day of a week with its load.
#[derive(Clone, Debug)]
pub struct DayHead {
    pub name: String,
    /// As `2026-11-03`: where a visit may be dropped.
    pub on: String,
    /// `5:30 of 7:00 h`, planned of what is usual; empty where nothing is known.
    pub load: String,
    /// More than can be worked on that day, overtime and all.
    pub over: bool,
}

#[derive(Clone, Debug)]
pub struct VisitLine {
    pub engine: Link,
    pub mark: Option<Mark>,
    pub when: String,
    /// For each day of the week whether the visit takes it.
    pub days: Vec<bool>,
    pub tasks: String,
    pub place: String,
    pub time: String,
    pub move_to: String,
}

/// A version of the plan.
#[derive(Clone, Debug)]
pub struct VersionLine {
    pub plan: Link,
    pub mark: Option<Mark>,
    pub stands: String,
    pub beside: Option<Link>,
}

/// Weeks of one plan on one page.
const WEEKS_MAX: usize = 60;
const VERSIONS_MAX: usize = 8;

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
    let of =
        versions(connection, organisation, (site.map(|site| site.id), PlanKind::LayUp)).await?;
    let runs = Runs::read(&state, &visitor, site, PlanKind::LayUp).await?;
    let Some(plan) = chosen(&of, &wanted.plan) else {
        let missing = missing(connection, &visitor, site).await?;
        return shown(&empty(&visitor, &yard, site, runs, missing));
    };
    let seen = PlanSeen::read(connection, organisation, plan.id).await?;
    shown(&page(&visitor, &yard, &seen, &of, runs))
}

pub fn chosen_site<'a>(yard: &'a Yard, visitor: &Visitor, given: &str) -> Option<&'a Site> {
    let given = yard.sites.iter().find(|site| site.id.to_string() == given);
    let home = yard.sites.iter().find(|site| Some(site.id) == visitor.person.site);
    given.or(home).or_else(|| yard.sites.first())
}

/// What the latest plan run of a site and kind came to, where it made no plan.
pub struct Runs {
    pub under_way: Option<Link>,
    pub failed: String,
}

impl Runs {
    pub async fn read(
        state: &PagesState,
        visitor: &Visitor,
        site: Option<&Site>,
        kind: PlanKind,
    ) -> Result<Self, Failure> {
        let connection = state.store.connection();
        let nothing = Self { under_way: None, failed: String::new() };
        let asked = kept::latest_asked(connection, visitor.organisation, RunKind::Plan).await?;
        let Some(run) = asked else { return Ok(nothing) };
        let of_kind = run.parameters["plan"] == kind.as_str();
        let of_site = run.site.is_none() || run.site == site.map(|site| site.id);
        if !of_kind || !of_site {
            return Ok(nothing);
        }
        Ok(match run.status {
            RunStatus::Queued | RunStatus::Running => {
                let link = Link::new("A plan is being made", format!("/plans/runs/{}", run.id));
                Self { under_way: Some(link), ..nothing }
            }
            RunStatus::Failed => {
                let why = run.failure.unwrap_or_else(|| "no reason on record".to_owned());
                Self {
                    failed: format!("The last plan could not be made. {}", sentence(&why)),
                    ..nothing
                }
            }
            RunStatus::Done => nothing,
        })
    }
}

/// What a lay-up plan can't be made without.
async fn missing(
    connection: &Connection,
    visitor: &Visitor,
    site: Option<&Site>,
) -> Result<Vec<String>, Failure> {
    let Some(site) = site else {
        return Ok(vec!["A site: what the plan is for.".to_owned()]);
    };
    let people: Vec<Person> = record::all(connection, visitor.organisation).await?;
    let bays: Vec<Bay> = record::all(connection, visitor.organisation).await?;
    let mut missing = Vec::new();
    if site.first_hire_on.is_none() {
        missing.push(format!(
            "The first hire of the coming season at {}: the work is done {} before it.",
            site.name,
            count(usize::try_from(site.finish_days_before_hire).unwrap_or(0), "day", "days")
        ));
    }
    if !people.iter().any(|person| !person.archived && person.site == Some(site.id)) {
        missing.push(format!("People of {} with their skills and working weeks.", site.name));
    }
    if !bays.iter().any(|bay| !bay.archived && bay.site == site.id) {
        missing.push(format!("Bays of {}: where an engine is worked on.", site.name));
    }
    Ok(missing)
}

fn site_choices(yard: &Yard, site: Option<&Site>) -> Vec<Choice> {
    if yard.sites.len() < 2 {
        return Vec::new();
    }
    let sites = yard.sites.iter().map(|site| Choice::new(site.id.to_string(), &site.name));
    choose(sites, &site.map(|site| site.id.to_string()).unwrap_or_default())
}

fn bundles_link(site: SiteId) -> Link {
    Link::new("What each engine needs", format!("/lay-up/bundles?site={site}"))
}

fn empty(
    visitor: &Visitor,
    yard: &Yard,
    site: Option<&Site>,
    runs: Runs,
    missing: Vec<String>,
) -> LayUpPage {
    let may = visitor.may(Right::Plan) && missing.is_empty() && runs.under_way.is_none();
    let site_id = site.map(|site| site.id);
    let make = |site: SiteId| {
        Act::new("Make the lay-up plan", "/plans/ask")
            .with("site", site)
            .with("kind", PlanKind::LayUp)
    };
    LayUpPage {
        frame: visitor.frame("Lay-up", Room::LayUp),
        heading: format!("No lay-up plan yet, seen from {}", day(yard.today, yard.today)),
        lead: String::new(),
        sites: site_choices(yard, site),
        under_way: runs.under_way,
        failed: runs.failed,
        acts: site_id.filter(|_| may).map(make).into_iter().collect(),
        links: site_id.filter(|_| missing.is_empty()).map(bundles_link).into_iter().collect(),
        says: Vec::new(),
        left_out: Vec::new(),
        short: Vec::new(),
        picture: None,
        weeks: Vec::new(),
        to_order: Vec::new(),
        worth: Table::default(),
        prices: Table::default(),
        notes: Vec::new(),
        versions: Vec::new(),
        missing,
        nothing:
            "A lay-up plan puts each engine on the bench before the first hire. It is made of \
                  what falls due, what was found, who works when and which parts are there; it \
                  says what does not fit in and what would help."
                .to_owned(),
    }
}

fn page(
    visitor: &Visitor,
    yard: &Yard,
    seen: &PlanSeen,
    versions: &[Plan],
    runs: Runs,
) -> LayUpPage {
    let plan = &seen.plan;
    let site = yard.sites.iter().find(|site| site.id == plan.site);
    let standing = seen.standing.as_ref();
    let taken = standing.map(|standing| Taken::of(&standing.problem, &standing.schedule));
    let weeks = weeks(yard, seen, taken.as_ref());
    let left_out = seen.left_out();
    let account = standing.and_then(|standing| standing.account.as_ref());
    let holds = versions.iter().find(|other| other.published_at.is_some() && other.id != plan.id);
    let mut links = vec![bundles_link(plan.site)];
    if standing.is_some() && visitor.may(Right::Plan) {
        links.push(Link::new("What if", format!("/plans/{}/what-if", plan.id)));
    }
    links.extend(
        holds.map(|other| compare_link(other, plan, "Beside the version published before")),
    );
    let mut says: Vec<String> = standing.map(proven).into_iter().collect();
    says.extend(account.and_then(overtime_says));
    says.extend(account.and_then(|account| orders_say(yard, account)));
    LayUpPage {
        frame: visitor.frame("Lay-up", Room::LayUp),
        heading: format!(
            "{}: {} in {}{}",
            plan.name,
            count(seen.visits.len() - left_out, "engine", "engines"),
            count(weeks.len(), "week", "weeks"),
            if left_out > 0 { format!(", {left_out} left out") } else { String::new() }
        ),
        lead: stands(plan, yard),
        sites: site_choices(yard, site),
        under_way: runs.under_way,
        failed: runs.failed,
        acts: acts(visitor, plan),
        links,
        says,
        left_out: standing.map(|s| left_out_lines(yard, seen, s)).unwrap_or_default(),
        short: account.map(|a| short_lines(yard, a)).unwrap_or_default(),
        picture: standing.zip(taken.as_ref()).map(|(s, taken)| picture(yard, s, taken)),
        weeks,
        to_order: account.map(|account| to_order(yard, account)).unwrap_or_default(),
        worth: account.map(|account| worth(yard, account)).unwrap_or_default(),
        prices: account.map(prices).unwrap_or_default(),
        notes: account.map(|account| account.notes.clone()).unwrap_or_default(),
        versions: version_lines(yard, plan, versions),
        missing: Vec::new(),
        nothing: "This plan has no visit.".to_owned(),
    }
}

/// That the plan counts on orders nobody has sent yet, and when the first is due.
pub fn orders_say(yard: &Yard, account: &Account) -> Option<String> {
    let first = account.to_order.iter().filter_map(|order| order.order_by).min()?;
    Some(format!(
        "It counts on {} still to be ordered, the first by {}; jobs that take them are short until \
         they come.",
        count(account.to_order.len(), "part", "parts"),
        day(first, yard.today)
    ))
}

fn overtime_says(account: &Account) -> Option<String> {
    (account.overtime_minutes > 0)
        .then(|| format!("It takes {} of overtime.", hours_minutes(account.overtime_minutes)))
}

/// Every engine that is left out as the plan stands now, with the least that would help.
fn left_out_lines(yard: &Yard, seen: &PlanSeen, standing: &Standing) -> Vec<LeftOutLine> {
    let visit_of: HashMap<EngineId, &Visit> =
        seen.visits.iter().map(|visit| (visit.engine, visit)).collect();
    let line = |out: LeftOut| {
        let visit = visit_of.get(&out.engine);
        let money = |minor| Money::new(minor, standing.problem.currency);
        let ways = out.ways.iter().map(|way| {
            let costs = match way.extra {
                saved if saved < 0 => format!("saves {} beside leaving it out", money(-saved)),
                more => format!("costs {} more than leaving it out", money(more)),
            };
            let on = day(way.on, yard.today);
            format!(
                "{}: on the bench {on}; that {costs}, what is added not counted",
                crate::figures::capital(&way.sentence)
            )
        });
        LeftOutLine {
            engine: yard.link(out.engine),
            tasks: seen.names.tasks(&out.tasks),
            reason: reason_in_words(&out.reason),
            ways: ways.collect(),
            move_to: visit.map(|visit| Link::new("Give it a day", PlanSeen::visit_path(visit.id))),
        }
    };
    standing.left_out().into_iter().map(line).collect()
}

/// What stands in the way, as the plan names it, in words.
pub fn reason_in_words(reason: &str) -> String {
    match reason.split_once(':') {
        Some(("skill", name)) => format!("no hands left ({name})"),
        Some(("bay", name)) => format!("no place left ({name})"),
        Some(("kit", name)) => format!("{name} is not there in time"),
        Some(("engine", _)) => "another visit of the engine is in the way".to_owned(),
        Some(("after", name)) => format!("{name} must be done before it"),
        _ if reason == "dates" => "its dates leave no day".to_owned(),
        _ => "doing it costs more than leaving it out".to_owned(),
    }
}

fn short_lines(yard: &Yard, account: &Account) -> Vec<String> {
    let line = |short: &Short| {
        let when = span(short.from_on, short.to_on, yard.today);
        let missing = usize::try_from(short.missing).unwrap_or(0);
        match short.kind {
            ShortageKind::Skill => {
                format!("{} of {} too little, {when}.", hours_minutes(short.missing), short.name)
            }
            ShortageKind::Bay => {
                format!("{} ({}) too few, {when}.", count(missing, "place", "places"), short.name)
            }
            ShortageKind::Kit => {
                format!("{} of {} too few, {when}.", count(missing, "piece", "pieces"), short.name)
            }
            ShortageKind::Pool => {
                format!("{} short in {}, {when}.", count(missing, "boat", "boats"), short.name)
            }
            ShortageKind::Deadline => {
                format!("{} too few before the end, {when}.", count(missing, "day", "days"))
            }
        }
    };
    account.short.iter().map(line).collect()
}

/// What a plan counts on that nobody has ordered yet, and by when it must be.
pub fn to_order(yard: &Yard, account: &Account) -> Vec<String> {
    let line = |order: &ToOrder| {
        let pieces = amount(order.unit.unwrap_or(Unit::Each), order.pieces);
        let on = day(order.needed_on, yard.today);
        let by = order.order_by.map(|by| format!(": order by {}", day(by, yard.today)));
        format!("{pieces} of {}, needed from {on} on{}", order.part, by.unwrap_or_default())
    };
    account.to_order.iter().map(line).collect()
}

/// What a little more would be worth: where to look, not what to pay.
pub fn worth(yard: &Yard, account: &Account) -> Table {
    let row = |worth: &Worth| {
        let one = match worth.unit.as_str() {
            "hour" => "an hour",
            "place_day" => "a place for a day",
            "piece" => "a piece",
            "engine_day" => "an engine for a day",
            other => other,
        };
        let money = Money::new(worth.minor, account.currency).to_string();
        let when = span(worth.from_on, worth.to_on, yard.today);
        let warning = worth.warning.clone().unwrap_or_default();
        vec![format!("{}, {one}", worth.name), when, money, warning]
    };
    Table {
        head: ["One more", "When", "Saves", "Beware"].map(str::to_owned).to_vec(),
        rows: account.worth.iter().map(row).collect(),
    }
}

pub fn prices(account: &Account) -> Table {
    let row = |price: &runs::plan::prices::Price| {
        let whose = if price.own { "the site's own" } else { "shipped" };
        let kind = crate::figures::capital(&price.kind.as_str().replace('_', " "));
        vec![kind, price.amount.to_string(), whose.to_owned(), price.basis.clone()]
    };
    Table {
        head: ["Price", "Amount", "Whose", "Rests on"].map(str::to_owned).to_vec(),
        rows: account.prices.iter().map(row).collect(),
    }
}

pub fn version_lines(yard: &Yard, shown: &Plan, versions: &[Plan]) -> Vec<VersionLine> {
    let line = |plan: &Plan| VersionLine {
        plan: Link { here: plan.id == shown.id, ..Link::new(&plan.name, plan_path(plan)) },
        mark: Some(status_mark(plan)),
        stands: stands(plan, yard),
        beside: (plan.id != shown.id).then(|| compare_link(plan, shown, "Compare")),
    };
    versions.iter().take(VERSIONS_MAX).map(line).collect()
}

/// Load by week of the two skills that the plan takes most of.
fn picture(yard: &Yard, standing: &Standing, taken: &Taken) -> Picture {
    let problem = &standing.problem;
    let instance = &problem.instance;
    let skills: Vec<usize> = taken.most().into_iter().take(2).collect();
    let names: Vec<String> = skills.iter().map(|at| instance.skills[*at].id.clone()).collect();
    let count = instance.weeks.last().map_or(0, |last| last + 1);
    let weeks: Vec<Week> = (0..count)
        .map(|week| {
            let days = || (0..instance.days).filter(|day| instance.weeks[*day] == week);
            let first = days().next().unwrap_or(0) as i64;
            let load = |at: &usize| SkillLoad {
                planned_h: taken.over(*at, days()) as f64 / 60.0,
                there_h: instance.skills[*at].week_minutes[week] as f64 / 60.0,
            };
            Week {
                label: problem.date(first).iso_week().week().to_string(),
                skills: skills.iter().map(load).collect(),
            }
        })
        .collect();
    // The plan looks on to the first hire; its work ends some days before.
    let whole = instance.days as i64 - 1;
    let last = instance.visits.iter().filter_map(|visit| visit.deadline).max().unwrap_or(whole);
    let done = format!("all done by {}", day(problem.date(last), yard.today));
    let week = usize::try_from(last).ok().and_then(|last| instance.weeks.get(last));
    let after = week.map_or(weeks.len(), |week| week + 1);
    draw("load", &names, &weeks, Some((after, &done)))
}

fn weeks(yard: &Yard, seen: &PlanSeen, taken: Option<&Taken>) -> Vec<WeekShown> {
    let mut by_week: BTreeMap<NaiveDate, Vec<&Visit>> = BTreeMap::new();
    for visit in &seen.visits {
        if let (Some(from), Some(to)) = (visit.starts_on, visit.ends_on) {
            let mut week = monday(from);
            while week <= to {
                by_week.entry(week).or_default().push(visit);
                week = week + Days::new(7);
            }
        }
    }
    let week = |(monday, visits): (NaiveDate, Vec<&Visit>)| {
        let days = days_of(seen, monday, &visits);
        WeekShown {
            name: week_name(monday, yard.today),
            visits: visits.iter().map(|visit| line(yard, seen, visit, &days)).collect(),
            days: days.iter().map(|day| day_head(seen, taken, *day)).collect(),
        }
    };
    by_week.into_iter().take(WEEKS_MAX).map(week).collect()
}

/// The days of a week on which the site works, or something stands all the same.
fn days_of(seen: &PlanSeen, monday: NaiveDate, visits: &[&Visit]) -> Vec<NaiveDate> {
    let problem = seen.standing.as_ref().map(|standing| &standing.problem);
    let works = |day: NaiveDate| match problem {
        Some(problem) => usize::try_from(problem.day(day))
            .is_ok_and(|at| problem.instance.open.get(at) == Some(&1)),
        None => day.weekday().num_days_from_monday() < 5,
    };
    let starts = |day| visits.iter().any(|v| v.starts_on == Some(day) || v.ends_on == Some(day));
    (0..7)
        .map(|ahead| monday + Days::new(ahead))
        .filter(|day| works(*day) || starts(*day))
        .collect()
}

fn day_head(seen: &PlanSeen, taken: Option<&Taken>, day: NaiveDate) -> DayHead {
    let known = seen.standing.as_ref().zip(taken).and_then(|(standing, taken)| {
        let at = usize::try_from(standing.problem.day(day)).ok()?;
        let instance = &standing.problem.instance;
        let week = *instance.weeks.get(at)?;
        // What is usual: the week's share of that day. More is a long day, and no fault before it is
        // more than can be worked.
        let most: i64 = instance.skills.iter().map(|skill| skill.day_minutes[at]).sum();
        let of_week = |pick: fn(&planning::Skill, usize) -> i64| -> i64 {
            instance.skills.iter().map(|skill| pick(skill, week)).sum()
        };
        let contract = of_week(|skill, week| skill.week_minutes[week]);
        let all = contract + of_week(|skill, week| skill.week_overtime[week]);
        let there = if all > 0 { most * contract / all } else { most };
        Some((taken.on(at), there, most))
    });
    let (load, over) = known.map_or((String::new(), false), day_load);
    DayHead { name: day.format("%a %-d").to_string(), on: day.to_string(), load, over }
}

/// What is planned of what is usual, and whether it is more than can be worked, in minutes.
fn day_load((planned, usual, most): (i64, i64, i64)) -> (String, bool) {
    let says = format!("{}:{:02} of {}", planned / 60, planned % 60, hours_minutes(usual));
    (says, planned > most)
}

fn line(yard: &Yard, seen: &PlanSeen, visit: &Visit, days: &[NaiveDate]) -> VisitLine {
    let stands = visit.starts_on.zip(visit.ends_on);
    VisitLine {
        engine: yard.link(visit.engine),
        mark: visit.locked.then(|| Mark::plain("locked")),
        when: stands.map_or(String::new(), |(from, to)| stay(from, to, yard.today)),
        days: days
            .iter()
            .map(|day| stands.is_some_and(|(from, to)| from <= *day && *day <= to))
            .collect(),
        tasks: seen.tasks(visit.id),
        place: seen.place(visit),
        time: bench_time(visit.bench),
        move_to: PlanSeen::visit_path(visit.id),
    }
}

pub fn week_name(monday: NaiveDate, today: NaiveDate) -> String {
    format!("Week {}, from {}", monday.iso_week().week(), day(monday, today))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_week_carries_its_iso_number() {
        // ISO 8601: the week of 28 December 2026 is the 53rd, since 2026 begins on a Thursday.
        let sunday = NaiveDate::from_ymd_opt(2027, 1, 3).unwrap();
        assert_eq!(week_name(monday(sunday), sunday), "Week 53, from Mon 28 Dec 2026");
    }

    #[test]
    fn a_long_day_within_what_can_be_worked_is_no_fault() {
        assert_eq!(day_load((450, 420, 480)), ("7:30 of 7:00 h".to_owned(), false));
        assert!(!day_load((480, 420, 480)).1);
        assert!(day_load((481, 420, 480)).1);
    }

    #[test]
    fn what_is_in_the_way_is_said_in_words() {
        let said = ["skill:mechanic", "kit:K-12", "dates", "cost"].map(reason_in_words);
        assert_eq!(
            said,
            [
                "no hands left (mechanic)",
                "K-12 is not there in time",
                "its dates leave no day",
                "doing it costs more than leaving it out"
            ]
        );
    }
}
