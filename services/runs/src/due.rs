//! The due list: every engine × task, by whichever limb comes first.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::{Days, NaiveDate};
use fleet::boat::Boat;
use fleet::due::{
    FirstServiceWanted, Interval, LastDone, Limb, Limits, Margins, NextDue, Source, UnknownReason,
    next_due, settled_by, spread_first_services,
};
use fleet::engine::{Engine, EngineStatus};
use fleet::hours::Hours;
use fleet::id::{BoatId, EngineId, PoolId, TaskId};
use fleet::pool::Pool;
use fleet::programme::{IntervalBasis, Occasion, ProgrammeInterval};
use fleet::run::GoverningLimb;
use fleet::service::Service;
use store::runs::DueRow;
use store::snapshot::Snapshot;
use usage::EngineAhead;

use crate::hours::{EngineHours, FleetHours};

/// Weeks over which first services of unknown date are spread (common practice, no source).
pub const START_UP_WEEKS: u32 = 8;
/// Days after an engine's first running by which its record must begin to be whole.
const RECORD_GAP_DAYS: i64 = 60;

/// One task on one engine.
#[derive(Clone, Debug)]
pub struct DueLine {
    pub engine: EngineId,
    pub task: TaskId,
    pub next: NextDue,
    /// Today's margins, where the next due is known; hours as expected to stand today.
    pub margins: Option<Margins>,
    /// The limb that comes first.
    pub governing: Option<Limb>,
    /// The day on which the first limb is reached: 10 %, 50 %, 90 % quantile.
    pub early_on: Option<NaiveDate>,
    pub due_on: Option<NaiveDate>,
    pub late_on: Option<NaiveDate>,
    /// Probability that it falls due on or before the day asked for; `None` where the last time is
    /// unknown.
    pub chance: Option<f64>,
    pub source: String,
    /// The repeating interval as it holds for this engine, severity taken in.
    pub repeats: Repeats,
    /// Where the last time is unknown: the week of its first service in the start-up list, 0 for
    /// this week.
    pub start_up_week: Option<u32>,
}

/// A repeating interval as it holds for one engine.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Repeats {
    pub hours: Option<Hours>,
    pub months: Option<u32>,
}

impl DueLine {
    pub fn is_overdue(&self) -> bool {
        self.margins.is_some_and(|margins| margins.is_overdue())
    }

    pub fn limits(&self) -> Option<&Limits> {
        match &self.next {
            NextDue::Known(limits) => Some(limits),
            NextDue::Unknown { .. } => None,
        }
    }
}

/// The due list of a snapshot, worst first: overdue by the share of the interval used, then by the
/// day that is expected, then what is unknown by its week.
///
/// `by` is the day of the probabilities.
pub fn due_list(
    snapshot: &Snapshot,
    fleet: &FleetHours,
    today: NaiveDate,
    by: NaiveDate,
) -> Vec<DueLine> {
    due_list_of(snapshot, fleet, (today, by), |_| true)
}

/// The lines of the due list that are about some engines only.
pub fn due_list_of(
    snapshot: &Snapshot,
    fleet: &FleetHours,
    (today, by): (NaiveDate, NaiveDate),
    is_asked: impl Fn(&Engine) -> bool,
) -> Vec<DueLine> {
    let programme = Programme::read(snapshot);
    let mut done: HashMap<EngineId, Vec<&Service>> = HashMap::new();
    for service in &snapshot.work.services {
        done.entry(service.engine).or_default().push(service);
    }
    let severities = severities(snapshot);
    let mut lines = Vec::new();
    let mut wanted = Vec::new();
    for engine in snapshot.fleet.engines.iter().filter(|engine| is_looked_after(engine)) {
        let services = done.get(&engine.id).map_or(&[][..], Vec::as_slice);
        let last = programme.last_done(services);
        let whole = record_begins(snapshot, fleet, engine, services);
        let is_asked = is_asked(engine);
        let ahead = if is_asked { fleet.engine_ahead(engine.id, by) } else { None };
        for (task, row) in programme.intervals_of(engine) {
            let interval = interval(row);
            let last = match last.get(&task) {
                Some(service) => {
                    LastDone::On { day: service.done_on, life: life_at(fleet, service) }
                }
                None => whole.unwrap_or(LastDone::Unknown),
            };
            let severity = severities.get(&engine.id).copied().unwrap_or(1.0);
            let next = next_due(&interval, severity, last);
            if matches!(next, NextDue::Unknown { reason: UnknownReason::LastDoneUnknown }) {
                wanted.push(first_service(fleet, engine, &interval, today));
            }
            // First services of unknown date are spread over the whole fleet, asked for or not.
            if !is_asked {
                continue;
            }
            let stands = Stands { fleet, today, ahead: ahead.as_ref() };
            let mut line = stands.line(engine.id, task, next, &interval.source);
            line.repeats = repeats(&interval, severity);
            lines.push(line);
        }
    }
    let weeks: HashMap<EngineId, u32> =
        spread_first_services(&wanted, START_UP_WEEKS).into_iter().collect();
    for line in &mut lines {
        if let NextDue::Unknown { .. } = line.next {
            let week = weeks.get(&line.engine).copied().unwrap_or(0);
            line.start_up_week = Some(week);
            line.due_on = Some(today + Days::new(u64::from(week) * 7));
        }
    }
    lines.sort_by(|a, b| {
        let key = |line: &DueLine| {
            let over = line.margins.filter(Margins::is_overdue).map_or(0.0, |it| it.share());
            (line.start_up_week, -over, line.due_on.unwrap_or(NaiveDate::MAX))
        };
        let (a, b) = (key(a), key(b));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)).then(a.2.cmp(&b.2))
    });
    lines
}

/// Probability that a kept row falls due on or before `by`, from the fit behind its run; `None` where
/// it is not known when the task was last done.
pub fn chance_by(fleet: &FleetHours, row: &DueRow, by: NaiveDate) -> Option<f64> {
    if row.governing == GoverningLimb::Unknown {
        return None;
    }
    let over = row.hours_left_seconds.is_some_and(|left| left < 0)
        || row.days_left.is_some_and(|left| left < 0);
    if over || row.months_due_on.is_some_and(|on| on <= by) {
        return Some(1.0);
    }
    let Some(left) = left_of_record(fleet, row) else { return Some(0.0) };
    // By the end of that day.
    let ahead = fleet.ahead(row.engine, by.succ_opt().unwrap_or(by));
    Some(ahead.map_or(f64::from(u8::from(left <= 0.0)), |ahead| {
        ahead.hours.probability_of_at_least(left)
    }))
}

/// Hours from the last record of a row's engine to its hours limit.
pub fn left_of_record(fleet: &FleetHours, row: &DueRow) -> Option<f64> {
    let hours = |seconds: i64| seconds as f64 / 3_600.0;
    if let Some(at) = row.hours_at_seconds {
        let life = fleet.engine(row.engine).and_then(EngineHours::last_life);
        return Some(hours(at) - life.unwrap_or(0.0));
    }
    // A row kept before the limit was: hours left on the day of the run, and those until then.
    let passed = fleet.ahead(row.engine, fleet.on).map_or(0.0, |ahead| ahead.hours.mean());
    row.hours_left_seconds.map(|left| hours(left) + passed)
}

/// What holds for one task on one engine, as the past is replayed by it.
pub(crate) struct Rule {
    pub engine: EngineId,
    pub task: TaskId,
    pub interval: Interval,
    pub severity: f64,
    /// The day from which the engine's record is whole, where it begins with the engine.
    pub from_new: Option<NaiveDate>,
}

/// The programme of all engines that are looked after.
pub(crate) fn rules(snapshot: &Snapshot, fleet: &FleetHours) -> Vec<Rule> {
    let programme = Programme::read(snapshot);
    let mut done: HashMap<EngineId, Vec<&Service>> = HashMap::new();
    for service in &snapshot.work.services {
        done.entry(service.engine).or_default().push(service);
    }
    let severities = severities(snapshot);
    let mut rules = Vec::new();
    for engine in snapshot.fleet.engines.iter().filter(|engine| is_looked_after(engine)) {
        let services = done.get(&engine.id).map_or(&[][..], Vec::as_slice);
        let from_new = match record_begins(snapshot, fleet, engine, services) {
            Some(LastDone::NeverSinceNew { in_service }) => Some(in_service),
            _ => None,
        };
        let severity = severities.get(&engine.id).copied().unwrap_or(1.0);
        for (task, row) in programme.intervals_of(engine) {
            let interval = interval(row);
            rules.push(Rule { engine: engine.id, task, interval, severity, from_new });
        }
    }
    rules
}

fn is_looked_after(engine: &Engine) -> bool {
    matches!(engine.status, EngineStatus::InService | EngineStatus::LaidUp)
}

/// Tasks and intervals laid out for look-up.
struct Programme<'a> {
    by_task: BTreeMap<TaskId, Vec<&'a ProgrammeInterval>>,
    settles: HashMap<TaskId, Vec<TaskId>>,
}

impl<'a> Programme<'a> {
    fn read(snapshot: &'a Snapshot) -> Self {
        let regular: HashSet<TaskId> = snapshot
            .programme
            .tasks
            .iter()
            .filter(|task| !task.archived)
            .filter(|task| matches!(task.occasion, Occasion::Interval | Occasion::LayUp))
            .map(|task| task.id)
            .collect();
        let mut by_task: BTreeMap<TaskId, Vec<&ProgrammeInterval>> = BTreeMap::new();
        for row in &snapshot.programme.intervals {
            if regular.contains(&row.task) {
                by_task.entry(row.task).or_default().push(row);
            }
        }
        let mut settles: HashMap<TaskId, Vec<TaskId>> = HashMap::new();
        for link in &snapshot.programme.task_links {
            settles.entry(link.task).or_default().push(link.other);
        }
        Self { by_task, settles }
    }

    /// The row of each task that holds for an engine: the model's own for its serial, the model's
    /// own, the one for all models, in this order.
    fn intervals_of(&self, engine: &Engine) -> Vec<(TaskId, &'a ProgrammeInterval)> {
        let rank = |row: &ProgrammeInterval| match (row.model, &row.serial_from) {
            (Some(model), Some(_)) if model == engine.model && covers(row, &engine.serial) => {
                Some(0)
            }
            (Some(model), None) if model == engine.model => Some(1),
            (None, _) => Some(2),
            _ => None,
        };
        self.by_task
            .iter()
            .filter_map(|(task, rows)| {
                let best =
                    rows.iter().filter_map(|row| Some((rank(row)?, *row))).min_by_key(|it| it.0);
                best.map(|(_, row)| (*task, row))
            })
            .collect()
    }

    /// The last service that settled each task.
    fn last_done(&self, services: &[&'a Service]) -> HashMap<TaskId, &'a Service> {
        let mut last: HashMap<TaskId, &Service> = HashMap::new();
        for service in services {
            for task in settled_by(service.task, &self.settles) {
                let known = last.entry(task).or_insert(service);
                if known.done_on < service.done_on {
                    *known = service;
                }
            }
        }
        last
    }
}

/// Serials are compared by length, then letter by letter: so numbers with the same prefix rise.
fn covers(row: &ProgrammeInterval, serial: &str) -> bool {
    let key = |text: &str| (text.len(), text.to_owned());
    row.serial_from.as_deref().is_none_or(|from| key(from) <= key(serial))
        && row.serial_until.as_deref().is_none_or(|until| key(serial) <= key(until))
}

fn interval(row: &ProgrammeInterval) -> Interval {
    let page = row.page.as_deref().map(|page| format!(", p. {page}")).unwrap_or_default();
    let cited = format!("{}{page}", row.source);
    let months = |months: Option<i32>| months.and_then(|months| u32::try_from(months).ok());
    Interval {
        hours: row.every,
        months: months(row.every_months),
        first_hours: row.first,
        first_months: months(row.first_months),
        severity_on_months: row.severity_on_months,
        source: match row.basis {
            IntervalBasis::Maker => Source::Maker { cited },
            IntervalBasis::Site => Source::Yard { note: cited },
            IntervalBasis::Default => Source::Default { basis: cited },
        },
    }
}

/// The engine's own severity, else its boat's, else its pool's.
pub(crate) fn severities(snapshot: &Snapshot) -> HashMap<EngineId, f64> {
    let pools: HashMap<PoolId, &Pool> =
        snapshot.fleet.pools.iter().map(|pool| (pool.id, pool)).collect();
    let boats: HashMap<BoatId, &Boat> =
        snapshot.fleet.boats.iter().map(|boat| (boat.id, boat)).collect();
    let boat_of: HashMap<EngineId, BoatId> = snapshot
        .fleet
        .fittings
        .iter()
        .filter(|fitting| fitting.removed_at.is_none())
        .map(|fitting| (fitting.engine, fitting.boat))
        .collect();
    let of = |engine: &Engine| {
        let boat = boat_of.get(&engine.id).and_then(|boat| boats.get(boat));
        let percent = engine
            .severity_percent
            .or_else(|| boat.and_then(|boat| boat.severity_percent))
            .or_else(|| pools.get(&engine.pool).map(|pool| pool.severity_percent))
            .unwrap_or(100);
        f64::from(percent.max(1)) / 100.0
    };
    snapshot.fleet.engines.iter().map(|engine| (engine.id, of(engine))).collect()
}

/// Life hours at a service, for the due date counts on from there: as written at the bench where the
/// records around it leave room for that. After a meter swap with a gap they may not: then as the
/// records say, and beyond the last of them (a meter that has stopped) as expected.
pub(crate) fn life_at(fleet: &FleetHours, service: &Service) -> Option<Hours> {
    let Some(hours) = fleet.engine(service.engine) else { return service.life };
    let has_room = |written: &Hours| hours.has_room_for(service.done_on, written.as_decimal());
    let known = || fleet.life_on(service.engine, service.done_on);
    let known = || known().and_then(|life| Hours::from_decimal(life).ok());
    service.life.filter(has_room).or_else(known).or(service.life)
}

/// "Never since new", where the record of the engine is whole: it begins with its first running.
pub(crate) fn record_begins(
    snapshot: &Snapshot,
    fleet: &FleetHours,
    engine: &Engine,
    services: &[&Service],
) -> Option<LastDone> {
    let in_service = engine.first_run_on?;
    let first_hours = fleet.engine(engine.id).and_then(|hours| hours.life().first()).map(|it| it.0);
    let first_service = services.iter().map(|service| service.done_on).min();
    let begins = first_hours.into_iter().chain(first_service).min();
    let taken_on = snapshot.taken_at.date_naive();
    let whole = begins.unwrap_or(taken_on) <= in_service + Days::new(RECORD_GAP_DAYS as u64);
    whole.then_some(LastDone::NeverSinceNew { in_service })
}

/// The repeating interval, taken from the same rules that the next due is taken from.
fn repeats(interval: &Interval, severity: f64) -> Repeats {
    let done = LastDone::On { day: NaiveDate::default(), life: Some(Hours::ZERO) };
    let NextDue::Known(limits) = next_due(interval, severity, done) else {
        return Repeats::default();
    };
    let months = interval.months.map(|months| {
        if interval.severity_on_months {
            ((f64::from(months) * severity).round() as u32).max(1)
        } else {
            months
        }
    });
    Repeats { hours: limits.hours_length, months }
}

fn first_service(
    fleet: &FleetHours,
    engine: &Engine,
    interval: &Interval,
    today: NaiveDate,
) -> FirstServiceWanted<EngineId> {
    let life = fleet.engine(engine.id).and_then(EngineHours::last_life);
    let since = engine.first_run_on.or(engine.bought_on);
    FirstServiceWanted {
        engine: engine.id,
        intervals_run: life.zip(interval.hours).map(|(life, every)| life / every.as_decimal()),
        intervals_aged: since
            .zip(interval.months)
            .map(|(since, every)| (today - since).num_days() as f64 / (f64::from(every) * 30.44)),
    }
}

/// Where one engine stands today, and what it will run.
struct Stands<'a> {
    fleet: &'a FleetHours,
    today: NaiveDate,
    ahead: Option<&'a EngineAhead>,
}

impl Stands<'_> {
    fn line(&self, engine: EngineId, task: TaskId, next: NextDue, source: &Source) -> DueLine {
        let mut line = DueLine {
            engine,
            task,
            next,
            margins: None,
            governing: None,
            early_on: None,
            due_on: None,
            late_on: None,
            chance: None,
            source: source.sentence(),
            repeats: Repeats::default(),
            start_up_week: None,
        };
        let NextDue::Known(limits) = &line.next else { return line };
        let hours = self.fleet.engine(engine);
        let life = hours.and_then(EngineHours::last_life).unwrap_or(0.0);
        line.margins = Some(self.margins(engine, life, limits));
        let left = limits.hours_at.map(|at| at.as_decimal() - life);
        let asked = usage::Limits { hours_left: left, months_limb_on: limits.months_on };
        let Some(due) = self.ahead.and_then(|ahead| ahead.due(&asked)) else { return line };
        line.governing = Some(match due.governing {
            usage::Limb::Hours => Limb::Hours,
            usage::Limb::Months => Limb::Months,
        });
        // Hours since a record that is older than the last service are counted with what was run
        // before it; nothing falls due before it was last done.
        let from = limits.counts_from;
        let dates = [due.q10, due.q50, due.q90].map(|on| on.map(|on| on.max(from)));
        [line.early_on, line.due_on, line.late_on] = dates;
        line.chance = Some(due.probability_by);
        // A limit that was passed on record has its day there.
        if let Some(at) = limits.hours_at.filter(|at| at.as_decimal() <= life) {
            let reached = hours.and_then(|hours| hours.reached_on(at.as_decimal()));
            let first = reached.into_iter().chain(limits.months_on).min();
            (line.early_on, line.due_on, line.late_on) = (first, first, first);
            line.governing = Some(passed_first(reached, limits.months_on));
        }
        line
    }

    fn margins(&self, engine: EngineId, life: f64, limits: &Limits) -> Margins {
        let more = self.fleet.ahead(engine, self.today).map_or(0.0, |ahead| ahead.hours.mean());
        let now = Hours::from_decimal(life + more).unwrap_or(Hours::ZERO);
        // Since the last time it has run no less than nothing, whatever is expected of it.
        let at_last = limits
            .hours_at
            .zip(limits.hours_length)
            .map_or(0.0, |(at, length)| at.as_decimal() - length.as_decimal());
        let at_last = Hours::from_decimal(at_last).unwrap_or(Hours::ZERO);
        let mut margins = limits.margins(now.max(at_last), self.today);
        // Hours that are only expected don't make it overdue: a reading does.
        if limits.hours_at.is_some_and(|at| at.as_decimal() >= life) {
            margins.hours_left = margins.hours_left.map(|left| left.max(0.0));
            margins.hours_share = margins.hours_share.map(|share| share.min(1.0));
        }
        margins
    }
}

/// Which limb made a task due whose hours were passed on record: of two that were, the earlier one.
fn passed_first(hours_on: Option<NaiveDate>, months_on: Option<NaiveDate>) -> Limb {
    match hours_on.zip(months_on) {
        Some((hours_on, months_on)) if months_on < hours_on => Limb::Months,
        _ => Limb::Hours,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_two_limits_that_were_passed_the_earlier_one_governs() {
        let day = |text: &str| text.parse::<NaiveDate>().ok();
        let (summer, winter) = (day("2026-07-12"), day("2026-12-10"));
        assert_eq!(passed_first(summer, winter), Limb::Hours);
        assert_eq!(passed_first(winter, summer), Limb::Months);
        assert_eq!(passed_first(summer, None), Limb::Hours);
        assert_eq!(passed_first(None, summer), Limb::Hours);
    }
}
