//! Two plans side by side: a what-if beside the published one, or one version beside the next.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use crate::plan::{Plan, PlannedVisit};

/// What `after` has otherwise than `before`. Visits by id.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Difference {
    /// Cents, after less before.
    pub objective: i64,
    /// Planned in both, on another day or in another mode.
    pub shifted: Vec<Shift>,
    /// Left out before (or unknown), planned after.
    pub gained: Vec<String>,
    /// Planned before, left out (or gone) after.
    pub lost: Vec<String>,
    /// Minutes above contract by skill, after less before, where they differ.
    pub overtime: BTreeMap<String, i64>,
    /// Engine-days below the minimum by pool, after less before, where they differ.
    pub shortfall: BTreeMap<String, i64>,
}

/// A visit that stands otherwise.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Shift {
    pub visit: String,
    pub from: (String, i64),
    pub to: (String, i64),
}

/// Compares two plans of one instance, or of two that share visits.
pub fn compare(before: &Plan, after: &Plan) -> Difference {
    let by_id = |plan: &'_ Plan| -> BTreeMap<String, PlannedVisit> {
        plan.visits.iter().map(|planned| (planned.visit.clone(), planned.clone())).collect()
    };
    let (old, new) = (by_id(before), by_id(after));
    let mut difference =
        Difference { objective: after.objective - before.objective, ..Difference::default() };
    let all: BTreeSet<&String> = old.keys().chain(new.keys()).collect();
    for visit in all {
        match (old.get(visit), new.get(visit)) {
            (Some(from), Some(to)) if from != to => difference.shifted.push(Shift {
                visit: visit.clone(),
                from: (from.mode.clone(), from.day),
                to: (to.mode.clone(), to.day),
            }),
            (None, Some(_)) => difference.gained.push(visit.clone()),
            (Some(_), None) => difference.lost.push(visit.clone()),
            _ => {}
        }
    }
    for (plan, sign) in [(before, -1), (after, 1)] {
        for overtime in &plan.overtime {
            *difference.overtime.entry(overtime.skill.clone()).or_default() +=
                sign * overtime.minutes;
        }
        for shortfall in &plan.shortfalls {
            *difference.shortfall.entry(shortfall.pool.clone()).or_default() +=
                sign * shortfall.engines;
        }
    }
    difference.overtime.retain(|_, minutes| *minutes != 0);
    difference.shortfall.retain(|_, engines| *engines != 0);
    difference
}
