//! A schedule as rows: a draft plan with its visits, each on a bay and with a person where one is
//! free.

use std::collections::{BTreeSet, HashMap};

use chrono::{DateTime, NaiveDate, Utc};
use fleet::hours::Minutes;
use fleet::id::{BayId, PersonId, PlanId, RunId, VisitId, VisitTaskId};
use fleet::visit::{Plan, PlanStatus, Visit, VisitTask};
use store::snapshot::Snapshot;

use crate::plan::calendar::Calendars;
use crate::plan::capacity::{Hands, Horizon, is_closed};
use crate::plan::lay_up::LACKING;
use crate::plan::names::distinct;
use crate::plan::problem::{Asked, ModeTasks, Problem};

/// A draft to be kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Draft {
    pub plan: Plan,
    pub visits: Vec<Visit>,
    pub tasks: Vec<VisitTask>,
}

/// Where a draft comes from.
pub struct Origin {
    pub run: RunId,
    pub based_on: Option<PlanId>,
    pub name: String,
    pub at: DateTime<Utc>,
}

/// Writes `schedule` down as a draft. `reasons` says in a sentence why a visit is left out.
pub fn draft(
    snapshot: &Snapshot,
    problem: &Problem,
    schedule: &planning::Plan,
    origin: Origin,
    reasons: &HashMap<String, String>,
) -> Draft {
    let plan = Plan {
        id: PlanId::fresh(),
        version: 1,
        site: problem.site,
        kind: problem.kind,
        name: origin.name,
        status: PlanStatus::Draft,
        run: Some(origin.run),
        based_on: origin.based_on,
        created_at: origin.at,
        published_at: None,
        published_by: None,
    };
    let mut free = Free::of(snapshot, problem);
    let mut planned: Vec<&planning::PlannedVisit> = schedule.visits.iter().collect();
    planned.sort_by_key(|planned| (planned.day, planned.visit.as_str()));
    let (mut visits, mut tasks) = (Vec::new(), Vec::new());
    for planned in planned {
        let Some(asked) = problem.asked(&planned.visit) else { continue };
        let (visit, done) = free.visit(problem, asked, planned, plan.id);
        visits.push(visit);
        tasks.extend(done);
    }
    for left_out in &schedule.unplanned {
        let Some(asked) = problem.asked(&left_out.visit) else { continue };
        let reason = reasons.get(&left_out.visit).cloned();
        let whole = asked.modes.first();
        let id = VisitId::fresh();
        let done = whole.into_iter().flat_map(|mode| &mode.tasks);
        let task = |task: &_| VisitTask { id: VisitTaskId::fresh(), visit: id, task: *task };
        tasks.extend(done.map(task));
        visits.push(Visit {
            id,
            version: 1,
            plan: plan.id,
            engine: asked.engine,
            bay: None,
            person: None,
            starts_on: None,
            ends_on: None,
            bench: Minutes(whole.map_or(0, |mode| mode.minutes)),
            boat_out: true,
            locked: false,
            reason: Some(reason.unwrap_or_else(|| left_out.reason.clone())),
            job: None,
            mode: None,
        });
    }
    Draft { plan, visits, tasks }
}

/// Bays and people as the visits take them, in the order of days.
pub struct Free<'a> {
    snapshot: &'a Snapshot,
    horizon: Horizon,
    hands: Hands<'a>,
    taken: BTreeSet<(BayId, i64)>,
}

impl<'a> Free<'a> {
    pub fn of(snapshot: &'a Snapshot, problem: &Problem) -> Self {
        let horizon = Horizon { first: problem.first, days: problem.instance.days };
        let skills = distinct(snapshot.yard.skills.iter().map(|it| (it.id, it.name.clone())));
        let wanted = problem.instance.skills.iter().map(|skill| skill.id.clone()).collect();
        let calendars = Calendars::read(snapshot);
        let hands = Hands::of(snapshot, &calendars, &skills, (problem.site, horizon), &wanted);
        Self { snapshot, horizon, hands, taken: BTreeSet::new() }
    }

    fn visit(
        &mut self,
        problem: &Problem,
        asked: &Asked,
        planned: &planning::PlannedVisit,
        plan: PlanId,
    ) -> (Visit, Vec<VisitTask>) {
        let instance = &problem.instance;
        let visit = instance.visits.iter().find(|it| it.id == planned.visit);
        let mode = visit.and_then(|it| it.modes.iter().find(|mode| mode.id == planned.mode));
        let ways = asked.modes.iter().find(|mode| mode.id == planned.mode);
        let last = problem.last_day(&planned.visit, &planned.mode, planned.day);
        let (first, last) = (planned.day, last.unwrap_or(planned.day));
        let id = VisitId::fresh();
        let row = Visit {
            id,
            version: 1,
            plan,
            engine: asked.engine,
            bay: mode.and_then(|mode| self.bay(problem, &mode.bay, (first, last))),
            person: mode.and_then(|mode| self.person(mode, first)),
            starts_on: Some(problem.date(first)),
            ends_on: Some(problem.date(last)),
            bench: Minutes(ways.map_or(0, |ways| ways.minutes)),
            boat_out: mode.is_none_or(|mode| mode.out),
            locked: visit.is_some_and(|visit| visit.locked),
            reason: Some(self.reason(asked, ways)),
            job: None,
            mode: Some(planned.mode.clone()),
        };
        let tasks = ways.into_iter().flat_map(|ways| &ways.tasks);
        let task = |task: &_| VisitTask { id: VisitTaskId::fresh(), visit: id, task: *task };
        (row, tasks.map(task).collect())
    }

    /// Why the engine comes, and what of its work this visit leaves for later.
    fn reason(&self, asked: &Asked, way: Option<&ModeTasks>) -> String {
        let done = way.map_or(&[][..], |way| &way.tasks);
        let whole = asked.modes.first().map_or(&[][..], |whole| &whole.tasks);
        let tasks = self.snapshot.programme.tasks.iter();
        let left = tasks.filter(|task| whole.contains(&task.id) && !done.contains(&task.id));
        let left: Vec<&str> = left.map(|task| task.name.as_str()).collect();
        if left.is_empty() {
            return asked.why.clone();
        }
        let lacks = way.is_some_and(|way| LACKING.contains(&way.id.as_str()));
        let why = if lacks { "left for later, since parts are lacking" } else { "left for later" };
        format!("{}; {why}: {}", asked.why, left.join(", "))
    }

    /// A bay of the kind that is free on all days of the stay.
    pub fn bay(&mut self, problem: &Problem, kind: &str, stay: (i64, i64)) -> Option<BayId> {
        let bays = self.snapshot.yard.bays.iter();
        let fits = |bay: BayId| {
            (stay.0..=stay.1).all(|day| {
                let date: NaiveDate = problem.date(day);
                !self.taken.contains(&(bay, day)) && !is_closed(self.snapshot, bay, date)
            })
        };
        let mut of_kind =
            bays.filter(|bay| bay.site == problem.site && bay.kind == kind && !bay.archived);
        let bay = of_kind.find(|bay| fits(bay.id))?.id;
        self.taken.extend((stay.0..=stay.1).map(|day| (bay, day)));
        Some(bay)
    }

    /// Whoever has most of the first day left and the skill that most of the work asks for.
    pub fn person(&mut self, mode: &planning::Mode, day: i64) -> Option<PersonId> {
        let (skill, minutes) = mode.minutes.iter().max_by_key(|(_, days)| days.first())?;
        let minutes = minutes.first().copied().unwrap_or(0);
        let day = usize::try_from(day).ok().filter(|day| *day < self.horizon.days)?;
        let able =
            (0..self.hands.people.len()).filter(|at| self.hands.people[*at].1.contains(skill));
        let at = able.max_by_key(|at| (self.hands.minutes[*at][day], usize::MAX - at))?;
        let left = &mut self.hands.minutes[at][day];
        if *left <= 0 {
            return None;
        }
        *left -= minutes;
        Some(self.hands.people[at].0.id)
    }
}
