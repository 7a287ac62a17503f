//! A change that is tried beside a plan: on the problem as it was when that plan was made.

use fleet::id::{EngineId, PoolId};
use store::snapshot::Snapshot;

use crate::error::RunError;
use crate::plan::calendar::Calendars;
use crate::plan::capacity::{Horizon, coming};
use crate::plan::names::distinct;
use crate::plan::parameters::WhatIf;
use crate::plan::problem::{Asked, Problem};

/// Share of the paid time that a person more spends at the bench (common practice, no source).
const BENCH_SHARE: f64 = 0.75;

/// Changes `problem` so; answers what was changed, in a sentence.
///
/// # Errors
/// `what-if-unknown`: the skill, order or pool has no part in the plan.
pub fn change(
    problem: &mut Problem,
    what: &WhatIf,
    snapshot: &Snapshot,
) -> Result<String, RunError> {
    match what {
        WhatIf::MoreHands { skill, people } => more_hands(problem, skill, *people, snapshot),
        WhatIf::OrderLate { order, days } => order_late(problem, *order, *days, snapshot),
        WhatIf::MoreEngines { pool, engines } => more_engines(problem, *pool, *engines, snapshot),
    }
}

fn unknown(what: String) -> RunError {
    RunError::Refused { rule: "what-if-unknown", what }
}

fn more_hands(
    problem: &mut Problem,
    name: &str,
    people: u32,
    snapshot: &Snapshot,
) -> Result<String, RunError> {
    let calendars = Calendars::read(snapshot);
    let site = snapshot.yard.sites.iter().find(|site| site.id == problem.site);
    let calendar = site.and_then(|site| site.calendar);
    let horizon = Horizon { first: problem.first, days: problem.instance.days };
    let known: Vec<String> = problem.instance.skills.iter().map(|it| it.id.clone()).collect();
    let Some(skill) = problem.instance.skills.iter_mut().find(|skill| skill.id == name) else {
        let known = known.join(", ");
        return Err(unknown(format!(
            "no work of this plan asks for \"{name}\"; it asks for {known}"
        )));
    };
    for (day, date) in horizon.dates().enumerate() {
        if problem.instance.open[day] == 0 {
            continue;
        }
        let paid = calendars.minutes(calendar, date) * i64::from(people);
        let more = (paid as f64 * BENCH_SHARE) as i64;
        skill.day_minutes[day] += more;
        skill.week_minutes[problem.instance.weeks[day]] += more;
    }
    Ok(format!("{people} more with the skill \"{name}\""))
}

fn order_late(
    problem: &mut Problem,
    order: fleet::id::OrderId,
    days: u32,
    snapshot: &Snapshot,
) -> Result<String, RunError> {
    let numbers: std::collections::HashMap<_, _> =
        snapshot.stores.parts.iter().map(|part| (part.id, part.number.as_str())).collect();
    let mut moved = 0;
    let coming = coming(snapshot, problem.site, problem.today());
    for line in coming.into_iter().filter(|line| line.order == order) {
        // What comes before the first day is there on it.
        let on = (line.on - problem.first).num_days();
        let day = on.max(0);
        let number = numbers.get(&line.part).copied().unwrap_or_default();
        let Some(kit) = problem.instance.kits.iter_mut().find(|kit| kit.id == number) else {
            continue;
        };
        let receipt = |it: &&mut planning::Receipt| it.day == day && it.quantity >= line.pieces;
        let Some(receipt) = kit.receipts.iter_mut().find(receipt) else { continue };
        receipt.quantity -= line.pieces;
        let later = (on + i64::from(days)).max(0);
        if later < problem.instance.days as i64 {
            kit.receipts.push(planning::Receipt { day: later, quantity: line.pieces });
        }
        kit.receipts.retain(|receipt| receipt.quantity > 0);
        kit.receipts.sort_by_key(|receipt| receipt.day);
        moved += 1;
    }
    let known = snapshot.stores.orders.iter().find(|it| it.id == order);
    let number = known.map(|order| order.number.clone());
    match (moved, number) {
        (0, Some(number)) => {
            Err(unknown(format!("order {number} brings nothing that this plan takes")))
        }
        (_, Some(number)) => Ok(format!("order {number} {days} days later")),
        (_, None) => Err(unknown("there is no such order".into())),
    }
}

fn more_engines(
    problem: &mut Problem,
    pool: PoolId,
    engines: u32,
    snapshot: &Snapshot,
) -> Result<String, RunError> {
    let names = distinct(snapshot.fleet.pools.iter().map(|it| (it.id, it.name.clone())));
    let name = names.get(&pool).cloned().unwrap_or_default();
    let like: Vec<usize> = (0..problem.instance.visits.len())
        .filter(|at| problem.instance.visits[*at].pool == name)
        .collect();
    let Some(place) = problem.instance.pools.iter_mut().find(|pool| pool.id == name) else {
        return Err(unknown("there is no such pool at this site".into()));
    };
    place.fleet.iter_mut().for_each(|fleet| *fleet += i64::from(engines));
    if like.is_empty() {
        return Err(unknown(format!("no engine of {name} is in this plan to take as an example")));
    }
    for number in 0..engines as usize {
        // Each new one wants what one of its like wants, one after the other.
        let example = like[number % like.len()];
        let mut visit = problem.instance.visits[example].clone();
        visit.id = format!("{name} more {}", number + 1);
        visit.engine = visit.id.clone();
        (visit.published_day, visit.locked) = (None, false);
        let asked = &problem.visits[example];
        let asked = Asked { id: visit.id.clone(), engine: EngineId::fresh(), ..asked.clone() };
        problem.instance.visits.push(visit);
        problem.visits.push(asked);
    }
    Ok(format!("{engines} more engines in {name}"))
}
