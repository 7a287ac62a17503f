//! What is expected to fail: the laws of the parts that are in the engines now, at their ages.
//!
//! For the planner's risk of lateness. A part without a fitted law has no risk here, which is not
//! none: `Option` says so.

use std::collections::HashMap;

use chrono::NaiveDate;
use fleet::id::{EngineId, TaskId};
use life::Weibull;
use store::snapshot::Snapshot;

use crate::error::RunError;
use crate::hours::FleetHours;
use crate::lives::kept::{GroupOf, LivesKept};
use crate::lives::record::{PartLife, Recorded};
use crate::lives::{analysis, costs, items, record};

/// What a task renews, as it is in an engine now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InEngine {
    /// Hours that it had run at the engine's last record.
    pub age_h: f64,
    pub law: Weibull,
}

/// Below this level of a log-rank test the lives of models are taken to differ (common practice).
const DIFFER_P: f64 = 0.05;

/// Parts in engines, with their laws.
pub struct Risks<'a> {
    fleet: &'a FleetHours,
    by_task: HashMap<(EngineId, TaskId), InEngine>,
}

impl<'a> Risks<'a> {
    /// # Errors
    /// Supersessions on record go in a ring, or a site's prices name two currencies.
    pub fn read(snapshot: &Snapshot, fleet: &'a FleetHours) -> Result<Self, RunError> {
        let costs = costs::Costs::read(snapshot, fleet.on)?;
        let items = items::Items::read(snapshot, &costs.parts, fleet.on)?;
        let recorded = record::read(snapshot, fleet, &items);
        let kept = analysis::sum_up(snapshot, &items, &costs, &recorded, fleet.on);
        Ok(Self { fleet, by_task: by_task(&items, &recorded, &kept) })
    }

    /// For those who ask for no risk: no law is known.
    pub fn unknown(fleet: &'a FleetHours) -> Self {
        Self { fleet, by_task: HashMap::new() }
    }

    /// What `task` renews on `engine`; `None` where no law is known for it.
    pub fn of(&self, engine: EngineId, task: TaskId) -> Option<InEngine> {
        self.by_task.get(&(engine, task)).copied()
    }

    /// Probability that it fails between two days, hours as the season has them.
    pub fn failure_between(
        &self,
        (engine, task): (EngineId, TaskId),
        (from, to): (NaiveDate, NaiveDate),
    ) -> Option<f64> {
        let InEngine { age_h, law } = self.of(engine, task)?;
        let mean = |day| self.fleet.ahead(engine, day).map_or(0.0, |ahead| ahead.hours.mean());
        let by = |day| law.failure_within(age_h, mean(day));
        Some((by(to) - by(from)).max(0.0))
    }
}

fn by_task(
    items: &items::Items<'_>,
    recorded: &HashMap<items::Item, Recorded>,
    kept: &LivesKept,
) -> HashMap<(EngineId, TaskId), InEngine> {
    let mut by_task: HashMap<(EngineId, TaskId), InEngine> = HashMap::new();
    for (item, recorded) in recorded {
        let (Some(task), false) = items.task_of(*item) else { continue };
        let Some(summed) = kept.items.iter().find(|it| it.name == items.names[*item]) else {
            continue;
        };
        // A model's own few lives speak only where the models' lives are seen to differ.
        let differ = summed.comparisons.iter().any(|it| it.by == "model" && it.p < DIFFER_P);
        let law = |life: &PartLife| {
            let fitted = |of: GroupOf| {
                let group = summed.groups.iter().find(|group| group.of == of)?;
                group.law.as_ref()?.weibull()
            };
            let own = differ.then(|| fitted(GroupOf::Model(life.model))).flatten();
            own.or_else(|| fitted(GroupOf::All))
        };
        for life in recorded.lives.iter().filter(|life| life.in_engine) {
            if let Some(law) = law(life) {
                let age_h = life.life.lower();
                by_task.insert((life.engine, task), InEngine { age_h, law });
            }
        }
    }
    by_task
}
