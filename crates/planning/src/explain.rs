//! Plans in words: why a visit was left out, what is short, what would help.

use std::collections::{BTreeMap, HashMap};

use crate::error::PlanError;
use crate::evaluate::evaluate;
use crate::instance::Instance;
use crate::model::Model;
use crate::plan::{Overtime, Plan, PlannedVisit, Shortfall, UnplannedVisit};
use crate::relief::shortages;
use crate::state::{Block, Place, State};

/// The state that a plan is.
///
/// # Errors
/// What [`Instance::validate`] or [`evaluate`] refuse.
pub(crate) fn state_of<'m>(
    instance: &Instance,
    model: &'m Model,
    plan: &Plan,
) -> Result<State<'m>, PlanError> {
    evaluate(instance, plan)?;
    Ok(State::of(model, &wanted_places(instance, model, plan)))
}

/// Where `plan` puts each visit, as far as the visit's own dates and modes allow it.
pub(crate) fn wanted_places(instance: &Instance, model: &Model, plan: &Plan) -> Vec<Place> {
    let planned = plan.visits.iter().map(|planned| (planned.visit.as_str(), planned));
    let planned: HashMap<&str, &PlannedVisit> = planned.collect();
    let place = |(number, visit): (usize, &crate::instance::Visit)| {
        let planned = planned.get(visit.id.as_str())?;
        let at = visit.modes.iter().position(|mode| mode.id == planned.mode)?;
        let mode = model.visits[number].modes.start + at as u32;
        let compiled = &model.modes[mode as usize];
        let start =
            model.open_days.binary_search_by_key(&planned.day, |&open| open as i64).ok()? as u32;
        let allowed = (compiled.first..compiled.first + compiled.starts).contains(&start);
        allowed.then_some(Place { mode, start })
    };
    instance.visits.iter().enumerate().map(|visit| place(visit).unwrap_or(Place::NONE)).collect()
}

/// The plan that `state` is, with reasons, overtime and shortfalls.
pub(crate) fn write_plan(instance: &Instance, state: &State) -> Plan {
    let model = state.model;
    let mut plan = Plan { objective: state.cost, ..Plan::default() };
    for (number, visit) in instance.visits.iter().enumerate() {
        let place = state.place[number];
        if place.is_none() {
            let reason = reason(instance, state, number);
            plan.unplanned.push(UnplannedVisit { visit: visit.id.clone(), reason });
            continue;
        }
        let mode = (place.mode - model.visits[number].modes.start) as usize;
        plan.visits.push(PlannedVisit {
            visit: visit.id.clone(),
            mode: visit.modes[mode].id.clone(),
            day: model.open_days[place.start as usize] as i64,
        });
    }
    for (number, skill) in instance.skills.iter().enumerate() {
        for week in 0..model.weeks {
            let cell = number * model.weeks + week;
            let minutes = state.week_used[cell] - model.week_minutes[cell];
            if minutes > 0 {
                plan.overtime.push(Overtime { skill: skill.id.clone(), week, minutes });
            }
        }
    }
    for (number, pool) in instance.pools.iter().enumerate() {
        for day in 0..model.days {
            let engines = -state.slack[number * model.days + day];
            if engines > 0 {
                plan.shortfalls.push(Shortfall { pool: pool.id.clone(), day, engines });
            }
        }
    }
    plan.shortages = shortages(instance, state);
    plan
}

/// Why a visit that is nowhere is left out, with all else as it stands: `cost` where it could be
/// added, `dates` where it has no start at all, else what blocks most of its starts.
fn reason(instance: &Instance, state: &State, visit: usize) -> String {
    let model = state.model;
    let mut blocked: BTreeMap<String, u32> = BTreeMap::new();
    for mode in model.modes_of(visit) {
        for start in mode.first..mode.first + mode.starts {
            let blocks = state.blocks(visit, mode, start);
            if blocks.is_empty() {
                return "cost".to_owned();
            }
            for name in block_names(instance, visit, &blocks) {
                *blocked.entry(name).or_default() += 1;
            }
        }
    }
    let most = blocked.into_iter().max_by(|a, b| a.1.cmp(&b.1).then(b.0.cmp(&a.0)));
    most.map_or_else(|| "dates".to_owned(), |(name, _)| name)
}

/// The blocks' names, each once, sorted.
pub(crate) fn block_names(instance: &Instance, visit: usize, blocks: &[Block]) -> Vec<String> {
    let mut names: Vec<String> = blocks.iter().map(|block| name(instance, visit, *block)).collect();
    names.sort_unstable();
    names.dedup();
    names
}

fn name(instance: &Instance, visit: usize, block: Block) -> String {
    match block {
        Block::SkillDay { skill, .. } | Block::SkillWeek { skill, .. } => {
            format!("skill:{}", instance.skills[skill as usize].id)
        }
        Block::Bay { bay, .. } => format!("bay:{}", instance.bays[bay as usize].id),
        Block::Kit { kit, .. } => format!("kit:{}", instance.kits[kit as usize].id),
        Block::After { other } => format!("after:{}", instance.visits[other as usize].id),
        Block::Engine { .. } => format!("engine:{}", instance.visits[visit].engine),
    }
}
