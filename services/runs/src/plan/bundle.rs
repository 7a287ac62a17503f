//! What an engine needs on its next visit, and what that takes: tasks, minutes, parts.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::NaiveDate;
use fleet::due::{Limb, NextDue, settled_by};
use fleet::engine::{Engine, EngineStatus};
use fleet::finding::FindingStatus;
use fleet::id::{EngineId, ModelId, PartId, PoolId, SiteId, TaskId};
use fleet::programme::{AccessGroup, Occasion, Task, Urgency};
use serde::{Deserialize, Serialize};
use store::snapshot::Snapshot;

use crate::due::DueLine;
use crate::plan::capacity::ANY_HANDS;

/// Minutes that each visit takes before and after its tasks: fetched, flushed, run, put back
/// (common practice, no source).
pub const VISIT_MINUTES: u32 = 20;
/// Services of a task whose times it takes to learn from (common practice, no source).
const TIMES_TO_LEARN: usize = 8;
/// A task time that begins so in its source is kept, whatever was learned.
const FIXED: &str = "fixed";

/// Why a task is in a bundle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    Overdue,
    /// Falls due by hours within the plan's time.
    Hours,
    /// Falls due by the calendar within the plan's time.
    Calendar,
    /// Last done at an unknown time.
    Unknown,
    Finding,
    /// Belongs to every lay-up.
    LayUp,
    /// Falls due in the season, when the bench is dear.
    Season,
    /// Worth doing while that part is open.
    WhileOpen,
    /// Added by a person.
    Added,
}

impl Why {
    /// Whether it may be put off: what is due may not.
    pub const fn may_wait(self) -> bool {
        matches!(self, Self::Season | Self::WhileOpen)
    }

    pub const fn words(self) -> &'static str {
        match self {
            Self::Overdue => "overdue",
            Self::Hours => "due by hours",
            Self::Calendar => "due by the calendar",
            Self::Unknown => "last done at an unknown time",
            Self::Finding => "on a finding",
            Self::LayUp => "done at every lay-up",
            Self::Season => "due in the season",
            Self::WhileOpen => "worth doing while it is open",
            Self::Added => "added by hand",
        }
    }
}

/// A task of a bundle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bundled {
    pub task: TaskId,
    pub why: Why,
    pub early_on: Option<NaiveDate>,
    pub due_on: Option<NaiveDate>,
    pub late_on: Option<NaiveDate>,
    /// Without the access, which is paid once a visit.
    pub minutes: u32,
    /// Where the minutes come from.
    pub minutes_basis: String,
    /// Days that a service of it lasts, where they are known.
    pub lasts_days: Option<i64>,
}

/// Everything that one engine needs.
#[derive(Clone, Debug, PartialEq)]
pub struct Bundle {
    pub engine: EngineId,
    pub pool: PoolId,
    pub model: ModelId,
    pub tasks: Vec<Bundled>,
    /// Not to be hired until somebody lets it go.
    pub held: bool,
    /// A finding whose urgency is to stop at once, or within three days.
    pub urgent: bool,
}

/// The programme laid out for bundling.
pub struct Work<'a> {
    snapshot: &'a Snapshot,
    pub tasks: HashMap<TaskId, &'a Task>,
    pub skill_of: HashMap<TaskId, String>,
    settles: HashMap<TaskId, Vec<TaskId>>,
    learned: HashMap<TaskId, (u32, usize)>,
    by_engine: HashMap<EngineId, Vec<&'a DueLine>>,
}

impl<'a> Work<'a> {
    pub fn read(
        snapshot: &'a Snapshot,
        lines: &'a [DueLine],
        skills: &HashMap<fleet::id::SkillId, String>,
    ) -> Self {
        let mut settles: HashMap<TaskId, Vec<TaskId>> = HashMap::new();
        for link in &snapshot.programme.task_links {
            settles.entry(link.task).or_default().push(link.other);
        }
        let mut by_engine: HashMap<EngineId, Vec<&DueLine>> = HashMap::new();
        for line in lines {
            by_engine.entry(line.engine).or_default().push(line);
        }
        let skill = |task: &Task| {
            let name = task.skill.and_then(|skill| skills.get(&skill).cloned());
            (task.id, name.unwrap_or_else(|| ANY_HANDS.to_owned()))
        };
        let tasks = || snapshot.programme.tasks.iter();
        Self {
            snapshot,
            tasks: tasks().filter(|task| !task.archived).map(|task| (task.id, task)).collect(),
            skill_of: tasks().map(skill).collect(),
            settles,
            learned: learned(snapshot),
            by_engine,
        }
    }

    /// Engines of a site that are looked after, in the order of their ids.
    pub fn engines(&self, site: SiteId) -> Vec<&'a Engine> {
        let pools = self.snapshot.fleet.pools.iter().filter(|pool| pool.site == site);
        let pools: HashSet<PoolId> = pools.map(|pool| pool.id).collect();
        let engines = self.snapshot.fleet.engines.iter();
        engines
            .filter(|engine| pools.contains(&engine.pool))
            .filter(|it| matches!(it.status, EngineStatus::InService | EngineStatus::LaidUp))
            .collect()
    }

    /// What `engine` needs: `why` says of each due line whether it belongs to the plan, and why.
    /// Findings belong to every plan; what a larger task settles is left to it; then `while_open`
    /// says which other lines are worth pulling forward where their access is paid for already.
    pub fn bundle(
        &self,
        engine: &Engine,
        why: impl Fn(&DueLine) -> Option<Why>,
        while_open: impl Fn(&DueLine) -> bool,
    ) -> Bundle {
        let lines = self.by_engine.get(&engine.id).map_or(&[][..], Vec::as_slice);
        let mut tasks: BTreeMap<TaskId, Bundled> = BTreeMap::new();
        for line in lines {
            if let Some(why) = why(line).filter(|_| self.tasks.contains_key(&line.task)) {
                tasks.insert(line.task, self.bundled(line.task, why, Some(line)));
            }
        }
        let (found, urgent) = self.findings(engine.id);
        for task in found {
            let line = lines.iter().find(|line| line.task == task);
            let wanted = || self.bundled(task, Why::Finding, line.copied());
            let bundled = tasks.entry(task).or_insert_with(wanted);
            bundled.why = bundled.why.min(Why::Finding);
        }
        self.settle(&mut tasks);
        let open: HashSet<AccessGroup> =
            tasks.keys().flat_map(|task| opens(self.tasks[task].access)).copied().collect();
        for line in lines {
            let Some(task) = self.tasks.get(&line.task) else { continue };
            let is_open = task.access != AccessGroup::NothingOff && open.contains(&task.access);
            let is_settled =
                tasks.keys().any(|it| *it == line.task || self.settles(*it, line.task));
            if is_open && !is_settled && while_open(line) {
                tasks.insert(line.task, self.bundled(line.task, Why::WhileOpen, Some(line)));
            }
        }
        self.settle(&mut tasks);
        let holds = self.snapshot.work.holds.iter();
        let held = holds.into_iter().any(|it| it.engine == engine.id && it.cleared_at.is_none());
        let mut tasks: Vec<Bundled> = tasks.into_values().collect();
        tasks.sort_by_key(|task| (task.why, task.due_on, task.task));
        Bundle { engine: engine.id, pool: engine.pool, model: engine.model, tasks, held, urgent }
    }

    /// A task that a person puts into a bundle.
    pub fn added(&self, engine: EngineId, task: TaskId) -> Option<Bundled> {
        let lines = self.by_engine.get(&engine).map_or(&[][..], Vec::as_slice);
        let line = lines.iter().find(|line| line.task == task);
        let known = self.tasks.contains_key(&task);
        known.then(|| self.bundled(task, Why::Added, line.copied()))
    }

    fn bundled(&self, task: TaskId, why: Why, line: Option<&DueLine>) -> Bundled {
        let (minutes, minutes_basis) = self.minutes(task);
        Bundled {
            task,
            why,
            early_on: line.and_then(|line| line.early_on),
            due_on: line.and_then(|line| line.due_on),
            late_on: line.and_then(|line| line.late_on),
            minutes,
            minutes_basis,
            lasts_days: line.and_then(lasts_days),
        }
    }

    /// Leaves out what another task of the bundle settles, unless that one may be put off and this
    /// one may not.
    fn settle(&self, tasks: &mut BTreeMap<TaskId, Bundled>) {
        let whys: Vec<(TaskId, Why)> = tasks.values().map(|task| (task.task, task.why)).collect();
        tasks.retain(|task, bundled| {
            let settles = |(other, why): &(TaskId, Why)| {
                (!why.may_wait() || bundled.why.may_wait()) && self.settles(*other, *task)
            };
            !whys.iter().any(settles)
        });
    }

    /// Those of `tasks` that none of the others settles.
    pub fn without_settled<'b>(&self, tasks: Vec<&'b Bundled>) -> Vec<&'b Bundled> {
        let settled = |task: &&Bundled| tasks.iter().any(|it| self.settles(it.task, task.task));
        tasks.iter().copied().filter(|task| !settled(task)).collect()
    }

    /// Whether doing `one` does `other` too. Of two that settle each other the first made stays.
    fn settles(&self, one: TaskId, other: TaskId) -> bool {
        let does = |one, other| settled_by(one, &self.settles).contains(&other);
        one != other && does(one, other) && !(other < one && does(other, one))
    }

    /// What open findings propose, and whether one of them can't wait.
    fn findings(&self, engine: EngineId) -> (Vec<TaskId>, bool) {
        let mut proposed = Vec::new();
        let mut urgent = false;
        let open =
            self.snapshot.work.findings.iter().filter(|it| it.status != FindingStatus::Closed);
        for finding in open.filter(|finding| finding.engine == engine) {
            urgent |= matches!(finding.urgency, Urgency::Stop | Urgency::ThreeDays);
            let kind = self.snapshot.programme.finding_kinds.iter();
            let kind = kind.into_iter().find(|kind| Some(kind.id) == finding.kind);
            proposed
                .extend(kind.and_then(|kind| kind.task).filter(|it| self.tasks.contains_key(it)));
        }
        (proposed, urgent)
    }

    /// Minutes of a task and where they come from: what was learned from services, unless the site
    /// holds on to its own; else as entered.
    fn minutes(&self, task: TaskId) -> (u32, String) {
        let Some(known) = self.tasks.get(&task) else { return (0, String::new()) };
        let source = known.minutes_source.clone().unwrap_or_else(|| "no source".into());
        let is_fixed = source.trim_start().to_lowercase().starts_with(FIXED);
        match self.learned.get(&task).filter(|_| !is_fixed) {
            Some((minutes, of)) => (*minutes, format!("median of {of} services")),
            None => (known.own_work.0, source),
        }
    }

    /// Parts that a task always takes on a model, and how many.
    pub fn parts(&self, task: TaskId, model: ModelId) -> Vec<(PartId, i64)> {
        let rows = || self.snapshot.programme.task_parts.iter().filter(|row| row.task == task);
        let own = rows().any(|row| row.model == Some(model));
        let wanted = if own { Some(model) } else { None };
        let always = rows().filter(|row| row.model == wanted && row.chance_permille >= 1_000);
        always.map(|row| (row.part, row.quantity)).collect()
    }

    /// Minutes by skill, access and what each visit takes included; and all of them together.
    pub fn minutes_of(&self, tasks: &[&Bundled]) -> (BTreeMap<String, i64>, i64) {
        let mut by_skill: BTreeMap<String, i64> = BTreeMap::new();
        let mut open: HashSet<AccessGroup> = HashSet::new();
        for bundled in tasks {
            let Some(task) = self.tasks.get(&bundled.task) else { continue };
            let mut minutes = i64::from(bundled.minutes);
            for group in opens(task.access) {
                if open.insert(*group) {
                    minutes += access_minutes(*group);
                }
            }
            *by_skill.entry(self.skill_of[&bundled.task].clone()).or_default() += minutes;
        }
        let first = by_skill.keys().next().cloned();
        if let Some(first) = first {
            *by_skill.entry(first).or_default() += i64::from(VISIT_MINUTES);
        }
        let sum = by_skill.values().sum();
        (by_skill, sum)
    }

    /// Parts of tasks together.
    pub fn parts_of(&self, tasks: &[&Bundled], model: ModelId) -> BTreeMap<PartId, i64> {
        let mut parts = BTreeMap::new();
        for task in tasks {
            for (part, quantity) in self.parts(task.task, model) {
                *parts.entry(part).or_default() += quantity;
            }
        }
        parts
    }

    /// Whether a task needs more than the outside of the engine.
    pub fn is_deep(&self, task: TaskId) -> bool {
        let access = self.tasks.get(&task).map(|task| task.access);
        matches!(access, Some(AccessGroup::GearcaseOff | AccessGroup::CarrierOut))
    }

    /// Tasks of every lay-up that have no interval of their own.
    pub fn of_every_lay_up(&self) -> Vec<TaskId> {
        let with_interval: HashSet<TaskId> =
            self.snapshot.programme.intervals.iter().map(|row| row.task).collect();
        let tasks = self.tasks.values().filter(|task| task.occasion == Occasion::LayUp);
        let mut tasks: Vec<TaskId> =
            tasks.map(|task| task.id).filter(|task| !with_interval.contains(task)).collect();
        tasks.sort_unstable();
        tasks
    }

    /// A task of every lay-up.
    pub fn at_lay_up(&self, task: TaskId) -> Bundled {
        self.bundled(task, Why::LayUp, None)
    }
}

/// Access groups that are open once one of them is.
const fn opens(access: AccessGroup) -> &'static [AccessGroup] {
    match access {
        AccessGroup::NothingOff => &[],
        AccessGroup::CowlOff => &[AccessGroup::CowlOff],
        AccessGroup::PropellerOff => &[AccessGroup::PropellerOff],
        AccessGroup::GearcaseOff => &[AccessGroup::GearcaseOff],
        AccessGroup::CarrierOut => {
            &[AccessGroup::PropellerOff, AccessGroup::GearcaseOff, AccessGroup::CarrierOut]
        }
    }
}

/// Minutes to open and close again, on a small outboard (common practice, no source).
const fn access_minutes(access: AccessGroup) -> i64 {
    match access {
        AccessGroup::NothingOff => 0,
        AccessGroup::CowlOff => 3,
        AccessGroup::PropellerOff => 6,
        AccessGroup::GearcaseOff => 25,
        AccessGroup::CarrierOut => 15,
    }
}

/// The minutes of one visit task by task, in order: each with what it opens, the first with what
/// every visit takes. They add up to the visit's. Each task is given as what it needs open and its
/// own minutes.
pub fn minutes_in_order(tasks: &[(AccessGroup, u32)]) -> Vec<u32> {
    let mut open: HashSet<AccessGroup> = HashSet::new();
    let mut before = VISIT_MINUTES;
    let minutes = |(access, own): &(AccessGroup, u32)| {
        let opened = opens(*access).iter().filter(|group| open.insert(**group));
        let opened: i64 = opened.map(|group| access_minutes(*group)).sum();
        std::mem::take(&mut before) + own + u32::try_from(opened).unwrap_or(0)
    };
    tasks.iter().map(minutes).collect()
}

/// Minutes of a task done by itself, what comes off for it included.
pub(crate) fn whole_minutes(task: &Task) -> i64 {
    let access: i64 = opens(task.access).iter().map(|group| access_minutes(*group)).sum();
    access + i64::from(task.own_work.0)
}

/// Days from one service to the next, as far as they are known.
fn lasts_days(line: &DueLine) -> Option<i64> {
    let months = line.repeats.months.map(|months| (f64::from(months) * 30.44) as i64);
    let NextDue::Known(limits) = &line.next else { return months };
    let by_hours = (line.governing == Some(Limb::Hours))
        .then(|| line.due_on.map(|due| (due - limits.counts_from).num_days()))
        .flatten();
    by_hours.into_iter().chain(months).min().map(|days| days.max(14))
}

/// The median time of each task that was done often enough, and how often.
fn learned(snapshot: &Snapshot) -> HashMap<TaskId, (u32, usize)> {
    let mut spent: HashMap<TaskId, Vec<u32>> = HashMap::new();
    for service in &snapshot.work.services {
        if let Some(minutes) = service.spent.filter(|minutes| minutes.0 > 0) {
            spent.entry(service.task).or_default().push(minutes.0);
        }
    }
    spent.retain(|_, times| times.len() >= TIMES_TO_LEARN);
    let median = |(task, mut times): (TaskId, Vec<u32>)| {
        times.sort_unstable();
        (task, (times[times.len() / 2], times.len()))
    };
    spent.into_iter().map(median).collect()
}
