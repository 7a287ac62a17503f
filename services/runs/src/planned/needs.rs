//! What a task takes: by the programme, and as the services on record took it.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::NaiveDate;
use demand::Chance;
use fleet::id::{EngineId, ModelId, PartId, ServiceId, TaskId};
use fleet::supersession::Supersessions;
use store::snapshot::Snapshot;

use super::past_steps::is_planned;
use crate::past::parts_known_from;

/// Services that what the programme says counts for (common practice, no source).
const PRIOR_SERVICES: f64 = 4.0;
/// Quantities on record that are drawn from, the last ones.
const QUANTITIES_MAX: usize = 200;
/// Services on record before a part that the programme does not know is expected of them.
const UNLISTED_LEAST: usize = 3;

/// A part that a task takes, and with which chance.
#[derive(Clone, Debug)]
pub struct Need {
    pub part: PartId,
    /// As the programme has it.
    pub quantity: f32,
    /// As it was used, oldest first.
    pub used: Vec<f32>,
    /// `None`: always.
    pub found: Option<Chance>,
}

impl Need {
    /// A quantity, by two numbers from 0 to 1: one on record, or the programme's where the record
    /// is thin.
    pub fn quantity(&self, trust: f64, which: f64) -> f32 {
        let known = self.used.len() as f64;
        if trust * (known + PRIOR_SERVICES) >= known {
            return self.quantity;
        }
        self.used[((which * known) as usize).min(self.used.len() - 1)]
    }
}

/// Needs by task and model.
pub struct Needs {
    lists: BTreeMap<(TaskId, ModelId), Vec<Need>>,
}

impl Needs {
    pub fn of(&self, task: TaskId, model: ModelId) -> &[Need] {
        self.lists.get(&(task, model)).map_or(&[], Vec::as_slice)
    }

    /// Reads the programme and the planned services, under the numbers that are bought `on`.
    pub fn learn(snapshot: &Snapshot, chain: &Supersessions<PartId>, on: NaiveDate) -> Self {
        let now = |part: PartId| {
            let (current, factor) = chain.current(part, on);
            (current, factor.new_units as f32 / factor.old_units.max(1) as f32)
        };
        let past = Past::read(snapshot, &now);
        let mut lists = BTreeMap::new();
        for model in &snapshot.fleet.models {
            for task in &snapshot.programme.tasks {
                let needs = past.needs(snapshot, (task.id, model.id), &now);
                if !needs.is_empty() {
                    lists.insert((task.id, model.id), needs);
                }
            }
        }
        Self { lists }
    }
}

/// A part's number today, and how many of it one of the old was.
type Now<'a> = &'a dyn Fn(PartId) -> (PartId, f32);

/// What planned services on record took. What was done for another reason takes the same parts,
/// but more of them now and then: it does not tell what planned work takes.
struct Past {
    done: HashMap<(TaskId, ModelId), u32>,
    used: HashMap<(TaskId, ModelId), BTreeMap<PartId, Vec<f32>>>,
}

impl Past {
    fn read(snapshot: &Snapshot, now: Now<'_>) -> Self {
        let models: HashMap<EngineId, ModelId> =
            snapshot.fleet.engines.iter().map(|engine| (engine.id, engine.model)).collect();
        let mut past = Self { done: HashMap::new(), used: HashMap::new() };
        let mut of: HashMap<ServiceId, (TaskId, ModelId)> = HashMap::new();
        let Some(from) = parts_known_from(snapshot) else { return past };
        let told = snapshot.work.services.iter().filter(|it| it.done_on >= from);
        for service in told.filter(|it| is_planned(it.reason)) {
            let Some(model) = models.get(&service.engine) else { continue };
            *past.done.entry((service.task, *model)).or_default() += 1;
            of.insert(service.id, (service.task, *model));
        }
        for row in &snapshot.work.service_parts {
            let Some(key) = of.get(&row.service) else { continue };
            let (part, factor) = now(row.part);
            let parts = past.used.entry(*key).or_default();
            parts.entry(part).or_default().push(row.quantity as f32 * factor);
        }
        past
    }

    fn needs(&self, snapshot: &Snapshot, key: (TaskId, ModelId), now: Now<'_>) -> Vec<Need> {
        let (task, model) = key;
        // A model's own list of parts, else the one for all models.
        let rows = || snapshot.programme.task_parts.iter().filter(move |row| row.task == task);
        let own = rows().any(|row| row.model == Some(model));
        let done = self.done.get(&key).copied().unwrap_or(0);
        let none = BTreeMap::new();
        let used = self.used.get(&key).unwrap_or(&none);
        let mut needs: Vec<Need> = rows()
            .filter(|row| row.model == own.then_some(model))
            .map(|row| {
                let (part, factor) = now(row.part);
                let used = used.get(&part).map_or(&[][..], Vec::as_slice);
                let share = f64::from(row.chance_permille) / 1_000.0;
                let found = (row.chance_permille < 1_000)
                    .then(|| Chance::said(share, PRIOR_SERVICES).after(done, count(used)));
                let quantity = row.quantity as f32 * factor;
                Need { part, quantity, used: last(used), found }
            })
            .collect();
        let listed: HashSet<PartId> = needs.iter().map(|need| need.part).collect();
        let unlisted = used
            .iter()
            .filter(|(part, used)| !listed.contains(part) && used.len() >= UNLISTED_LEAST);
        needs.extend(unlisted.map(|(part, used)| {
            let mean = used.iter().sum::<f32>() / used.len() as f32;
            let found = Some(Chance::UNKNOWN.after(done, count(used)));
            Need { part: *part, quantity: mean.round(), used: last(used), found }
        }));
        needs
    }
}

fn count(used: &[f32]) -> u32 {
    u32::try_from(used.len()).unwrap_or(u32::MAX)
}

fn last(used: &[f32]) -> Vec<f32> {
    used[used.len().saturating_sub(QUANTITIES_MAX)..].to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn need(used: &[f32]) -> Need {
        Need { part: PartId::fresh(), quantity: 110.0, used: used.to_vec(), found: None }
    }

    #[test]
    fn without_a_record_the_programme_speaks_and_with_one_the_bench_does() {
        assert_eq!(need(&[]).quantity(0.0, 0.5), 110.0);
        let known = need(&[130.0; 36]);
        // 36 of 40 parts of the trust go to the record.
        assert_eq!((known.quantity(0.89, 0.99), known.quantity(0.91, 0.99)), (130.0, 110.0));
    }
}
