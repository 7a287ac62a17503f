//! The past in the same steps as the days ahead: what stood how, and what was done.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::{Datelike, Days, NaiveDate};
use fleet::due::{LastDone, Limits, NextDue, next_due, settled_by};
use fleet::hours::Hours;
use fleet::id::{EngineId, ServiceId, TaskId};
use fleet::service::{Service, ServiceReason};
use store::snapshot::Snapshot;

use super::ahead::end_of_third;
use super::habits::Running;
use super::shares::Gone;
use crate::due::{Rule, life_at, rules};
use crate::hours::FleetHours;

/// One task on one engine over a third of a month.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PastStep {
    pub engine: EngineId,
    pub task: TaskId,
    pub running: Running,
    /// As it stood at the end, had nothing been done; at the least, where nobody knows when it was
    /// done last.
    pub gone: Gone,
    /// The engine was laid up.
    pub ashore: bool,
    /// Hours that what the task renews had run at its start, where that is on record.
    pub age: Option<f64>,
    /// Hours run in it.
    pub ran: f64,
    pub did: Did,
}

/// What became of a task in a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Did {
    Nothing,
    /// Done as planned work.
    Done,
    /// Done since it had failed, or something was found in use.
    Failed,
}

/// Whether a service was work that plans know of.
pub const fn is_planned(reason: ServiceReason) -> bool {
    !matches!(reason, ServiceReason::Finding | ServiceReason::Failure)
}

/// All tasks of all engines, third by third, up to the last whole one before `today`.
/// `revealed`: services that followed from planned work; they settle, but are no failure in use.
pub fn past_steps(
    snapshot: &Snapshot,
    fleet: &FleetHours,
    settles: &HashMap<TaskId, Vec<TaskId>>,
    revealed: &HashSet<ServiceId>,
    today: NaiveDate,
) -> Vec<PastStep> {
    let mut by_engine: HashMap<EngineId, Vec<&Service>> = HashMap::new();
    for service in &snapshot.work.services {
        by_engine.entry(service.engine).or_default().push(service);
    }
    let lay_ups = lay_ups(snapshot);
    let begins = begins(snapshot, fleet);
    let none = BTreeMap::new();
    let mut steps = Vec::new();
    for rule in rules(snapshot, fleet) {
        let services = by_engine.get(&rule.engine).map_or(&[][..], Vec::as_slice);
        let settling: Vec<&Service> = services
            .iter()
            .filter(|service| settled_by(service.task, settles).contains(&rule.task))
            .copied()
            .collect();
        let lay_ups = lay_ups.get(&rule.engine).unwrap_or(&none);
        let begins = begins.get(&rule.engine).copied();
        let replay = Replay { rule: &rule, fleet, lay_ups, revealed, begins, today };
        replay.walk(settling, &mut steps);
    }
    steps
}

/// The first day from which each engine is followed: that of its first hours, or of its first
/// service where it has none. What papers tell of the time before is when something was last done,
/// and not what else was.
pub fn begins(snapshot: &Snapshot, fleet: &FleetHours) -> HashMap<EngineId, NaiveDate> {
    let mut begins: HashMap<EngineId, NaiveDate> = HashMap::new();
    for service in &snapshot.work.services {
        let known = begins.entry(service.engine).or_insert(service.done_on);
        *known = (*known).min(service.done_on);
    }
    for engine in &snapshot.fleet.engines {
        let first = fleet.engine(engine.id).and_then(|hours| hours.life().first());
        begins.extend(first.map(|(day, ..)| (engine.id, *day)));
    }
    begins
}

/// One rule's past.
struct Replay<'a> {
    rule: &'a Rule,
    fleet: &'a FleetHours,
    lay_ups: &'a BTreeMap<i32, NaiveDate>,
    revealed: &'a HashSet<ServiceId>,
    /// The first day on the engine's record.
    begins: Option<NaiveDate>,
    today: NaiveDate,
}

impl Replay<'_> {
    fn walk(&self, mut settling: Vec<&Service>, steps: &mut Vec<PastStep>) {
        settling.sort_by_key(|service| service.done_on);
        let mut coming = settling.into_iter().peekable();
        let mut last = match self.rule.from_new {
            Some(in_service) => LastDone::NeverSinceNew { in_service },
            None => LastDone::Unknown,
        };
        let Some(mut day) = self.rule.from_new.or(self.begins) else { return };
        while let Some(service) = coming.next_if(|service| service.done_on < day) {
            last = self.after(service);
        }
        loop {
            let end = end_of_third(day);
            if end >= self.today {
                return;
            }
            let mut did = Did::Nothing;
            let before = last;
            while let Some(service) = coming.next_if(|service| service.done_on <= end) {
                last = self.after(service);
                did = match did {
                    Did::Done => Did::Done,
                    _ => self.did(service),
                };
            }
            steps.push(self.step(before, (day, end), did));
            let Some(next) = end.succ_opt() else { return };
            day = next;
        }
    }

    fn after(&self, service: &Service) -> LastDone {
        LastDone::On { day: service.done_on, life: life_at(self.fleet, service) }
    }

    fn did(&self, service: &Service) -> Did {
        if service.task != self.rule.task || self.revealed.contains(&service.id) {
            Did::Nothing
        } else if is_planned(service.reason) {
            Did::Done
        } else {
            Did::Failed
        }
    }

    fn step(&self, last: LastDone, (from, end): (NaiveDate, NaiveDate), did: Did) -> PastStep {
        let life_on = |day: NaiveDate| self.fleet.life_on(self.rule.engine, day);
        let until = end + Days::new(1);
        let life = life_on(until);
        let in_hours = |life: f64| Hours::from_decimal(life).ok();
        let next = |last| match next_due(&self.rule.interval, self.rule.severity, last) {
            NextDue::Known(limits) => Some(limits),
            NextDue::Unknown { .. } => None,
        };
        let gone = |limits: &Limits| {
            let known = life.and_then(in_hours);
            let margins = limits.margins(known.unwrap_or_default(), until);
            let hours_share = margins.hours_share.filter(|_| known.is_some());
            Gone::of(hours_share, margins.months_share)
        };
        let (running, gone) = match next(last) {
            Some(limits) if limits.first => (Running::First, gone(&limits)),
            Some(limits) => (Running::Repeating, gone(&limits)),
            // It was before the record began, so it has gone that far at the least.
            None => {
                let begins = self.begins.unwrap_or(from);
                let life = life_on(begins).and_then(in_hours);
                let at_least = next(LastDone::On { day: begins, life });
                (Running::Unknown, at_least.map_or_else(|| Gone::of(None, None), |it| gone(&it)))
            }
        };
        let before = life_on(from);
        let ran = life.zip(before).map_or(0.0, |(after, before)| (after - before).max(0.0));
        let renewed_at = match last {
            LastDone::On { life, .. } => life.map(|life| life.as_decimal()),
            LastDone::NeverSinceNew { .. } => Some(0.0),
            LastDone::Unknown => None,
        };
        PastStep {
            engine: self.rule.engine,
            task: self.rule.task,
            running,
            gone,
            ashore: self.lay_ups.values().any(|day| (from..=end).contains(day)),
            age: before.zip(renewed_at).map(|(life, renewed_at)| (life - renewed_at).max(0.0)),
            ran,
            did,
        }
    }
}

/// The winter that a day belongs to, by the year in which it begins: a lay-up lies around the turn
/// of the year and never in June.
pub fn winter_of(day: NaiveDate) -> i32 {
    day.year() - i32::from(day.month() < 7)
}

/// The day on which each engine was laid up, by winter: the one on which most was done.
pub fn lay_ups(snapshot: &Snapshot) -> HashMap<EngineId, BTreeMap<i32, NaiveDate>> {
    let mut counts: HashMap<EngineId, BTreeMap<(i32, NaiveDate), usize>> = HashMap::new();
    for service in &snapshot.work.services {
        if service.reason == ServiceReason::LayUp {
            let days = counts.entry(service.engine).or_default();
            *days.entry((winter_of(service.done_on), service.done_on)).or_default() += 1;
        }
    }
    let busiest = |days: BTreeMap<(i32, NaiveDate), usize>| {
        let mut best: BTreeMap<i32, (usize, NaiveDate)> = BTreeMap::new();
        for ((winter, day), count) in days {
            let known = best.entry(winter).or_insert((count, day));
            if count > known.0 {
                *known = (count, day);
            }
        }
        best.into_iter().map(|(winter, (_, day))| (winter, day)).collect()
    };
    counts.into_iter().map(|(engine, days)| (engine, busiest(days))).collect()
}
