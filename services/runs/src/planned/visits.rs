//! Published plans: the days on which work will be done, whatever the due dates say.

use std::collections::{HashMap, HashSet};

use chrono::NaiveDate;
use fleet::id::{EngineId, PlanId, TaskId, VisitId};
use fleet::visit::{PlanKind, PlanStatus};
use store::snapshot::Snapshot;

/// A visit to come.
#[derive(Clone, Debug, PartialEq)]
pub struct Coming {
    /// Days from today; what should have begun before today begins now.
    pub day: f64,
    pub tasks: Vec<TaskId>,
}

/// What published plans hold for one engine.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Planned {
    /// In the order of their days.
    pub visits: Vec<Coming>,
    /// A plan of the winter's work covers it: the lay-up is these visits.
    pub lay_up: bool,
}

/// Visits of published plans that were not done yet, by engine.
///
/// A visit is done once one of its tasks was serviced on its day or later. What a plan leaves out
/// has no day, and falls back to the yard's habits.
pub fn coming(snapshot: &Snapshot, today: NaiveDate) -> HashMap<EngineId, Planned> {
    let work = &snapshot.work;
    let published: HashMap<PlanId, PlanKind> = work
        .plans
        .iter()
        .filter(|plan| plan.status == PlanStatus::Published)
        .map(|plan| (plan.id, plan.kind))
        .collect();
    let mut tasks: HashMap<VisitId, Vec<TaskId>> = HashMap::new();
    for row in &work.visit_tasks {
        tasks.entry(row.visit).or_default().push(row.task);
    }
    let mut last: HashMap<(EngineId, TaskId), NaiveDate> = HashMap::new();
    for service in &work.services {
        let known = last.entry((service.engine, service.task)).or_insert(service.done_on);
        *known = (*known).max(service.done_on);
    }
    let mut planned: HashMap<EngineId, Planned> = HashMap::new();
    for visit in &work.visits {
        let (Some(kind), Some(starts_on)) = (published.get(&visit.plan), visit.starts_on) else {
            continue;
        };
        let Some(tasks) = tasks.get(&visit.id) else { continue };
        let done = |task: &&TaskId| {
            last.get(&(visit.engine, **task)).is_some_and(|done_on| *done_on >= starts_on)
        };
        let open: Vec<TaskId> = tasks.iter().filter(|task| !done(task)).copied().collect();
        let of = planned.entry(visit.engine).or_default();
        of.lay_up |= *kind == PlanKind::LayUp && !open.is_empty();
        if !open.is_empty() {
            let day = (starts_on - today).num_days().max(0) as f64;
            of.visits.push(Coming { day, tasks: open });
        }
    }
    for of in planned.values_mut() {
        of.visits.sort_by(|a, b| a.day.total_cmp(&b.day));
    }
    planned
}

impl Planned {
    /// Tasks that stand in a visit to come.
    pub fn tasks(&self) -> HashSet<TaskId> {
        self.visits.iter().flat_map(|visit| visit.tasks.iter().copied()).collect()
    }
}
