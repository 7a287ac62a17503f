//! A plan as a run that is kept: for each site the problem, the search, a draft, and what it says.
//!
//! Files of a site's plan: `problem-SITE.json` (the instance and what it is about), `plan-SITE.json`
//! and `certificate-SITE.json` as `crates/planning` documents them.

use std::collections::HashMap;

use fleet::Money;
use fleet::id::{EngineId, PoolId};
use fleet::site::Site;
use fleet::visit::{Plan, PlanKind, PlanStatus};
use planning::{Effort, Progress, Solution, Watch, compare};
use serde::Serialize;
use store::runs::RunFile;

use crate::due::{DueLine, due_list};
use crate::error::RunError;
use crate::execute::{Computed, Task};
use crate::hours::FleetHours;
use crate::lives::risks::Risks;
use crate::plan::account::{
    Account, PlanRunSummary, SiteRefused, ToOrder, dated, sentence, to_order,
};
use crate::plan::build::Source;
use crate::plan::capacity::{at_other_sites, coming, lead_days, on_shelf};
use crate::plan::parameters::PlanParameters;
use crate::plan::problem::Problem;
use crate::plan::rows::{Draft, Origin, draft};
use crate::plan::standing::problem_file;
use crate::plan::{lay_up, rotation, what_if};

/// Thousandths of a run that are over when the search begins.
const SEARCH_FROM: i32 = 150;

pub fn compute(task: &Task) -> Result<Computed, RunError> {
    let parameters = PlanParameters::read(&task.run.parameters)?;
    if parameters.what_if.is_some() {
        return tried_beside(task, &parameters);
    }
    (task.progress)(20, "fitting the season");
    let fleet = FleetHours::fit(&task.snapshot, task.today);
    (task.progress)(100, "finding what is due");
    let lines = due_list(&task.snapshot, &fleet, task.today, task.today);
    let risks = Risks::read(&task.snapshot, &fleet)?;
    let made = sites(task)
        .into_iter()
        .filter_map(|site| {
            let source = Source {
                snapshot: &task.snapshot,
                lines: &lines,
                risks: &risks,
                site,
                today: task.today,
                parameters: &parameters,
            };
            let problem = match parameters.plan {
                PlanKind::LayUp => lay_up::problem(source),
                PlanKind::Rotation => rotation::problem(source),
            };
            problem.transpose().map(|problem| (site, problem))
        })
        .collect::<Vec<_>>();
    let count = made.len();
    let mut kept = Kept::default();
    for (number, (site, problem)) in made.into_iter().enumerate() {
        let planned = problem.and_then(|problem| {
            let search = Search { task, parameters: &parameters, number, of: count };
            let solution = search.solve(&problem, None)?;
            Ok((problem, solution))
        });
        match planned {
            Ok((problem, solution)) => kept.add(task, &problem, &solution, (&lines, &fleet))?,
            Err(error) => kept.summary.refused.push(SiteRefused {
                site: site.id,
                site_name: site.name.clone(),
                rule: error.rule().to_owned(),
                what: error.to_string(),
            }),
        }
    }
    // Of all sites some may have nothing to plan with; one that was asked for must have.
    if let (Some(_), Some(refused)) = (task.run.site, kept.summary.refused.first()) {
        let what = format!("{}: {}", refused.rule, refused.what);
        return Err(RunError::Refused { rule: "plan-refused", what });
    }
    kept.computed()
}

/// The site that was asked for, else all that are not archived.
fn sites(task: &Task) -> Vec<&Site> {
    let sites = task.snapshot.yard.sites.iter().filter(|site| !site.archived);
    sites.filter(|site| task.run.site.is_none_or(|wanted| wanted == site.id)).collect()
}

#[derive(Default)]
struct Kept {
    summary: PlanRunSummary,
    files: Vec<RunFile>,
    drafts: Vec<Draft>,
}

impl Kept {
    fn add(
        &mut self,
        task: &Task,
        problem: &Problem,
        solution: &Solution,
        (lines, fleet): (&[DueLine], &FleetHours),
    ) -> Result<(), RunError> {
        let mut account = Account::of(problem, solution, beyond(task, problem, solution));
        account.notes.extend(lies_elsewhere(task, problem, &account.to_order));
        if problem.kind == PlanKind::Rotation {
            account.levelling = levelling(task, problem, lines, fleet);
        }
        let reasons: HashMap<String, String> =
            account.left_out.iter().map(|out| (out.name.clone(), sentence(out))).collect();
        let of_kind = |plan: &&Plan| plan.site == problem.site && plan.kind == problem.kind;
        let plans = task.snapshot.work.plans.iter().filter(of_kind);
        let holds = plans.clone().find(|plan| plan.status == PlanStatus::Published);
        let origin = Origin {
            run: task.run.id,
            based_on: holds.map(|plan| plan.id),
            name: format!("{}, version {}", problem.name, plans.count() + 1),
            at: (task.clock)(),
        };
        account.name.clone_from(&origin.name);
        if let Some(holds) = holds {
            let visits = task.snapshot.work.visits.iter().filter(|it| it.plan == holds.id);
            account.difference = beside(problem, holds, visits.cloned().collect(), solution);
        }
        let draft = draft(&task.snapshot, problem, &solution.plan, origin, &reasons);
        account.plan = Some(draft.plan.id);
        let site = problem.site;
        self.files.push(json_file(problem_file(site), problem)?);
        self.files.push(json_file(format!("plan-{site}.json"), &solution.plan)?);
        self.files.push(json_file(format!("certificate-{site}.json"), &solution.certificate)?);
        self.summary.plans.push(account);
        self.drafts.push(draft);
        Ok(())
    }

    fn computed(self) -> Result<Computed, RunError> {
        let Self { summary, files, drafts } = self;
        let summary =
            serde_json::to_value(&summary).map_err(|cause| RunError::Stopped(cause.to_string()))?;
        Ok(Computed { summary: Some(summary), files, drafts, ..Computed::default() })
    }
}

fn json_file(name: String, value: &impl Serialize) -> Result<RunFile, RunError> {
    let content =
        serde_json::to_vec(value).map_err(|cause| RunError::Stopped(cause.to_string()))?;
    Ok(RunFile { name, media_type: "application/json".into(), content })
}

/// What moved against the plan that holds, where both know the visit.
fn beside(
    problem: &Problem,
    holds: &Plan,
    visits: Vec<fleet::visit::Visit>,
    solution: &Solution,
) -> Option<crate::plan::account::DatedDifference> {
    let mut before = planning::Plan::default();
    for visit in visits {
        let asked = problem.of_engine(visit.engine)?.id.clone();
        if let Some((on, mode)) = visit.starts_on.zip(visit.mode) {
            let day = problem.day(on);
            before.visits.push(planning::PlannedVisit { visit: asked, mode, day });
        }
    }
    before.objective = solution.plan.objective;
    let difference = compare(&before, &solution.plan);
    Some(dated(problem, Some(holds.id), difference))
}

/// Pieces that the plan takes and nobody has ordered yet.
fn beyond(task: &Task, problem: &Problem, solution: &Solution) -> Vec<ToOrder> {
    let names: HashMap<&str, _> =
        task.snapshot.stores.parts.iter().map(|part| (part.number.as_str(), part.id)).collect();
    let shelf = on_shelf(&task.snapshot, (problem.site, problem.kind), problem.first);
    let coming = coming(&task.snapshot, problem.site, problem.today());
    let sure = |kit: &str, day| {
        let Some(part) = names.get(kit) else { return i64::MAX };
        let on = problem.date(day);
        let arrived = coming.iter().filter(|it| it.part == *part && it.on <= on);
        shelf.get(part).copied().unwrap_or(0).max(0) + arrived.map(|it| it.pieces).sum::<i64>()
    };
    let about = |kit: &str| {
        let part = names.get(kit);
        let known = part.and_then(|id| task.snapshot.stores.parts.iter().find(|it| it.id == *id));
        let lead = part.and_then(|part| lead_days(&task.snapshot, *part, problem.today()));
        (lead, known.map(|part| part.unit))
    };
    to_order(problem, &solution.plan, sure, about)
}

/// What is to be ordered although it lies free at another site.
fn lies_elsewhere(task: &Task, problem: &Problem, to_order: &[ToOrder]) -> Vec<String> {
    let of_kind = (problem.site, problem.kind);
    let there = at_other_sites(&task.snapshot, of_kind, problem.first);
    let parts = task.snapshot.stores.parts.iter();
    let there: HashMap<&str, i64> = parts
        .filter_map(|part| Some((part.number.as_str(), there.get(&part.id).copied()?)))
        .filter(|(_, pieces)| *pieces > 0)
        .collect();
    let note = |it: &ToOrder| {
        let pieces = there.get(it.part.as_str())?;
        Some(format!("{pieces} of {} lie free at other sites: bring them over first.", it.part))
    };
    to_order.iter().filter_map(note).collect()
}

fn levelling(
    task: &Task,
    problem: &Problem,
    lines: &[DueLine],
    fleet: &FleetHours,
) -> Vec<rotation::Levelling> {
    let pools = task.snapshot.fleet.pools.iter().filter(|pool| pool.site == problem.site);
    let pools: Vec<PoolId> = pools.map(|pool| pool.id).collect();
    let of_site = task.snapshot.fleet.engines.iter().filter(|it| pools.contains(&it.pool));
    let of_site: HashMap<EngineId, PoolId> = of_site.map(|it| (it.id, it.pool)).collect();
    let days = problem.instance.days as u64;
    let pool_of = |engine| of_site.get(&engine).copied();
    rotation::level(lines, fleet, (task.today, days), pool_of)
}

/// One search among those of a run.
struct Search<'a> {
    task: &'a Task,
    parameters: &'a PlanParameters,
    number: usize,
    of: usize,
}

impl Search<'_> {
    fn solve(
        &self,
        problem: &Problem,
        start: Option<&planning::Plan>,
    ) -> Result<Solution, RunError> {
        let Self { task, parameters, number, of } = *self;
        let began = (task.clock)();
        let seconds = parameters.seconds().map(|seconds| seconds / of.max(1) as f64);
        let spent = || {
            let elapsed = ((task.clock)() - began).num_milliseconds() as f64 / 1_000.0;
            seconds.map_or(0.0, |seconds| elapsed / seconds)
        };
        let work = parameters.work.map(|work| work / of.max(1) as u64);
        let mut report = |progress: &Progress| {
            let of_work = work.map_or(0.0, |work| progress.work as f64 / work.max(1) as f64);
            let within = spent().max(of_work).min(1.0);
            let share = (number as f64 + within) / of.max(1) as f64;
            let permille = SEARCH_FROM + (share * f64::from(990 - SEARCH_FROM)) as i32;
            (task.progress)(permille, &told(problem, progress));
        };
        let seed = task.run.seed.unsigned_abs();
        let effort = Effort { seed, work, gap: parameters.gap };
        let mut watch = Watch { spent: &spent, cancelled: &task.stop, report: &mut report };
        let earlier = start.cloned().or_else(|| self.earlier(problem));
        planning::solve(&problem.instance, earlier.as_ref(), &effort, &mut watch)
            .map_err(|error| RunError::Refused { rule: error.rule(), what: error.to_string() })
    }

    /// The plan to go on from: the one that was named, else the one that holds.
    fn earlier(&self, problem: &Problem) -> Option<planning::Plan> {
        let work = &self.task.snapshot.work;
        let mut plans =
            work.plans.iter().filter(|it| it.site == problem.site && it.kind == problem.kind);
        let plan = match self.parameters.from {
            Some(id) => plans.find(|plan| plan.id == id)?,
            None => plans.find(|plan| plan.status == PlanStatus::Published)?,
        };
        let mut start = planning::Plan::default();
        for visit in work.visits.iter().filter(|visit| visit.plan == plan.id) {
            let asked = problem.of_engine(visit.engine);
            let stands = visit.starts_on.zip(visit.mode.clone());
            if let (Some(asked), Some((on, mode))) = (asked, stands) {
                let day = problem.day(on);
                start.visits.push(planning::PlannedVisit { visit: asked.id.clone(), mode, day });
            }
        }
        Some(start)
    }
}

fn told(problem: &Problem, progress: &Progress) -> String {
    let money = |minor| Money::new(minor, problem.currency);
    match (progress.bound, progress.gap) {
        (Some(bound), Some(gap)) => format!(
            "costs {}, no plan can cost less than {}: within {:.2} %",
            money(progress.objective),
            money(bound),
            gap * 100.0
        ),
        _ => format!("costs {}", money(progress.objective)),
    }
}

/// A change solved beside a plan. No draft is made of it.
fn tried_beside(task: &Task, parameters: &PlanParameters) -> Result<Computed, RunError> {
    let (Some(what), Some(standing)) = (&parameters.what_if, &task.beside) else {
        return Err(RunError::Refused {
            rule: "plan-missing",
            what: "there is no plan to try it beside: name one with \"from\", or publish one"
                .into(),
        });
    };
    let plan = &standing.plan;
    let (before, stands) = standing.as_it_holds()?;
    let mut problem = before.clone();
    let said = what_if::change(&mut problem, what, &task.snapshot)?;
    problem.name = format!("{}: {said}", plan.name);
    // A search finds something to better in most plans. What it finds with nothing changed is not
    // the change's merit: the same search is made without it, and set beside.
    let search = |number| Search { task, parameters, number, of: 2 };
    let unchanged = search(0).solve(&before, Some(&stands))?;
    let solution = search(1).solve(&problem, Some(&unchanged.plan))?;
    let mut account = Account::of(&problem, &solution, Vec::new());
    let mut difference = dated(&problem, Some(plan.id), compare(&stands, &solution.plan));
    difference.unchanged = Some(unchanged.plan.objective - stands.objective);
    account.difference = Some(difference);
    account.notes.push("Solved on the records as they were when that plan was made.".into());
    let mut kept = Kept::default();
    kept.files.push(json_file(problem_file(problem.site), &problem)?);
    kept.files.push(json_file(format!("plan-{}.json", problem.site), &solution.plan)?);
    kept.summary.plans.push(account);
    kept.computed()
}
