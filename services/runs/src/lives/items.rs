//! Which parts have a life, and what each task does to it.
//!
//! Parts of one family (else of one name) do the same on different models and are one item here. A
//! task's main item is the dearest part that a replacing task always takes: the task is done for it,
//! and a failure that the task answers is its failure; whatever else comes along is renewed because
//! it was open. What a task takes now and then is looked at each time and renewed where it must be.

use std::collections::{BTreeSet, HashMap, HashSet};

use chrono::NaiveDate;
use fleet::id::{EngineId, ModelId, PartId, ServiceId, TaskId};
use fleet::part::{Part, PartKind};
use fleet::programme::Verb;
use fleet::service::Service;
use store::snapshot::Snapshot;

use crate::error::RunError;
use crate::forecast::chain;
use crate::lives::costs::PartPrices;

/// Place of an item in [`Items::names`].
pub type Item = usize;

/// How a task takes an item.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taken {
    /// Each time.
    Always,
    /// Where a look shows that it must be.
    OnCondition,
}

/// Below this share of a task's services a part that they used was not used always.
const ALWAYS_SHARE: f64 = 0.8;
/// Uses below which a part that a task does not name says nothing about the task.
const USES_MIN: usize = 3;

pub struct Items<'a> {
    pub names: Vec<String>,
    /// Numbers of each item, the most used first.
    pub parts: Vec<Vec<PartId>>,
    of_part: HashMap<PartId, Item>,
    taken: HashMap<(TaskId, ModelId, Item), Taken>,
    main: HashMap<(TaskId, ModelId), Item>,
    /// Items that each service renewed: what it used, and what was inside.
    renewed: HashMap<ServiceId, BTreeSet<Item>>,
    /// Checks that each task's own renewal answers.
    checks: HashMap<TaskId, HashSet<TaskId>>,
    part: HashMap<PartId, &'a Part>,
    snapshot: &'a Snapshot,
}

impl<'a> Items<'a> {
    /// # Errors
    /// Supersessions on record go in a ring.
    pub fn read(
        snapshot: &'a Snapshot,
        prices: &PartPrices,
        today: NaiveDate,
    ) -> Result<Self, RunError> {
        let stores = &snapshot.stores;
        let parts: HashMap<PartId, &Part> = stores.parts.iter().map(|it| (it.id, it)).collect();
        let chain = chain(snapshot)?;
        let mut uses: HashMap<PartId, usize> = HashMap::new();
        for used in &snapshot.work.service_parts {
            *uses.entry(used.part).or_default() += 1;
        }
        let key = |part: PartId| {
            let family = parts.get(&part)?.family.as_deref().map(str::trim);
            if let Some(family) = family.filter(|it| !it.is_empty()) {
                return Some(family.to_owned());
            }
            let (current, _) = chain.current(part, today);
            Some(parts.get(&current).or_else(|| parts.get(&part))?.name.trim().to_owned())
        };
        let (mut names, mut numbers) = (Vec::new(), Vec::<Vec<PartId>>::new());
        let mut places: HashMap<String, Item> = HashMap::new();
        let mut of_part = HashMap::new();
        for part in &stores.parts {
            let Some(name) = key(part.id) else { continue };
            let place = *places.entry(name.to_lowercase()).or_insert_with(|| {
                names.push(name);
                numbers.push(Vec::new());
                names.len() - 1
            });
            numbers[place].push(part.id);
            of_part.insert(part.id, place);
        }
        for numbers in &mut numbers {
            numbers.sort_by_key(|part| std::cmp::Reverse(uses.get(part).copied().unwrap_or(0)));
        }
        let mut items = Self {
            names,
            parts: numbers,
            of_part,
            taken: HashMap::new(),
            main: HashMap::new(),
            renewed: HashMap::new(),
            checks: checks(snapshot),
            part: parts,
            snapshot,
        };
        items.note_renewals();
        items.note_taken();
        items.note_main(prices);
        Ok(items)
    }

    /// Items that a service renewed.
    pub fn renewed_by(&self, service: ServiceId) -> Option<&BTreeSet<Item>> {
        self.renewed.get(&service)
    }

    pub fn taken(&self, task: TaskId, model: ModelId, item: Item) -> Option<Taken> {
        self.taken.get(&(task, model, item)).copied()
    }

    pub fn is_main(&self, task: TaskId, model: ModelId, item: Item) -> bool {
        self.main.get(&(task, model)) == Some(&item)
    }

    /// Items whose lives are followed on a model: what a task is done for, and what is looked at.
    pub fn followed(&self, model: ModelId) -> BTreeSet<Item> {
        let main = self.main.iter().filter(|((_, of), _)| *of == model).map(|(_, item)| *item);
        let looked = self.taken.iter().filter(|((_, of, item), taken)| {
            *of == model && **taken == Taken::OnCondition && self.wears(*item)
        });
        main.chain(looked.map(|((.., item), _)| *item)).collect()
    }

    /// Checks that look at what a model's item is renewed for.
    pub fn checks_of(&self, model: ModelId, item: Item) -> impl Iterator<Item = TaskId> + '_ {
        let tasks = self.main.iter().filter(move |((_, of), main)| *of == model && **main == item);
        tasks.filter_map(|((task, _), _)| self.checks.get(task)).flatten().copied()
    }

    /// The task that is done for an item, and whether it is renewed on condition only.
    pub fn task_of(&self, item: Item) -> (Option<TaskId>, bool) {
        let main = self.main.iter().filter(|(_, of)| **of == item).map(|((task, _), _)| *task);
        if let Some(task) = main.min() {
            return (Some(task), false);
        }
        let looked = self
            .taken
            .iter()
            .filter(|((.., of), taken)| *of == item && **taken == Taken::OnCondition);
        (looked.map(|((task, ..), _)| *task).min(), true)
    }

    /// The number of an item that a model takes, by the programme, else the most used one.
    pub fn part_for(&self, item: Item, task: Option<TaskId>, model: ModelId) -> Option<PartId> {
        let named = self.snapshot.programme.task_parts.iter().find(|row| {
            Some(row.task) == task
                && row.model.is_none_or(|of| of == model)
                && self.of_part.get(&row.part) == Some(&item)
        });
        named.map(|row| row.part).or_else(|| self.parts[item].first().copied())
    }

    /// Oil and grease are changed, they don't fail.
    fn wears(&self, item: Item) -> bool {
        let part = self.parts[item].first().and_then(|part| self.part.get(part));
        part.is_some_and(|part| matches!(part.kind, PartKind::Part | PartKind::Kit))
    }

    fn note_renewals(&mut self) {
        let mut direct: HashSet<Item> = HashSet::new();
        for used in &self.snapshot.work.service_parts {
            if let Some(item) = self.of_part.get(&used.part).copied() {
                direct.insert(item);
                self.renewed.entry(used.service).or_default().insert(item);
            }
        }
        // What a kit holds is renewed with it; followed only where it is used loose as well.
        let mut inside: HashMap<PartId, Vec<Item>> = HashMap::new();
        for line in &self.snapshot.stores.kit_lines {
            let item = self.of_part.get(&line.part).copied();
            if let Some(item) = item.filter(|item| direct.contains(item)) {
                inside.entry(line.kit).or_default().push(item);
            }
        }
        for used in &self.snapshot.work.service_parts {
            if let Some(items) = inside.get(&used.part) {
                self.renewed.entry(used.service).or_default().extend(items);
            }
        }
    }

    /// What the programme says, else what was done.
    fn note_taken(&mut self) {
        let models: HashMap<EngineId, ModelId> =
            self.snapshot.fleet.engines.iter().map(|it| (it.id, it.model)).collect();
        // A model's own row comes after the one for all models, and overrules it.
        let mut rows: Vec<_> = self.snapshot.programme.task_parts.iter().collect();
        rows.sort_by_key(|row| row.model.is_some());
        for row in rows {
            let Some(item) = self.of_part.get(&row.part).copied() else { continue };
            let taken =
                if row.chance_permille >= 1_000 { Taken::Always } else { Taken::OnCondition };
            let of = self.snapshot.fleet.models.iter().map(|model| model.id);
            for model in of.filter(|model| row.model.is_none_or(|own| own == *model)) {
                self.taken.insert((row.task, model, item), taken);
            }
        }
        let mut done: HashMap<(TaskId, ModelId), usize> = HashMap::new();
        let mut used: HashMap<(TaskId, ModelId, Item), usize> = HashMap::new();
        for service in &self.snapshot.work.services {
            let Some(model) = models.get(&service.engine).copied() else { continue };
            let Some(items) = self.renewed.get(&service.id) else { continue };
            // A service without a part on record tells nothing of what is taken.
            *done.entry((service.task, model)).or_default() += 1;
            for item in items {
                *used.entry((service.task, model, *item)).or_default() += 1;
            }
        }
        for ((task, model, item), uses) in used {
            let services = done.get(&(task, model)).copied().unwrap_or(0);
            if uses >= USES_MIN {
                let always = uses as f64 >= ALWAYS_SHARE * services as f64;
                let taken = if always { Taken::Always } else { Taken::OnCondition };
                self.taken.entry((task, model, item)).or_insert(taken);
            }
        }
    }

    fn note_main(&mut self, prices: &PartPrices) {
        let replacing: HashSet<TaskId> = self
            .snapshot
            .programme
            .tasks
            .iter()
            .filter(|task| task.verb == Verb::Replace)
            .map(|task| task.id)
            .collect();
        let quantity = |task: TaskId, part: PartId| {
            let rows = &self.snapshot.programme.task_parts;
            let row = rows.iter().find(|row| row.task == task && row.part == part);
            row.map_or(1, |row| row.quantity)
        };
        let mut best: HashMap<(TaskId, ModelId), (i64, Item)> = HashMap::new();
        for ((task, model, item), taken) in &self.taken {
            if *taken != Taken::Always || !replacing.contains(task) {
                continue;
            }
            let part = self.part_for(*item, Some(*task), *model);
            let price = part.and_then(|part| prices.of(part, quantity(*task, part)));
            let offered = ((price.unwrap_or(0.0) * 1_000.0) as i64, *item);
            let known = best.entry((*task, *model)).or_insert(offered);
            // Equal prices: the one recorded first, so that a run can be repeated.
            if (offered.0, std::cmp::Reverse(offered.1)) > (known.0, std::cmp::Reverse(known.1)) {
                *known = offered;
            }
        }
        self.main = best
            .into_iter()
            .filter(|(_, (_, item))| self.wears(*item))
            .map(|(of, (_, item))| (of, item))
            .collect();
    }
}

/// Checks that a task's doing settles: a failure found at one of them was there since the one before.
fn checks(snapshot: &Snapshot) -> HashMap<TaskId, HashSet<TaskId>> {
    let checking: HashSet<TaskId> = snapshot
        .programme
        .tasks
        .iter()
        .filter(|task| task.verb == Verb::Check)
        .map(|task| task.id)
        .collect();
    let mut checks: HashMap<TaskId, HashSet<TaskId>> = HashMap::new();
    for link in &snapshot.programme.task_links {
        if checking.contains(&link.other) {
            checks.entry(link.task).or_default().insert(link.other);
        }
    }
    checks
}

/// Services of each engine, by day.
pub fn services_by_engine(snapshot: &Snapshot) -> HashMap<EngineId, Vec<&Service>> {
    let mut by_engine: HashMap<EngineId, Vec<&Service>> = HashMap::new();
    for service in &snapshot.work.services {
        by_engine.entry(service.engine).or_default().push(service);
    }
    for services in by_engine.values_mut() {
        services.sort_by_key(|service| (service.done_on, service.id));
    }
    by_engine
}
