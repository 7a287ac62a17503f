//! What if the rotation had been followed? The last whole season of the record day by day, under the
//! rotation as it would have been planned each Monday, beside two rules of thumb: service when due,
//! and service every Monday by highest hours.
//!
//! All three meet the same hours, hires, hands and places, do the same work by hours limbs, and may
//! do quick work before hire begins. The rotation knows on a Monday what was on record before it and
//! nothing later. Left out, for all three alike: work by the calendar, findings, and parts, which
//! are taken to be there. What an engine ran is what it ran on record: hours that it would not have
//! run while on the bench are not moved to another.

mod rules;

use std::collections::{BTreeMap, HashMap};
use std::sync::atomic::AtomicBool;

use chrono::{Datelike as _, Days, NaiveDate};
use fleet::due::settled_by;
use fleet::engine::EngineStatus;
use fleet::id::{EngineId, PoolId, SiteId, TaskId};
use fleet::site::Site;
use fleet::visit::PlanKind;
use store::snapshot::Snapshot;

use crate::due::{DueLine, due_list};
use crate::error::RunError;
use crate::hours::FleetHours;
use crate::plan::wanted::HireDays;

/// Days after the last hire of a season before it can be replayed: its readings are in.
const SETTLED_DAYS: u64 = 14;
/// Units of search for each Monday's plan: a moment, and the same plan each time.
pub const WORK: u64 = 200_000;

/// How services are chosen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rule {
    Rotation,
    WhenDue,
    MondayHighest,
}

impl Rule {
    pub const ALL: [Self; 3] = [Self::Rotation, Self::WhenDue, Self::MondayHighest];

    pub const fn name(self) -> &'static str {
        match self {
            Self::Rotation => "rotation",
            Self::WhenDue => "when-due",
            Self::MondayHighest => "monday-highest",
        }
    }
}

/// A season of a site under a rule.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Outcome {
    pub visits: usize,
    /// Of them, done before hire began.
    pub before_hire: usize,
    /// Boats that went out on record and could not have, added up over days.
    pub boat_days_lost: i64,
    /// Hours run by engines while a task was past its hours limb.
    pub overdue_hours: f64,
    pub overtime_minutes: i64,
}

/// A season that can be replayed.
pub struct SeasonPast<'a> {
    /// Without what the replay leaves out.
    records: Snapshot,
    site: &'a Site,
    pub from: NaiveDate,
    pub until: NaiveDate,
    truth: FleetHours,
    hires: HireDays,
    engines: BTreeMap<EngineId, PoolId>,
    /// Hours limbs of each engine as the season begins.
    limbs: BTreeMap<EngineId, Vec<Limb>>,
    settles: HashMap<TaskId, Vec<TaskId>>,
}

/// The hours limb of a task on an engine.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Limb {
    pub task: TaskId,
    /// Life hours at which it is reached, and how long it lasts from a service on.
    pub at: f64,
    pub every: f64,
}

impl Limb {
    /// Share of it that is used: 1 at the limit.
    pub fn used(&self, life: f64) -> f64 {
        1.0 - (self.at - life) / self.every
    }
}

/// A service that a rule wants on a day.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Wish {
    pub engine: EngineId,
    pub tasks: Vec<TaskId>,
    pub minutes: i64,
    /// Quick enough to be done on the water.
    pub quick: bool,
    /// Asked for before hire; `None`: before hire where a mechanic's morning is free.
    pub before_hire: Option<bool>,
}

/// What a rule sees of a day.
pub(crate) struct Morning<'a> {
    pub on: NaiveDate,
    pub limbs: &'a BTreeMap<EngineId, Vec<Limb>>,
    /// What was done in the season so far.
    pub done: &'a [(EngineId, TaskId, NaiveDate)],
}

impl<'a> SeasonPast<'a> {
    /// The last season of a site whose record is whole on `today`; `None` where the site hires
    /// nothing.
    ///
    /// # Errors
    /// `record-too-short` where no season has ended.
    pub fn of(
        snapshot: &Snapshot,
        site: &'a Site,
        today: NaiveDate,
    ) -> Result<Option<Self>, RunError> {
        let pools: Vec<PoolId> = snapshot
            .fleet
            .pools
            .iter()
            .filter(|pool| pool.site == site.id && !pool.archived)
            .map(|pool| pool.id)
            .collect();
        let hires = HireDays::read(snapshot);
        let mut years: BTreeMap<i32, (NaiveDate, NaiveDate)> = BTreeMap::new();
        for day in pools.iter().flat_map(|pool| hires.days(*pool)) {
            let year = years.entry(day.year()).or_insert((day, day));
            *year = (year.0.min(day), year.1.max(day));
        }
        if years.is_empty() {
            return Ok(None);
        }
        let whole = |season: &&(NaiveDate, NaiveDate)| season.1 + Days::new(SETTLED_DAYS) < today;
        let Some(&(from, until)) = years.values().rev().find(whole) else {
            let what = format!("no season of {} on record has ended before {today}", site.name);
            return Err(RunError::Refused { rule: "record-too-short", what });
        };
        let truth = FleetHours::fit(snapshot, today);
        let records = without_what_is_left_out(snapshot.clone());
        let mut past = records.clone();
        crate::past::cut(&mut past, from);
        let fleet = FleetHours::fit(&past, from);
        let lines = due_list(&past, &fleet, from, from);
        let engines: BTreeMap<EngineId, PoolId> = past
            .fleet
            .engines
            .iter()
            .filter(|engine| pools.contains(&engine.pool) && engine.status != EngineStatus::Retired)
            .map(|engine| (engine.id, engine.pool))
            .collect();
        let mut limbs: BTreeMap<EngineId, Vec<Limb>> = BTreeMap::new();
        for line in lines.iter().filter(|line| engines.contains_key(&line.engine)) {
            limbs.entry(line.engine).or_default().extend(limb(line, &truth));
        }
        let mut settles: HashMap<TaskId, Vec<TaskId>> = HashMap::new();
        for link in &records.programme.task_links {
            settles.entry(link.task).or_default().push(link.other);
        }
        Ok(Some(Self { records, site, from, until, truth, hires, engines, limbs, settles }))
    }

    pub fn days(&self) -> usize {
        (self.until - self.from).num_days().unsigned_abs() as usize + 1
    }

    /// The season under a rule; `told` hears how many days are over. The same seed and work give the
    /// same season.
    ///
    /// # Errors
    /// The rotation can't be planned: no hands, no bench.
    pub fn replay(
        &self,
        rule: Rule,
        (seed, work): (u64, u64),
        told: &dyn Fn(usize),
    ) -> Result<Outcome, RunError> {
        let mut rules = rules::Rules::new(self, rule, (seed, work));
        let mut limbs = self.limbs.clone();
        let mut done = Vec::new();
        let mut outcome = Outcome::default();
        let mut waiting: Vec<Wish> = Vec::new();
        for number in 0..self.days() {
            told(number);
            let on = self.from + Days::new(number as u64);
            let morning = Morning { on, limbs: &limbs, done: &done };
            for wish in rules.wishes(&morning)? {
                waiting.retain(|known| known.engine != wish.engine);
                waiting.push(wish);
            }
            let day = rules.capacity(on);
            let (today, later) = day.fit(std::mem::take(&mut waiting));
            waiting = later;
            let mut out: BTreeMap<PoolId, i64> = BTreeMap::new();
            let mut minutes = 0;
            for (wish, before_hire) in today {
                minutes += wish.minutes;
                outcome.visits += 1;
                outcome.before_hire += usize::from(before_hire);
                if !before_hire && let Some(pool) = self.engines.get(&wish.engine) {
                    *out.entry(*pool).or_default() += 1;
                }
                self.serviced(&mut limbs, &wish, on);
                done.extend(wish.tasks.iter().map(|task| (wish.engine, *task, on)));
            }
            outcome.overtime_minutes += (minutes - day.contract).max(0);
            outcome.boat_days_lost += self.lost(on, &out);
            outcome.overdue_hours += self.overdue(on, &limbs);
        }
        Ok(outcome)
    }

    /// Starts the limbs of what was done, and of what that settles, anew.
    fn serviced(&self, limbs: &mut BTreeMap<EngineId, Vec<Limb>>, wish: &Wish, on: NaiveDate) {
        let life = self.life(wish.engine, on);
        let settled: Vec<TaskId> =
            wish.tasks.iter().flat_map(|task| settled_by(*task, &self.settles)).collect();
        for limb in limbs.get_mut(&wish.engine).into_iter().flatten() {
            if settled.contains(&limb.task) {
                limb.at = life + limb.every;
            }
        }
    }

    pub(crate) fn life(&self, engine: EngineId, on: NaiveDate) -> f64 {
        self.truth.engine(engine).and_then(|hours| hours.life_on(on)).unwrap_or(0.0)
    }

    /// Boats that went out on record and lack an engine now.
    fn lost(&self, on: NaiveDate, out: &BTreeMap<PoolId, i64>) -> i64 {
        let short = |(pool, out): (&PoolId, &i64)| {
            let fleet = self.engines.values().filter(|of| *of == pool).count() as i64;
            (i64::from(self.hires.out(*pool, on)) - (fleet - out)).max(0)
        };
        out.iter().map(short).sum()
    }

    fn overdue(&self, on: NaiveDate, limbs: &BTreeMap<EngineId, Vec<Limb>>) -> f64 {
        let next = on + Days::new(1);
        let over = |(engine, limbs): (&EngineId, &Vec<Limb>)| {
            let (life, after) = (self.life(*engine, on), self.life(*engine, next));
            let first = limbs.iter().map(|limb| limb.at).fold(f64::INFINITY, f64::min);
            (after - life.max(first)).max(0.0)
        };
        limbs.iter().map(over).sum()
    }
}

/// The limb as it truly stands: at how many hours a task was last done is, on the season's eve, for a
/// part of them only expected.
fn limb(line: &DueLine, truth: &FleetHours) -> Option<Limb> {
    let limits = line.limits()?;
    let at = limits.hours_at?.as_decimal();
    let last = truth.life_on(line.engine, limits.counts_from).filter(|_| !limits.first);
    let at = last.zip(limits.hours_length).map_or(at, |(last, length)| last + length.as_decimal());
    let every = line.repeats.hours?.as_decimal();
    (every > 0.0).then_some(Limb { task: line.task, at, every })
}

/// Neither calendar limbs nor findings, jobs, plans and parts.
fn without_what_is_left_out(mut snapshot: Snapshot) -> Snapshot {
    for row in &mut snapshot.programme.intervals {
        (row.every_months, row.first_months) = (None, None);
    }
    snapshot.programme.intervals.retain(|row| row.every.is_some());
    snapshot.programme.task_parts.clear();
    let work = &mut snapshot.work;
    work.findings.clear();
    work.holds.clear();
    work.jobs.clear();
    work.job_tasks.clear();
    work.job_parts.clear();
    work.plans.clear();
    work.visits.clear();
    work.visit_tasks.clear();
    snapshot
}

/// What a day has of hands and places.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Day {
    pub contract: i64,
    /// With overtime.
    pub minutes: i64,
    pub places: i64,
    pub mornings: i64,
}

impl Day {
    /// What of `wishes` is done, each with whether before hire, and what waits for another day.
    fn fit(mut self, wishes: Vec<Wish>) -> (Vec<(Wish, bool)>, Vec<Wish>) {
        let (mut today, mut later) = (Vec::new(), Vec::new());
        for wish in wishes {
            let early = wish.quick && self.mornings > 0 && wish.before_hire != Some(false);
            // Longer than any day: it begins on a day that is whole.
            let fits = wish.minutes <= self.minutes || (self.minutes > 0 && today.is_empty());
            if !fits || (!early && self.places == 0) {
                later.push(wish);
                continue;
            }
            self.minutes -= wish.minutes;
            match early {
                true => self.mornings -= 1,
                false => self.places -= 1,
            }
            today.push((wish, early));
        }
        (today, later)
    }
}

/// The kind of plan that is replayed.
const KIND: PlanKind = PlanKind::Rotation;

fn of_site(past: &SeasonPast<'_>) -> (SiteId, PlanKind) {
    (past.site.id, KIND)
}

/// Never asked to stop.
static GOES_ON: AtomicBool = AtomicBool::new(false);

#[cfg(test)]
mod tests {
    use super::*;

    fn wish(minutes: i64, quick: bool) -> Wish {
        Wish { engine: EngineId::fresh(), tasks: Vec::new(), minutes, quick, before_hire: None }
    }

    #[test]
    fn a_day_takes_what_hands_and_places_allow() {
        let day = Day { contract: 200, minutes: 250, places: 1, mornings: 1 };
        let wishes = vec![wish(50, true), wish(50, true), wish(100, false), wish(60, true)];
        let (today, later) = day.fit(wishes.clone());
        // The first before hire, the second on the only place, and none is left for the others.
        let done: Vec<(EngineId, bool)> = today.iter().map(|it| (it.0.engine, it.1)).collect();
        assert_eq!(done, [(wishes[0].engine, true), (wishes[1].engine, false)]);
        assert_eq!(later, wishes[2..]);
        let closed = Day::default();
        assert_eq!(closed.fit(wishes).1.len(), 4);
    }

    #[test]
    fn a_limb_is_used_up_at_its_limit() {
        let limb = Limb { task: TaskId::fresh(), at: 250.0, every: 50.0 };
        assert_eq!([limb.used(200.0), limb.used(240.0), limb.used(275.0)], [0.0, 0.8, 1.5]);
    }
}
