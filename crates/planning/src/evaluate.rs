//! The exact evaluation of a plan against its instance.
//!
//! Works on the public types alone, day by day, and shares nothing with the search: what the search
//! keeps up to date by differences is counted here from scratch.

use std::collections::HashMap;

use crate::error::PlanError;
use crate::instance::{Instance, Mode, Visit};
use crate::plan::{Overtime, Plan, PlannedVisit, Shortfall, UnplannedVisit};

/// What a plan's visits give: its cost in cents, and what is above contract or below the minimum.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Evaluation {
    pub objective: i64,
    pub overtime: Vec<Overtime>,
    pub shortfalls: Vec<Shortfall>,
}

/// Counts of everything a plan uses.
struct Tally<'a> {
    instance: &'a Instance,
    minutes: HashMap<&'a str, Vec<i64>>,
    bays: HashMap<&'a str, Vec<i64>>,
    kits: HashMap<&'a str, Vec<i64>>,
    out: HashMap<&'a str, Vec<i64>>,
    spans: HashMap<&'a str, (usize, usize)>,
    cost: i64,
}

/// Checks that `plan` keeps every hard constraint and counts its cost.
///
/// Stated figures (objective, overtime, reasons) are not looked at. `O(visits + resources × days)`.
///
/// # Errors
/// The first broken rule: an unknown or repeated visit, a start its dates forbid, a capacity.
pub fn evaluate(instance: &Instance, plan: &Plan) -> Result<Evaluation, PlanError> {
    let visits: HashMap<&str, &Visit> =
        instance.visits.iter().map(|visit| (visit.id.as_str(), visit)).collect();
    every_visit_once(instance, plan, &visits)?;
    let days = || vec![0; instance.days];
    let mut tally = Tally {
        instance,
        minutes: instance.skills.iter().map(|skill| (skill.id.as_str(), days())).collect(),
        bays: instance.bays.iter().map(|bay| (bay.id.as_str(), days())).collect(),
        kits: instance.kits.iter().map(|kit| (kit.id.as_str(), days())).collect(),
        out: instance.pools.iter().map(|pool| (pool.id.as_str(), days())).collect(),
        spans: HashMap::new(),
        cost: 0,
    };
    for UnplannedVisit { visit, .. } in &plan.unplanned {
        let visit = visits[visit.as_str()];
        if visit.locked {
            return Err(PlanError::LockedLeftOut { visit: visit.id.clone() });
        }
        tally.cost += visit.unplanned_cost;
    }
    for planned in &plan.visits {
        tally.add(visits[planned.visit.as_str()], planned)?;
    }
    tally.hard_limits()?;
    tally.relations()?;
    Ok(tally.finish())
}

fn every_visit_once(
    instance: &Instance,
    plan: &Plan,
    visits: &HashMap<&str, &Visit>,
) -> Result<(), PlanError> {
    let mut times: HashMap<&str, usize> = HashMap::new();
    let left_out = plan.unplanned.iter().map(|unplanned| &unplanned.visit);
    for visit in plan.visits.iter().map(|planned| &planned.visit).chain(left_out) {
        if !visits.contains_key(visit.as_str()) {
            return Err(PlanError::UnknownVisit { visit: visit.clone() });
        }
        *times.entry(visit).or_default() += 1;
    }
    for visit in &instance.visits {
        let times = times.get(visit.id.as_str()).copied().unwrap_or(0);
        if times != 1 {
            return Err(PlanError::NotOnce { visit: visit.id.clone(), times });
        }
    }
    Ok(())
}

impl<'a> Tally<'a> {
    fn add(&mut self, visit: &'a Visit, planned: &PlannedVisit) -> Result<(), PlanError> {
        let mode = visit.modes.iter().find(|mode| mode.id == planned.mode);
        let Some(mode) = mode else {
            return Err(PlanError::UnknownMode {
                visit: visit.id.clone(),
                mode: planned.mode.clone(),
            });
        };
        let stay = allowed_stay(self.instance, visit, mode, planned.day).map_err(|rule| {
            PlanError::NotAllowed {
                visit: visit.id.clone(),
                mode: mode.id.clone(),
                day: planned.day,
                rule,
            }
        })?;
        let (first, last) = (stay[0], stay[stay.len() - 1]);
        for (skill, minutes) in &mode.minutes {
            if let Some(row) = self.minutes.get_mut(skill.as_str()) {
                stay.iter().zip(minutes).for_each(|(&day, minutes)| row[day] += minutes);
            }
        }
        if let Some(row) = self.bays.get_mut(mode.bay.as_str()) {
            stay.iter().for_each(|&day| row[day] += 1);
        }
        for (kit, pieces) in &mode.kits {
            if let Some(row) = self.kits.get_mut(kit.as_str()) {
                row[first] += pieces;
            }
        }
        self.cost +=
            mode.cost + visit.hinges.iter().map(|hinge| hinge.cost(planned.day)).sum::<i64>();
        if visit.published_day.is_some_and(|day| day != planned.day) {
            self.cost += visit.move_cost;
        }
        if mode.out
            && let Some(row) = self.out.get_mut(visit.pool.as_str())
        {
            row[first..=last].iter_mut().for_each(|engines| *engines += 1);
            let pool = self.instance.pools.iter().find(|pool| pool.id == visit.pool);
            let lost = pool.and_then(|pool| pool.out_cost.get(first..=last));
            self.cost += lost.map_or(0, |lost| lost.iter().sum());
        }
        self.spans.insert(&visit.id, (first, last));
        Ok(())
    }

    fn hard_limits(&self) -> Result<(), PlanError> {
        let broken = |resource: String, broken: String| Err(PlanError::Broken { resource, broken });
        for skill in &self.instance.skills {
            let used = &self.minutes[skill.id.as_str()];
            for (day, (used, most)) in used.iter().zip(&skill.day_minutes).enumerate() {
                if used > most {
                    return broken(
                        format!("skill:{}", skill.id),
                        format!("day {day}: {used} of {most} minutes"),
                    );
                }
            }
            for (week, used) in self.week_sums(&skill.id).into_iter().enumerate() {
                let (contract, over) = (skill.week_minutes[week], skill.week_overtime[week]);
                if used > contract + over {
                    let text = format!("week {week}: {used} of {contract} + {over} minutes");
                    return broken(format!("skill:{}", skill.id), text);
                }
            }
        }
        for bay in &self.instance.bays {
            for (day, (used, count)) in
                self.bays[bay.id.as_str()].iter().zip(&bay.count).enumerate()
            {
                if used > count {
                    return broken(
                        format!("bay:{}", bay.id),
                        format!("day {day}: {used} of {count} places"),
                    );
                }
            }
        }
        for kit in &self.instance.kits {
            let (mut taken, mut received) = (0, 0);
            for day in 0..self.instance.days {
                let today = kit.receipts.iter().filter(|receipt| receipt.day == day as i64);
                received += today.map(|receipt| receipt.quantity).sum::<i64>();
                taken += self.kits[kit.id.as_str()][day];
                if taken > received {
                    return broken(
                        format!("kit:{}", kit.id),
                        format!("{taken} taken by day {day}, {received} received"),
                    );
                }
            }
        }
        Ok(())
    }

    fn relations(&self) -> Result<(), PlanError> {
        let mut engines: HashMap<&str, Vec<(usize, usize)>> = HashMap::new();
        for visit in &self.instance.visits {
            let Some(&span) = self.spans.get(visit.id.as_str()) else { continue };
            for after in &visit.after {
                let Some(&(_, last)) = self.spans.get(after.visit.as_str()) else { continue };
                if (span.0 as i64) < last as i64 + after.gap {
                    let broken =
                        format!("{} starts less than {} days after it", visit.id, after.gap);
                    return Err(PlanError::Broken {
                        resource: format!("after:{}", after.visit),
                        broken,
                    });
                }
            }
            engines.entry(&visit.engine).or_default().push(span);
        }
        for (engine, mut spans) in engines {
            spans.sort_unstable();
            if spans.windows(2).any(|pair| pair[1].0 <= pair[0].1) {
                let broken = "two of its visits share a day".to_owned();
                return Err(PlanError::Broken { resource: format!("engine:{engine}"), broken });
            }
        }
        Ok(())
    }

    fn week_sums(&self, skill: &str) -> Vec<i64> {
        let mut sums = vec![0; self.instance.weeks.last().map_or(0, |last| last + 1)];
        for (minutes, &week) in self.minutes[skill].iter().zip(&self.instance.weeks) {
            sums[week] += minutes;
        }
        sums
    }

    fn finish(mut self) -> Evaluation {
        let (mut overtime, mut shortfalls) = (Vec::new(), Vec::new());
        for skill in &self.instance.skills {
            for (week, used) in self.week_sums(&skill.id).into_iter().enumerate() {
                let minutes = (used - skill.week_minutes[week]).max(0);
                if minutes > 0 {
                    self.cost += minutes * skill.overtime_cost;
                    overtime.push(Overtime { skill: skill.id.clone(), week, minutes });
                }
            }
        }
        for pool in &self.instance.pools {
            for (day, out) in self.out[pool.id.as_str()].iter().enumerate() {
                let engines = (pool.minimum[day] - (pool.fleet[day] - out)).max(0);
                if engines > 0 {
                    self.cost += engines * pool.shortfall_cost;
                    shortfalls.push(Shortfall { pool: pool.id.clone(), day, engines });
                }
            }
        }
        Evaluation { objective: self.cost, overtime, shortfalls }
    }
}

/// The open days of a stay, first to last, or the rule that forbids a start on `day`.
fn allowed_stay(
    instance: &Instance,
    visit: &Visit,
    mode: &Mode,
    day: i64,
) -> Result<Vec<usize>, &'static str> {
    let start = usize::try_from(day).map_err(|_| "not an open day")?;
    if instance.open.get(start) != Some(&1) {
        return Err("not an open day");
    }
    let open = (start..instance.days).filter(|&day| instance.open[day] == 1);
    let stay: Vec<usize> = open.take(mode.length).collect();
    if stay.len() < mode.length {
        return Err("the stay runs past the horizon");
    }
    if day < visit.release {
        return Err("before its release");
    }
    if visit.deadline.is_some_and(|deadline| stay[stay.len() - 1] as i64 > deadline) {
        return Err("ends after its deadline");
    }
    if visit.locked && visit.published_day != Some(day) {
        return Err("locked on another day");
    }
    Ok(stay)
}
