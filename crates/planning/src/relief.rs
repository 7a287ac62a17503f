//! What would have to change for a visit that was left out to be done.
//!
//! For every start the visit could have if nothing were short, everything that is short there is
//! counted; of all starts those with the least sum of changes are shown, one per kind of change, so
//! that people can choose between hands, parts, places and dates. Others stay where they are.

use std::collections::{BTreeMap, HashMap};

use serde::Serialize;

use crate::error::PlanError;
use crate::explain::state_of;
use crate::instance::Instance;
use crate::model::{CompiledMode, Model};
use crate::plan::{Plan, Shortage, ShortageKind};
use crate::state::{Block, State};

/// Ways that are shown for a visit.
const WAYS_MAX: usize = 3;
/// What changes weigh against one another, in minutes of work: judgement, not trade figures. A place
/// for a day is most of a working day; a part a day earlier is a telephone call; a promise moved by a
/// day is worth more than either.
const PLACE_WEIGHT: i64 = 240;
const PIECE_DAY_WEIGHT: i64 = 30;
const PIECE_WEIGHT: i64 = 600;
const DEADLINE_DAY_WEIGHT: i64 = 300;
const ENGINE_DAY_WEIGHT: i64 = 60;

/// One way to get a visit done.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Relief {
    pub mode: String,
    pub day: i64,
    /// Everything that has to change, together.
    pub changes: Vec<Change>,
    /// Cents it would then add beside the cost of leaving it out, which is saved; may be above 0.
    pub extra_cost: i64,
    /// The changes as a sentence.
    pub sentence: String,
}

/// A change to what is there, days inclusive.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(tag = "change", rename_all = "snake_case")]
pub enum Change {
    /// More minutes of a skill on a day.
    DayMinutes { skill: String, day: i64, minutes: i64 },
    /// More minutes of a skill in a week, beyond contract and overtime.
    WeekMinutes { skill: String, week: usize, from: i64, to: i64, minutes: i64 },
    /// One more place.
    Place { bay: String, from: i64, to: i64 },
    /// Pieces of a kit by a day; `earlier` where pieces come later anyway.
    Pieces { kit: String, pieces: i64, by: i64, earlier: Option<i64> },
    /// The deadline later.
    Deadline { days: i64 },
    /// Engines spared so that a pool keeps its minimum.
    Engines { pool: String, from: i64, to: i64, engines: i64 },
    /// Another visit of the same engine, or one it has to follow, out of the way.
    OtherVisit { visit: String },
}

/// Ways to get `visit`, left out of `plan`, done; the one with the least sum of changes first.
/// Empty where the visit is planned, or no day of the calendar is open for it.
///
/// # Errors
/// A plan that breaks a rule, or a visit that is not there.
pub fn reliefs_of(instance: &Instance, plan: &Plan, visit: &str) -> Result<Vec<Relief>, PlanError> {
    let model = Model::new(instance);
    let state = state_of(instance, &model, plan)?;
    let number = instance.visits.iter().position(|known| known.id == visit);
    let number = number.ok_or_else(|| PlanError::UnknownVisit { visit: visit.to_owned() })?;
    match state.place[number].is_none() {
        true => Ok(reliefs(instance, &state, number)),
        false => Ok(Vec::new()),
    }
}

fn reliefs(instance: &Instance, state: &State, visit: usize) -> Vec<Relief> {
    let model = state.model;
    let given = &instance.visits[visit];
    let release = given.release.clamp(0, model.days as i64) as usize;
    let mut ways: HashMap<Vec<u8>, (i64, Relief)> = HashMap::new();
    for (mode, named) in model.modes_of(visit).iter().zip(&given.modes) {
        let first = model.first_open[release];
        let end = (model.open() as u32 + 1).saturating_sub(mode.length);
        for start in first..end {
            let changes = changes_at(instance, state, visit, mode, start);
            let weight: i64 = changes.iter().map(weight).sum();
            let mut kinds: Vec<u8> = changes.iter().map(kind).collect();
            kinds.sort_unstable();
            kinds.dedup();
            if ways.get(&kinds).is_some_and(|(lighter, _)| *lighter <= weight) {
                continue;
            }
            let (first, _) = model.span(mode, start);
            let own = own_cost(instance, visit, named, mode, state, start);
            let relief = Relief {
                mode: named.id.clone(),
                day: first as i64,
                sentence: sentence(&changes),
                changes,
                extra_cost: own - given.unplanned_cost,
            };
            ways.insert(kinds, (weight, relief));
        }
    }
    let mut ways: Vec<(Vec<u8>, (i64, Relief))> = ways.into_iter().collect();
    ways.sort_by(|(_, a), (_, b)| (a.0, a.1.day, &a.1.mode).cmp(&(b.0, b.1.day, &b.1.mode)));
    let mut kept: Vec<(Vec<u8>, Relief)> = Vec::new();
    for (kinds, (_, relief)) in ways {
        // The same kinds of change and more, for more: no way at all.
        let needless = kept.iter().any(|(fewer, _)| fewer.iter().all(|kind| kinds.contains(kind)));
        if !needless && kept.len() < WAYS_MAX {
            kept.push((kinds, relief));
        }
    }
    kept.into_iter().map(|(_, relief)| relief).collect()
}

/// Everything that is short at one start.
fn changes_at(
    instance: &Instance,
    state: &State,
    visit: usize,
    mode: &CompiledMode,
    start: u32,
) -> Vec<Change> {
    let model = state.model;
    let (first, last) = model.span(mode, start);
    let (first, last) = (first as i64, last as i64);
    let mut changes: Vec<Change> = Vec::new();
    for block in state.blocks(visit, mode, start) {
        let change = change_for(instance, state, mode, start, block);
        match (&change, changes.last_mut()) {
            (Change::Place { bay, to: until, .. }, Some(Change::Place { bay: same, to, .. }))
                if bay == same =>
            {
                *to = *until
            }
            _ => changes.push(change),
        }
    }
    if let Some(deadline) = instance.visits[visit].deadline
        && last > deadline
    {
        changes.push(Change::Deadline { days: last - deadline });
    }
    let pool = model.visits[visit].pool as usize;
    let row = &state.slack[pool * model.days..][first as usize..=last as usize];
    if mode.out && row.iter().any(|slack| *slack <= 0) && model.shortfall_cost[pool] > 0 {
        let short = |slack: &i64| *slack <= 0;
        let from = first + row.iter().position(short).unwrap_or(0) as i64;
        let to = first + row.iter().rposition(short).unwrap_or(0) as i64;
        changes.push(Change::Engines {
            pool: instance.pools[pool].id.clone(),
            from,
            to,
            engines: 1,
        });
    }
    changes.sort();
    changes.dedup();
    changes
}

fn change_for(
    instance: &Instance,
    state: &State,
    mode: &CompiledMode,
    start: u32,
    block: Block,
) -> Change {
    let model = state.model;
    let day = |t: u32| model.open_days[t as usize] as i64;
    let uses = model.uses_of(mode);
    match block {
        Block::SkillDay { skill, t } => {
            let wanted = uses.iter().filter(|used| used.skill == skill && start + used.offset == t);
            let wanted: i64 = wanted.map(|used| used.minutes).sum();
            let left = state.day_left[skill as usize * model.open() + t as usize];
            Change::DayMinutes {
                skill: instance.skills[skill as usize].id.clone(),
                day: day(t),
                minutes: wanted - left,
            }
        }
        Block::SkillWeek { skill, week } => {
            let of_week = |offset: u32| model.week_of[(start + offset) as usize] == week;
            let wanted = uses.iter().filter(|used| used.skill == skill && of_week(used.offset));
            let wanted: i64 = wanted.map(|used| used.minutes).sum();
            let cell = skill as usize * model.weeks + week as usize;
            let most = model.week_minutes[cell] + model.week_overtime[cell];
            let days = (0..model.open() as u32).filter(|&t| model.week_of[t as usize] == week);
            let (from, to) =
                days.fold((i64::MAX, 0), |(from, to), t| (from.min(day(t)), to.max(day(t))));
            let minutes = state.week_used[cell] + wanted - most;
            Change::WeekMinutes {
                skill: instance.skills[skill as usize].id.clone(),
                week: week as usize,
                from,
                to,
                minutes,
            }
        }
        Block::Bay { bay, t } => {
            Change::Place { bay: instance.bays[bay as usize].id.clone(), from: day(t), to: day(t) }
        }
        Block::Kit { kit, .. } => pieces(instance, state, mode, start, kit),
        Block::After { other } | Block::Engine { other } => {
            Change::OtherVisit { visit: instance.visits[other as usize].id.clone() }
        }
    }
}

/// Pieces missing of a kit for a start, and how much earlier the receipt that would do comes late.
fn pieces(instance: &Instance, state: &State, mode: &CompiledMode, start: u32, kit: u32) -> Change {
    let model = state.model;
    let wanted = model
        .takes_of(mode)
        .iter()
        .filter(|take| take.kit == kit)
        .map(|take| take.pieces)
        .sum::<i64>();
    let rows = model.kit_rows[kit as usize].clone();
    let here = model.kit_row[kit as usize * model.open() + start as usize];
    let least = (here..rows.end).map(|row| state.kit_left[row as usize]).min().unwrap_or(0);
    let by = model.open_days[start as usize] as i64;
    // Later stretches that still hold enough: their receipt could come earlier.
    let enough = (here + 1..rows.end)
        .find(|&row| (row..rows.end).all(|later| state.kit_left[later as usize] >= wanted));
    let mut days: Vec<i64> =
        instance.kits[kit as usize].receipts.iter().map(|receipt| receipt.day).chain([0]).collect();
    days.sort_unstable();
    days.dedup();
    let earlier = enough.map(|row| days[(row - rows.start) as usize] - by);
    Change::Pieces {
        kit: instance.kits[kit as usize].id.clone(),
        pieces: wanted - least,
        by,
        earlier,
    }
}

/// Cost of a start with what is short bought in the usual way; the dates' limits do not count.
fn own_cost(
    instance: &Instance,
    visit: usize,
    named: &crate::instance::Mode,
    mode: &CompiledMode,
    state: &State,
    start: u32,
) -> i64 {
    let given = &instance.visits[visit];
    let (first, last) = state.model.span(mode, start);
    let day = first as i64;
    let hire = &instance.pools[state.model.visits[visit].pool as usize].out_cost;
    let lost = hire.get(first..=last).filter(|_| named.out).map_or(0, |lost| lost.iter().sum());
    let hinges: i64 = given.hinges.iter().map(|hinge| hinge.cost(day)).sum();
    let moved = given.published_day.is_some_and(|published| published != day);
    let moved = if moved { given.move_cost } else { 0 };
    named.cost + hinges + lost + moved + state.coupled_cost(visit, mode, start)
}

fn weight(change: &Change) -> i64 {
    match change {
        Change::DayMinutes { minutes, .. } | Change::WeekMinutes { minutes, .. } => *minutes,
        Change::Place { from, to, .. } => PLACE_WEIGHT * (to - from + 1),
        Change::Pieces { pieces, earlier: Some(days), .. } => PIECE_DAY_WEIGHT * days * pieces,
        Change::Pieces { pieces, earlier: None, .. } => PIECE_WEIGHT * pieces,
        Change::Deadline { days } => DEADLINE_DAY_WEIGHT * days,
        Change::Engines { from, to, engines, .. } => ENGINE_DAY_WEIGHT * (to - from + 1) * engines,
        Change::OtherVisit { .. } => PIECE_WEIGHT,
    }
}

const fn kind(change: &Change) -> u8 {
    match change {
        Change::DayMinutes { .. } | Change::WeekMinutes { .. } => 0,
        Change::Place { .. } => 1,
        Change::Pieces { .. } => 2,
        Change::Deadline { .. } => 3,
        Change::Engines { .. } => 4,
        Change::OtherVisit { .. } => 5,
    }
}

fn sentence(changes: &[Change]) -> String {
    if changes.is_empty() {
        return "nothing is short: it only costs more than leaving it out".to_owned();
    }
    changes.iter().map(in_words).collect::<Vec<_>>().join(", and ")
}

fn in_words(change: &Change) -> String {
    match change {
        Change::DayMinutes { skill, day, minutes } => {
            format!("{minutes} more {skill} minutes on day {day}")
        }
        Change::WeekMinutes { skill, week, minutes, .. } => {
            format!("{minutes} more {skill} minutes in week {week}")
        }
        Change::Place { bay, from, to } if from == to => {
            format!("one more place ({bay}) on day {from}")
        }
        Change::Place { bay, from, to } => format!("one more place ({bay}) on days {from} to {to}"),
        Change::Pieces { kit, pieces, by, earlier: Some(days) } => {
            format!(
                "{} of kit {kit} {} earlier, by day {by}",
                counted(*pieces, "piece"),
                counted(*days, "day")
            )
        }
        Change::Pieces { kit, pieces, by, earlier: None } => {
            format!("{} more of kit {kit} by day {by}", counted(*pieces, "piece"))
        }
        Change::Deadline { days } => format!("its deadline {} later", counted(*days, "day")),
        Change::Engines { pool, from, to, engines } => {
            format!("{} more in {pool} on days {from} to {to}", counted(*engines, "engine"))
        }
        Change::OtherVisit { visit } => format!("visit {visit} out of its way"),
    }
}

fn counted(count: i64, what: &str) -> String {
    if count == 1 { format!("1 {what}") } else { format!("{count} {what}s") }
}

/// What is short in a plan: for the visits left out by the first way to get each done, for the pools
/// by their days below the minimum.
pub(crate) fn shortages(instance: &Instance, state: &State) -> Vec<Shortage> {
    let mut groups: BTreeMap<(ShortageKind, String), (Shortage, u32)> = BTreeMap::new();
    for visit in (0..state.place.len()).filter(|&visit| state.place[visit].is_none()) {
        let ways = reliefs(instance, state, visit);
        let Some(way) = ways.first() else { continue };
        for change in &way.changes {
            let Some((kind, id, from, to, missing)) = short(instance, visit, way, change) else {
                continue;
            };
            let entry = groups.entry((kind, id.clone())).or_insert_with(|| {
                (Shortage { kind, id, from, to, missing: 0, relief: String::new() }, 0)
            });
            let (shortage, visits) = (&mut entry.0, &mut entry.1);
            (shortage.from, shortage.to) = (shortage.from.min(from), shortage.to.max(to));
            shortage.missing += missing;
            *visits += 1;
            if *visits == 1 {
                let or: Vec<&str> = ways.iter().map(|way| way.sentence.as_str()).collect();
                shortage.relief = format!("{}: {}", instance.visits[visit].id, or.join("; or "));
            }
        }
    }
    let mut list: Vec<Shortage> = groups
        .into_values()
        .map(|(mut shortage, visits)| {
            if visits > 1 {
                shortage.relief += &format!(
                    "; {} more left out for the same",
                    counted(i64::from(visits) - 1, "visit")
                );
            }
            shortage
        })
        .collect();
    list.extend(pools_short(instance, state));
    list
}

fn short(
    instance: &Instance,
    visit: usize,
    way: &Relief,
    change: &Change,
) -> Option<(ShortageKind, String, i64, i64, i64)> {
    Some(match change {
        Change::DayMinutes { skill, day, minutes } => {
            (ShortageKind::Skill, skill.clone(), *day, *day, *minutes)
        }
        Change::WeekMinutes { skill, from, to, minutes, .. } => {
            (ShortageKind::Skill, skill.clone(), *from, *to, *minutes)
        }
        Change::Place { bay, from, to } => {
            (ShortageKind::Bay, bay.clone(), *from, *to, to - from + 1)
        }
        Change::Pieces { kit, pieces, by, earlier } => {
            let until = by + earlier.unwrap_or(instance.days as i64 - 1 - by);
            (ShortageKind::Kit, kit.clone(), *by, until, *pieces)
        }
        Change::Deadline { days } => {
            (ShortageKind::Deadline, instance.visits[visit].id.clone(), way.day, way.day, *days)
        }
        // Days below the minimum are listed by themselves; another visit is no shortage.
        Change::Engines { .. } | Change::OtherVisit { .. } => return None,
    })
}

fn pools_short(instance: &Instance, state: &State) -> Vec<Shortage> {
    let model = state.model;
    let mut list = Vec::new();
    for (number, pool) in instance.pools.iter().enumerate() {
        let slack = &state.slack[number * model.days..][..model.days];
        let short: Vec<usize> = (0..model.days).filter(|&day| slack[day] < 0).collect();
        let (Some(&from), Some(&to)) = (short.first(), short.last()) else { continue };
        let most = short.iter().map(|&day| -slack[day]).max().unwrap_or(0);
        let days: i64 = short.iter().map(|&day| -slack[day]).sum();
        let relief = format!(
            "{} below the minimum in all; none with {} more, or with a minimum lower by {most}",
            counted(days, "engine-day"),
            counted(most, "engine"),
        );
        list.push(Shortage {
            kind: ShortageKind::Pool,
            id: pool.id.clone(),
            from: from as i64,
            to: to as i64,
            missing: most,
            relief,
        });
    }
    list
}
