//! A plan as it stands: its rows against the problem that its run kept. Moved by hand, locked,
//! published, compared.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use chrono::NaiveDate;
use fleet::hours::Minutes;
use fleet::id::{
    BayId, EngineId, OrganisationId, PersonId, PlanId, SiteId, TaskId, VisitId, VisitTaskId,
};
use fleet::person::Bay;
use fleet::programme::{AccessGroup, Task};
use fleet::visit::{Plan, PlanStatus, Visit, VisitTask};
use planning::{CostParts, PlannedVisit, UnplannedVisit, compare, evaluate, moves_of};
use serde::{Deserialize, Serialize};
use store::jobs::{PlanJobs, VisitWork};
use store::record::Author;
use store::{Connection, Store, StoreError, Transaction, jobs, plans, record, runs, sites};

use crate::error::RunError;
use crate::plan::account::{
    Account, DatedDifference, LeftOut, PlanRunSummary, Reworked, dated, left_out, said,
};
use crate::plan::bundle::minutes_in_order;
use crate::plan::problem::Problem;

/// The file of a run that holds a site's problem.
pub fn problem_file(site: SiteId) -> String {
    format!("problem-{site}.json")
}

/// A plan, its visits, and what they cost together.
#[derive(Clone, Debug)]
pub struct Standing {
    pub plan: Plan,
    pub problem: Problem,
    pub visits: Vec<Visit>,
    pub schedule: planning::Plan,
    /// As its run accounted for it, before anything was moved.
    pub account: Option<Account>,
}

/// Somewhere that a visit might stand, with all else as it stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DatedOpening {
    pub on: NaiveDate,
    pub last_on: NaiveDate,
    pub mode: String,
    /// Minor units by which the whole plan changes.
    pub change: i64,
    pub parts: PartsOfCost,
    /// What stands in the way; empty where it may move here.
    pub blocked_by: Vec<String>,
}

/// What a visit's cost is made of, minor units.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PartsOfCost {
    pub mode: i64,
    /// Lateness, risk and life thrown away.
    pub start_day: i64,
    pub hire_lost: i64,
    /// For not standing where the plan that holds has it.
    pub moved: i64,
    pub overtime: i64,
    pub boats_short: i64,
}

/// Where a visit stands and where else it might.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DatedMoves {
    pub visit: VisitId,
    /// `None` where it is left out.
    pub now: Option<DatedOpening>,
    /// Minor units by which the plan changes without it; `None` where it is locked.
    pub leaving_out: Option<i64>,
    pub openings: Vec<DatedOpening>,
}

/// Reads a plan with what its run kept of it.
///
/// # Errors
/// No such plan; `plan-without-problem` where it did not come of a run.
pub async fn read(
    connection: &Connection,
    organisation: OrganisationId,
    plan: PlanId,
) -> Result<Standing, RunError> {
    let plan: Plan = record::get(connection, organisation, plan).await?;
    let missing = || RunError::Refused {
        rule: "plan-without-problem",
        what: "this plan did not come of a run, so what a move would cost can't be told".into(),
    };
    let run = plan.run.ok_or_else(missing)?;
    let file = runs::file(connection, organisation, run, &problem_file(plan.site)).await;
    let file = match file {
        Err(StoreError::Missing { .. }) => return Err(missing()),
        file => file?,
    };
    let problem: Problem = serde_json::from_slice(&file.content)
        .map_err(|cause| RunError::Stopped(format!("the run's problem can't be read: {cause}")))?;
    let summary = runs::get(connection, organisation, run).await?.summary;
    let summary: Option<PlanRunSummary> =
        summary.and_then(|summary| serde_json::from_value(summary).ok());
    let account =
        summary.and_then(|summary| summary.plans.into_iter().find(|it| it.site == plan.site));
    let visits = plans::visits(connection, organisation, plan.id).await?;
    Standing::of(plan, problem, visits, account)
}

impl Standing {
    /// # Errors
    /// The rows stand otherwise than the problem allows.
    pub fn of(
        plan: Plan,
        problem: Problem,
        visits: Vec<Visit>,
        account: Option<Account>,
    ) -> Result<Self, RunError> {
        let schedule = schedule(&problem, &visits, account.as_ref())?;
        Ok(Self { plan, problem, visits, schedule, account })
    }

    pub fn visit(&self, id: VisitId) -> Result<&Visit, RunError> {
        let visit = self.visits.iter().find(|visit| visit.id == id);
        visit.ok_or(RunError::Store(StoreError::Missing { noun: "visit" }))
    }

    /// Its problem with this plan as the one that holds: a visit that moves pays for its churn, what
    /// is locked stays.
    ///
    /// # Errors
    /// It stands otherwise than the problem allows.
    pub fn as_it_holds(&self) -> Result<(Problem, planning::Plan), RunError> {
        let mut problem = self.problem.clone();
        let locked: HashSet<EngineId> =
            self.visits.iter().filter(|visit| visit.locked).map(|visit| visit.engine).collect();
        let stands: HashMap<&str, i64> = self
            .schedule
            .visits
            .iter()
            .map(|planned| (planned.visit.as_str(), planned.day))
            .collect();
        for (visit, asked) in problem.instance.visits.iter_mut().zip(&problem.visits) {
            visit.published_day = stands.get(visit.id.as_str()).copied();
            visit.locked = visit.published_day.is_some() && locked.contains(&asked.engine);
        }
        let mut schedule = self.schedule.clone();
        // What it paid for moving against an earlier plan is paid once it holds.
        schedule.objective = evaluate(&problem.instance, &schedule).map_err(refused)?.objective;
        Ok((problem, schedule))
    }

    /// Visits left out as it stands, with the ways to have each done.
    pub fn left_out(&self) -> Vec<LeftOut> {
        left_out(&self.problem, &self.schedule)
    }

    /// Everywhere that a visit might stand, with the exact cost of moving it alone.
    ///
    /// # Errors
    /// It is not in the plan.
    pub fn moves(&self, id: VisitId) -> Result<DatedMoves, RunError> {
        let name = self.name_of(self.visit(id)?)?;
        let moves = moves_of(&self.problem.instance, &self.schedule, name).map_err(refused)?;
        let opening = |it: planning::Opening| self.dated(it);
        Ok(DatedMoves {
            visit: id,
            now: moves.now.map(opening),
            leaving_out: moves.leaving_out,
            openings: moves.openings.into_iter().map(opening).collect(),
        })
    }

    /// What this plan has otherwise than `before`.
    pub fn difference(&self, before: &Self) -> DatedDifference {
        let mut shifted = before.schedule.clone();
        // Two runs count their days from days of their own.
        let offset = self.problem.day(before.problem.first);
        shifted.visits.iter_mut().for_each(|planned| planned.day += offset);
        let difference = compare(&shifted, &self.schedule);
        let dated = dated(&self.problem, Some(before.plan.id), difference);
        DatedDifference { reworked: reworked(before.work(), self.work()), ..dated }
    }

    /// What each planned visit does, by the way in which it is done.
    fn work(&self) -> Work<'_> {
        let of = |planned: &'_ PlannedVisit| {
            let asked = self.problem.asked(&planned.visit)?;
            let mode = asked.modes.iter().find(|mode| mode.id == planned.mode)?;
            Some((asked.id.as_str(), mode.tasks.iter().copied().collect()))
        };
        self.schedule.visits.iter().filter_map(of).collect()
    }

    fn name_of(&self, visit: &Visit) -> Result<&str, RunError> {
        let asked = self.problem.of_engine(visit.engine);
        let missing = RunError::Store(StoreError::Missing { noun: "visit" });
        asked.map(|asked| asked.id.as_str()).ok_or(missing)
    }

    fn dated(&self, opening: planning::Opening) -> DatedOpening {
        let CostParts { mode, start_day, hire_lost, moved, overtime, shortfall } = opening.parts;
        DatedOpening {
            on: self.problem.date(opening.day),
            last_on: self.problem.date(opening.last_day),
            mode: opening.mode,
            change: opening.change,
            parts: PartsOfCost {
                mode,
                start_day,
                hire_lost,
                moved,
                overtime,
                boats_short: shortfall,
            },
            blocked_by: opening.blocked_by,
        }
    }
}

/// What visits do, by visit.
type Work<'a> = BTreeMap<&'a str, BTreeSet<TaskId>>;

/// Visits of both plans that do not do the same.
fn reworked(before: Work<'_>, now: Work<'_>) -> Vec<Reworked> {
    let changed = now.into_iter().filter_map(|(visit, now)| {
        let was = before.get(visit).filter(|was| **was != now)?;
        Some(Reworked {
            visit: visit.to_owned(),
            added: now.difference(was).copied().collect(),
            dropped: was.difference(&now).copied().collect(),
        })
    });
    changed.collect()
}

fn refused(error: planning::PlanError) -> RunError {
    RunError::Refused { rule: error.rule(), what: error.to_string() }
}

/// The schedule that the rows are.
fn schedule(
    problem: &Problem,
    visits: &[Visit],
    account: Option<&Account>,
) -> Result<planning::Plan, RunError> {
    let mut plan = planning::Plan::default();
    let rows: HashMap<_, &Visit> = visits.iter().map(|visit| (visit.engine, visit)).collect();
    for asked in &problem.visits {
        let row = rows.get(&asked.engine);
        match row.and_then(|row| row.starts_on.zip(row.mode.clone())) {
            Some((on, mode)) => {
                let day = problem.day(on);
                plan.visits.push(PlannedVisit { visit: asked.id.clone(), mode, day });
            }
            None => {
                let known = account.and_then(|account| {
                    account.left_out.iter().find(|it| it.engine == asked.engine)
                });
                let reason = known.map_or("cost", |known| &known.reason).to_owned();
                plan.unplanned.push(UnplannedVisit { visit: asked.id.clone(), reason });
            }
        }
    }
    let counted = evaluate(&problem.instance, &plan).map_err(refused)?;
    plan.objective = counted.objective;
    plan.overtime = counted.overtime;
    plan.shortfalls = counted.shortfalls;
    if let Some(bound) = account.and_then(|account| account.bound) {
        plan.set_bound(bound.min(plan.objective));
    }
    Ok(plan)
}

/// Where a visit is to go.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Destination {
    /// `None`: left out.
    pub on: Option<NaiveDate>,
    /// The mode that costs least there where none is given.
    pub mode: Option<String>,
}

/// Moves a visit of a draft.
///
/// # Errors
/// `plan-not-draft`, `visit-locked`, `visit-blocked` (naming what is in the way), `Stale`.
pub async fn move_visit(
    store: &Store,
    organisation: OrganisationId,
    author: &Author,
    (visit, version): (VisitId, i64),
    to: &Destination,
) -> Result<Visit, RunError> {
    let connection = store.connection();
    let row: Visit = record::get(connection, organisation, visit).await?;
    let standing = read(connection, organisation, row.plan).await?;
    must_be_draft(&standing.plan)?;
    if row.locked {
        let what = "it is locked where it stands: unlock it first".to_owned();
        return Err(RunError::Refused { rule: "visit-locked", what });
    }
    let bays: Vec<Bay> = record::all(connection, organisation).await?;
    let (moved, tasks) = moved(&standing, Visit { version, ..row }, to, &bays)?;
    let work = async |transaction: &Transaction| {
        let changed = record::change(transaction, organisation, author, &moved).await?;
        plans::replace_tasks(transaction, organisation, moved.id, &tasks).await?;
        Ok::<_, StoreError>(changed)
    };
    Ok(store.write(work).await?)
}

/// The visit and its tasks where it is to go.
fn moved(
    standing: &Standing,
    row: Visit,
    to: &Destination,
    bays: &[Bay],
) -> Result<(Visit, Vec<VisitTask>), RunError> {
    let problem = &standing.problem;
    let asked = problem.of_engine(row.engine);
    let asked = asked.ok_or(RunError::Store(StoreError::Missing { noun: "visit" }))?;
    let tasks = |mode: Option<&crate::plan::problem::ModeTasks>| -> Vec<VisitTask> {
        let done = mode.into_iter().flat_map(|mode| &mode.tasks);
        let task = |task: &_| VisitTask { id: VisitTaskId::fresh(), visit: row.id, task: *task };
        done.map(task).collect()
    };
    let Some(on) = to.on else {
        let left_out = Visit {
            starts_on: None,
            ends_on: None,
            mode: None,
            bay: None,
            reason: Some("Left out by hand.".to_owned()),
            ..row
        };
        let tasks = tasks(asked.modes.first());
        return Ok((left_out, tasks));
    };
    let opening = opening(standing, row.id, on, to.mode.as_deref())?;
    let mode = asked.modes.iter().find(|mode| mode.id == opening.mode);
    let visit = problem.instance.visits.iter().find(|it| it.id == asked.id);
    let planned = visit.and_then(|it| it.modes.iter().find(|mode| mode.id == opening.mode));
    let stay = (opening.on, opening.last_on);
    let bay = planned.and_then(|mode| free_bay(standing, &row, &mode.bay, stay, bays));
    let tasks = tasks(mode);
    let moved = Visit {
        starts_on: Some(opening.on),
        ends_on: Some(opening.last_on),
        bay,
        bench: Minutes(mode.map_or(row.bench.0, |mode| mode.minutes)),
        boat_out: planned.is_none_or(|mode| mode.out),
        reason: Some(asked.why.clone()),
        mode: Some(opening.mode),
        ..row
    };
    Ok((moved, tasks))
}

/// The opening of a visit on a day that may be taken.
fn opening(
    standing: &Standing,
    visit: VisitId,
    on: NaiveDate,
    mode: Option<&str>,
) -> Result<DatedOpening, RunError> {
    let moves = standing.moves(visit)?;
    let there = moves.openings.into_iter().filter(|opening| opening.on == on);
    let there: Vec<_> = there.filter(|it| mode.is_none_or(|mode| mode == it.mode)).collect();
    let free = there.iter().filter(|opening| opening.blocked_by.is_empty());
    if let Some(best) = free.min_by_key(|opening| opening.change) {
        return Ok(best.clone());
    }
    let in_the_way: HashSet<&str> =
        there.iter().flat_map(|it| &it.blocked_by).map(String::as_str).collect();
    let mut in_the_way: Vec<&str> = in_the_way.into_iter().collect();
    in_the_way.sort_unstable();
    let what = if there.is_empty() {
        format!(
            "it can't begin on {}: the bench is closed then, or it is outside its dates",
            said(on)
        )
    } else {
        format!("it can't stand on {}: {} in the way", said(on), in_the_way.join(", "))
    };
    Err(RunError::Refused { rule: "visit-blocked", what })
}

/// A bay of the kind that no other visit of the plan stands in on those days, its own first.
fn free_bay(
    standing: &Standing,
    row: &Visit,
    kind: &str,
    stay: (NaiveDate, NaiveDate),
    bays: &[Bay],
) -> Option<BayId> {
    let overlaps = |other: &&Visit| {
        let days = other.starts_on.zip(other.ends_on);
        other.id != row.id && days.is_some_and(|(from, to)| from <= stay.1 && stay.0 <= to)
    };
    let taken: HashSet<BayId> =
        standing.visits.iter().filter(overlaps).filter_map(|other| other.bay).collect();
    let of_kind = bays
        .iter()
        .filter(|bay| bay.site == standing.plan.site && bay.kind == kind && !bay.archived);
    let free = of_kind.filter(|bay| !taken.contains(&bay.id));
    free.min_by_key(|bay| (Some(bay.id) != row.bay, bay.id)).map(|bay| bay.id)
}

fn must_be_draft(plan: &Plan) -> Result<(), RunError> {
    if plan.status == PlanStatus::Draft {
        return Ok(());
    }
    let what = format!("this plan is {}: make a draft of it, and change that", plan.status);
    Err(RunError::Refused { rule: "plan-not-draft", what })
}

/// Locks a visit of a draft where it stands, or unlocks it.
///
/// # Errors
/// `plan-not-draft`; `visit-left-out` where it stands nowhere; `Stale`.
pub async fn lock_visit(
    store: &Store,
    organisation: OrganisationId,
    author: &Author,
    (visit, version): (VisitId, i64),
    locked: bool,
) -> Result<Visit, RunError> {
    let connection = store.connection();
    let row: Visit = record::get(connection, organisation, visit).await?;
    must_be_draft(&record::get(connection, organisation, row.plan).await?)?;
    if locked && row.starts_on.is_none() {
        let what = "it is left out: give it a day, then lock it there".to_owned();
        return Err(RunError::Refused { rule: "visit-left-out", what });
    }
    let changed = Visit { version, locked, ..row };
    let work = async |transaction: &Transaction| {
        record::change(transaction, organisation, author, &changed).await
    };
    Ok(store.write(work).await?)
}

/// Makes a draft of a plan, visit by visit, to be changed beside it.
///
/// # Errors
/// No such plan.
pub async fn draft_of(
    store: &Store,
    organisation: OrganisationId,
    author: &Author,
    plan: PlanId,
) -> Result<Plan, RunError> {
    let work = async |transaction: &Transaction| {
        let of: Plan = record::get(transaction, organisation, plan).await?;
        let draft = Plan {
            id: PlanId::fresh(),
            version: 1,
            name: format!("{}, changed by hand", of.name),
            status: PlanStatus::Draft,
            based_on: Some(of.id),
            created_at: author.at,
            published_at: None,
            published_by: None,
            ..of
        };
        let visits = plans::visits(transaction, organisation, plan).await?;
        let ids: Vec<VisitId> = visits.iter().map(|visit| visit.id).collect();
        let tasks = plans::tasks(transaction, organisation, &ids).await?;
        let fresh: HashMap<VisitId, VisitId> =
            ids.into_iter().map(|id| (id, VisitId::fresh())).collect();
        let copied: Vec<Visit> = visits
            .into_iter()
            .map(|visit| {
                // The jobs are those of the plan that holds until this one is published.
                Visit { id: fresh[&visit.id], version: 1, plan: draft.id, job: None, ..visit }
            })
            .collect();
        let of_copies: Vec<VisitTask> = tasks
            .into_iter()
            .map(|task| VisitTask { id: VisitTaskId::fresh(), visit: fresh[&task.visit], ..task })
            .collect();
        record::create(transaction, organisation, author, std::slice::from_ref(&draft)).await?;
        record::append(transaction, organisation, &copied).await?;
        record::append(transaction, organisation, &of_copies).await?;
        Ok::<_, StoreError>(draft)
    };
    Ok(store.write(work).await?)
}

/// A plan that holds, and what became of its jobs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Published {
    pub plan: Plan,
    pub jobs: PlanJobs,
}

impl Published {
    /// What became of the jobs, in a sentence or two.
    pub fn says(&self) -> String {
        let PlanJobs { made, moved, kept, dropped, left, short, elsewhere } = &self.jobs;
        let mut says = Vec::new();
        let mut say = |many: usize, what: &str| {
            if many > 0 {
                says.push(format!("{many} {what}"));
            }
        };
        say(made.len(), "made");
        say(moved.len(), "moved");
        say(kept.len(), "kept as they were");
        say(dropped.len(), "dropped");
        say(left.len(), "left alone, since work has begun or they stand over");
        let jobs = match says.is_empty() {
            true => "It makes no jobs.".to_owned(),
            false => format!("Jobs: {}.", says.join(", ")),
        };
        let short = match short.len() {
            0 => String::new(),
            1 => " 1 of them is short of a part.".to_owned(),
            many => format!(" {many} of them are short of a part."),
        };
        let elsewhere = match elsewhere {
            0 => String::new(),
            1 => " 1 visit is another job's work or done already.".to_owned(),
            many => format!(" {many} visits are other jobs' work or done already."),
        };
        format!("{jobs}{short}{elsewhere}")
    }
}

/// Publishes a draft: it holds from now on, the one that held is superseded, and the jobs follow it:
/// agreed, with their parts kept back as far as they are there. All of it or nothing.
///
/// # Errors
/// `plan-not-draft`, `Stale`; `Missing` where an engine, task or part of it is gone.
pub async fn publish(
    store: &Store,
    organisation: OrganisationId,
    author: &Author,
    (plan, version): (PlanId, i64),
    by: Option<PersonId>,
) -> Result<Published, RunError> {
    let work = async |transaction: &Transaction| {
        let plan = plans::publish(transaction, organisation, author, plan, version, by).await?;
        let visits = planned_visits(transaction, organisation, &plan).await?;
        let today = sites::today(transaction, organisation, plan.site, author.at).await?;
        let jobs =
            jobs::follow_plan(transaction, organisation, author, &plan, &visits, today).await?;
        Ok::<_, StoreError>(Published { plan, jobs })
    };
    Ok(store.write(work).await?)
}

/// A plan's visits with their tasks in order and the minutes that the plan reckoned with.
async fn planned_visits(
    transaction: &Transaction,
    organisation: OrganisationId,
    plan: &Plan,
) -> Result<Vec<VisitWork>, StoreError> {
    let visits = plans::visits(transaction, organisation, plan.id).await?;
    let ids: Vec<VisitId> = visits.iter().map(|visit| visit.id).collect();
    let mut of_visit: HashMap<VisitId, Vec<TaskId>> = HashMap::new();
    for row in plans::tasks(transaction, organisation, &ids).await? {
        of_visit.entry(row.visit).or_default().push(row.task);
    }
    let known: Vec<Task> = record::all(transaction, organisation).await?;
    let known: HashMap<TaskId, &Task> = known.iter().map(|task| (task.id, task)).collect();
    let reckoned = reckoned(transaction, organisation, plan).await?;
    let planned = |visit: Visit| {
        let tasks = of_visit.remove(&visit.id).unwrap_or_default();
        let own = |task: &TaskId| {
            let learned = reckoned.get(&(visit.engine, *task)).copied();
            let known = known.get(task);
            let minutes = learned.or(known.map(|task| task.own_work.0)).unwrap_or(0);
            (known.map_or(AccessGroup::NothingOff, |task| task.access), minutes)
        };
        let own: Vec<(AccessGroup, u32)> = tasks.iter().map(own).collect();
        let minutes = minutes_in_order(&own).into_iter().map(Minutes);
        VisitWork { visit, tasks: tasks.into_iter().zip(minutes).collect() }
    };
    Ok(visits.into_iter().map(planned).collect())
}

/// Minutes of tasks as the plan's run reckoned with them; none where it did not come of one.
async fn reckoned(
    transaction: &Transaction,
    organisation: OrganisationId,
    plan: &Plan,
) -> Result<HashMap<(EngineId, TaskId), u32>, StoreError> {
    let Some(run) = plan.run else { return Ok(HashMap::new()) };
    let file = match runs::file(transaction, organisation, run, &problem_file(plan.site)).await {
        Err(StoreError::Missing { .. }) => return Ok(HashMap::new()),
        file => file?,
    };
    // What can't be read has the minutes that the tasks were entered with.
    let problem: Option<Problem> = serde_json::from_slice(&file.content).ok();
    let asked = problem.into_iter().flat_map(|problem| problem.visits);
    let minutes = asked.flat_map(|asked| {
        let engine = asked.engine;
        asked.bundle.into_iter().map(move |task| ((engine, task.task), task.minutes))
    });
    Ok(minutes.collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn visits_whose_work_changed_are_told_with_what_was_added_and_dropped() {
        let [oil, pump, seal] = [(); 3].map(|()| TaskId::fresh());
        let work = |of: &[(&'static str, &[TaskId])]| -> Work<'static> {
            of.iter().map(|(visit, tasks)| (*visit, tasks.iter().copied().collect())).collect()
        };
        let before = work(&[("A", &[oil, pump]), ("B", &[oil]), ("C", &[oil])]);
        let now = work(&[("A", &[oil, seal]), ("B", &[oil]), ("D", &[seal])]);
        let told = reworked(before, now);
        // B does the same, C is lost and D gained: those are told elsewhere.
        let a = Reworked { visit: "A".to_owned(), added: vec![seal], dropped: vec![pump] };
        assert_eq!(told, [a]);
    }
}
