//! The rotation: which engines come out in the coming weeks, on which day, so that due work is done
//! and hire is never short. One visit an engine; what falls due again later comes with the next
//! night's plan.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use fleet::due::Limb;
use fleet::id::{EngineId, PoolId};
use fleet::site::PriceKind;
use planning::Hinge;
use serde::{Deserialize, Serialize};

use crate::due::DueLine;
use crate::error::RunError;
use crate::hours::FleetHours;
use crate::plan::build::{Builder, Leaves, Sketch, Source, Way};
use crate::plan::bundle::{Bundle, Why};
use crate::plan::capacity::{BEFORE_HIRE, Horizon};
use crate::plan::parameters::ROTATION_WEEKS;
use crate::plan::problem::Problem;

/// The due date as three days with a chance each, at its quantiles of 10, 50 and 90 % (a three-point
/// stand-in for the distribution; weights chosen for its mean, common practice, no source).
const CHANCES: [f64; 3] = [0.2, 0.6, 0.2];
/// Chance of a failure for each day past due, of what no law of lives is known for (common practice,
/// no source).
const RISK_A_DAY: f64 = 0.002;
/// Longest visit that is done before hire begins, minutes; each mechanic does one a morning (common
/// practice, no source).
pub const QUICK_MINUTES: i64 = 60;
/// What falls due so soon after an engine's first service is done with it (common practice, no
/// source: a fortnight).
const TOGETHER: Days = Days::new(14);
/// What an hour before hire costs beside one within the day (common practice, no source).
const EARLY_SHARE: f64 = 0.25;
/// Share of an interval from which a task is worth pulling forward while its access is open, where
/// it falls due within so many weeks after the plan (common practice, no source).
const PULL_SHARE: f64 = 0.6;
const PULL_WEEKS: u64 = 3;

/// The rotation of a site; `None` where no engine needs anything.
///
/// # Errors
/// What [`Builder::new`] and [`Builder::finish`] refuse.
pub fn problem(source: Source<'_>) -> Result<Option<Problem>, RunError> {
    let weeks = source.parameters.weeks.unwrap_or(ROTATION_WEEKS);
    let horizon = Horizon { first: source.today, days: 7 * weeks as usize };
    let mut builder = Builder::new(source, horizon)?;
    let end = source.today + Days::new(horizon.days as u64);
    let engines = builder.engines();
    let mut sketches = Vec::new();
    for engine in engines {
        let lines = source.lines.iter().filter(|line| line.engine == engine.id);
        let due = lines.filter(|line| wants(line, end).is_some()).filter_map(|line| line.due_on);
        // What falls due much later is not waited for, and not done early: it is the next visit's.
        let together = due.min().map_or(end, |first| first.max(source.today) + TOGETHER);
        let wants = |line: &DueLine| wants(line, end.min(together));
        let pulls = |line: &DueLine| {
            let used = line.margins.map_or(0.0, |margins| margins.share());
            let soon = end + Days::new(7 * PULL_WEEKS);
            used >= PULL_SHARE && line.due_on.is_some_and(|due| due <= soon)
        };
        let mut bundle = builder.work.bundle(engine, wants, pulls);
        builder.by_hand(&mut bundle);
        if !bundle.tasks.is_empty() {
            sketches.push(sketch(&builder, bundle, horizon));
        }
    }
    if sketches.is_empty() {
        return Ok(None);
    }
    builder
        .finish(format!("Rotation from {}", source.today.format("%-d %b %Y")), sketches)
        .map(Some)
}

/// What falls due before the plan ends, as likely as not; what is unknown in its start-up week.
fn wants(line: &DueLine, end: NaiveDate) -> Option<Why> {
    if line.start_up_week.is_some() {
        return line.due_on.filter(|due| *due < end).map(|_| Why::Unknown);
    }
    if line.is_overdue() {
        return Some(Why::Overdue);
    }
    line.due_on.filter(|due| *due < end)?;
    Some(if line.governing == Some(Limb::Months) { Why::Calendar } else { Why::Hours })
}

fn sketch(builder: &Builder, bundle: Bundle, horizon: Horizon) -> Sketch {
    let tasks: Vec<_> = bundle.tasks.iter().collect();
    let (_, minutes) = builder.work.minutes_of(&tasks);
    let deep = tasks.iter().any(|task| builder.work.is_deep(task.task));
    let hinges = hinges(builder, &bundle, horizon);
    let end = horizon.days as i64;
    let waited: i64 = hinges.iter().map(|hinge| hinge.cost(end)).sum();
    // A held engine is out of its pool already, so its visit takes no boat off hire.
    let out = !bundle.held;
    let mut ways =
        vec![Way { id: "on the bench", leaves: Leaves::Nothing, cost: 0, out, place: None }];
    if minutes <= QUICK_MINUTES && !deep && !bundle.held {
        let early = builder.prices.get(PriceKind::BenchHour) as f64 * EARLY_SHARE;
        let cost = (early * minutes as f64 / 60.0).round() as i64;
        let place = Some(BEFORE_HIRE);
        ways.push(Way { id: "before hire", leaves: Leaves::Nothing, cost, out: false, place });
    }
    let urgent = if bundle.held || bundle.urgent { 2 } else { 1 };
    Sketch {
        release: 0,
        deadline: None,
        unplanned_cost: builder.prices.get(PriceKind::VisitLeftOut) * urgent + waited.max(0),
        ways,
        hinges,
        bundle,
    }
}

/// Expected lateness and risk after each task's due date, life thrown away before it.
fn hinges(builder: &Builder, bundle: &Bundle, horizon: Horizon) -> Vec<Hinge> {
    let day = |date: NaiveDate| (date - horizon.first).num_days();
    let failure = builder.prices.get(PriceKind::Failure) as f64;
    let end = horizon.first + Days::new(horizon.days as u64);
    let risk_a_day = |task| {
        let risk =
            builder.source.risks.failure_between((bundle.engine, task), (horizon.first, end));
        risk.map_or(RISK_A_DAY, |risk| risk / horizon.days as f64)
    };
    // A day's sum by day: tasks share their quantiles' days often.
    let mut by_day: BTreeMap<i64, (f64, f64)> = BTreeMap::new();
    for task in &bundle.tasks {
        let now = matches!(task.why, Why::Overdue | Why::Unknown | Why::Finding | Why::Added);
        let early = match (task.why, task.lasts_days) {
            (Why::Hours | Why::Calendar | Why::WhileOpen, Some(lasts)) => {
                builder.worth(&[task], bundle) as f64 / lasts as f64
            }
            _ => 0.0,
        };
        let late = builder.day_late() as f64 + failure * risk_a_day(task.task);
        let quantiles = [task.early_on, task.due_on, task.late_on];
        for (on, chance) in quantiles.into_iter().zip(CHANCES) {
            let on = if now { 0 } else { on.or(task.due_on).map_or(0, day).max(0) };
            // Beyond the horizon a line is a line; its slope is all that counts.
            let sum = by_day.entry(on.min(2 * horizon.days as i64)).or_default();
            sum.0 += early * chance;
            sum.1 += late * chance;
        }
    }
    if bundle.held {
        // Each day on hold is a boat that can't be hired where no spare stands in.
        by_day.entry(0).or_default().1 += builder.prices.get(PriceKind::BoatShort) as f64 * 0.25;
    }
    let hinge = |(day, (before, after)): (i64, (f64, f64))| Hinge {
        day,
        before: before.round() as i64,
        after: after.round() as i64,
    };
    let hinges = by_day.into_iter().map(hinge);
    hinges.filter(|hinge| hinge.before != 0 || hinge.after != 0).collect()
}

/// Who should get the long hires of a pool and who the short ones, and what that gains.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Levelling {
    pub pool: PoolId,
    /// Engines whose hires should be longer than they were, and those whose should be shorter.
    pub long_hires: Vec<EngineId>,
    pub short_hires: Vec<EngineId>,
    /// Most services by hours that fall due in one week: as things go, and so.
    pub most_in_a_week: usize,
    pub most_in_a_week_so: usize,
}

/// Pairs of engines that change places at the most: more is no advice for a jetty.
const SWAPS_MAX: usize = 4;

/// Proposes, pool by pool, whose hires should be long: the pool's use stays as it is, and pairs of
/// engines change their use where that takes services out of a crowded week. Pools where nothing is
/// gained are left out.
pub fn level(
    lines: &[DueLine],
    fleet: &FleetHours,
    (today, days): (NaiveDate, u64),
    pool_of: impl Fn(EngineId) -> Option<PoolId>,
) -> Vec<Levelling> {
    let mut pools: BTreeMap<PoolId, BTreeMap<EngineId, f64>> = BTreeMap::new();
    for line in lines.iter().filter(|line| line.governing == Some(Limb::Hours)) {
        let left = line.margins.and_then(|margins| margins.hours_left).filter(|left| *left > 0.0);
        let (Some(left), Some(pool)) = (left, pool_of(line.engine)) else { continue };
        let least = pools.entry(pool).or_default().entry(line.engine).or_insert(left);
        *least = least.min(left);
    }
    let rate = |engine: EngineId| {
        let ahead = |to| fleet.ahead(engine, to).map_or(0.0, |ahead| ahead.hours.mean());
        (ahead(today + Days::new(days)) - ahead(today)).max(0.0) / days as f64
    };
    let levelled = pools.into_iter().filter_map(|(pool, left)| {
        let use_of = |(engine, left): (EngineId, f64)| Use { engine, left, rate: rate(engine) };
        level_pool(pool, left.into_iter().map(use_of).collect(), days)
    });
    levelled.collect()
}

/// An engine's hours left until its next service, and its hours a day.
#[derive(Clone, Copy, Debug)]
struct Use {
    engine: EngineId,
    left: f64,
    rate: f64,
}

impl Use {
    /// The week in which it falls due at `rate` hours a day.
    fn week(self, rate: f64, weeks: usize) -> Option<usize> {
        let week = (self.left / rate / 7.0) as usize;
        (week < weeks).then_some(week)
    }
}

fn level_pool(pool: PoolId, mut engines: Vec<Use>, days: u64) -> Option<Levelling> {
    engines.retain(|engine| engine.rate > 0.0);
    let weeks = (days / 7).max(1) as usize;
    let mut rates: Vec<f64> = engines.iter().map(|engine| engine.rate).collect();
    let mut count = vec![0_usize; weeks];
    for engine in &engines {
        if let Some(week) = engine.week(engine.rate, weeks) {
            count[week] += 1;
        }
    }
    let before = count.iter().max().copied().unwrap_or(0);
    for _ in 0..SWAPS_MAX {
        let Some((one, other)) = best_swap(&engines, &rates, &count) else { break };
        for at in [one, other] {
            if let Some(week) = engines[at].week(rates[at], weeks) {
                count[week] -= 1;
            }
        }
        rates.swap(one, other);
        for at in [one, other] {
            if let Some(week) = engines[at].week(rates[at], weeks) {
                count[week] += 1;
            }
        }
    }
    let after = count.iter().max().copied().unwrap_or(0);
    let changed = |up: bool| -> Vec<EngineId> {
        let pairs = engines.iter().zip(&rates);
        let changed =
            pairs.filter(|(it, rate)| if up { **rate > it.rate } else { **rate < it.rate });
        changed.map(|(it, _)| it.engine).collect()
    };
    (after < before).then(|| Levelling {
        pool,
        long_hires: changed(true),
        short_hires: changed(false),
        most_in_a_week: before,
        most_in_a_week_so: after,
    })
}

/// The two engines whose change of places evens the weeks out most: least sum of squares.
fn best_swap(engines: &[Use], rates: &[f64], count: &[usize]) -> Option<(usize, usize)> {
    let weeks = count.len();
    let squares = |count: &[usize]| count.iter().map(|many| many * many).sum::<usize>();
    let mut least = squares(count);
    let mut best = None;
    for one in 0..engines.len() {
        for other in one + 1..engines.len() {
            let mut tried = count.to_vec();
            for (at, from, to) in
                [(one, rates[one], rates[other]), (other, rates[other], rates[one])]
            {
                if let Some(week) = engines[at].week(from, weeks) {
                    tried[week] -= 1;
                }
                if let Some(week) = engines[at].week(to, weeks) {
                    tried[week] += 1;
                }
            }
            let sum = squares(&tried);
            if sum < least {
                (least, best) = (sum, Some((one, other)));
            }
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    fn engine(left: f64, rate: f64) -> Use {
        Use { engine: EngineId::fresh(), left, rate }
    }

    #[test]
    fn a_crowded_week_is_taken_apart_by_whose_hires_are_long() {
        // Due in weeks 0, 0, 0 (2, 6 and 4 days). With the last two's use exchanged: 12 h at 8 h a
        // day stay in week 0, 32 h at 2 h a day go to day 16, week 2. No other pair gains a thing.
        let engines = [engine(12.0, 5.0), engine(12.0, 2.0), engine(32.0, 8.0)];
        let found = level_pool(PoolId::fresh(), engines.to_vec(), 42).expect("it can be levelled");
        assert_eq!((found.most_in_a_week, found.most_in_a_week_so), (3, 2));
        assert_eq!(found.long_hires, [engines[1].engine]);
        assert_eq!(found.short_hires, [engines[2].engine]);
    }

    #[test]
    fn where_nothing_is_gained_nothing_is_proposed() {
        let alike = vec![engine(10.0, 1.0), engine(20.0, 1.0), engine(30.0, 1.0)];
        assert_eq!(level_pool(PoolId::fresh(), alike, 42), None);
        assert_eq!(level_pool(PoolId::fresh(), Vec::new(), 42), None);
    }
}
