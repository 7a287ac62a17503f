//! The parts that work on the engines will take: every engine's due dates played forward.
//!
//! Each path draws how much every engine will run, walks from one due task to the next (renewals,
//! first intervals and what a task settles included) and books the parts of each. Engines of a pool
//! share their weather, so their paths lean the same way together.

use std::collections::HashMap;

use chrono::NaiveDate;
use demand::Month;
use fleet::id::{EngineId, ModelId, PartId, PoolId, TaskId};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Beta, Distribution, StandardNormal};
use statrs::distribution::{ContinuousCDF, Normal};
use store::snapshot::Snapshot;

use crate::due::DueLine;
use crate::hours::FleetHours;

/// How many months from which, on how many paths.
#[derive(Clone, Copy, Debug)]
pub struct Span {
    pub today: NaiveDate,
    /// The month of `today`: of it, only what is left counts.
    pub first: Month,
    pub months: usize,
    pub paths: usize,
    pub seed: u64,
}

/// One part's demand by work: path after path, a quantity for each month.
#[derive(Clone, Debug, Default)]
pub struct WorkDemand {
    /// What the tasks always take.
    pub planned: Vec<f32>,
    /// What they take when opening brings something to light.
    pub on_finding: Vec<f32>,
}

/// Share of an engine's surprise that its pool shares (weather, a good year); common practice, no
/// source: half way between each for itself and all as one.
const SHARED: f64 = 0.5;
/// Days over which what is overdue today is caught up with (common practice, no source).
const CATCH_UP_DAYS: f64 = 28.0;
/// Tasks one engine can have in a horizon before an interval must be a slip of the pen.
const TASKS_MAX: usize = 400;

/// What a task takes, and with which chance.
struct Need {
    part: PartId,
    quantity: f32,
    /// `None`: always. Else the Beta posterior of its being needed.
    found: Option<(f64, f64)>,
}

/// One engine's task as it is played.
#[derive(Clone, Copy)]
struct Played {
    task: TaskId,
    hours_at: f64,
    day: f64,
    every_hours: f64,
    every_days: f64,
}

/// Plays all engines forward.
pub fn play(
    snapshot: &Snapshot,
    fleet: &FleetHours,
    lines: &[DueLine],
    span: Span,
) -> HashMap<PartId, WorkDemand> {
    let needs = needs(snapshot);
    let settles = settles(snapshot);
    let models: HashMap<EngineId, ModelId> =
        snapshot.fleet.engines.iter().map(|engine| (engine.id, engine.model)).collect();
    let edges = edges(span);
    let mut by_engine: HashMap<EngineId, Vec<&DueLine>> = HashMap::new();
    for line in lines {
        by_engine.entry(line.engine).or_default().push(line);
    }
    let leanings = leanings(snapshot, span);
    let mut demand: HashMap<PartId, WorkDemand> = HashMap::new();
    for (number, engine) in snapshot.fleet.engines.iter().enumerate() {
        let Some(lines) = by_engine.get(&engine.id) else { continue };
        let mut random = ChaCha8Rng::seed_from_u64(span.seed);
        random.set_stream(1_000 + number as u64);
        let tasks: Vec<Played> = lines.iter().map(|line| played(line, fleet, span)).collect();
        let runs = Ahead::of(fleet, engine.id, &edges, span);
        let Some(leaning) = leanings.get(&engine.pool) else { continue };
        for path in 0..span.paths {
            let own: f64 = StandardNormal.sample(&mut random);
            let surprise = SHARED.sqrt() * leaning[path] + (1.0 - SHARED).sqrt() * own;
            let life = runs.path(surprise);
            let mut book = |part: PartId, month: usize, quantity: f32, found: bool| {
                let size = span.paths * span.months;
                let of = demand.entry(part).or_default();
                let stream = if found { &mut of.on_finding } else { &mut of.planned };
                if stream.is_empty() {
                    stream.resize(size, 0.0);
                }
                stream[path * span.months + month] += quantity;
            };
            let model = models.get(&engine.id).copied();
            walk(
                &mut tasks.clone(),
                &life,
                &edges,
                &settles,
                &mut random,
                |task, month, random| {
                    for need in of_task(&needs, task, model) {
                        let quantity = match need.found {
                            None => Some(need.quantity),
                            Some((yes, no)) => {
                                let chance =
                                    Beta::new(yes, no).map_or(0.0, |law| law.sample(random));
                                (random.random::<f64>() < chance).then_some(need.quantity)
                            }
                        };
                        if let Some(quantity) = quantity {
                            book(need.part, month, quantity, need.found.is_some());
                        }
                    }
                },
            );
        }
    }
    demand
}

/// Days from today to the end of each month of the span.
fn edges(span: Span) -> Vec<f64> {
    (1..=span.months as i32)
        .map(|ahead| {
            let end = span.first.plus(ahead).first_day().unwrap_or(NaiveDate::MAX);
            (end - span.today).num_days() as f64
        })
        .collect()
}

/// How each pool leans on each path.
fn leanings(snapshot: &Snapshot, span: Span) -> HashMap<PoolId, Vec<f64>> {
    let mut all = HashMap::new();
    for (number, pool) in snapshot.fleet.pools.iter().enumerate() {
        let mut random = ChaCha8Rng::seed_from_u64(span.seed);
        random.set_stream(number as u64);
        let drawn = (0..span.paths).map(|_| StandardNormal.sample(&mut random)).collect();
        all.insert(pool.id, drawn);
    }
    all
}

/// Quantiles of an engine's life at the end of each month.
struct Ahead {
    now: f64,
    /// For each month's end, life at each of [`Ahead::LEVELS`] levels.
    ends: Vec<[f64; Ahead::LEVELS]>,
}

impl Ahead {
    const LEVELS: usize = 19;

    fn of(fleet: &FleetHours, engine: EngineId, edges: &[f64], span: Span) -> Self {
        let last = fleet.engine(engine).and_then(|hours| hours.last_life()).unwrap_or(0.0);
        let at = |to: NaiveDate| -> [f64; Self::LEVELS] {
            let Some(ahead) = fleet.ahead(engine, to) else { return [last; Self::LEVELS] };
            std::array::from_fn(|level| last + ahead.hours.quantile(Self::level(level)))
        };
        let now = fleet.ahead(engine, span.today).map_or(last, |ahead| last + ahead.hours.mean());
        let ends = edges
            .iter()
            .map(|days| at(span.today + chrono::TimeDelta::days(*days as i64)))
            .collect();
        Self { now, ends }
    }

    fn level(level: usize) -> f64 {
        (level as f64 + 1.0) / (Self::LEVELS as f64 + 1.0)
    }

    /// Life now and at each month's end, on the path of one surprise.
    fn path(&self, surprise: f64) -> Vec<f64> {
        let share = Normal::standard().cdf(surprise) * (Self::LEVELS as f64 + 1.0) - 1.0;
        let share = share.clamp(0.0, Self::LEVELS as f64 - 1.0);
        let (low, part) = (share.floor() as usize, share.fract());
        let high = (low + 1).min(Self::LEVELS - 1);
        let mut life = Vec::with_capacity(self.ends.len() + 1);
        life.push(self.now);
        for end in &self.ends {
            let before = life.last().copied().unwrap_or(self.now);
            life.push((end[low] * (1.0 - part) + end[high] * part).max(before));
        }
        life
    }
}

fn played(line: &DueLine, fleet: &FleetHours, span: Span) -> Played {
    let days_to = |day: NaiveDate| (day - span.today).num_days() as f64;
    let limits = line.limits();
    let start_up = line.start_up_week.map(|week| f64::from(week) * 7.0);
    let months_day = limits.and_then(|limits| limits.months_on).map(days_to);
    let hours_at = limits.and_then(|limits| limits.hours_at).map(|at| at.as_decimal());
    // Without hours on record the hours limb can't be played: the months limb stands alone.
    let hours_known = fleet.engine(line.engine).is_some();
    Played {
        task: line.task,
        hours_at: hours_at.filter(|_| hours_known).unwrap_or(f64::INFINITY),
        day: start_up.or(months_day).unwrap_or(f64::INFINITY),
        every_hours: line.repeats.hours.map_or(f64::INFINITY, |hours| hours.as_decimal()),
        every_days: line.repeats.months.map_or(f64::INFINITY, |months| f64::from(months) * 30.44),
    }
}

/// Walks from one due task to the next until the horizon ends.
fn walk(
    tasks: &mut [Played],
    life: &[f64],
    edges: &[f64],
    settles: &HashMap<TaskId, Vec<TaskId>>,
    random: &mut ChaCha8Rng,
    mut done: impl FnMut(TaskId, usize, &mut ChaCha8Rng),
) {
    for task in tasks.iter_mut().filter(|task| task.day < 0.0 || task.hours_at <= life[0]) {
        task.day = random.random::<f64>() * CATCH_UP_DAYS;
        task.hours_at = f64::INFINITY;
    }
    for _ in 0..TASKS_MAX {
        let next = tasks
            .iter()
            .enumerate()
            .map(|(at, task)| (at, task.day.min(day_of_life(task.hours_at, life, edges))))
            .min_by(|a, b| a.1.total_cmp(&b.1));
        let Some((at, day)) = next else { return };
        let Some(month) = edges.iter().position(|edge| day < *edge) else { return };
        let now = life_of_day(day, life, edges);
        let settled = fleet::due::settled_by(tasks[at].task, settles);
        done(tasks[at].task, month, random);
        for task in tasks.iter_mut().filter(|task| settled.contains(&task.task)) {
            task.hours_at = now + task.every_hours;
            task.day = day + task.every_days;
        }
    }
}

/// The day on which life reaches `hours`: straight within a month.
fn day_of_life(hours: f64, life: &[f64], edges: &[f64]) -> f64 {
    if hours.is_infinite() {
        return f64::INFINITY;
    }
    let Some(month) = life.iter().skip(1).position(|end| *end >= hours) else {
        return f64::INFINITY;
    };
    let start = month.checked_sub(1).map_or(0.0, |before| edges[before]);
    let gained = (life[month + 1] - life[month]).max(1e-9);
    start + ((hours - life[month]) / gained).clamp(0.0, 1.0) * (edges[month] - start)
}

fn life_of_day(day: f64, life: &[f64], edges: &[f64]) -> f64 {
    let month = edges.iter().position(|edge| day < *edge).unwrap_or(edges.len() - 1);
    let start = month.checked_sub(1).map_or(0.0, |before| edges[before]);
    let share = ((day - start) / (edges[month] - start).max(1e-9)).clamp(0.0, 1.0);
    life[month] + share * (life[month + 1] - life[month])
}

fn settles(snapshot: &Snapshot) -> HashMap<TaskId, Vec<TaskId>> {
    let mut settles: HashMap<TaskId, Vec<TaskId>> = HashMap::new();
    for link in &snapshot.programme.task_links {
        settles.entry(link.task).or_default().push(link.other);
    }
    settles
}

type Needs = HashMap<(TaskId, Option<ModelId>), Vec<Need>>;

/// A model's own list of parts, else the one for all models.
fn of_task(needs: &Needs, task: TaskId, model: Option<ModelId>) -> &[Need] {
    model
        .and_then(|model| needs.get(&(task, Some(model))))
        .or_else(|| needs.get(&(task, None)))
        .map_or(&[], Vec::as_slice)
}

/// The parts of each task; for those needed now and then, how often the services on record needed
/// them, with the chance that the programme names worth [`PRIOR_SERVICES`] services.
fn needs(snapshot: &Snapshot) -> Needs {
    let models: HashMap<EngineId, ModelId> =
        snapshot.fleet.engines.iter().map(|engine| (engine.id, engine.model)).collect();
    let mut services: HashMap<(TaskId, ModelId), f64> = HashMap::new();
    let mut where_done = HashMap::new();
    for service in &snapshot.work.services {
        let Some(model) = models.get(&service.engine) else { continue };
        *services.entry((service.task, *model)).or_default() += 1.0;
        where_done.insert(service.id, (service.task, *model));
    }
    let mut used: HashMap<(TaskId, ModelId, PartId), f64> = HashMap::new();
    for part in &snapshot.work.service_parts {
        if let Some((task, model)) = where_done.get(&part.service) {
            *used.entry((*task, *model, part.part)).or_default() += 1.0;
        }
    }
    let mut needs: Needs = HashMap::new();
    for row in &snapshot.programme.task_parts {
        let chance = f64::from(row.chance_permille) / 1_000.0;
        let found = (row.chance_permille < 1_000).then(|| {
            let (done, with) = match row.model {
                Some(model) => (
                    services.get(&(row.task, model)).copied().unwrap_or(0.0),
                    used.get(&(row.task, model, row.part)).copied().unwrap_or(0.0),
                ),
                None => (
                    services.iter().filter(|it| it.0.0 == row.task).map(|it| it.1).sum(),
                    used.iter()
                        .filter(|it| it.0.0 == row.task && it.0.2 == row.part)
                        .map(|it| it.1)
                        .sum(),
                ),
            };
            let yes = chance * PRIOR_SERVICES + with;
            (yes, (1.0 - chance) * PRIOR_SERVICES + (done - with).max(0.0))
        });
        let need = Need { part: row.part, quantity: row.quantity as f32, found };
        needs.entry((row.task, row.model)).or_default().push(need);
    }
    needs
}

/// Services that the programme's own chance counts for (common practice, no source).
const PRIOR_SERVICES: f64 = 4.0;
