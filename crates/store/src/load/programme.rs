//! Tasks, their intervals and parts, and what can be found.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use exchange::load::{FindingKindRow, ProgrammeRow, TaskPartRow, TaskRow};
use fleet::id::{
    FindingKindId, IntervalId, ModelId, OrganisationId, PartId, SkillId, TaskId, TaskLinkId,
    TaskPartId,
};
use fleet::person::Skill;
use fleet::programme::{FindingKind, ProgrammeInterval, Task, TaskLink, TaskLinkKind, TaskPart};
use serde_json::json;

use super::differences::{Known, Values, values};
use super::names::{Lookup, Names, Needs, shown_ring};
use super::yard::create_skills;
use super::{Loaded, Verdict};
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::ring;
use crate::store::Transaction;

/// Always needed.
const ALWAYS_PERMILLE: i32 = 1_000;

/// A task with the name of its skill and the tasks that it contains and resets.
pub(super) struct TaskEntry {
    task: Task,
    skill: Option<String>,
    contains: BTreeSet<TaskId>,
    resets: BTreeSet<TaskId>,
}

pub(super) struct TaskState {
    known: Known<String>,
    contained: HashMap<TaskId, Vec<TaskId>>,
    skills: BTreeMap<String, SkillId>,
}

fn task_values(
    task: &Task,
    skill: Option<&str>,
    contains: &BTreeSet<TaskId>,
    resets: &BTreeSet<TaskId>,
) -> Values {
    let mut all = values(task);
    all.insert("skill".to_owned(), json!(skill));
    all.insert("contains".to_owned(), json!(contains));
    all.insert("resets".to_owned(), json!(resets));
    all
}

impl Loaded for TaskRow {
    type Entry = TaskEntry;
    type State = TaskState;
    const NEEDS: &'static [Needs] = &[Needs::Tasks];
    const CHUNK: usize = usize::MAX;

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let tasks = record::all::<Task>(transaction, organisation).await?;
        let skills = record::all::<Skill>(transaction, organisation).await?;
        let names: HashMap<SkillId, &str> =
            skills.iter().map(|skill| (skill.id, skill.name.as_str())).collect();
        let mut links: HashMap<(TaskId, TaskLinkKind), BTreeSet<TaskId>> = HashMap::new();
        let mut contained: HashMap<TaskId, Vec<TaskId>> = HashMap::new();
        for link in record::all::<TaskLink>(transaction, organisation).await? {
            if link.kind == TaskLinkKind::Contains {
                contained.entry(link.task).or_default().push(link.other);
            }
            links.entry((link.task, link.kind)).or_default().insert(link.other);
        }
        let known = Known::new(tasks.iter().map(|task| {
            let skill = task.skill.and_then(|skill| names.get(&skill).copied());
            let contains = links.remove(&(task.id, TaskLinkKind::Contains)).unwrap_or_default();
            let resets = links.remove(&(task.id, TaskLinkKind::Resets)).unwrap_or_default();
            (task.name.clone(), task_values(task, skill, &contains, &resets))
        }));
        let skills = skills.into_iter().map(|skill| (skill.name, skill.id)).collect();
        Ok(TaskState { known, contained, skills })
    }

    fn announce(&self, names: &mut Names) {
        names.announce_task(&self.task);
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<TaskEntry> {
        let contains = at.tasks("contains", &self.contains);
        let resets = at.tasks("resets", &self.resets);
        let id = at.task("task", &self.task)?;
        let task = Task {
            id,
            version: 1,
            name: self.task,
            verb: self.verb,
            access: self.access,
            occasion: self.occasion,
            own_work: self.own_work,
            minutes_source: self.minutes_source,
            skill: None,
            safety: self.safety,
            caution: self.caution,
            archived: false,
        };
        let (contains, resets) = (contains?.into_iter().collect(), resets?.into_iter().collect());
        Some(TaskEntry { task, skill: self.skill, contains, resets })
    }

    fn judge(state: &mut Self::State, entry: &TaskEntry, at: &mut Lookup<'_>) -> Verdict {
        let TaskEntry { task, skill, contains, resets } = entry;
        let values = task_values(task, skill.as_deref(), contains, resets);
        let verdict = state.known.judge(task.name.clone(), values, at);
        if verdict != Verdict::New {
            return verdict;
        }
        for other in contains {
            let way = ring::way(*other, task.id, |from| state.contained.get(&from));
            if let Some(way) = way {
                let named = at.names.shown(other.0).unwrap_or_default().to_owned();
                let way = shown_ring(task.id.0, way.iter().map(|task| task.0), at.names);
                let message = format!("a task can't be contained in itself: {way}");
                at.refuse("contains", &named, "task-loop", message);
                return Verdict::Refused;
            }
        }
        state.contained.entry(task.id).or_default().extend(contains);
        verdict
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        state: &mut Self::State,
        entries: Vec<TaskEntry>,
    ) -> Result<(), StoreError> {
        let wanted = entries.iter().filter_map(|entry| entry.skill.as_deref());
        create_skills(transaction, organisation, author, &mut state.skills, wanted).await?;
        let (mut tasks, mut links) = (Vec::new(), Vec::new());
        for TaskEntry { mut task, skill, contains, resets } in entries {
            task.skill = skill.and_then(|name| state.skills.get(&name).copied());
            let kinds = [(TaskLinkKind::Contains, contains), (TaskLinkKind::Resets, resets)];
            for (kind, others) in kinds {
                links.extend(others.into_iter().map(|other| TaskLink {
                    id: TaskLinkId::fresh(),
                    version: 1,
                    task: task.id,
                    other,
                    kind,
                }));
            }
            tasks.push(task);
        }
        record::create(transaction, organisation, author, &tasks).await?;
        record::create(transaction, organisation, author, &links).await
    }
}

/// An interval and the parts that its task then uses.
pub(super) struct ProgrammeEntry {
    interval: ProgrammeInterval,
    parts: Vec<(PartId, i64)>,
}

type IntervalKey = (TaskId, Option<ModelId>, Option<String>);
type TaskPartKey = (TaskId, Option<ModelId>, PartId);

pub(super) struct ProgrammeState {
    known: Known<IntervalKey>,
    parts: HashMap<TaskPartKey, (i64, i32)>,
}

impl Loaded for ProgrammeRow {
    type Entry = ProgrammeEntry;
    type State = ProgrammeState;
    const NEEDS: &'static [Needs] = &[Needs::Tasks, Needs::Models, Needs::Parts];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<ProgrammeInterval>(transaction, organisation).await?;
        let known = Known::new(all.iter().map(|one| (interval_key(one), values(one))));
        let parts = record::all::<TaskPart>(transaction, organisation).await?;
        let parts = parts
            .iter()
            .map(|one| ((one.task, one.model, one.part), (one.quantity, one.chance_permille)));
        Ok(ProgrammeState { known, parts: parts.collect() })
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<ProgrammeEntry> {
        let task = at.task("task", &self.task);
        let model = at.optional_model(self.model.as_ref());
        let parts = at.parts("parts", &self.parts);
        let interval = ProgrammeInterval {
            id: IntervalId::fresh(),
            version: 1,
            task: task?,
            model: model?,
            every: self.every,
            every_months: self.every_months,
            first: self.first,
            first_months: self.first_months,
            severity_on_months: self.severity_on_months,
            basis: self.basis,
            source: self.source,
            page: self.page,
            serial_from: self.serial_from,
            serial_until: self.serial_until,
            verified_by: self.verified_by,
        };
        Some(ProgrammeEntry { interval, parts: parts? })
    }

    fn judge(state: &mut Self::State, entry: &ProgrammeEntry, at: &mut Lookup<'_>) -> Verdict {
        let ProgrammeEntry { interval, parts } = entry;
        for &(part, quantity) in parts {
            let known = state.parts.get(&(interval.task, interval.model, part));
            if let Some(&(on_record, chance)) = known
                && (on_record, chance) != (quantity, ALWAYS_PERMILLE)
            {
                let part = at.names.shown(part.0).unwrap_or_default();
                let message = format!(
                    "{on_record} of {part} is on record for this task, in {chance} of 1000 times, \
                     and {quantity} always here; change it there, not by loading",
                );
                at.refuse("parts", &quantity.to_string(), "other-values-on-record", message);
                return Verdict::Refused;
            }
        }
        let verdict = state.known.judge(interval_key(interval), values(interval), at);
        let more = parts
            .iter()
            .any(|&(part, _)| !state.parts.contains_key(&(interval.task, interval.model, part)));
        // The interval is there, but not all of its parts: those are added.
        if verdict == Verdict::Unchanged && more { Verdict::New } else { verdict }
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        state: &mut Self::State,
        entries: Vec<ProgrammeEntry>,
    ) -> Result<(), StoreError> {
        let there: BTreeSet<_> = record::all::<ProgrammeInterval>(transaction, organisation)
            .await?
            .iter()
            .map(interval_key)
            .collect();
        let (mut intervals, mut task_parts) = (Vec::new(), Vec::new());
        for ProgrammeEntry { interval, parts } in entries {
            let (task, model) = (interval.task, interval.model);
            for (part, quantity) in parts {
                let chance_permille = ALWAYS_PERMILLE;
                let key = (task, model, part);
                if state.parts.insert(key, (quantity, chance_permille)).is_none() {
                    let id = TaskPartId::fresh();
                    let version = 1;
                    task_parts.push(TaskPart {
                        id,
                        version,
                        task,
                        model,
                        part,
                        quantity,
                        chance_permille,
                    });
                }
            }
            if !there.contains(&interval_key(&interval)) {
                intervals.push(interval);
            }
        }
        record::create(transaction, organisation, author, &intervals).await?;
        record::create(transaction, organisation, author, &task_parts).await
    }
}

fn interval_key(interval: &ProgrammeInterval) -> IntervalKey {
    (interval.task, interval.model, interval.serial_from.clone())
}

impl Loaded for TaskPartRow {
    type Entry = TaskPart;
    type State = Known<TaskPartKey>;
    const NEEDS: &'static [Needs] = &[Needs::Tasks, Needs::Models, Needs::Parts];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<TaskPart>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| ((one.task, one.model, one.part), values(one)))))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<TaskPart> {
        let task = at.task("task", &self.task);
        let model = at.optional_model(self.model.as_ref());
        let part = at.part("part", &self.part);
        Some(TaskPart {
            id: TaskPartId::fresh(),
            version: 1,
            task: task?,
            model: model?,
            part: part?,
            quantity: i64::from(self.quantity),
            chance_permille: self.chance_permille,
        })
    }

    fn judge(state: &mut Self::State, entry: &TaskPart, at: &mut Lookup<'_>) -> Verdict {
        state.judge((entry.task, entry.model, entry.part), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<TaskPart>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

impl Loaded for FindingKindRow {
    type Entry = FindingKind;
    type State = Known<String>;
    const NEEDS: &'static [Needs] = &[Needs::Tasks];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<FindingKind>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| (one.name.clone(), values(one)))))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<FindingKind> {
        let task = at.optional("task", self.task.as_deref(), Lookup::task)?;
        Some(FindingKind {
            id: FindingKindId::fresh(),
            version: 1,
            name: self.finding,
            likely_cause: self.likely_cause,
            urgency: self.urgency,
            safety: self.safety,
            task,
            source: self.source,
            archived: false,
        })
    }

    fn judge(state: &mut Self::State, entry: &FindingKind, at: &mut Lookup<'_>) -> Verdict {
        state.judge(entry.name.clone(), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<FindingKind>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}
