//! The parts that work on the engines will take: every engine played forward, path by path.
//!
//! Each path draws how much every engine will run and walks through the horizon by thirds of
//! months: what has run how far through its interval, what the yard would do then, by its programme
//! and by its own habits, and what that takes and brings to light. Engines of a pool share their
//! weather, so their paths lean the same way together.

mod ahead;
mod failures;
mod findings;
mod habits;
mod needs;
mod past_steps;
mod shares;
mod visits;
mod walk;

use std::collections::HashMap;

use chrono::NaiveDate;
use demand::Month;
use fleet::id::{EngineId, PartId, PoolId, ServiceId};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use store::snapshot::Snapshot;

use crate::due::DueLine;
use crate::error::RunError;
use crate::hours::FleetHours;
use ahead::{Ahead, Steps};
use walk::{Stream, Walk, Yard};

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
    /// What failures in use take.
    pub unplanned: Vec<f32>,
}

/// What work takes, and which past services it stands for.
pub struct Work {
    pub demand: HashMap<(PartId, PoolId), WorkDemand>,
    /// Unplanned services whose like is played.
    pub explained: Vec<ServiceId>,
}

/// Share of an engine's surprise that its pool shares (weather, a good year); common practice, no
/// source: half way between each for itself and all as one.
const SHARED: f64 = 0.5;

/// Plays all engines forward; `chain_on` is the day whose part numbers are spoken of.
///
/// # Errors
/// Supersessions that break a rule.
pub fn play(
    snapshot: &Snapshot,
    fleet: &FleetHours,
    lines: &[DueLine],
    (span, chain_on): (Span, NaiveDate),
) -> Result<Work, RunError> {
    let steps = Steps::of(span);
    let yard = Yard::learn(snapshot, fleet, (span.today, chain_on))?;
    let mut by_engine: HashMap<EngineId, Vec<&DueLine>> = HashMap::new();
    for line in lines {
        by_engine.entry(line.engine).or_default().push(line);
    }
    let leanings = leanings(snapshot, span);
    let mut demand: HashMap<(PartId, PoolId), WorkDemand> = HashMap::new();
    for (number, engine) in snapshot.fleet.engines.iter().enumerate() {
        let Some(lines) = by_engine.get(&engine.id) else { continue };
        let Some(leaning) = leanings.get(&engine.pool) else { continue };
        let mut random = ChaCha8Rng::seed_from_u64(span.seed);
        random.set_stream(1_000 + number as u64);
        let ahead = Ahead::of(fleet, engine.id, &steps, span);
        let walk = Walk::of(&yard, engine, lines, fleet, span);
        for (path, leaning) in leaning.iter().enumerate() {
            let own: f64 = StandardNormal.sample(&mut random);
            let life = ahead.path(SHARED.sqrt() * leaning + (1.0 - SHARED).sqrt() * own);
            walk.path(&steps, &life, path, &mut random, |taken| {
                let size = span.paths * span.months;
                let of = demand.entry((taken.part, engine.pool)).or_default();
                let stream = match taken.stream {
                    Stream::Planned => &mut of.planned,
                    Stream::OnFinding => &mut of.on_finding,
                    Stream::Unplanned => &mut of.unplanned,
                };
                if stream.is_empty() {
                    stream.resize(size, 0.0);
                }
                stream[path * span.months + taken.month] += taken.quantity;
            });
        }
    }
    Ok(Work { demand, explained: yard.explained(snapshot) })
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
