//! The rules an instance has to keep before anything is planned.
//!
//! What merely cannot be planned (a release after the deadline, a kit that never comes) is no error:
//! the visit is left out with its reason. Refused is what has no meaning, and what leaves no plan at
//! all: locked visits that cannot stand together.

use std::collections::{HashMap, HashSet};

use crate::error::InstanceError;
use crate::instance::{Instance, Mode, Visit};
use crate::locked::settle_locked;
use crate::model::Model;

/// Largest amount of money, cents.
const CENTS_MAX: i64 = 100_000_000_000;
/// Largest count of engines, places, pieces.
const COUNT_MAX: i64 = 1_000_000;
/// Most minutes of a skill on a day or in a week.
const MINUTES_MAX: i64 = 100_000_000;
/// Most days in a horizon, and the furthest a hinge may lie.
const DAYS_MAX: i64 = 10_000;
/// Most starts (visit, mode, day) there may be.
const COLUMNS_MAX: i64 = 50_000_000;
/// What the dearest imaginable plan may cost: sums stay exact in 64 bits.
const WORST_MAX: i128 = 1_000_000_000_000_000_000;

impl Instance {
    /// Checks every rule.
    ///
    /// # Errors
    /// The first broken rule with its path, in the document's order; locked visits last.
    pub fn validate(&self) -> Result<(), InstanceError> {
        self.validate_calendar()?;
        self.validate_capacity()?;
        let ids = Ids::of(self)?;
        for (number, visit) in self.visits.iter().enumerate() {
            self.validate_visit(&format!("visits[{number}]"), visit, &ids)?;
        }
        self.validate_order(&ids)?;
        self.validate_size()?;
        settle_locked(self, &Model::new(self)).map(|_| ())
    }

    fn validate_calendar(&self) -> Result<(), InstanceError> {
        if self.days == 0 {
            return Err(InstanceError::NoDays { path: "days".into() });
        }
        at_most("days", self.days as i64, DAYS_MAX)?;
        counted("open", self.open.len(), self.days, "day")?;
        counted("weeks", self.weeks.len(), self.days, "day")?;
        if let Some(day) = self.open.iter().position(|open| *open > 1) {
            return Err(InstanceError::NotOpenOrClosed {
                path: format!("open[{day}]"),
                given: self.open[day],
            });
        }
        for (day, pair) in self.weeks.windows(2).enumerate() {
            if pair[1] < pair[0] {
                let path = format!("weeks[{}]", day + 1);
                return Err(InstanceError::WeeksFall { path, given: pair[1], before: pair[0] });
            }
        }
        at_most("weeks", self.weeks.last().map_or(0, |week| *week as i64), DAYS_MAX)
    }

    fn validate_capacity(&self) -> Result<(), InstanceError> {
        let weeks = self.weeks.last().map_or(0, |last| last + 1);
        for (number, skill) in self.skills.iter().enumerate() {
            let at = |field: &str| format!("skills[{number}].{field}");
            series(&at("day_minutes"), &skill.day_minutes, self.days, "day", MINUTES_MAX)?;
            for (field, row) in
                [("week_minutes", &skill.week_minutes), ("week_overtime", &skill.week_overtime)]
            {
                // Weeks beyond the horizon do no harm.
                series(&at(field), row, weeks.max(row.len()), "week", MINUTES_MAX)?;
            }
            within(&at("overtime_cost"), skill.overtime_cost, CENTS_MAX)?;
        }
        for (number, bay) in self.bays.iter().enumerate() {
            series(&format!("bays[{number}].count"), &bay.count, self.days, "day", COUNT_MAX)?;
        }
        for (number, kit) in self.kits.iter().enumerate() {
            for (at, receipt) in kit.receipts.iter().enumerate() {
                let path = format!("kits[{number}].receipts[{at}]");
                within(&path, receipt.quantity, COUNT_MAX)?;
                if receipt.day < 0 || receipt.day >= self.days as i64 {
                    let last = self.days as i64 - 1;
                    return Err(InstanceError::OutsideHorizon { path, given: receipt.day, last });
                }
            }
        }
        for (number, pool) in self.pools.iter().enumerate() {
            let at = |field: &str| format!("pools[{number}].{field}");
            series(&at("fleet"), &pool.fleet, self.days, "day", COUNT_MAX)?;
            series(&at("minimum"), &pool.minimum, self.days, "day", COUNT_MAX)?;
            within(&at("shortfall_cost"), pool.shortfall_cost, CENTS_MAX)?;
            if !pool.out_cost.is_empty() {
                series(&at("out_cost"), &pool.out_cost, self.days, "day", CENTS_MAX)?;
            }
        }
        Ok(())
    }

    fn validate_visit(&self, path: &str, visit: &Visit, ids: &Ids) -> Result<(), InstanceError> {
        ids.known(&ids.pools, "pool", &format!("{path}.pool"), &visit.pool)?;
        if visit.modes.is_empty() {
            return Err(InstanceError::NoMode { path: format!("{path}.modes") });
        }
        let mut seen = HashSet::new();
        for (number, mode) in visit.modes.iter().enumerate() {
            let path = format!("{path}.modes[{number}]");
            if !seen.insert(mode.id.as_str()) {
                return Err(InstanceError::Duplicate {
                    path: format!("{path}.id"),
                    id: mode.id.clone(),
                });
            }
            self.validate_mode(&path, mode, ids)?;
        }
        for (number, hinge) in visit.hinges.iter().enumerate() {
            let path = format!("{path}.hinges[{number}]");
            at_most(&path, hinge.day, DAYS_MAX)?;
            at_most(&path, hinge.before, CENTS_MAX)?;
            at_most(&path, hinge.after, CENTS_MAX)?;
        }
        within(&format!("{path}.unplanned_cost"), visit.unplanned_cost, CENTS_MAX)?;
        within(&format!("{path}.move_cost"), visit.move_cost, CENTS_MAX)?;
        let days = [Some(visit.release), visit.deadline, visit.published_day];
        for (field, day) in ["release", "deadline", "published_day"].into_iter().zip(days) {
            at_most(&format!("{path}.{field}"), day.unwrap_or(0), DAYS_MAX)?;
        }
        for (number, after) in visit.after.iter().enumerate() {
            let path = format!("{path}.after[{number}]");
            ids.known(&ids.visits, "visit", &format!("{path}.visit"), &after.visit)?;
            within(&format!("{path}.gap"), after.gap, DAYS_MAX)?;
        }
        if visit.locked && visit.published_day.is_none() {
            return Err(InstanceError::LockedUnpublished { path: format!("{path}.published_day") });
        }
        Ok(())
    }

    fn validate_mode(&self, path: &str, mode: &Mode, ids: &Ids) -> Result<(), InstanceError> {
        if mode.length == 0 || mode.length > self.days {
            let path = format!("{path}.length");
            return Err(InstanceError::Length { path, given: mode.length, days: self.days });
        }
        ids.known(&ids.bays, "bay", &format!("{path}.bay"), &mode.bay)?;
        for (skill, minutes) in &mode.minutes {
            let path = format!("{path}.minutes.{skill}");
            ids.known(&ids.skills, "skill", &path, skill)?;
            series(&path, minutes, mode.length, "open day of the stay", MINUTES_MAX)?;
        }
        for (kit, &pieces) in &mode.kits {
            let path = format!("{path}.kits.{kit}");
            ids.known(&ids.kits, "kit", &path, kit)?;
            within(&path, pieces, COUNT_MAX)?;
        }
        at_most(&format!("{path}.cost"), mode.cost, CENTS_MAX)
    }

    /// Kahn (1962): whatever is never free of its predecessors waits in a circle.
    fn validate_order(&self, ids: &Ids) -> Result<(), InstanceError> {
        let mut waits: Vec<usize> = self.visits.iter().map(|visit| visit.after.len()).collect();
        let mut followers = vec![Vec::new(); self.visits.len()];
        for (number, visit) in self.visits.iter().enumerate() {
            for after in &visit.after {
                followers[ids.visits[after.visit.as_str()]].push(number);
            }
        }
        let mut ready: Vec<usize> = (0..waits.len()).filter(|&visit| waits[visit] == 0).collect();
        while let Some(visit) = ready.pop() {
            for &follower in &followers[visit] {
                waits[follower] -= 1;
                if waits[follower] == 0 {
                    ready.push(follower);
                }
            }
        }
        let Some(stuck) = waits.iter().position(|&left| left > 0) else { return Ok(()) };
        // From a stuck visit, stuck predecessors lead into the circle and then around it.
        let ahead = |visit: usize| {
            let stuck =
                self.visits[visit].after.iter().map(|after| ids.visits[after.visit.as_str()]);
            stuck.into_iter().find(|&other| waits[other] > 0).unwrap_or(visit)
        };
        let mut at = stuck;
        for _ in 0..waits.len() {
            at = ahead(at);
        }
        let first = at;
        let mut circle = vec![self.visits[first].id.as_str()];
        at = ahead(first);
        while at != first {
            circle.push(&self.visits[at].id);
            at = ahead(at);
        }
        circle.push(&self.visits[first].id);
        Err(InstanceError::Cycle {
            path: format!("visits[{first}].after"),
            circle: circle.join(" after "),
        })
    }

    /// Limits that keep every sum exact and the memory bounded.
    fn validate_size(&self) -> Result<(), InstanceError> {
        let modes = self.visits.iter().map(|visit| visit.modes.len() as i64).sum::<i64>();
        at_most("visits", modes * self.days as i64, COLUMNS_MAX)?;
        let mut worst: i128 = 0;
        for skill in &self.skills {
            worst += skill.week_overtime.iter().map(|&minutes| i128::from(minutes)).sum::<i128>()
                * i128::from(skill.overtime_cost);
        }
        for pool in &self.pools {
            let wanted: i128 = pool.minimum.iter().map(|&engines| i128::from(engines)).sum();
            let out = self.visits.len() as i128 * self.days as i128;
            worst += (wanted + out) * i128::from(pool.shortfall_cost);
            worst += pool.out_cost.iter().map(|&cost| i128::from(cost)).sum::<i128>()
                * self.visits.len() as i128;
        }
        for visit in &self.visits {
            let modes =
                visit.modes.iter().map(|mode| i128::from(mode.cost).abs()).max().unwrap_or(0);
            let hinges = visit.hinges.iter().map(|hinge| {
                let far = i128::from(hinge.day).abs() + self.days as i128;
                far * i128::from(hinge.before.abs().max(hinge.after.abs()))
            });
            worst += modes
                + hinges.sum::<i128>()
                + i128::from(visit.unplanned_cost)
                + i128::from(visit.move_cost);
        }
        if worst > WORST_MAX {
            let given = i64::try_from(worst).unwrap_or(i64::MAX);
            return Err(InstanceError::TooLarge {
                path: "the dearest plan's cost".into(),
                given,
                limit: WORST_MAX as i64,
            });
        }
        Ok(())
    }
}

/// Which ids there are, and where visits stand.
struct Ids<'a> {
    skills: HashMap<&'a str, usize>,
    bays: HashMap<&'a str, usize>,
    kits: HashMap<&'a str, usize>,
    pools: HashMap<&'a str, usize>,
    visits: HashMap<&'a str, usize>,
}

impl<'a> Ids<'a> {
    fn of(instance: &'a Instance) -> Result<Self, InstanceError> {
        Ok(Self {
            skills: unique("skills", instance.skills.iter().map(|skill| &skill.id))?,
            bays: unique("bays", instance.bays.iter().map(|bay| &bay.id))?,
            kits: unique("kits", instance.kits.iter().map(|kit| &kit.id))?,
            pools: unique("pools", instance.pools.iter().map(|pool| &pool.id))?,
            visits: unique("visits", instance.visits.iter().map(|visit| &visit.id))?,
        })
    }

    fn known(
        &self,
        ids: &HashMap<&str, usize>,
        kind: &'static str,
        path: &str,
        id: &str,
    ) -> Result<(), InstanceError> {
        match ids.contains_key(id) {
            true => Ok(()),
            false => Err(InstanceError::Unknown { path: path.to_owned(), kind, id: id.to_owned() }),
        }
    }
}

fn unique<'a>(
    list: &str,
    ids: impl Iterator<Item = &'a String>,
) -> Result<HashMap<&'a str, usize>, InstanceError> {
    let mut seen = HashMap::new();
    for (number, id) in ids.enumerate() {
        if seen.insert(id.as_str(), number).is_some() {
            return Err(InstanceError::Duplicate {
                path: format!("{list}[{number}].id"),
                id: id.clone(),
            });
        }
    }
    Ok(seen)
}

fn series(
    path: &str,
    row: &[i64],
    wanted: usize,
    per: &'static str,
    limit: i64,
) -> Result<(), InstanceError> {
    counted(path, row.len(), wanted, per)?;
    // The path is written only for what is refused: these rows are long.
    match row.iter().position(|&given| within(path, given, limit).is_err()) {
        Some(at) => within(&format!("{path}[{at}]"), row[at], limit),
        None => Ok(()),
    }
}

fn counted(
    path: &str,
    given: usize,
    wanted: usize,
    per: &'static str,
) -> Result<(), InstanceError> {
    match given == wanted {
        true => Ok(()),
        false => Err(InstanceError::WrongCount { path: path.to_owned(), given, wanted, per }),
    }
}

/// At least 0 and at most `limit`.
fn within(path: &str, given: i64, limit: i64) -> Result<(), InstanceError> {
    if given < 0 {
        return Err(InstanceError::Negative { path: path.to_owned(), given });
    }
    at_most(path, given, limit)
}

/// No further from 0 than `limit`.
fn at_most(path: &str, given: i64, limit: i64) -> Result<(), InstanceError> {
    match given.unsigned_abs() > limit.unsigned_abs() {
        true => Err(InstanceError::TooLarge { path: path.to_owned(), given, limit }),
        false => Ok(()),
    }
}
