//! A plan as its pages see it: its visits, what its run kept of it, and what things are called.

use std::collections::{BTreeMap, HashMap};

use chrono::{Datelike as _, Days, NaiveDate};
use fleet::hours::Minutes;
use fleet::id::{BayId, OrganisationId, PersonId, PlanId, SiteId, TaskId, VisitId};
use fleet::money::{Currency, Money};
use fleet::person::{Bay, Person};
use fleet::programme::Task;
use fleet::visit::{Plan, PlanKind, PlanStatus, Visit, VisitTask};
use runs::RunError;
use runs::plan::problem::Problem;
use runs::plan::standing::{self, Standing};
use store::{Connection, plans, record};

use crate::failure::Failure;
use crate::figures::{day, moment};
use crate::form::{Act, Mark};
use crate::frame::{Link, Room};
use crate::visitor::{Right, Visitor};
use crate::yard_records::Yard;

/// A plan with everything that its pages say of it.
pub struct PlanSeen {
    pub plan: Plan,
    /// By the first day, those left out last.
    pub visits: Vec<Visit>,
    /// `None` where it did not come of a run: then nothing is known of its costs.
    pub standing: Option<Standing>,
    pub names: Names,
    tasks_of: HashMap<VisitId, Vec<TaskId>>,
}

/// What things are called.
#[derive(Clone, Debug, Default)]
pub struct Names {
    pub tasks: HashMap<TaskId, String>,
    bays: HashMap<BayId, String>,
    people: HashMap<PersonId, String>,
}

impl Names {
    pub async fn read(
        connection: &Connection,
        organisation: OrganisationId,
    ) -> Result<Self, Failure> {
        let tasks: Vec<Task> = record::all(connection, organisation).await?;
        let bays: Vec<Bay> = record::all(connection, organisation).await?;
        let people: Vec<Person> = record::all(connection, organisation).await?;
        Ok(Self {
            tasks: tasks.into_iter().map(|task| (task.id, task.name)).collect(),
            bays: bays.into_iter().map(|bay| (bay.id, bay.name)).collect(),
            people: people.into_iter().map(|person| (person.id, person.name)).collect(),
        })
    }

    pub fn tasks(&self, of: &[TaskId]) -> String {
        let named = of.iter().filter_map(|task| self.tasks.get(task).map(String::as_str));
        named.collect::<Vec<_>>().join("; ")
    }
}

impl PlanSeen {
    pub async fn read(
        connection: &Connection,
        organisation: OrganisationId,
        plan: PlanId,
    ) -> Result<Self, Failure> {
        let standing = match standing::read(connection, organisation, plan).await {
            Ok(standing) => Some(standing),
            Err(RunError::Refused { rule: "plan-without-problem", .. }) => None,
            Err(error) => return Err(error.into()),
        };
        let plan: Plan = record::get(connection, organisation, plan).await?;
        let mut visits = plans::visits(connection, organisation, plan.id).await?;
        visits.sort_by_key(|visit| (visit.starts_on.is_none(), visit.starts_on, visit.id));
        let ids: Vec<VisitId> = visits.iter().map(|visit| visit.id).collect();
        let done: Vec<VisitTask> = plans::tasks(connection, organisation, &ids).await?;
        let mut tasks_of: HashMap<VisitId, Vec<TaskId>> = HashMap::new();
        for task in done {
            tasks_of.entry(task.visit).or_default().push(task.task);
        }
        let names = Names::read(connection, organisation).await?;
        Ok(Self { plan, visits, standing, names, tasks_of })
    }

    pub fn tasks(&self, visit: VisitId) -> String {
        self.names.tasks(self.tasks_of.get(&visit).map_or(&[], Vec::as_slice))
    }

    /// `Bench 2, Aksel Moe`.
    pub fn place(&self, visit: &Visit) -> String {
        let bay = visit.bay.and_then(|bay| self.names.bays.get(&bay).cloned());
        let person = visit.person.and_then(|person| self.names.people.get(&person).cloned());
        bay.into_iter().chain(person).collect::<Vec<_>>().join(", ")
    }

    pub fn currency(&self) -> Option<Currency> {
        self.standing.as_ref().map(|standing| standing.problem.currency)
    }

    pub fn left_out(&self) -> usize {
        self.visits.iter().filter(|visit| visit.starts_on.is_none()).count()
    }

    /// Where the page of a visit stands.
    pub fn visit_path(visit: VisitId) -> String {
        format!("/plans/visits/{visit}")
    }

    pub fn is_draft(&self) -> bool {
        self.plan.status == PlanStatus::Draft
    }
}

/// Where a plan is seen.
pub fn plan_path(plan: &Plan) -> String {
    match plan.kind {
        PlanKind::LayUp => format!("/lay-up?plan={}", plan.id),
        PlanKind::Rotation => format!("/afloat/rotation?plan={}", plan.id),
    }
}

pub const fn room(kind: PlanKind) -> Room {
    match kind {
        PlanKind::LayUp => Room::LayUp,
        PlanKind::Rotation => Room::Afloat,
    }
}

/// `Published Mon 2 Nov, 08:10.`
pub fn stands(plan: &Plan, yard: &Yard) -> String {
    let at = |instant| moment(instant, yard.zone, yard.today);
    match (plan.status, plan.published_at) {
        (PlanStatus::Published, Some(on)) => format!("Published {}.", at(on)),
        (PlanStatus::Superseded, Some(on)) => {
            format!("Published {}; a later version holds now.", at(on))
        }
        _ => format!("A draft of {}: nothing holds until it is published.", at(plan.created_at)),
    }
}

pub fn status_mark(plan: &Plan) -> Mark {
    match plan.status {
        PlanStatus::Draft => Mark::soon("draft"),
        PlanStatus::Published => Mark::plain("holds"),
        PlanStatus::Superseded => Mark::plain("earlier"),
    }
}

/// The plans of a site and kind, the newest first.
pub async fn versions(
    connection: &Connection,
    organisation: OrganisationId,
    (site, kind): (Option<SiteId>, PlanKind),
) -> Result<Vec<Plan>, Failure> {
    let mut plans: Vec<Plan> = record::all(connection, organisation).await?;
    plans.retain(|plan| plan.kind == kind && Some(plan.site) == site);
    plans.sort_by_key(|plan| std::cmp::Reverse((plan.created_at, plan.id)));
    Ok(plans)
}

/// The version that was asked for, else the one that holds, else the latest draft.
pub fn chosen<'a>(versions: &'a [Plan], asked: &str) -> Option<&'a Plan> {
    let named = versions.iter().find(|plan| plan.id.to_string() == asked);
    let holds = || versions.iter().find(|plan| plan.status == PlanStatus::Published);
    named.or_else(holds).or_else(|| versions.iter().find(|p| p.status == PlanStatus::Draft))
}

/// What can be done with a plan as a whole: the first is what most people will do.
pub fn acts(visitor: &Visitor, plan: &Plan) -> Vec<Act> {
    if !visitor.may(Right::Plan) {
        return Vec::new();
    }
    let version = ("version", plan.version.to_string());
    let again = |text: &str| {
        Act::new(text, "/plans/ask").with("from", plan.id.to_string()).with("kind", plan.kind)
    };
    let path = |verb: &str| format!("/plans/{}/{verb}", plan.id);
    let publish = || {
        let act = Act::new("Publish this plan", path("publish"));
        act.with(version.0, version.1.clone())
    };
    match plan.status {
        PlanStatus::Draft => vec![publish(), again("Plan again, locked visits stay")],
        PlanStatus::Published => {
            vec![again("Plan again, moving little"), Act::new("Change it by hand", path("draft"))]
        }
        PlanStatus::Superseded => vec![Act::new("Start a draft from this version", path("draft"))],
    }
}

/// Which plan stands beside which, as a link.
pub fn compare_link(before: &Plan, after: &Plan, text: &str) -> Link {
    Link::new(text, format!("/plans/{}/beside/{}", after.id, before.id))
}

/// Money that a plan changes by: `34.00 EUR more`, `the same`.
pub fn more_or_less(minor: i64, currency: Currency) -> String {
    match minor {
        0 => "the same".to_owned(),
        more if more > 0 => format!("{} more", Money::new(more, currency)),
        less => format!("{} less", Money::new(-less, currency)),
    }
}

/// `Proven within 0.6 %: it costs 6 829.00 EUR, and no plan can cost less than 6 788.00 EUR.`
pub fn proven(standing: &Standing) -> String {
    let (problem, schedule) = (&standing.problem, &standing.schedule);
    let money = |minor| Money::new(minor, problem.currency);
    let costs = money(schedule.objective);
    match (schedule.bound, schedule.gap) {
        (Some(bound), _) if bound >= schedule.objective => {
            format!("It costs {costs}, and no plan can cost less: that is proven.")
        }
        (Some(bound), Some(gap)) => format!(
            "Proven within {:.1} %: it costs {costs}, and no plan can cost less than {}.",
            (gap * 100.0).max(0.1),
            money(bound)
        ),
        _ => format!("It costs {costs}."),
    }
}

/// `2:15 h`
pub fn hours_minutes(minutes: i64) -> String {
    format!("{}:{:02} h", minutes / 60, minutes % 60)
}

pub fn bench_time(bench: Minutes) -> String {
    hours_minutes(i64::from(bench.0))
}

/// `Tue 3 Nov`, `Tue 3 to Wed 4 Nov`.
pub fn stay(from: NaiveDate, to: NaiveDate, today: NaiveDate) -> String {
    let until = day(to, today);
    match (from == to, (from.year(), from.month()) == (to.year(), to.month())) {
        (true, _) => until,
        (false, true) => format!("{} to {until}", from.format("%a %-d")),
        (false, false) => format!("{} to {until}", day(from, today)),
    }
}

pub fn monday(day: NaiveDate) -> NaiveDate {
    day - Days::new(u64::from(day.weekday().num_days_from_monday()))
}

/// Minutes that a plan takes of each skill, by day of its horizon.
pub struct Taken {
    by_skill: Vec<Vec<i64>>,
}

impl Taken {
    pub fn of(problem: &Problem, schedule: &planning::Plan) -> Self {
        let instance = &problem.instance;
        let mut by_skill = vec![vec![0; instance.days]; instance.skills.len()];
        let asked: BTreeMap<&str, &planning::Visit> =
            instance.visits.iter().map(|visit| (visit.id.as_str(), visit)).collect();
        for planned in &schedule.visits {
            let visit = asked.get(planned.visit.as_str());
            let mode = visit.and_then(|it| it.modes.iter().find(|it| it.id == planned.mode));
            let (Some(mode), Ok(first)) = (mode, usize::try_from(planned.day)) else { continue };
            let open: Vec<usize> = (first..instance.days)
                .filter(|day| instance.open[*day] == 1)
                .take(mode.length)
                .collect();
            for (skill, days) in &mode.minutes {
                let at = instance.skills.iter().position(|known| known.id == *skill);
                let Some(of_skill) = at.map(|at| &mut by_skill[at]) else { continue };
                for (day, minutes) in open.iter().zip(days) {
                    of_skill[*day] += minutes;
                }
            }
        }
        Self { by_skill }
    }

    /// Minutes of a skill over some days.
    pub fn over(&self, skill: usize, days: impl Iterator<Item = usize>) -> i64 {
        days.map(|day| self.by_skill[skill][day]).sum()
    }

    /// Minutes of all skills on a day.
    pub fn on(&self, day: usize) -> i64 {
        self.by_skill.iter().map(|days| days[day]).sum()
    }

    /// Skills by what the plan takes of them, the most first.
    pub fn most(&self) -> Vec<usize> {
        let mut order: Vec<usize> = (0..self.by_skill.len()).collect();
        order.sort_by_key(|at| std::cmp::Reverse(self.by_skill[*at].iter().sum::<i64>()));
        order
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_week_begins_on_monday() {
        let sunday = NaiveDate::from_ymd_opt(2027, 1, 3).unwrap();
        assert_eq!(monday(sunday).to_string(), "2026-12-28");
        assert_eq!(monday(monday(sunday)), monday(sunday));
    }

    #[test]
    fn a_stay_says_its_month_once() {
        let date = |m, d| NaiveDate::from_ymd_opt(2026, m, d).unwrap();
        let said = |from, to| stay(from, to, date(7, 6));
        assert_eq!(said(date(11, 3), date(11, 3)), "Tue 3 Nov");
        assert_eq!(said(date(11, 3), date(11, 4)), "Tue 3 to Wed 4 Nov");
        assert_eq!(said(date(11, 30), date(12, 1)), "Mon 30 Nov to Tue 1 Dec");
    }

    #[test]
    fn what_a_change_costs_is_said_in_words() {
        let euro = Currency::parse("EUR").unwrap();
        let said = [0, 3_400, -120].map(|minor| more_or_less(minor, euro));
        assert_eq!(said, ["the same", "34.00 EUR more", "1.20 EUR less"]);
    }

    /// A visit of two days over a closed one: its second day's minutes fall on the day after.
    #[test]
    fn minutes_fall_on_open_days_only() {
        let mode = planning::Mode {
            id: "whole".into(),
            minutes: [("hands".to_owned(), vec![300, 60])].into(),
            bay: "bench".into(),
            length: 2,
            kits: BTreeMap::new(),
            cost: 0,
            out: true,
        };
        let visit = planning::Visit { id: "a".into(), modes: vec![mode], ..Default::default() };
        let skill = planning::Skill { id: "hands".into(), ..Default::default() };
        let instance = planning::Instance {
            days: 4,
            open: vec![1, 0, 1, 1],
            skills: vec![skill],
            visits: vec![visit],
            ..Default::default()
        };
        let problem = Problem {
            site: SiteId::fresh(),
            kind: PlanKind::LayUp,
            name: String::new(),
            currency: Currency::parse("EUR").unwrap(),
            first: NaiveDate::from_ymd_opt(2026, 11, 2).unwrap(),
            made_on: None,
            instance,
            visits: Vec::new(),
            prices: Vec::new(),
            notes: Vec::new(),
        };
        let planned = planning::PlannedVisit { visit: "a".into(), mode: "whole".into(), day: 0 };
        let schedule = planning::Plan { visits: vec![planned], ..Default::default() };
        let taken = Taken::of(&problem, &schedule);
        assert_eq!((0..4).map(|day| taken.on(day)).collect::<Vec<_>>(), [300, 0, 60, 0]);
        assert_eq!((taken.over(0, 0..2), taken.most()), (300, vec![0]));
    }
}
