//! The lay-up plan: every engine that needs it on the bench before the first hire.

use std::collections::HashSet;

use chrono::{Days, Months, NaiveDate};
use fleet::due::Limb;
use fleet::id::{PartId, TaskId};
use fleet::site::PriceKind;
use planning::Hinge;

use crate::due::DueLine;
use crate::error::RunError;
use crate::plan::account::said;
use crate::plan::build::{Builder, Leaves, Sketch, Source, Way};
use crate::plan::bundle::{Bundle, Bundled, Why};
use crate::plan::capacity::Horizon;
use crate::plan::problem::Problem;

/// How much of a day's lateness counts for an engine that lies ashore: it wears by standing alone
/// (common practice, no source).
const ASHORE: f64 = 0.1;
/// Days of a season where its last hire is not entered (common practice, no source).
const SEASON_DAYS: u64 = 200;
/// Share of an interval from which a task is worth pulling forward while its access is open, where
/// it falls due within so many days after the season (common practice, no source).
const PULL_SHARE: f64 = 0.6;
const PULL_DAYS: u64 = 60;
/// Boat-days that a visit in the season costs, for what is quick and for what goes deep.
const QUICK_BOAT_DAYS: f64 = 0.25;
const DEEP_BOAT_DAYS: f64 = 1.0;
/// Ways of a visit that leave what lacks parts, and with it what may wait.
pub const LACKING: [&str; 2] = ["without what lacks parts", "what is due and has its parts"];
/// Longest horizon.
const DAYS_MAX: i64 = 400;

/// The time between two seasons, as a site says it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Winter {
    /// The first day of work.
    pub from: NaiveDate,
    /// The last one.
    pub finish: NaiveDate,
    pub first_hire: NaiveDate,
    pub last_hire: NaiveDate,
}

impl Winter {
    /// Winter as seen on `today`. A first hire that is past stands for the next one, a year on.
    ///
    /// # Errors
    /// `first-hire-missing`, `winter-too-long`, `finish-past`.
    pub fn of(source: &Source) -> Result<Self, RunError> {
        let Source { site, today, parameters, .. } = *source;
        let refused = |rule, what: String| RunError::Refused { rule, what };
        let entered = site.first_hire_on.ok_or_else(|| {
            refused(
                "first-hire-missing",
                format!(
                    "{}: enter the first hire of the coming season; the plan ends before it",
                    site.name
                ),
            )
        })?;
        let mut first_hire = entered;
        let mut last_hire = site.last_hire_on;
        while first_hire <= today {
            let year = |day: NaiveDate| day.checked_add_months(Months::new(12)).unwrap_or(day);
            first_hire = year(first_hire);
            // The season that is on ends before that winter.
            last_hire = last_hire.map(|last| if last < today { year(last) } else { last });
        }
        // Engines come ashore after the last hire, where that lies ahead and before the winter.
        let ashore = last_hire.filter(|last| *last >= today && *last < first_hire);
        let from = ashore.and_then(|last| last.succ_opt()).unwrap_or(today);
        let before = Days::new(u64::from(site.finish_days_before_hire.max(0).unsigned_abs()));
        let finish = parameters.finish_on.unwrap_or(first_hire - before - Days::new(1));
        if finish < from {
            let what = format!(
                "the work must be done by {}, and it is {} before it can begin",
                said(finish),
                said(from)
            );
            return Err(refused("finish-past", what));
        }
        if (first_hire - from).num_days() > DAYS_MAX {
            let what = format!(
                "from {} to the first hire on {} is over {DAYS_MAX} days: check the site's first \
                 hire",
                said(from),
                said(first_hire)
            );
            return Err(refused("winter-too-long", what));
        }
        let last_hire = last_hire.filter(|last| *last > first_hire);
        let last_hire = last_hire.unwrap_or(first_hire + Days::new(SEASON_DAYS));
        Ok(Self { from, finish, first_hire, last_hire })
    }

    fn horizon(&self) -> Horizon {
        let end = self.first_hire.max(self.finish + Days::new(1));
        Horizon { first: self.from, days: (end - self.from).num_days().max(1) as usize }
    }

    /// Whether a line belongs to the winter, and why.
    pub fn wants(&self, line: &DueLine, is_deep: bool) -> Option<Why> {
        if line.start_up_week.is_some() {
            return Some(Why::Unknown);
        }
        if line.is_overdue() {
            return Some(Why::Overdue);
        }
        let due = line.due_on?;
        let by_months = line.governing == Some(Limb::Months);
        match due {
            due if due < self.first_hire && by_months => Some(Why::Calendar),
            due if due < self.first_hire => Some(Why::Hours),
            due if due <= self.last_hire && (by_months || is_deep) => Some(Why::Season),
            _ => None,
        }
    }

    /// Whether a line is worth pulling forward while its access is open.
    pub fn pulls(&self, line: &DueLine) -> bool {
        let soon = self.last_hire + Days::new(PULL_DAYS);
        let used = line.margins.map_or(0.0, |margins| margins.share());
        used >= PULL_SHARE && line.due_on.is_some_and(|due| due <= soon)
    }
}

/// What each engine of the site needs this winter, before anything is planned.
///
/// # Errors
/// What [`Winter::of`] refuses.
pub fn bundles(builder: &mut Builder, winter: &Winter) -> Vec<Bundle> {
    let engines = builder.engines();
    let mut bundles = Vec::new();
    for engine in engines {
        let work = &builder.work;
        let why = |line: &DueLine| winter.wants(line, work.is_deep(line.task));
        let mut bundle = work.bundle(engine, why, |line| winter.pulls(line));
        for task in work.of_every_lay_up() {
            bundle.tasks.push(work.at_lay_up(task));
        }
        builder.by_hand(&mut bundle);
        if !bundle.tasks.is_empty() {
            bundles.push(bundle);
        }
    }
    bundles
}

/// A builder for the winter of a site.
///
/// # Errors
/// What [`Winter::of`] and [`Builder::new`] refuse.
pub fn begin(source: Source<'_>) -> Result<(Builder<'_>, Winter), RunError> {
    let winter = Winter::of(&source)?;
    Ok((Builder::new(source, winter.horizon())?, winter))
}

/// The lay-up problem of a site; `None` where no engine needs anything.
///
/// # Errors
/// What [`begin`] and [`Builder::finish`] refuse.
pub fn problem(source: Source<'_>) -> Result<Option<Problem>, RunError> {
    let (mut builder, winter) = begin(source)?;
    let bundles = bundles(&mut builder, &winter);
    if bundles.is_empty() {
        return Ok(None);
    }
    let by = (winter.finish - winter.from).num_days();
    let scarce = builder.scarce(&bundles, by);
    let sketches =
        bundles.into_iter().map(|bundle| sketch(&builder, &winter, bundle, &scarce)).collect();
    let name = format!("Lay-up before {}", winter.first_hire.format("%-d %b %Y"));
    builder.finish(name, sketches).map(Some)
}

fn sketch(builder: &Builder, winter: &Winter, bundle: Bundle, scarce: &HashSet<PartId>) -> Sketch {
    let day = |date: NaiveDate| (date - winter.from).num_days();
    let rate = |cents: f64| cents.round() as i64;
    let late = builder.day_late() as f64 * ASHORE;
    let mut hinges = Vec::new();
    for task in &bundle.tasks {
        let lost_a_day = match (task.why, task.lasts_days) {
            // Its calendar starts anew with the service: each day early is a day of it lost.
            (Why::Calendar | Why::Season, Some(lasts)) => {
                builder.worth(&[task], &bundle) as f64 / lasts as f64
            }
            _ => 0.0,
        };
        let due = task.due_on.filter(|_| !matches!(task.why, Why::Overdue | Why::Unknown));
        let due = due.map_or(0, day).max(0);
        let weight = if task.why == Why::Finding { 3.0 } else { 1.0 };
        hinges.push(Hinge { day: due, before: rate(lost_a_day), after: rate(late * weight) });
    }
    hinges.retain(|hinge| hinge.before != 0 || hinge.after != 0);
    let waits: Vec<&Bundled> = bundle.tasks.iter().filter(|task| task.why.may_wait()).collect();
    let later = put_off(builder, winter, (&bundle, &waits));
    let way = |id, leaves, cost| Way { id, leaves, cost, out: true, place: None };
    let mut ways = vec![way("whole", Leaves::Nothing, 0)];
    let is_due = waits.len() < bundle.tasks.len();
    if !waits.is_empty() && is_due {
        ways.push(way("what is due", Leaves::WhatMayWait, later));
    }
    let left_out = if is_due { builder.prices.get(PriceKind::VisitLeftOut) } else { 0 };
    let held = if bundle.held || bundle.urgent { 2 } else { 1 };
    ways.extend(short_of_parts(builder, winter, (&bundle, scarce), left_out * held));
    let end = (winter.first_hire - winter.from).num_days();
    let waited: i64 = hinges.iter().map(|hinge| hinge.cost(end)).sum();
    Sketch {
        release: 0,
        deadline: Some(day(winter.finish)),
        unplanned_cost: left_out * held + later + waited,
        ways,
        hinges,
        bundle,
    }
}

/// Ways without the tasks that take a part of which there will not be enough for every engine: one
/// missing kit is no reason to leave the rest of a visit undone. Of the price of a visit left out
/// they pay as much as they leave of the minutes that are due.
fn short_of_parts(
    builder: &Builder,
    winter: &Winter,
    (bundle, scarce): (&Bundle, &HashSet<PartId>),
    left_out: i64,
) -> Vec<Way> {
    let lacks = |task: &&Bundled| {
        let parts = builder.work.parts(task.task, bundle.model);
        parts.iter().any(|(part, _)| scarce.contains(part))
    };
    let lacking: HashSet<TaskId> = bundle.tasks.iter().filter(lacks).map(|it| it.task).collect();
    if lacking.is_empty() {
        return Vec::new();
    }
    let all: Vec<&Bundled> = bundle.tasks.iter().collect();
    let due = |tasks: &[&Bundled]| -> i64 {
        let due = tasks.iter().filter(|task| !task.why.may_wait());
        due.map(|task| i64::from(task.minutes)).sum()
    };
    let more_waits = all.iter().any(|it| it.why.may_wait() && !lacking.contains(&it.task));
    let mut ways = Vec::new();
    for (id, and_what_may_wait) in LACKING.into_iter().zip([false, true]) {
        let leaves = Leaves::Tasks { tasks: lacking.clone(), and_what_may_wait };
        let (left, done): (Vec<&Bundled>, Vec<&Bundled>) =
            all.iter().partition(|task| leaves.has(task));
        let as_what_is_due = left.iter().all(|task| task.why.may_wait()) && !more_waits;
        if done.is_empty() || as_what_is_due || (and_what_may_wait && !more_waits) {
            continue;
        }
        let price = left_out * due(&left) / due(&all).max(1);
        let cost = price + put_off(builder, winter, (bundle, &left));
        ways.push(Way { id, leaves, cost, out: true, place: None });
    }
    ways
}

/// What tasks cost that are put off into the season: a visit of their own, the boat's hire, and what
/// may fail before they are done.
fn put_off(builder: &Builder, winter: &Winter, (bundle, tasks): (&Bundle, &[&Bundled])) -> i64 {
    if tasks.is_empty() {
        return 0;
    }
    let (_, minutes) = builder.work.minutes_of(tasks);
    let deep = tasks.iter().any(|task| builder.work.is_deep(task.task));
    let days = if deep { DEEP_BOAT_DAYS } else { QUICK_BOAT_DAYS };
    let hire = builder.prices.get(PriceKind::BoatShort) as f64 * days;
    // Put off means until it is due: the winter would have renewed it.
    let fails = |task: &&Bundled| {
        let until = task.due_on.unwrap_or(winter.last_hire).max(winter.first_hire);
        let of = (bundle.engine, task.task);
        builder.source.risks.failure_between(of, (winter.from, until))
    };
    let known: Vec<f64> = tasks.iter().filter_map(fails).collect();
    let sound: f64 = known.iter().map(|fails| 1.0 - fails).product();
    let risk = if known.is_empty() { RISK_PUT_OFF } else { 1.0 - sound };
    let failure = builder.prices.get(PriceKind::Failure) as f64 * risk;
    builder.prices.bench(minutes) + hire.round() as i64 + failure.round() as i64
}

/// Chance that what is put off fails before it is done, where no law of lives is known for any of it
/// (common practice, no source).
const RISK_PUT_OFF: f64 = 0.02;
