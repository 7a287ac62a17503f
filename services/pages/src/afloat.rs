//! Afloat: what falls due, which boats are there, what is on hold.

use std::cmp::Ordering;
use std::collections::{HashMap, HashSet};

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use chrono::NaiveDate;
use chrono_tz::Tz;
use fleet::bench::{Job, JobStatus};
use fleet::calendar::start_of_day;
use fleet::engine::{EngineStatus, Standstill};
use fleet::finding::Hold;
use fleet::hire::Booking;
use fleet::id::{EngineId, JobId, OrganisationId, PoolId, TaskId};
use fleet::pool::{Pool, PoolMinimum};
use fleet::programme::{Task, TaskLink};
use fleet::run::RunKind;
use fleet::visit::{Plan, PlanKind, PlanStatus};
use serde::Deserialize;
use store::jobs::{self, JobFilter};
use store::{Connection, PageOf, findings, record};

use crate::chart::Picture;
use crate::chart::boats::{BoatDay, describe, draw};
use crate::chart::tide::Strip;
use crate::due::{Days, DueShown};
use crate::failure::{Failure, in_address, shown};
use crate::figures::{count, day, day_long, moment};
use crate::form::{Act, Choice, Mark};
use crate::frame::{Frame, Link, Room};
use crate::plan_seen::{PlanSeen, chosen, stands, versions};
use crate::reads;
use crate::rotation::{self, RotationDay};
use crate::run::{DueLine, DueRun, Latest};
use crate::state::PagesState;
use crate::visitor::{Right, Visitor};
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "afloat.html")]
pub struct AfloatPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    /// A sentence per pool and day that is short.
    pub thin_days: Vec<String>,
    /// The thing most people will do.
    pub act: Option<Link>,
    /// The chosen date as `2026-07-12`.
    pub by: String,
    pub pools: Vec<Choice>,
    pub sites: Vec<Choice>,
    pub nothing_due: String,
    pub band_says: String,
    /// The worst; the others are folded away.
    pub rows: Vec<DueRow>,
    pub folded: Vec<DueRow>,
    pub folded_says: String,
    pub more: Option<Link>,
    pub unknown: Vec<UnknownRow>,
    pub unknown_lead: String,
    pub unknown_count: String,
    /// What comes out in the coming week.
    pub rotation: Vec<RotationDay>,
    pub rotation_says: String,
    pub accept: Option<Act>,
    pub boats: Vec<PoolBoats>,
    pub spares: Vec<String>,
    pub held: Vec<HeldRow>,
}

/// One task of one engine that falls due.
#[derive(Clone, Debug)]
pub struct DueRow {
    pub engine: Link,
    pub task: String,
    pub mark: Option<Mark>,
    pub strip: Strip,
    /// Governing limb first.
    pub sentence: String,
    pub aside: String,
}

/// A task of which it is not known when it was last done.
#[derive(Clone, Debug)]
pub struct UnknownRow {
    pub engine: Link,
    pub task: String,
    pub by: String,
    pub why: String,
}

#[derive(Clone, Debug)]
pub struct PoolBoats {
    pub name: String,
    pub says: String,
    pub picture: Picture,
}

#[derive(Clone, Debug)]
pub struct HeldRow {
    pub engine: Link,
    pub sentence: String,
}

/// Days ahead that may be asked for: two seasons.
const FURTHEST_DAYS: u64 = 730;
/// Six weeks, as far as bookings tell anything.
const BOAT_DAYS: u64 = 42;
/// Rows that stand open, rows that need a decision and unfold, rows after asking for all.
const ROWS_OPEN: usize = 16;
const ROWS_MAX: usize = 200;
const ROWS_OF_ALL_MAX: usize = 500;
const UNKNOWN_ROWS_MAX: usize = 200;

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    by: String,
    pool: String,
    site: String,
    all: String,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    // Further ahead than anybody plans it only takes long.
    let last = yard.today + chrono::Days::new(FURTHEST_DAYS);
    let by = wanted.by.parse().ok().filter(|by| (yard.today..=last).contains(by));
    let by = by.unwrap_or(yard.today + chrono::Days::new(6));
    let latest = Latest::of(&state, organisation, RunKind::Due).await?;
    let run = match &latest.done {
        Some(done) => Some(DueRun::read(&state, organisation, done).await?),
        None => None,
    };
    let days = Days { today: yard.today, by, style: yard.style };
    let tasks: Vec<Task> = record::all(connection, organisation).await?;
    let tasks = tasks.into_iter().map(|task| (task.id, task.name)).collect();
    let decided = decided(connection, organisation, days).await?;
    let list = DueList::of(&yard, run.as_ref(), days, &wanted, (&tasks, &decided));
    let holds = findings::open_holds(connection, organisation).await?;
    let rotation = Rotation::read(&state, &visitor, &yard).await?;
    let boats = boats(&state, organisation, &yard, &holds, &rotation).await?;
    shown(&page(&visitor, &yard, &wanted, Seen { days, latest, list, holds, boats, rotation }))
}

/// Everything that the page is made of.
struct Seen {
    days: Days,
    latest: Latest,
    list: DueList,
    holds: Vec<Hold>,
    boats: Vec<(Pool, Vec<BoatDay>, Why)>,
    rotation: Rotation,
}

/// The rotations that hold, and the draft that waits at the visitor's site.
struct Rotation {
    /// Where nothing holds the draft is shown, and says so.
    seen: Vec<PlanSeen>,
    draft: Option<Plan>,
}

impl Rotation {
    async fn read(state: &PagesState, visitor: &Visitor, yard: &Yard) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let (mut seen, mut draft) = (Vec::new(), None);
        for site in &yard.sites {
            let of =
                versions(connection, organisation, (Some(site.id), PlanKind::Rotation)).await?;
            let Some(plan) = chosen(&of, "") else { continue };
            seen.push(PlanSeen::read(connection, organisation, plan.id).await?);
            // The newest version, where it waits to be accepted.
            let newest = of.first().filter(|plan| plan.status == PlanStatus::Draft);
            draft = draft.or(newest.cloned());
        }
        Ok(Self { seen, draft })
    }

    /// Visits of the week, site by site and by day.
    fn days(&self, yard: &Yard) -> Vec<RotationDay> {
        let until = yard.today + chrono::Days::new(6);
        let of = |seen: &PlanSeen| {
            let mut days = rotation::days(yard, seen, Some(until));
            if self.seen.len() > 1 {
                let site = yard.site_name(seen.plan.site);
                days.iter_mut().for_each(|day| day.name = format!("{}, {site}", day.name));
            }
            days
        };
        self.seen.iter().flat_map(of).collect()
    }

    fn says(&self, yard: &Yard) -> String {
        match &self.seen[..] {
            [] => "No rotation has been planned yet.".to_owned(),
            [one] => stands(&one.plan, yard),
            several => {
                let line = |seen: &PlanSeen| {
                    let site = yard.site_name(seen.plan.site);
                    format!("{site}: {}. {}", seen.plan.name, stands(&seen.plan, yard))
                };
                several.iter().map(line).collect::<Vec<_>>().join(" ")
            }
        }
    }

    /// Publishes the draft that waits.
    fn accept(&self, visitor: &Visitor) -> Option<Act> {
        let draft = self.draft.as_ref().filter(|_| visitor.may(Right::Plan))?;
        let act =
            Act::new(format!("Accept {}", draft.name), format!("/plans/{}/publish", draft.id));
        Some(act.with("version", draft.version))
    }

    /// Engines that a plan which holds takes off hire on a day.
    fn out_on(&self, day: NaiveDate) -> HashSet<EngineId> {
        let holds = self.seen.iter().filter(|seen| seen.plan.status == PlanStatus::Published);
        let visits = holds.flat_map(|seen| &seen.visits);
        let out = visits.filter(|visit| {
            visit.boat_out && visit.starts_on <= Some(day) && visit.ends_on >= Some(day)
        });
        out.filter(|visit| visit.starts_on.is_some()).map(|visit| visit.engine).collect()
    }
}

/// Why boats of a pool are not there.
#[derive(Clone, Copy, Debug, Default)]
struct Why {
    held: usize,
    /// On the thinnest day of the week.
    still: usize,
    planned_out: usize,
    /// Boats of the pool, where more are wanted than it has.
    hulls: Option<usize>,
}

impl Why {
    fn says(&self) -> String {
        let hulls = self.hulls.map(|hulls| count(hulls, "boat", "boats"));
        let hulls = hulls.map_or(String::new(), |hulls| format!(" The pool has {hulls} in all."));
        self.not_there() + &hulls
    }

    fn not_there(&self) -> String {
        let part = |n: usize, words: &str| (n > 0).then(|| format!("{n} {words}"));
        let parts = [
            part(self.held, "on hold"),
            part(self.planned_out, "on the bench by plan"),
            part(self.still, "standing still"),
        ];
        match parts.into_iter().flatten().collect::<Vec<_>>().join(", ") {
            none if none.is_empty() => String::new(),
            some => format!(" Not there: {some}."),
        }
    }
}

/// The due rows that were asked for, worst first.
#[derive(Default)]
struct DueList {
    rows: Vec<DueRow>,
    unknown: Vec<UnknownRow>,
    /// Known rows of the filter, shown or not.
    of: usize,
    /// Engines of which something needs a decision.
    deciding: usize,
    unknown_engines: usize,
}

impl DueList {
    fn of(
        yard: &Yard,
        run: Option<&DueRun>,
        days: Days,
        wanted: &Wanted,
        (tasks, decided): (&HashMap<TaskId, String>, &Decided),
    ) -> Self {
        let Some(run) = run else { return Self::default() };
        let asked = |line: &&DueLine| is_asked_for(yard, line.engine, wanted);
        let (unknown, known): (Vec<&DueLine>, Vec<&DueLine>) =
            run.lines.iter().filter(asked).partition(|line| line.facts.is_unknown());
        let mut shown: Vec<(&DueLine, DueShown)> = known
            .iter()
            .map(|line| (*line, line.facts.show(days, run.ahead(line.engine, days.by).as_ref())))
            .collect();
        let is_decided = |line: &DueLine| decided.contains_key(&(line.engine, line.task));
        shown.sort_by(|a, b| b.1.urgency.partial_cmp(&a.1.urgency).unwrap_or(Ordering::Equal));
        for (line, shown) in &mut shown {
            if let Some(job) = decided.get(&(line.engine, line.task)) {
                shown.aside = format!("{job} · {}", shown.aside);
            }
        }
        let deciding = shown
            .iter()
            .filter(|(line, shown)| shown.urgency.needs_decision() && !is_decided(line));
        let deciding: HashSet<EngineId> = deciding.map(|(line, _)| line.engine).collect();
        if wanted.all.is_empty() {
            shown.retain(|(_, shown)| shown.urgency.needs_decision());
            shown.truncate(ROWS_MAX);
        }
        shown.truncate(ROWS_OF_ALL_MAX);
        let name = |task: TaskId| tasks.get(&task).cloned().unwrap_or_default();
        let unknown_engines: HashSet<EngineId> = unknown.iter().map(|line| line.engine).collect();
        Self {
            of: known.len(),
            deciding: deciding.len(),
            unknown_engines: unknown_engines.len(),
            rows: shown
                .into_iter()
                .map(|(line, shown)| due_row(yard, line, shown, name(line.task)))
                .collect(),
            unknown: unknown_rows(yard, unknown, days, name),
        }
    }
}

/// Tasks that a job is on, with what it contains, and the job in words: at work, or agreed for a day
/// until the date that was picked. A job for the coming winter settles nothing in July.
type Decided = HashMap<(EngineId, TaskId), String>;

async fn decided(
    connection: &Connection,
    organisation: OrganisationId,
    days: Days,
) -> Result<Decided, Failure> {
    let states = [
        JobStatus::Agreed,
        JobStatus::Kitted,
        JobStatus::Short,
        JobStatus::OnBench,
        JobStatus::OnTest,
    ];
    let filter = JobFilter { states: states.to_vec(), ..JobFilter::default() };
    let (mut of, mut after) = (Vec::new(), None);
    loop {
        let page = PageOf::new(after, PageOf::SIZE_MAX);
        let page = jobs::page(connection, organisation, &filter, page).await?;
        of.extend(page.rows);
        after = page.next;
        if after.is_none() {
            break;
        }
    }
    let ids: Vec<JobId> = of.iter().map(|job| job.id).collect();
    let by_id: HashMap<JobId, &Job> = of.iter().map(|job| (job.id, job)).collect();
    let links: Vec<TaskLink> = record::all(connection, organisation).await?;
    let mut decided = Decided::new();
    for task in jobs::tasks(connection, organisation, &ids).await? {
        let Some(job) = by_id.get(&task.job) else { continue };
        let says = match (job.status, job.planned_on) {
            (JobStatus::OnBench | JobStatus::OnTest, _) => {
                format!("on the bench, job {}", job.number)
            }
            (_, Some(on)) if on <= days.by => {
                format!("job {}, {}", job.number, day(on, days.today))
            }
            _ => continue,
        };
        let others = links.iter().filter(|link| link.task == task.task).map(|link| link.other);
        for settled in others.chain([task.task]) {
            decided.insert((job.engine, settled), says.clone());
        }
    }
    Ok(decided)
}

fn is_asked_for(yard: &Yard, engine: EngineId, wanted: &Wanted) -> bool {
    let Some(engine) = yard.engines.get(&engine) else { return false };
    let site = yard.site_of(engine).map(|site| site.to_string()).unwrap_or_default();
    (wanted.pool.is_empty() || engine.pool.to_string() == wanted.pool)
        && (wanted.site.is_empty() || site == wanted.site)
}

pub fn due_row(yard: &Yard, line: &DueLine, shown: DueShown, task: String) -> DueRow {
    let DueShown { mark, strip, sentence, aside, urgency: _ } = shown;
    DueRow { engine: yard.link(line.engine), task, mark, strip, sentence, aside }
}

fn unknown_rows(
    yard: &Yard,
    mut unknown: Vec<&DueLine>,
    days: Days,
    name: impl Fn(TaskId) -> String,
) -> Vec<UnknownRow> {
    unknown.sort_by_key(|line| (line.facts.due_on.is_none(), line.facts.due_on, line.engine));
    let row = |line: &DueLine| UnknownRow {
        engine: yard.link(line.engine),
        task: name(line.task),
        by: line.facts.due_on.map_or("in its week".to_owned(), |on| day(on, days.today)),
        why: if line.explanation.is_empty() {
            "when it was last done is not on record".to_owned()
        } else {
            line.explanation.clone()
        },
    };
    unknown.into_iter().take(UNKNOWN_ROWS_MAX).map(row).collect()
}

/// Boats wanted and there, by pool and day.
///
/// Wanted: boats booked for some time of that day, or the pool's minimum where that is more.
/// There: engines of the pool that are in service, not on hold, not known to stand still and not
/// taken out by the rotation that holds; no more than the pool has boats to hang them on.
async fn boats(
    state: &PagesState,
    organisation: OrganisationId,
    yard: &Yard,
    holds: &[Hold],
    rotation: &Rotation,
) -> Result<Vec<(Pool, Vec<BoatDay>, Why)>, Failure> {
    let connection = state.store.connection();
    let bookings: Vec<Booking> = reads::bookings_from(connection, organisation, yard.now).await?;
    let minimums: Vec<PoolMinimum> = record::all(connection, organisation).await?;
    let standstills: Vec<Standstill> = record::all(connection, organisation).await?;
    let held: HashSet<EngineId> = holds.iter().map(|hold| hold.engine).collect();
    let mut pools = Vec::new();
    for pool in &yard.pools {
        let in_service: Vec<EngineId> = yard
            .engines
            .values()
            .filter(|e| e.pool == pool.id && e.status == EngineStatus::InService)
            .map(|engine| engine.id)
            .collect();
        let fit: Vec<EngineId> =
            in_service.iter().copied().filter(|engine| !held.contains(engine)).collect();
        let hulls = hulls_of(yard, pool.id);
        let day = |day: NaiveDate| {
            let out = rotation.out_on(day);
            let still = fit.iter().filter(|engine| stands_on(**engine, day, &standstills)).count();
            let planned_out = fit
                .iter()
                .filter(|engine| out.contains(engine) && !stands_on(**engine, day, &standstills))
                .count();
            let running = fit.len() - still - planned_out;
            let boats = BoatDay {
                day,
                wanted: wanted_on(pool.id, day, yard.zone, &bookings, &minimums),
                there: hulls.map_or(running, |hulls| running.min(hulls)) as u32,
            };
            let held = in_service.len() - fit.len();
            let hulls = hulls.filter(|hulls| *hulls < boats.wanted as usize);
            (boats, Why { held, still, planned_out, hulls })
        };
        let days: Vec<(BoatDay, Why)> =
            (0..BOAT_DAYS).map(|ahead| day(yard.today + chrono::Days::new(ahead))).collect();
        if days.iter().any(|(day, _)| day.wanted > 0) {
            let thin = days.iter().take(7).max_by_key(|(day, _)| day.short());
            let why = thin.map(|(_, why)| *why).unwrap_or_default();
            pools.push((pool.clone(), days.into_iter().map(|(day, _)| day).collect(), why));
        }
    }
    // The pool that is short comes first.
    let short = |days: &[BoatDay]| days.iter().map(BoatDay::short).max();
    pools.sort_by_key(|(_, days, _): &(Pool, Vec<BoatDay>, Why)| std::cmp::Reverse(short(days)));
    Ok(pools)
}

/// Boats of a pool; `None` where none is on record, and its engines stand for them.
fn hulls_of(yard: &Yard, pool: PoolId) -> Option<usize> {
    let hulls = yard.boats.values().filter(|boat| boat.pool == Some(pool) && !boat.archived);
    Some(hulls.count()).filter(|hulls| *hulls > 0)
}

fn wanted_on(
    pool: PoolId,
    day: NaiveDate,
    zone: Tz,
    bookings: &[Booking],
    minimums: &[PoolMinimum],
) -> u32 {
    let (start, end) = (start_of_day(day, zone), start_of_day(day + chrono::Days::new(1), zone));
    let booked: i64 = bookings
        .iter()
        .filter(|b| b.pool == pool && b.starts_at < end && b.ends_at > start)
        .map(|booking| i64::from(booking.boats))
        .sum();
    let minimum = minimums
        .iter()
        .filter(|m| m.pool == pool && m.from_on <= day && day <= m.until_on)
        .map(|minimum| i64::from(minimum.boats))
        .max();
    u32::try_from(booked.max(minimum.unwrap_or(0))).unwrap_or(0)
}

fn stands_on(engine: EngineId, day: NaiveDate, standstills: &[Standstill]) -> bool {
    standstills.iter().any(|s| s.engine == engine && s.from_on <= day && day <= s.until_on)
}

fn page(visitor: &Visitor, yard: &Yard, wanted: &Wanted, seen: Seen) -> AfloatPage {
    let Seen { days, latest, list, holds, boats, rotation } = seen;
    let by = day(days.by, days.today);
    let engines = yard.working_engines().count();
    let decide = match (engines, list.deciding) {
        (0, _) => String::new(),
        (_, 0) => format!("No engine needs a decision by {by}."),
        (_, 1) => format!("One of {engines} engines needs a decision by {by}."),
        (_, n) => format!("{n} of {engines} engines need a decision by {by}."),
    };
    let hidden = list.of.saturating_sub(list.rows.len());
    let mut rows = list.rows;
    let folded = rows.split_off(rows.len().min(ROWS_OPEN));
    AfloatPage {
        frame: visitor.frame("Afloat", Room::Afloat),
        heading: format!("Due, seen from {}", day_long(days.today, days.today)),
        lead: format!("{decide} {}", latest.says(yard)).trim().to_owned(),
        paths: Vec::new(),
        thin_days: boats
            .iter()
            .filter_map(|(pool, days, why)| Some(thin_day(pool, days, yard)? + &why.says()))
            .collect(),
        act: visitor
            .may(Right::RecordHours)
            .then(|| Link::new("Enter the hours from the board", "/fleet/hours")),
        by: days.by.to_string(),
        pools: yard.pool_choices(&wanted.pool),
        sites: yard.site_choices(&wanted.site),
        nothing_due: nothing_due(engines, list.of, &latest, &by),
        band_says: format!("Hatched: where the hours will stand on {by}, eight times in ten. What is over comes first, then what is likeliest to fall due by then."),
        more: (hidden > 0 && wanted.all.is_empty()).then(|| {
            let to = format!(
                "/afloat?all=yes&by={}&pool={}&site={}",
                days.by,
                in_address(&wanted.pool),
                in_address(&wanted.site)
            );
            let quiet = count(hidden, "task that is quiet", "tasks that are quiet");
            Link::new(format!("Show also {quiet}"), to)
        }),
        rows,
        folded_says: count(folded.len(), "more task, less urgent", "more tasks, less urgent"),
        folded,
        unknown_lead: "Unknown is not overdue. These first services are spread over the coming weeks by what is known; record what was done, and they fall into place."
            .to_owned(),
        unknown_count: format!(
            "{} on {}",
            count(list.unknown.len(), "task", "tasks"),
            count(list.unknown_engines, "engine", "engines")
        ),
        unknown: list.unknown,
        rotation: rotation.days(yard),
        rotation_says: rotation.says(yard),
        accept: rotation.accept(visitor),
        spares: rotation::spares(yard, None, &holds),
        boats: boats
            .into_iter()
            .enumerate()
            .map(|(i, (pool, days, _))| PoolBoats {
                says: describe(&days, yard.today),
                picture: draw(&format!("boats-{i}"), &pool.name, &days, yard.today),
                name: pool.name,
            })
            .collect(),
        held: holds.iter().map(|hold| held_row(yard, hold)).collect(),
    }
}

fn nothing_due(engines: usize, of: usize, latest: &Latest, by: &str) -> String {
    if engines == 0 {
        "No engine is on record yet. Load models, pools and engines with “slackwater load”, or add them over the API; then this page shows what falls due and when."
            .to_owned()
    } else if latest.done.is_none() {
        "What falls due has not been computed yet. It is computed each night, and by “slackwater due”."
            .to_owned()
    } else if of == 0 {
        "No task of this choice has a known date.".to_owned()
    } else {
        format!("Nothing needs a decision by {by}.")
    }
}

fn thin_day(pool: &Pool, days: &[BoatDay], yard: &Yard) -> Option<String> {
    let week = &days[..days.len().min(7)];
    let worst = week.iter().filter(|day| day.short() > 0).max_by_key(|day| day.short())?;
    Some(format!(
        "{}: {} short on {}: {} wanted, {} there.",
        pool.name,
        count(worst.short() as usize, "boat", "boats"),
        day(worst.day, yard.today),
        worst.wanted,
        worst.there
    ))
}

fn held_row(yard: &Yard, hold: &Hold) -> HeldRow {
    let since = moment(hold.placed_at, yard.zone, yard.today);
    HeldRow { engine: yard.link(hold.engine), sentence: format!("{}, since {since}", hold.reason) }
}
