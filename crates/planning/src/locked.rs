//! Locked visits stand on their published day; only their mode is open.
//!
//! Whether modes exist that let all of them stand together is decided by backtracking, visits with
//! the fewest modes first. What no choice of modes can change is found beforehand, so that the
//! refusal names the resource.

use crate::error::InstanceError;
use crate::instance::Instance;
use crate::model::Model;
use crate::state::{Block, Place, State};

/// Placements tried before the question is given up as unanswered.
const TRIES_MAX: u32 = 500_000;

/// A place for each locked visit, all of them together feasible.
pub(crate) fn settle_locked(
    instance: &Instance,
    model: &Model,
) -> Result<Vec<(usize, Place)>, InstanceError> {
    let mut locked: Vec<usize> =
        (0..model.visits.len()).filter(|&visit| model.visits[visit].locked).collect();
    for &visit in &locked {
        if choices(model, visit).is_empty() {
            let day = instance.visits[visit].published_day.unwrap_or(0);
            return Err(InstanceError::LockedImpossible { path: format!("visits[{visit}]"), day });
        }
    }
    locked.sort_by_key(|&visit| choices(model, visit).len());
    let mut state = State::empty(model);
    let mut settled = Vec::new();
    let mut tries = 0;
    let mut first_block = None;
    if settle(&mut state, &locked, &mut settled, &mut tries, &mut first_block) {
        return Ok(settled);
    }
    let ids = |visits: &[usize]| {
        let shown: Vec<&str> =
            visits.iter().take(12).map(|&visit| instance.visits[visit].id.as_str()).collect();
        shown.join(", ")
    };
    let (visit, block) = first_block.unwrap_or((locked[0], None));
    let path = format!("visits[{visit}]");
    // Only where no mode was left to try is one resource surely to blame.
    match block {
        Some(block) if locked.iter().all(|&visit| choices(model, visit).len() == 1) => {
            let (resource, others) = describe(instance, model, &locked, visit, block);
            Err(InstanceError::LockedCollide { path, resource, visits: ids(&others) })
        }
        _ => Err(InstanceError::LockedTogether { path, visits: ids(&locked) }),
    }
}

fn choices(model: &Model, visit: usize) -> Vec<Place> {
    let modes = model.visits[visit].modes.clone().zip(model.modes_of(visit));
    let allowed = modes.filter(|(_, mode)| mode.starts > 0);
    allowed.map(|(number, mode)| Place { mode: number, start: mode.first }).collect()
}

fn settle(
    state: &mut State,
    locked: &[usize],
    settled: &mut Vec<(usize, Place)>,
    tries: &mut u32,
    first_block: &mut Option<(usize, Option<Block>)>,
) -> bool {
    // An explicit stack: there may be thousands of locked visits.
    let mut next = vec![0_usize];
    while settled.len() < locked.len() {
        let visit = locked[settled.len()];
        let places = choices(state.model, visit);
        let at = next[settled.len()];
        let Some(&place) = places.get(at) else {
            next.pop();
            let Some((back, _)) = settled.pop() else { return false };
            state.take(back);
            continue;
        };
        *next.last_mut().unwrap_or(&mut 0) += 1;
        *tries += 1;
        if *tries > TRIES_MAX {
            return false;
        }
        match state.block(visit, &state.model.modes[place.mode as usize], place.start) {
            None => {
                state.put(visit, place);
                settled.push((visit, place));
                next.push(0);
            }
            block => {
                first_block.get_or_insert((visit, block));
            }
        }
    }
    true
}

/// The blocking resource in words, and the locked visits that share it.
fn describe(
    instance: &Instance,
    model: &Model,
    locked: &[usize],
    visit: usize,
    block: Block,
) -> (String, Vec<usize>) {
    let day = |t: u32| model.open_days[t as usize];
    let with = |keep: &dyn Fn(usize) -> bool| -> Vec<usize> {
        locked.iter().copied().filter(|&other| other == visit || keep(other)).collect()
    };
    let place = |other: usize| choices(model, other)[0];
    let stays = |other: usize, t: u32| {
        let place = place(other);
        (place.start..place.start + model.modes[place.mode as usize].length).contains(&t)
    };
    match block {
        Block::SkillDay { skill, t } => (
            format!("skill {} on day {}", instance.skills[skill as usize].id, day(t)),
            with(&|other| stays(other, t)),
        ),
        Block::SkillWeek { skill, week } => {
            let in_week = |other: usize| model.week_of[place(other).start as usize] == week;
            (format!("skill {} in week {week}", instance.skills[skill as usize].id), with(&in_week))
        }
        Block::Bay { bay, t } => (
            format!("bay {} on day {}", instance.bays[bay as usize].id, day(t)),
            with(&|other| stays(other, t)),
        ),
        Block::Kit { kit, .. } => {
            let takes = |other: usize| {
                let mode = &model.modes[place(other).mode as usize];
                model.takes_of(mode).iter().any(|take| take.kit == kit)
            };
            (format!("kit {}", instance.kits[kit as usize].id), with(&takes))
        }
        Block::After { other } => {
            let other = other as usize;
            (
                format!(
                    "the order of {} and {}",
                    instance.visits[visit].id, instance.visits[other].id
                ),
                vec![visit, other],
            )
        }
        Block::Engine { other } => {
            (format!("engine {}", instance.visits[visit].engine), vec![visit, other as usize])
        }
    }
}
