//! Planned work that brings other work to light: a test that a gearcase fails, and its reseal.

use std::collections::{BTreeMap, HashMap};

use chrono::NaiveDate;
use demand::Chance;
use fleet::id::{EngineId, ServiceId, TaskId};
use store::snapshot::Snapshot;

use super::past_steps::is_planned;
use crate::past::parts_known_from;

/// Times that work must have followed from other work before it is believed to.
const FOLLOWED_LEAST: u32 = 2;

/// Work that may follow from planned work on the same day.
#[derive(Clone, Copy, Debug)]
pub struct Follows {
    pub task: TaskId,
    pub chance: Chance,
}

/// What brings what to light.
#[derive(Default)]
pub struct Findings {
    pub by_task: BTreeMap<TaskId, Vec<Follows>>,
    /// The services that so followed.
    pub revealed: Vec<ServiceId>,
}

/// Reads out of the services which unplanned work came with which planned work.
///
/// The record does not say which task brought it to light, only that both were done on one engine
/// on one day. It is put down to the task that it came with most often, and among equals to the
/// one that is done least: what is always there explains nothing.
pub fn findings(snapshot: &Snapshot) -> Findings {
    let mut planned: HashMap<(EngineId, NaiveDate), Vec<TaskId>> = HashMap::new();
    let mut done: HashMap<TaskId, u32> = HashMap::new();
    // Papers of the time before tell what was done and not what came of it.
    let from = parts_known_from(snapshot);
    let told = snapshot.work.services.iter();
    let told = told.filter(|it| from.is_none_or(|from| it.done_on >= from));
    for service in told.filter(|it| is_planned(it.reason)) {
        planned.entry((service.engine, service.done_on)).or_default().push(service.task);
        *done.entry(service.task).or_default() += 1;
    }
    let mut with: BTreeMap<(TaskId, TaskId), Vec<ServiceId>> = BTreeMap::new();
    for service in snapshot.work.services.iter().filter(|it| !is_planned(it.reason)) {
        let mut beside =
            planned.get(&(service.engine, service.done_on)).cloned().unwrap_or_default();
        beside.sort_unstable();
        beside.dedup();
        for task in beside {
            with.entry((service.task, task)).or_default().push(service.id);
        }
    }
    let mut best: BTreeMap<TaskId, (TaskId, Vec<ServiceId>)> = BTreeMap::new();
    let times = |task: &TaskId| done.get(task).copied().unwrap_or(0);
    for ((found, opened), services) in with {
        let better = best.get(&found).is_none_or(|(known, of_known)| {
            let (ours, theirs) = (services.len(), of_known.len());
            ours > theirs || (ours == theirs && times(&opened) < times(known))
        });
        if better {
            best.insert(found, (opened, services));
        }
    }
    let mut findings = Findings::default();
    for (found, (opened, services)) in best {
        let count = u32::try_from(services.len()).unwrap_or(u32::MAX);
        if count < FOLLOWED_LEAST {
            continue;
        }
        let chance = Chance::UNKNOWN.after(times(&opened), count);
        findings.by_task.entry(opened).or_default().push(Follows { task: found, chance });
        findings.revealed.extend(services);
    }
    findings
}
