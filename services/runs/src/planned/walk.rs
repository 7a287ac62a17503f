//! One engine walked through the horizon on one path.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::{Datelike, NaiveDate};
use fleet::due::Limits;
use fleet::engine::Engine;
use fleet::id::{EngineId, ModelId, PartId, ServiceId, TaskId};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use store::snapshot::Snapshot;

use super::Span;
use super::ahead::{Step, Steps};
use super::failures::{self, Failing, failing};
use super::findings::{Findings, Follows, findings};
use super::habits::{Chances, Habits, LayUps, Running, When};
use super::needs::{Need, Needs};
use super::past_steps::{begins, is_planned, past_steps};
use super::shares::Gone;
use super::visits::{Planned, coming};
use crate::due::DueLine;
use crate::error::RunError;
use crate::forecast::chain;
use crate::hours::FleetHours;
use crate::lives::risks::Risks;

/// Days over which what is overdue today is caught up with (common practice, no source).
const CATCH_UP_DAYS: f64 = 28.0;
/// A lay-up that many days late is taken to be left out.
const LAY_UP_LATE_DAYS: f64 = 60.0;
const DAYS_A_YEAR: f64 = 365.25;
const DAYS_A_MONTH: f64 = 30.44;

/// What holds for all engines.
pub struct Yard {
    settles: HashMap<TaskId, Vec<TaskId>>,
    habits: Habits,
    failing: HashMap<TaskId, Failing>,
    lay_ups: LayUps,
    findings: Findings,
    needs: Needs,
    visits: HashMap<EngineId, Planned>,
    /// The first day on each engine's record.
    begins: HashMap<EngineId, NaiveDate>,
}

impl Yard {
    pub fn learn(
        snapshot: &Snapshot,
        fleet: &FleetHours,
        (today, chain_on): (NaiveDate, NaiveDate),
    ) -> Result<Self, RunError> {
        let settles = settles(snapshot);
        let findings = findings(snapshot);
        let revealed: HashSet<ServiceId> = findings.revealed.iter().copied().collect();
        let steps = past_steps(snapshot, fleet, &settles, &revealed, today);
        let risks = Risks::read(snapshot, fleet)?;
        Ok(Self {
            habits: Habits::learn(&steps),
            failing: failing(&steps, |engine, task| risks.of(engine, task).map(|it| it.law)),
            lay_ups: LayUps::learn(snapshot),
            needs: Needs::learn(snapshot, &chain(snapshot)?, chain_on),
            visits: coming(snapshot, today),
            begins: begins(snapshot, fleet),
            findings,
            settles,
        })
    }

    /// The services whose like is played: findings that planned work brought to light, and failures
    /// in use.
    pub fn explained(self, snapshot: &Snapshot) -> Vec<ServiceId> {
        let services = snapshot.work.services.iter();
        let failures = services.filter(|it| !is_planned(it.reason));
        let failures = failures.filter(|it| self.failing.contains_key(&it.task));
        let mut explained = self.findings.revealed;
        explained.extend(failures.map(|service| service.id));
        explained
    }
}

fn settles(snapshot: &Snapshot) -> HashMap<TaskId, Vec<TaskId>> {
    let mut settles: HashMap<TaskId, Vec<TaskId>> = HashMap::new();
    for link in &snapshot.programme.task_links {
        settles.entry(link.task).or_default().push(link.other);
    }
    settles
}

/// A part taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Taken {
    pub part: PartId,
    pub month: usize,
    pub quantity: f32,
    pub stream: Stream,
}

/// Why a part is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stream {
    Planned,
    OnFinding,
    Unplanned,
}

/// One engine's task, as everything that does not change from path to path.
struct Ways {
    task: TaskId,
    start: Clock,
    every_hours: f64,
    every_days: f64,
    /// By the interval that runs: afloat and at lay-up.
    chances: [[Chances; 2]; 3],
    failing: Option<Failing>,
    /// Places in the walk of what doing it settles.
    settles: Vec<usize>,
    /// Stands in a published visit.
    visited: bool,
}

/// Where a task stands.
#[derive(Clone, Copy, Debug)]
struct Clock {
    /// Life at which the hours limb is reached, and its length; infinite without.
    hours_at: f64,
    hours_length: f64,
    /// Day from today on which the months limb is reached, and its length; infinite without.
    due_on: f64,
    days_length: f64,
    running: Running,
}

impl Clock {
    fn gone(&self, life: f64, day: f64) -> Gone {
        let share = |left: f64, length: f64| length.is_finite().then(|| 1.0 - left / length);
        Gone::of(
            share(self.hours_at - life, self.hours_length),
            share(self.due_on - day, self.days_length),
        )
    }
}

/// An engine's walk.
pub struct Walk<'a> {
    yard: &'a Yard,
    model: ModelId,
    ways: Vec<Ways>,
    /// Drawn once a path, so that what nobody knows leans the same way for all engines.
    drawn: HashMap<Unsure, Vec<f32>>,
    planned: Option<&'a Planned>,
    /// Days from today of the lay-ups to come, before they move; a month's later one each.
    lay_ups: LayUpsAhead,
}

/// What has a chance, or a rate, that nobody knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Unsure {
    Failing(TaskId),
    Part(TaskId, PartId),
    Task(TaskId, TaskId),
}

/// When an engine will be laid up.
enum LayUpsAhead {
    Never,
    /// Days from today, give or take so many.
    About(f64, f64),
    /// It never was; as others were, days from today.
    AsOthers(Vec<f64>),
}

impl<'a> Walk<'a> {
    pub fn of(
        yard: &'a Yard,
        engine: &Engine,
        lines: &[&DueLine],
        fleet: &FleetHours,
        span: Span,
    ) -> Self {
        let planned = yard.visits.get(&engine.id);
        let visited = planned.map(Planned::tasks).unwrap_or_default();
        let mut places: BTreeMap<TaskId, usize> = BTreeMap::new();
        for (place, line) in lines.iter().enumerate() {
            places.insert(line.task, place);
        }
        let ways = lines.iter().map(|line| Ways::of(yard, line, fleet, span, &places, &visited));
        let mut walk = Self {
            yard,
            model: engine.model,
            ways: ways.collect(),
            drawn: HashMap::new(),
            planned,
            lay_ups: lay_ups_ahead(&yard.lay_ups, engine.id, planned, span.today),
        };
        walk.draw_unsure(span);
        walk
    }

    fn draw_unsure(&mut self, span: Span) {
        let mut unsure: Vec<(Unsure, demand::Chance)> = Vec::new();
        let mut tasks: Vec<TaskId> = self.ways.iter().map(|way| way.task).collect();
        for way in &self.ways {
            for follows in self.follows(way.task) {
                unsure.push((Unsure::Task(way.task, follows.task), follows.chance));
                tasks.push(follows.task);
            }
        }
        for task in tasks {
            for need in self.yard.needs.of(task, self.model) {
                if let Some(chance) = need.found {
                    unsure.push((Unsure::Part(task, need.part), chance));
                }
            }
        }
        // The same for every engine that meets it.
        let random = |what: Unsure| {
            let mut random = ChaCha8Rng::seed_from_u64(span.seed);
            random.set_stream((1 << 40) ^ what.number());
            random
        };
        for (what, chance) in unsure {
            let mut random = random(what);
            let drawn = (0..span.paths).map(|_| chance.draw(&mut random) as f32).collect();
            self.drawn.insert(what, drawn);
        }
        for way in &self.ways {
            let Some(failing) = &way.failing else { continue };
            let what = Unsure::Failing(way.task);
            let mut random = random(what);
            let drawn = (0..span.paths).map(|_| failing.leans(&mut random) as f32).collect();
            self.drawn.insert(what, drawn);
        }
    }

    fn follows(&self, task: TaskId) -> &[Follows] {
        self.yard.findings.by_task.get(&task).map_or(&[], Vec::as_slice)
    }

    /// Walks one path; `life` is the life now and at the end of each step.
    pub fn path(
        &self,
        steps: &Steps,
        life: &[f64],
        path: usize,
        random: &mut ChaCha8Rng,
        mut take: impl FnMut(Taken),
    ) {
        let mut clocks: Vec<Clock> = self.ways.iter().map(|way| way.start).collect();
        let mut lay_ups = self.lay_ups.draw(random);
        let mut doing: Vec<(usize, TaskId)> = Vec::new();
        for (place, step) in steps.steps.iter().enumerate() {
            let ran = (life[place], life[place + 1]);
            let ashore = lay_ups.until(step.to, random);
            let moment = Moment { step, ran, ashore };
            for (at, way) in self.ways.iter().enumerate() {
                let gone = clocks[at].gone(ran.1, step.to);
                if self.fails(way, gone, (&moment, path), random) {
                    self.take_needs(
                        way.task,
                        path,
                        step.month,
                        Stream::Unplanned,
                        random,
                        &mut take,
                    );
                    moment.restart(way, &self.ways, &mut clocks, random);
                } else if self.is_done(way, &clocks[at], gone, &moment, random) {
                    doing.push((at, way.task));
                }
            }
            for (at, task) in doing.drain(..) {
                let way = &self.ways[at];
                self.take_needs(task, path, step.month, Stream::Planned, random, &mut take);
                moment.restart(way, &self.ways, &mut clocks, random);
                for follows in self.follows(task) {
                    if !self.happens(Unsure::Task(task, follows.task), path, random) {
                        continue;
                    }
                    let stream = Stream::OnFinding;
                    self.take_needs(follows.task, path, step.month, stream, random, &mut take);
                    if let Some(way) = self.ways.iter().find(|way| way.task == follows.task) {
                        moment.restart(way, &self.ways, &mut clocks, random);
                    }
                }
            }
        }
    }

    fn fails(
        &self,
        way: &Ways,
        gone: Gone,
        (moment, path): (&Moment<'_>, usize),
        random: &mut ChaCha8Rng,
    ) -> bool {
        let Some(failing) = &way.failing else { return false };
        let leaning = self.drawn.get(&Unsure::Failing(way.task)).and_then(|drawn| drawn.get(path));
        let hours = moment.ran.1 - moment.ran.0;
        let rate =
            failing.rates[failures::class(gone)] * hours * leaning.map_or(1.0, |it| f64::from(*it));
        rate > 0.0 && random.random::<f64>() < -(-rate).exp_m1()
    }

    fn is_done(
        &self,
        way: &Ways,
        clock: &Clock,
        gone: Gone,
        moment: &Moment<'_>,
        random: &mut ChaCha8Rng,
    ) -> bool {
        let step = moment.step;
        if let Some(planned) = self.planned.filter(|_| way.visited) {
            let visits = planned.visits.iter();
            let mut of_task = visits.filter(|visit| visit.tasks.contains(&way.task));
            let last = of_task.clone().next_back().map_or(0.0, |visit| visit.day);
            if of_task.any(|visit| (step.from..step.to).contains(&visit.day)) {
                return true;
            }
            // Until its visits are over, the plan is all that happens to it.
            if step.from <= last {
                return false;
            }
        }
        let ashore = moment.ashore.is_some();
        let chance =
            f64::from(way.chances[clock.running as usize][usize::from(ashore)][gone.place()]);
        let chance = if ashore || step.share >= 1.0 {
            chance
        } else {
            1.0 - (1.0 - chance).powf(step.share)
        };
        chance > 0.0 && random.random::<f64>() < chance
    }

    fn happens(&self, what: Unsure, path: usize, random: &mut ChaCha8Rng) -> bool {
        let chance = self.drawn.get(&what).and_then(|drawn| drawn.get(path));
        chance.is_some_and(|chance| random.random::<f32>() < *chance)
    }

    fn take_needs(
        &self,
        task: TaskId,
        path: usize,
        month: usize,
        stream: Stream,
        random: &mut ChaCha8Rng,
        take: &mut impl FnMut(Taken),
    ) {
        for need in self.yard.needs.of(task, self.model) {
            let Need { part, found, .. } = need;
            if found.is_some() && !self.happens(Unsure::Part(task, *part), path, random) {
                continue;
            }
            let quantity = need.quantity(random.random(), random.random());
            let stream = match stream {
                Stream::Planned if found.is_some() => Stream::OnFinding,
                stream => stream,
            };
            take(Taken { part: *part, month, quantity, stream });
        }
    }
}

/// A step as one engine meets it.
struct Moment<'a> {
    step: &'a Step,
    /// Life at its start and end.
    ran: (f64, f64),
    /// The day from today on which the engine is laid up in it.
    ashore: Option<f64>,
}

impl Moment<'_> {
    /// Starts the clocks of `way` and of what it settles anew, on some day of the step.
    fn restart(&self, way: &Ways, ways: &[Ways], clocks: &mut [Clock], random: &mut ChaCha8Rng) {
        let Step { from, to, .. } = *self.step;
        let day = self.ashore.unwrap_or_else(|| from + random.random::<f64>() * (to - from));
        let gone = ((day - from) / (to - from)).clamp(0.0, 1.0);
        let life = self.ran.0 + gone * (self.ran.1 - self.ran.0);
        for at in &way.settles {
            let settled = &ways[*at];
            clocks[*at] = Clock {
                hours_at: life + settled.every_hours,
                hours_length: settled.every_hours,
                due_on: day + settled.every_days,
                days_length: settled.every_days,
                running: Running::Repeating,
            };
        }
    }
}

impl Ways {
    fn of(
        yard: &Yard,
        line: &DueLine,
        fleet: &FleetHours,
        span: Span,
        places: &BTreeMap<TaskId, usize>,
        visited: &HashSet<TaskId>,
    ) -> Self {
        let chances = |running: Running| {
            [false, true].map(|ashore| yard.habits.chances(line.task, When { running, ashore }))
        };
        let settled = fleet::due::settled_by(line.task, &yard.settles);
        Self {
            task: line.task,
            start: match line.limits() {
                Some(limits) => Clock::of((line, limits), fleet, span.today),
                None => Clock::at_least(line, yard.begins.get(&line.engine), fleet, span.today),
            },
            every_hours: every_hours(line),
            every_days: every_days(line),
            chances: [Running::Repeating, Running::First, Running::Unknown].map(chances),
            failing: yard.failing.get(&line.task).copied(),
            settles: settled.iter().filter_map(|task| places.get(task).copied()).collect(),
            visited: visited.contains(&line.task),
        }
    }
}

impl Clock {
    const UNKNOWN: Self = Self {
        hours_at: f64::INFINITY,
        hours_length: f64::INFINITY,
        due_on: f64::INFINITY,
        days_length: f64::INFINITY,
        running: Running::Unknown,
    };

    fn of((line, limits): (&DueLine, &Limits), fleet: &FleetHours, today: NaiveDate) -> Self {
        let running = if limits.first { Running::First } else { Running::Repeating };
        let mut clock = Self { running, ..Self::UNKNOWN };
        // Without hours on record the hours limb can't be played: the months limb stands alone.
        if let (Some(at), Some(length), Some(_)) =
            (limits.hours_at, limits.hours_length, fleet.engine(line.engine))
        {
            clock.hours_at = at.as_decimal();
            clock.hours_length = length.as_decimal().max(0.1);
        }
        if let Some(on) = limits.months_on {
            clock.due_on = (on - today).num_days() as f64;
            clock.days_length = (on - limits.counts_from).num_days().max(1) as f64;
        }
        clock
    }

    /// What was last done before the record `begins` has gone at least as far as if it had been done
    /// that day.
    fn at_least(
        line: &DueLine,
        begins: Option<&NaiveDate>,
        fleet: &FleetHours,
        today: NaiveDate,
    ) -> Self {
        let Some(begins) = begins else { return Self::UNKNOWN };
        let mut clock = Self::UNKNOWN;
        let life = fleet.engine(line.engine).and_then(|hours| hours.life_on(*begins));
        if let Some(life) = life.filter(|_| every_hours(line).is_finite()) {
            clock.hours_length = every_hours(line).max(0.1);
            clock.hours_at = life + clock.hours_length;
        }
        if every_days(line).is_finite() {
            clock.days_length = every_days(line).max(1.0);
            clock.due_on = (*begins - today).num_days() as f64 + clock.days_length;
        }
        clock
    }
}

fn every_hours(line: &DueLine) -> f64 {
    line.repeats.hours.map_or(f64::INFINITY, |hours| hours.as_decimal())
}

fn every_days(line: &DueLine) -> f64 {
    line.repeats.months.map_or(f64::INFINITY, |months| f64::from(months) * DAYS_A_MONTH)
}

impl Unsure {
    /// A number that hangs on the ids alone.
    fn number(self) -> u64 {
        let (kind, one, other) = match self {
            Self::Failing(task) => (3, task.0.as_u128(), 0),
            Self::Part(task, part) => (1, task.0.as_u128(), part.0.as_u128()),
            Self::Task(task, other) => (2, task.0.as_u128(), other.0.as_u128()),
        };
        // FNV-1a over the bytes, kept below the streams of pools and engines' marker.
        let bytes = one.to_be_bytes().into_iter().chain(other.to_be_bytes()).chain([kind]);
        let hash = bytes.fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        });
        hash >> 24
    }
}

fn lay_ups_ahead(
    known: &LayUps,
    engine: EngineId,
    planned: Option<&Planned>,
    today: NaiveDate,
) -> LayUpsAhead {
    let today_number = f64::from(today.num_days_from_ce());
    let covered = planned.filter(|planned| planned.lay_up);
    // The winter's plan stands for this lay-up; the next is a year after its last visit.
    if let Some(visit) = covered.and_then(|planned| planned.visits.last()) {
        return LayUpsAhead::About(visit.day + DAYS_A_YEAR, known.moves);
    }
    let ahead = |last: f64| {
        let mut day = last + DAYS_A_YEAR - today_number;
        while day < -LAY_UP_LATE_DAYS {
            day += DAYS_A_YEAR;
        }
        day
    };
    if let Some(last) = known.last_of(engine) {
        return LayUpsAhead::About(ahead(last as f64), known.moves);
    }
    if known.days().is_empty() {
        return LayUpsAhead::Never;
    }
    let july = NaiveDate::from_ymd_opt(super::past_steps::winter_of(today), 7, 1);
    let july = f64::from(july.unwrap_or(today).num_days_from_ce());
    // A lay-up of a year ago, on the day on which each of the others was.
    let days = known.days().iter().map(|day| ahead(july - DAYS_A_YEAR + *day as f64));
    LayUpsAhead::AsOthers(days.collect())
}

/// The lay-ups of one path.
struct LayUpDays {
    next: Option<f64>,
    moves: f64,
}

impl LayUpsAhead {
    fn draw(&self, random: &mut ChaCha8Rng) -> LayUpDays {
        let (day, moves) = match self {
            Self::Never => return LayUpDays { next: None, moves: 0.0 },
            Self::About(day, moves) => {
                let moved: f64 = StandardNormal.sample(random);
                (day + moves * moved, *moves)
            }
            Self::AsOthers(days) => (days[random.random_range(0..days.len())], 0.0),
        };
        // One that should have been is caught up with.
        let day = if day < 0.0 { random.random::<f64>() * CATCH_UP_DAYS } else { day };
        LayUpDays { next: Some(day), moves }
    }
}

impl LayUpDays {
    /// The lay-up before `to`, if one is left.
    fn until(&mut self, to: f64, random: &mut ChaCha8Rng) -> Option<f64> {
        let day = self.next.filter(|day| *day < to)?;
        let moved: f64 = StandardNormal.sample(random);
        self.next = Some((day + DAYS_A_YEAR + self.moves * moved).max(to));
        Some(day)
    }
}
