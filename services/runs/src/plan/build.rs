//! From bundles to an instance: what both plans have in common.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use chrono::NaiveDate;
use fleet::bench::JobStatus;
use fleet::id::{EngineId, JobId, PartId, PlanId, PoolId, SiteId, SkillId, TaskId};
use fleet::site::{PriceKind, Site};
use fleet::visit::{Plan, PlanKind, PlanStatus, Visit};
use planning::{Hinge, Instance, Mode};
use store::snapshot::Snapshot;

use crate::due::DueLine;
use crate::error::RunError;
use crate::lives::risks::Risks;
use crate::plan::account::said;
use crate::plan::bundle::{Bundle, Bundled, Why, Work};
use crate::plan::calendar::Calendars;
use crate::plan::capacity::{
    BEFORE_HIRE, BENCH, Busy, Hands, Horizon, bays, kits, open_days, planned_jobs,
};
use crate::plan::names::distinct;
use crate::plan::parameters::{PartsCounted, PlanParameters};
use crate::plan::prices::{Price, Prices};
use crate::plan::problem::{Asked, ModeTasks, Problem, weeks};
use crate::plan::wanted::pools;

/// Minutes of one engine's work that fit a day; longer stays take several (common practice, no
/// source: a productive day of one mechanic, with something left for what is found).
const STAY_MINUTES: i64 = 300;
/// A visit that moves against the published plan: a card, a call, a promise broken; hundredths of a
/// unit of money (common practice, no source).
const MOVE_HUNDREDTHS: i64 = 1_500;

/// What a plan is made from.
#[derive(Clone, Copy)]
pub struct Source<'a> {
    pub snapshot: &'a Snapshot,
    pub lines: &'a [DueLine],
    /// What may fail before it is done.
    pub risks: &'a Risks<'a>,
    pub site: &'a Site,
    pub today: NaiveDate,
    pub parameters: &'a PlanParameters,
}

/// A site's plan in the making.
pub struct Builder<'a> {
    pub source: Source<'a>,
    pub horizon: Horizon,
    pub prices: Prices,
    pub work: Work<'a>,
    names: Names,
    calendars: Calendars<'a>,
    /// Days in the plan that holds, and days that are locked, by engine.
    published: HashMap<EngineId, NaiveDate>,
    locked: HashMap<EngineId, NaiveDate>,
    /// Work that agreed jobs hold which are not this plan's.
    held: HashSet<(EngineId, TaskId)>,
    held_aside: usize,
    pub notes: Vec<String>,
}

/// The names by which the instance knows things.
struct Names {
    skills: HashMap<SkillId, String>,
    parts: HashMap<PartId, String>,
    pools: HashMap<PoolId, String>,
    engines: HashMap<EngineId, String>,
}

/// A visit in the making.
pub struct Sketch {
    pub bundle: Bundle,
    pub ways: Vec<Way>,
    pub hinges: Vec<Hinge>,
    pub release: i64,
    pub deadline: Option<i64>,
    pub unplanned_cost: i64,
}

/// One way to do a visit.
pub struct Way {
    pub id: &'static str,
    pub leaves: Leaves,
    pub cost: i64,
    pub out: bool,
    /// Where it is done, where that is not the bench.
    pub place: Option<&'static str>,
}

/// Which of a bundle's tasks a way leaves for later.
pub enum Leaves {
    Nothing,
    WhatMayWait,
    /// These, and what may wait where so asked.
    Tasks {
        tasks: HashSet<TaskId>,
        and_what_may_wait: bool,
    },
}

impl Leaves {
    pub fn has(&self, task: &Bundled) -> bool {
        match self {
            Self::Nothing => false,
            Self::WhatMayWait => task.why.may_wait(),
            Self::Tasks { tasks, and_what_may_wait } => {
                tasks.contains(&task.task) || (*and_what_may_wait && task.why.may_wait())
            }
        }
    }
}

impl<'a> Builder<'a> {
    /// # Errors
    /// The plan named by `from` is of another site or kind; prices in two currencies.
    pub fn new(source: Source<'a>, horizon: Horizon) -> Result<Self, RunError> {
        let Source { snapshot, lines, site, parameters, .. } = source;
        let names = Names::of(snapshot);
        let plans = &snapshot.work.plans;
        let is_same = |plan: &&Plan| plan.site == site.id && plan.kind == parameters.plan;
        let holds = plans.iter().filter(is_same).find(|it| it.status == PlanStatus::Published);
        let from = match parameters.from {
            None => holds,
            Some(id) => {
                Some(plans.iter().filter(is_same).find(|it| it.id == id).ok_or_else(|| {
                    RunError::Refused {
                        rule: "plan-of-another-site",
                        what: "from: there is no such plan of this site and kind".into(),
                    }
                })?)
            }
        };
        let days = |plan: Option<PlanId>, keep: fn(&Visit) -> bool| -> HashMap<_, _> {
            let visits = snapshot.work.visits.iter().filter(|visit| Some(visit.plan) == plan);
            let visits = visits.filter(|visit| keep(visit));
            visits.filter_map(|visit| Some((visit.engine, visit.starts_on?))).collect()
        };
        Ok(Self {
            horizon,
            prices: Prices::of(snapshot, site.id)?,
            work: Work::read(snapshot, lines, &names.skills),
            calendars: Calendars::read(snapshot),
            published: days(holds.map(|plan| plan.id), |_| true),
            locked: days(from.map(|plan| plan.id), |visit| visit.locked),
            held: held_by_jobs(snapshot, (site.id, parameters.plan)),
            held_aside: 0,
            names,
            source,
            notes: Vec::new(),
        })
    }

    /// Engines of the site that no job has on the bench already.
    pub fn engines(&mut self) -> Vec<&'a fleet::engine::Engine> {
        let on_bench = |status| matches!(status, JobStatus::OnBench | JobStatus::OnTest);
        let jobs = self.source.snapshot.work.jobs.iter().filter(|job| on_bench(job.status));
        let busy: HashSet<EngineId> = jobs.map(|job| job.engine).collect();
        let mut engines = self.work.engines(self.source.site.id);
        let before = engines.len();
        engines.retain(|engine| !busy.contains(&engine.id));
        if engines.len() < before {
            let count = before - engines.len();
            self.notes.push(format!("{count} on the bench already, so not planned again."));
        }
        engines
    }

    /// Leaves out what other jobs hold; strikes and adds what people asked for.
    pub fn by_hand(&mut self, bundle: &mut Bundle) {
        let parameters = self.source.parameters;
        let means = |one: Option<EngineId>| one.is_none_or(|one| one == bundle.engine);
        let struck: HashSet<_> =
            parameters.strike.iter().filter(|it| means(it.engine)).map(|it| it.task).collect();
        let added: Vec<_> =
            parameters.add.iter().filter(|it| means(it.engine)).map(|it| it.task).collect();
        bundle.tasks.retain(|task| !struck.contains(&task.task));
        let before = bundle.tasks.len();
        bundle.tasks.retain(|task| !self.held.contains(&(bundle.engine, task.task)));
        self.held_aside += before - bundle.tasks.len();
        for task in added {
            if bundle.tasks.iter().all(|known| known.task != task) {
                bundle.tasks.extend(self.work.added(bundle.engine, task));
            }
        }
    }

    /// Parts of which the bundles need more than is there, comes, or can be ordered by a day of the
    /// plan.
    pub fn scarce(&self, bundles: &[Bundle], by: i64) -> HashSet<PartId> {
        let mut needed: BTreeMap<PartId, i64> = BTreeMap::new();
        for bundle in bundles {
            let tasks = self.work.without_settled(bundle.tasks.iter().collect());
            for (part, pieces) in self.work.parts_of(&tasks, bundle.model) {
                *needed.entry(part).or_default() += pieces;
            }
        }
        let kits = self.kits(&needed);
        let comes = |kit: &planning::Kit| -> i64 {
            let in_time = kit.receipts.iter().filter(|receipt| receipt.day <= by);
            in_time.map(|receipt| receipt.quantity).sum()
        };
        let short = needed.iter().zip(&kits).filter(|((_, pieces), kit)| comes(kit) < **pieces);
        short.map(|((part, _), _)| *part).collect()
    }

    /// When the parts needed can be taken, in their order.
    fn kits(&self, needed: &BTreeMap<PartId, i64>) -> Vec<planning::Kit> {
        let Source { snapshot, site, parameters, today, .. } = self.source;
        let of_kind = (site.id, parameters.plan);
        let may_order = parameters.parts == PartsCounted::IfOrderedToday;
        kits(snapshot, (of_kind, self.horizon, today), needed, &self.names.parts, may_order)
    }

    /// What one service of these tasks is worth: parts and bench time.
    pub fn worth(&self, tasks: &[&Bundled], bundle: &Bundle) -> i64 {
        let terms = &self.source.snapshot.stores.terms;
        let parts = self.work.parts_of(tasks, bundle.model);
        let money = parts.into_iter().map(|(part, pieces)| {
            let price = terms.iter().find(|term| term.part == part);
            price.map_or(0, |it| it.price.minor * pieces / it.price_units.max(1))
        });
        let minutes: i64 = tasks.iter().map(|task| i64::from(task.minutes)).sum();
        money.sum::<i64>() + self.prices.bench(minutes)
    }

    /// Writes the problem down.
    ///
    /// # Errors
    /// Nobody of the site can do the work; it has no place to do it in.
    pub fn finish(mut self, name: String, sketches: Vec<Sketch>) -> Result<Problem, RunError> {
        let Source { snapshot, site, parameters, .. } = self.source;
        let (horizon, skill_of) = (self.horizon, &self.work.skill_of);
        let tasks = sketches.iter().flat_map(|sketch| &sketch.bundle.tasks);
        let wanted: BTreeSet<String> = tasks.map(|it| skill_of[&it.task].clone()).collect();
        let of_kind = (site.id, parameters.plan);
        let busy = Busy::of(snapshot, of_kind, horizon, skill_of);
        let skills = &self.names.skills;
        let at = (site.id, horizon);
        let hands = Hands::of(snapshot, &self.calendars, skills, at, &wanted);
        let open = open_days(&self.calendars, site.id, horizon);
        let skills = hands.skills(&wanted, &open, horizon, (&busy, &self.prices));
        let mut bays = bays(snapshot, site.id, horizon, &busy);
        let bay = bay_kind(site, &bays)?;
        let before_hire = |way: &Way| way.place == Some(BEFORE_HIRE);
        if sketches.iter().flat_map(|sketch| &sketch.ways).any(before_hire)
            && bays.iter().all(|bay| bay.id != BEFORE_HIRE)
        {
            bays.push(hands.mornings(&open, horizon));
        }
        for skill in skills.iter().filter(|skill| skill.day_minutes.iter().all(|it| *it == 0)) {
            if skills.len() == 1 {
                return Err(RunError::Refused {
                    rule: "hands-missing",
                    what: format!(
                        "nobody of {} has the skill \"{}\" on any day of the plan: enter people, \
                         their skills and calendars on Yard",
                        site.name, skill.id
                    ),
                });
            }
            self.notes.push(format!("Nobody of the site has the skill \"{}\".", skill.id));
        }
        let cap = skills.iter().filter_map(|skill| skill.day_minutes.iter().max()).copied().min();
        let stay = cap.unwrap_or(STAY_MINUTES).clamp(30, STAY_MINUTES);
        let mut needed: BTreeMap<PartId, i64> = BTreeMap::new();
        let mut visits = Vec::new();
        let mut asked = Vec::new();
        for sketch in &sketches {
            let (visit, about) = self.visit(sketch, &bay, stay, &mut needed);
            visits.push(visit);
            asked.push(about);
        }
        let instance = Instance {
            name: name.clone(),
            days: horizon.days,
            open,
            weeks: weeks(horizon.first, horizon.days),
            skills,
            bays,
            kits: self.kits(&needed),
            pools: pools(snapshot, site.id, horizon, &self.names.pools, &self.prices),
            visits,
        };
        self.note_prices();
        if self.held_aside > 0 {
            let tasks = self.held_aside;
            self.notes.push(format!("{tasks} tasks stand on other jobs, so not planned again."));
        }
        Ok(Problem {
            site: site.id,
            kind: parameters.plan,
            name,
            currency: self.prices.currency,
            first: horizon.first,
            made_on: Some(self.source.today),
            instance,
            visits: asked,
            prices: self.prices.shown,
            notes: self.notes,
        })
    }

    fn visit(
        &self,
        sketch: &Sketch,
        bay: &str,
        stay: i64,
        needed: &mut BTreeMap<PartId, i64>,
    ) -> (planning::Visit, Asked) {
        let bundle = &sketch.bundle;
        let id = self.names.engines.get(&bundle.engine).cloned().unwrap_or_default();
        let mut modes = Vec::new();
        let mut shown = Vec::new();
        let mut most: BTreeMap<PartId, i64> = BTreeMap::new();
        for way in &sketch.ways {
            let tasks = bundle.tasks.iter().filter(|task| !way.leaves.has(task)).collect();
            let tasks = self.work.without_settled(tasks);
            let (by_skill, minutes) = self.work.minutes_of(&tasks);
            let length = (minutes + stay - 1).div_euclid(stay).max(1) as usize;
            let parts = self.work.parts_of(&tasks, bundle.model);
            for (part, pieces) in &parts {
                let known = most.entry(*part).or_default();
                *known = (*known).max(*pieces);
            }
            let named = |(part, pieces): (PartId, i64)| (self.names.parts[&part].clone(), pieces);
            modes.push(Mode {
                id: way.id.to_owned(),
                minutes: by_skill.into_iter().map(|it| (it.0, spread(it.1, length))).collect(),
                bay: way.place.unwrap_or(bay).to_owned(),
                length,
                kits: parts.into_iter().map(named).collect(),
                cost: way.cost,
                out: way.out,
            });
            shown.push(ModeTasks {
                id: way.id.to_owned(),
                tasks: tasks.iter().map(|task| task.task).collect(),
                minutes: u32::try_from(minutes).unwrap_or(u32::MAX),
            });
        }
        for (part, pieces) in most {
            *needed.entry(part).or_default() += pieces;
        }
        let (published_day, locked) = self.stands(bundle.engine);
        let digits = self.prices.currency.digits();
        let visit = planning::Visit {
            id: id.clone(),
            engine: id.clone(),
            pool: self.names.pools.get(&bundle.pool).cloned().unwrap_or_default(),
            release: sketch.release,
            deadline: sketch.deadline,
            modes,
            hinges: sketch.hinges.clone(),
            unplanned_cost: sketch.unplanned_cost,
            published_day,
            move_cost: MOVE_HUNDREDTHS * 10_i64.pow(digits) / 100,
            locked,
            after: Vec::new(),
        };
        let why = self.why(bundle);
        let (engine, bundle) = (bundle.engine, bundle.tasks.clone());
        (visit, Asked { id, engine, bundle, modes: shown, why })
    }

    /// Where an engine stands in the plan that holds, and whether it is locked there.
    fn stands(&self, engine: EngineId) -> (Option<i64>, bool) {
        let open = |date: &&NaiveDate| {
            self.horizon.day(**date).is_some()
                && self.calendars.is_open(self.source.site.id, **date)
        };
        let day = |date: &NaiveDate| self.horizon.day(*date).map(|day| day as i64);
        if let Some(locked) = self.locked.get(&engine).filter(open) {
            return (day(locked), true);
        }
        (self.published.get(&engine).filter(open).and_then(day), false)
    }

    fn why(&self, bundle: &Bundle) -> String {
        let name = |task: &Bundled| {
            let name = self.work.tasks.get(&task.task).map_or("", |known| known.name.as_str());
            let due = task.due_on.map(|on| format!(" {}", said(on))).unwrap_or_default();
            match task.why {
                Why::Hours | Why::Calendar => format!("{name}: {}{due}", task.why.words()),
                why => format!("{name}: {}", why.words()),
            }
        };
        let hold = bundle.held.then(|| "on hold, so its boat waits for it".to_owned());
        let mut reasons: Vec<String> =
            hold.into_iter().chain(bundle.tasks.iter().take(2).map(name)).collect();
        if bundle.tasks.len() > 2 {
            reasons.push(format!("{} more", bundle.tasks.len() - 2));
        }
        reasons.join("; ")
    }

    fn note_prices(&mut self) {
        let shipped = self.prices.shown.iter().filter(|price| !price.own).count();
        if shipped > 0 {
            self.notes.push(format!(
                "{shipped} of {} prices are those shipped with the program; set the site's own.",
                self.prices.shown.len()
            ));
        }
    }

    /// What a day costs by which a due service is late.
    pub fn day_late(&self) -> i64 {
        self.prices.get(PriceKind::DayLate)
    }

    pub fn prices_shown(&self) -> &[Price] {
        &self.prices.shown
    }

    pub const fn kind(&self) -> PlanKind {
        self.source.parameters.plan
    }
}

impl Names {
    fn of(snapshot: &Snapshot) -> Self {
        let engines = snapshot.fleet.engines.iter();
        Self {
            skills: distinct(snapshot.yard.skills.iter().map(|it| (it.id, it.name.clone()))),
            parts: distinct(snapshot.stores.parts.iter().map(|it| (it.id, it.number.clone()))),
            pools: distinct(snapshot.fleet.pools.iter().map(|it| (it.id, it.name.clone()))),
            engines: distinct(engines.map(|it| (it.id, it.serial.clone()))),
        }
    }
}

/// Work of engines that agreed jobs hold which came of no plan of this kind: it has its day.
fn held_by_jobs(snapshot: &Snapshot, of_kind: (SiteId, PlanKind)) -> HashSet<(EngineId, TaskId)> {
    let own = planned_jobs(snapshot, of_kind);
    let agreed = |status: JobStatus| status.reserves_parts() || status == JobStatus::StoodOver;
    let others = snapshot.work.jobs.iter().filter(|job| agreed(job.status));
    let others: HashMap<JobId, EngineId> =
        others.filter(|job| !own.contains(&job.id)).map(|job| (job.id, job.engine)).collect();
    let tasks = snapshot.work.job_tasks.iter().filter(|task| task.outcome.is_none());
    tasks.filter_map(|task| Some((*others.get(&task.job)?, task.task))).collect()
}

/// The bench where there is one, else what there is.
fn bay_kind(site: &Site, bays: &[planning::Bay]) -> Result<String, RunError> {
    let bench = bays.iter().find(|bay| bay.id == BENCH).or(bays.first());
    bench.map(|bay| bay.id.clone()).ok_or_else(|| RunError::Refused {
        rule: "bays-missing",
        what: format!(
            "{} has no bay: enter a bench on Yard, or nothing can be planned there",
            site.name
        ),
    })
}

/// Whole minutes over the days of a stay.
fn spread(minutes: i64, days: usize) -> Vec<i64> {
    let days = days as i64;
    (0..days).map(|day| minutes * (day + 1) / days - minutes * day / days).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn minutes_spread_over_a_stay_add_up_again() {
        for (minutes, days) in [(0, 1), (301, 2), (1_000, 3), (7, 4)] {
            assert_eq!(spread(minutes, days).iter().sum::<i64>(), minutes);
        }
    }
}
