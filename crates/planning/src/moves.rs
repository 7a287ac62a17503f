//! Why a visit stands where it does, and what moving it would cost.
//!
//! Every figure is exact for the move of this one visit with all else as it stands. What could be
//! gained by moving others too is what the search is for.

use serde::Serialize;

use crate::error::PlanError;
use crate::explain::{block_names, state_of};
use crate::instance::{Instance, Mode, Visit};
use crate::model::{CompiledMode, Model};
use crate::plan::Plan;
use crate::state::{Place, State};

/// Where a visit stands, and everywhere else it might.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Moves {
    pub visit: String,
    /// Where it stands; `None` where it is left out.
    pub now: Option<Opening>,
    /// Cents the whole plan changes by when it is left out; `None` where it is locked.
    pub leaving_out: Option<i64>,
    /// By day, then in the instance's order of modes; where it stands included.
    pub openings: Vec<Opening>,
}

/// A mode and start day of a visit, with everything else as it stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Opening {
    pub mode: String,
    pub day: i64,
    pub last_day: i64,
    /// What its cost is made of.
    pub parts: CostParts,
    /// Cents the whole plan changes by when this visit alone moves here.
    pub change: i64,
    /// What stands in the way, named as in a plan's reasons; empty where it may move here.
    pub blocked_by: Vec<String>,
}

/// What one visit adds to a plan's cost, cents.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct CostParts {
    pub mode: i64,
    /// Lateness, risk and life thrown away.
    pub start_day: i64,
    pub hire_lost: i64,
    /// For not starting on the published day.
    pub moved: i64,
    pub overtime: i64,
    pub shortfall: i64,
}

impl CostParts {
    pub const fn sum(&self) -> i64 {
        self.mode + self.start_day + self.hire_lost + self.moved + self.overtime + self.shortfall
    }
}

/// Everywhere `visit` might stand in `plan`, with the exact change in cost of moving it alone.
///
/// # Errors
/// An instance or a plan that breaks a rule, or a visit that is not there.
pub fn moves_of(instance: &Instance, plan: &Plan, visit: &str) -> Result<Moves, PlanError> {
    let model = Model::new(instance);
    let mut state = state_of(instance, &model, plan)?;
    let number = instance.visits.iter().position(|known| known.id == visit);
    let number = number.ok_or_else(|| PlanError::UnknownVisit { visit: visit.to_owned() })?;
    let before = state.cost;
    let stands = (!state.place[number].is_none()).then(|| state.take(number));
    let without = state.cost;
    let given = &instance.visits[number];
    let mut openings = Vec::new();
    let modes = model.visits[number].modes.clone().zip(model.modes_of(number)).zip(&given.modes);
    for ((at, mode), named) in modes {
        for start in mode.first..mode.first + mode.starts {
            let place = Place { mode: at, start };
            let parts = parts_of(instance, &state, given, named, mode, start);
            let change = without - given.unplanned_cost + parts.sum() - before;
            let blocked_by = block_names(instance, number, &state.blocks(number, mode, start));
            let (first, last) = model.span(mode, start);
            let opening = Opening {
                mode: named.id.clone(),
                day: first as i64,
                last_day: last as i64,
                parts,
                change,
                blocked_by,
            };
            openings.push((place, opening));
        }
    }
    openings.sort_by_key(|(place, _)| (place.start, place.mode));
    let now =
        openings.iter().find(|(place, _)| Some(*place) == stands).map(|(_, here)| here.clone());
    Ok(Moves {
        visit: visit.to_owned(),
        now,
        leaving_out: (!given.locked).then_some(without - before),
        openings: openings.into_iter().map(|(_, opening)| opening).collect(),
    })
}

/// The parts of what `visit`, now nowhere, would cost there.
fn parts_of(
    instance: &Instance,
    state: &State,
    visit: &Visit,
    named: &Mode,
    mode: &CompiledMode,
    start: u32,
) -> CostParts {
    let (first, last) = state.model.span(mode, start);
    let day = first as i64;
    let pool = instance.pools.iter().find(|pool| pool.id == visit.pool);
    let lost = pool.filter(|_| named.out).and_then(|pool| pool.out_cost.get(first..=last));
    let moved = visit.published_day.is_some_and(|published| published != day);
    let (overtime, shortfall) = state.coupled_parts(mode.visit as usize, mode, start);
    CostParts {
        mode: named.cost,
        start_day: visit.hinges.iter().map(|hinge| hinge.cost(day)).sum(),
        hire_lost: lost.map_or(0, |lost| lost.iter().sum()),
        moved: if moved { visit.move_cost } else { 0 },
        overtime,
        shortfall,
    }
}
