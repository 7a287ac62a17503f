//! What is expected to fail: the laws of the parts that are in the engines now, at their ages.
//!
//! For the planner's risk of lateness and for a forecast's unplanned demand. A part without a fitted
//! law has no risk here, which is not none: `Option` says so.

use std::collections::HashMap;

use chrono::NaiveDate;
use fleet::id::{EngineId, PartId, TaskId};
use life::Weibull;
use store::snapshot::Snapshot;

use crate::error::RunError;
use crate::hours::FleetHours;
use crate::lives::kept::{GroupOf, LivesKept};
use crate::lives::record::{PartLife, Recorded};
use crate::lives::{analysis, costs, items, record};

/// A part that is in an engine now.
#[derive(Clone, Copy, Debug, PartialEq)]
struct InEngine {
    task: TaskId,
    /// The number that its engine takes.
    part: PartId,
    age_h: f64,
    law: Weibull,
}

/// Parts in engines, with their laws.
#[derive(Clone, Debug, Default)]
pub struct Risks {
    by_engine: HashMap<EngineId, Vec<InEngine>>,
}

impl Risks {
    /// # Errors
    /// Supersessions on record go in a ring, or a site's prices name two currencies.
    pub fn read(snapshot: &Snapshot, fleet: &FleetHours) -> Result<Self, RunError> {
        let costs = costs::Costs::read(snapshot, fleet.on)?;
        let items = items::Items::read(snapshot, &costs.parts, fleet.on)?;
        let recorded = record::read(snapshot, fleet, &items);
        let kept = analysis::sum_up(snapshot, &items, &costs, &recorded, fleet.on);
        Ok(Self::of(&items, &recorded, &kept))
    }

    fn of(
        items: &items::Items<'_>,
        recorded: &HashMap<items::Item, Recorded>,
        kept: &LivesKept,
    ) -> Self {
        let mut by_engine: HashMap<EngineId, Vec<InEngine>> = HashMap::new();
        for (item, recorded) in recorded {
            let (Some(task), false) = items.task_of(*item) else { continue };
            let Some(summed) = kept.items.iter().find(|it| it.name == items.names[*item]) else {
                continue;
            };
            let law = |life: &PartLife| {
                let fitted = |of: GroupOf| {
                    let group = summed.groups.iter().find(|group| group.of == of)?;
                    group.law.as_ref()?.weibull()
                };
                fitted(GroupOf::Model(life.model)).or_else(|| fitted(GroupOf::All))
            };
            for life in recorded.lives.iter().filter(|life| life.in_engine) {
                let part = items.part_for(*item, Some(task), life.model);
                if let (Some(law), Some(part)) = (law(life), part) {
                    let age_h = life.life.lower();
                    by_engine.entry(life.engine).or_default().push(InEngine {
                        task,
                        part,
                        age_h,
                        law,
                    });
                }
            }
        }
        for fitted in by_engine.values_mut() {
            fitted.sort_by_key(|one| (one.task, one.part));
        }
        Self { by_engine }
    }

    /// Probability that what `task` renews on `engine` fails within `hours` more; `None` where no law
    /// is known for it.
    pub fn failure_within(&self, engine: EngineId, task: TaskId, hours: f64) -> Option<f64> {
        let fitted = self.by_engine.get(&engine)?.iter().find(|one| one.task == task)?;
        Some(fitted.law.failure_within(fitted.age_h, hours.max(0.0)))
    }

    /// Failures expected of an engine between two days, each part's first one counted; hours as the
    /// season has them.
    pub fn of_engine(
        &self,
        fleet: &FleetHours,
        engine: EngineId,
        (from, to): (NaiveDate, NaiveDate),
    ) -> f64 {
        let fitted = self.by_engine.get(&engine).into_iter().flatten();
        let (before, after) = hours_ahead(fleet, engine, (from, to));
        fitted.map(|one| one.between(before, after)).sum()
    }

    /// Failures expected of each part number between two days, over all engines: what an unplanned
    /// demand can be held against.
    pub fn by_part(
        &self,
        fleet: &FleetHours,
        (from, to): (NaiveDate, NaiveDate),
    ) -> HashMap<PartId, f64> {
        let mut engines: Vec<_> = self.by_engine.iter().collect();
        // A fixed order, so that sums repeat bit for bit.
        engines.sort_by_key(|(engine, _)| **engine);
        let mut expected: HashMap<PartId, f64> = HashMap::new();
        for (engine, fitted) in engines {
            let (before, after) = hours_ahead(fleet, *engine, (from, to));
            for one in fitted {
                *expected.entry(one.part).or_default() += one.between(before, after);
            }
        }
        expected
    }
}

impl InEngine {
    /// Probability of failing between two numbers of hours from its record on.
    fn between(&self, before: f64, after: f64) -> f64 {
        (self.law.failure_within(self.age_h, after) - self.law.failure_within(self.age_h, before))
            .max(0.0)
    }
}

/// Expected hours of an engine from its last record to each of two days.
fn hours_ahead(
    fleet: &FleetHours,
    engine: EngineId,
    (from, to): (NaiveDate, NaiveDate),
) -> (f64, f64) {
    let mean = |day| fleet.ahead(engine, day).map_or(0.0, |ahead| ahead.hours.mean());
    (mean(from), mean(to))
}
