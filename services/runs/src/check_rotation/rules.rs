//! The three rules, as each would choose on a morning.

use std::collections::{BTreeSet, HashMap};

use chrono::{Datelike as _, NaiveDate, Weekday};
use fleet::hours::Hours;
use fleet::id::{EngineId, ServiceId, SkillId, TaskId};
use fleet::service::{Service, ServiceReason};
use planning::{Effort, Watch};

use super::{Day, GOES_ON, KIND, Limb, Morning, Rule, SeasonPast, Wish, of_site};
use crate::due::due_list;
use crate::error::RunError;
use crate::hours::FleetHours;
use crate::lives::risks::Risks;
use crate::past::cut;
use crate::plan::build::Source;
use crate::plan::bundle::Work;
use crate::plan::calendar::Calendars;
use crate::plan::capacity::{BENCH, Busy, Hands, Horizon, OVERTIME_SHARE, bays, open_days};
use crate::plan::names::distinct;
use crate::plan::parameters::PlanParameters;
use crate::plan::rotation;

/// What is used so far is done with what is due (common practice, no source).
const WORTH_DOING: f64 = 0.8;
/// From this share on "every Monday by highest hours" takes an engine (common practice, no source).
const MONDAY_FROM: f64 = 0.8;

/// A rule with what it needs of the season.
pub(super) struct Rules<'a> {
    past: &'a SeasonPast<'a>,
    rule: Rule,
    effort: (u64, u64),
    work: Work<'a>,
    days: Vec<Day>,
    /// The rotation's visits to come.
    planned: Vec<(NaiveDate, Wish)>,
}

impl<'a> Rules<'a> {
    pub(super) fn new(past: &'a SeasonPast<'a>, rule: Rule, effort: (u64, u64)) -> Self {
        let records = &past.records;
        let skills: HashMap<SkillId, String> =
            distinct(records.yard.skills.iter().map(|it| (it.id, it.name.clone())));
        let work = Work::read(records, &[], &skills);
        let days = days(past, &work, &skills);
        Self { planned: Vec::new(), past, rule, effort, work, days }
    }

    pub(super) fn capacity(&self, on: NaiveDate) -> Day {
        let day = usize::try_from((on - self.past.from).num_days()).ok();
        day.and_then(|day| self.days.get(day)).copied().unwrap_or_default()
    }

    pub(super) fn wishes(&mut self, morning: &Morning<'_>) -> Result<Vec<Wish>, RunError> {
        let is_monday = morning.on.weekday() == Weekday::Mon || morning.on == self.past.from;
        match self.rule {
            Rule::WhenDue => Ok(self.by_hours(morning, 1.0)),
            Rule::MondayHighest if is_monday => Ok(self.by_hours(morning, MONDAY_FROM)),
            Rule::MondayHighest => Ok(Vec::new()),
            Rule::Rotation => {
                if is_monday {
                    self.planned = self.plan(morning)?;
                }
                let today = self.planned.iter().filter(|(on, _)| *on == morning.on);
                Ok(today.map(|(_, wish)| wish.clone()).collect())
            }
        }
    }

    /// Engines with a limb used by `from` or more, the most used first.
    fn by_hours(&self, morning: &Morning<'_>, from: f64) -> Vec<Wish> {
        let mut found: Vec<(f64, Wish)> = Vec::new();
        for (engine, limbs) in morning.limbs {
            let life = self.past.life(*engine, morning.on);
            let most = limbs.iter().map(|limb| limb.used(life)).fold(0.0, f64::max);
            if most >= from {
                let worth = |limb: &&Limb| limb.used(life) >= WORTH_DOING;
                let tasks = limbs.iter().filter(worth).map(|limb| limb.task).collect();
                found.push((most, self.wish(*engine, tasks)));
            }
        }
        found.sort_by(|a, b| b.0.total_cmp(&a.0));
        found.into_iter().map(|(_, wish)| wish).collect()
    }

    fn wish(&self, engine: EngineId, tasks: Vec<TaskId>) -> Wish {
        let bundled: Vec<_> =
            tasks.iter().filter_map(|task| self.work.added(engine, *task)).collect();
        let tasks = self.work.without_settled(bundled.iter().collect());
        let (_, minutes) = self.work.minutes_of(&tasks);
        let deep = tasks.iter().any(|task| self.work.is_deep(task.task));
        let tasks = tasks.iter().map(|task| task.task).collect();
        let quick = minutes <= rotation::QUICK_MINUTES && !deep;
        Wish { engine, tasks, minutes, quick, before_hire: None }
    }

    /// The rotation as it would have been planned on this morning, and its visits until the next.
    fn plan(&self, morning: &Morning<'_>) -> Result<Vec<(NaiveDate, Wish)>, RunError> {
        let (past, on) = (self.past, morning.on);
        let mut records = past.records.clone();
        records.work.services.retain(|service| service.done_on < past.from);
        records.work.services.extend(morning.done.iter().map(|done| self.service(*done)));
        cut(&mut records, on);
        let fleet = FleetHours::fit(&records, on);
        let lines = due_list(&records, &fleet, on, on);
        let risks = Risks::read(&records, &fleet)?;
        let parameters = PlanParameters::of(KIND);
        let source = Source {
            snapshot: &records,
            lines: &lines,
            risks: &risks,
            site: past.site,
            today: on,
            parameters: &parameters,
        };
        let Some(problem) = rotation::problem(source)? else { return Ok(Vec::new()) };
        let (seed, work) = self.effort;
        let effort = Effort { seed, work: Some(work), gap: 0.0 };
        let mut report = |_: &planning::Progress| {};
        let mut watch = Watch { spent: &|| 0.0, cancelled: &GOES_ON, report: &mut report };
        let solution = planning::solve(&problem.instance, None, &effort, &mut watch)
            .map_err(|error| RunError::Refused { rule: error.rule(), what: error.to_string() })?;
        let mut wishes = Vec::new();
        for planned in solution.plan.visits.iter().filter(|planned| planned.day < 7) {
            let Some(asked) = problem.asked(&planned.visit) else { continue };
            let Some(mode) = asked.modes.iter().find(|mode| mode.id == planned.mode) else {
                continue;
            };
            let early = planned.mode == "before hire";
            wishes.push((
                problem.date(planned.day),
                Wish {
                    engine: asked.engine,
                    tasks: mode.tasks.clone(),
                    minutes: i64::from(mode.minutes),
                    quick: early,
                    before_hire: Some(early),
                },
            ));
        }
        wishes.sort_by_key(|(on, wish)| (*on, wish.engine));
        Ok(wishes)
    }

    /// A service of the replay, as the record would have it.
    fn service(&self, (engine, task, on): (EngineId, TaskId, NaiveDate)) -> Service {
        Service {
            id: ServiceId::fresh(),
            engine,
            task,
            done_on: on,
            life: Hours::from_decimal(self.past.life(engine, on)).ok(),
            reason: ServiceReason::Due,
            job: None,
            done_by: None,
            spent: None,
            note: None,
            source: "replay".to_owned(),
            recorded_at: self.past.records.taken_at,
        }
    }
}

/// Hands and places of the season, day by day.
fn days(past: &SeasonPast<'_>, work: &Work<'_>, skills: &HashMap<SkillId, String>) -> Vec<Day> {
    let records = &past.records;
    let horizon = Horizon { first: past.from, days: past.days() };
    let calendars = Calendars::read(records);
    let wanted: BTreeSet<String> = past
        .limbs
        .values()
        .flatten()
        .filter_map(|limb| work.skill_of.get(&limb.task).cloned())
        .collect();
    let hands = Hands::of(records, &calendars, skills, (past.site.id, horizon), &wanted);
    let open = open_days(&calendars, past.site.id, horizon);
    let mornings = hands.mornings(&open, horizon);
    let busy = Busy::of(records, of_site(past), horizon, &work.skill_of);
    let places = bays(records, past.site.id, horizon, &busy);
    let bench = places.iter().find(|bay| bay.id == BENCH).or(places.first());
    let day = |day: usize| {
        let contract: i64 = hands.minutes.iter().map(|minutes| minutes[day]).sum();
        let contract = contract * i64::from(open[day]);
        Day {
            contract,
            minutes: contract + (contract as f64 * OVERTIME_SHARE) as i64,
            places: bench.map_or(0, |bay| bay.count[day]) * i64::from(open[day]),
            mornings: mornings.count[day],
        }
    };
    (0..horizon.days).map(day).collect()
}
