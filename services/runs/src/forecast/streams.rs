//! The three streams of one part, path by path: of the fleet, and of each pool.
//!
//! What work takes is known by pool and added up. What no plan explains is forecast for the fleet,
//! where there is more to learn from, and split by what each pool used lately. Path by path the
//! pools add up to the fleet.

use std::collections::BTreeMap;

use demand::SamplePaths;
use demand::reconcile::split_by_weight;
use fleet::id::PoolId;

use crate::error::RunError;
use crate::planned::{Span, WorkDemand};

/// Quantities of each stream, each path after path.
#[derive(Clone, Debug, PartialEq)]
pub struct Streams {
    pub planned: Vec<f32>,
    pub on_finding: Vec<f32>,
    pub unplanned: Vec<f32>,
}

impl Streams {
    pub fn none(span: Span) -> Self {
        let none = || vec![0.0; span.paths * span.months];
        Self { planned: none(), on_finding: none(), unplanned: none() }
    }

    pub fn add_work(&mut self, work: &WorkDemand) {
        add(&mut self.planned, &work.planned);
        add(&mut self.on_finding, &work.on_finding);
        add(&mut self.unplanned, &work.unplanned);
    }

    /// What neither work nor failures explain.
    pub fn add_rest(&mut self, rest: &[f32]) {
        add(&mut self.unplanned, rest);
    }

    pub fn add(&mut self, more: &Self) {
        add(&mut self.planned, &more.planned);
        add(&mut self.on_finding, &more.on_finding);
        add(&mut self.unplanned, &more.unplanned);
    }

    /// All three together, in whole units.
    pub fn total(&self, span: Span) -> SamplePaths {
        SamplePaths::new(span.months, self.sums().map(|sum| sum.round() as f32).collect())
    }

    fn sums(&self) -> impl Iterator<Item = f64> + '_ {
        let works = self.planned.iter().zip(&self.on_finding);
        works.zip(&self.unplanned).map(|((a, b), c)| f64::from(*a) + f64::from(*b) + f64::from(*c))
    }
}

/// Adds path by path; nothing at all is an empty list.
fn add(into: &mut [f32], more: &[f32]) {
    for (into, more) in into.iter_mut().zip(more) {
        *into += more;
    }
}

/// Of the current month only the days that are left count: each path keeps the share of them,
/// rounded so that the paths together keep it.
pub fn thin_first_month(values: &mut [f32], span: Span) {
    let first = span.first.first_day().unwrap_or(span.today);
    let next = span.first.plus(1).first_day().unwrap_or(span.today);
    let left = (next - span.today).num_days() as f64 / (next - first).num_days() as f64;
    for (path, month) in values.chunks_mut(span.months).enumerate() {
        // A low-discrepancy sequence (multiples of the golden ratio) in place of a coin.
        let coin = ((path as f64 + 0.5) * 0.618_033_988_749_895).fract();
        month[0] = (f64::from(month[0]) * left + coin).floor() as f32;
    }
}

/// What one pool takes, and its total in whole units.
pub struct OfPool {
    pub pool: PoolId,
    pub streams: Streams,
    pub total: SamplePaths,
}

/// Each pool's streams of a part: its own `work`, and its share of what is `unplanned`.
///
/// # Errors
/// A share that is no number, which is our own mistake.
pub fn by_pool(
    work: Option<&BTreeMap<PoolId, WorkDemand>>,
    (unplanned, shares): (&[f32], &BTreeMap<PoolId, f64>),
    span: Span,
) -> Result<Vec<OfPool>, RunError> {
    let mut pools: BTreeMap<PoolId, Streams> = BTreeMap::new();
    for (pool, work) in work.into_iter().flatten() {
        pools.entry(*pool).or_insert_with(|| Streams::none(span)).add_work(work);
    }
    if !shares.is_empty() {
        let fleet = SamplePaths::new(span.months, unplanned.to_vec());
        let weights: Vec<f64> = shares.values().copied().collect();
        let split = split_by_weight(&fleet, &weights, span.seed)
            .map_err(|error| RunError::Refused { rule: error.rule(), what: error.to_string() })?;
        for (pool, paths) in shares.keys().zip(split) {
            let streams = pools.entry(*pool).or_insert_with(|| Streams::none(span));
            streams.add_rest(paths.values());
        }
    }
    Ok(in_whole_units(pools, span))
}

/// Where quantities are fractions (an old number that stands for half of the new), each pool rounds
/// what the pools so far have together, less what they got: so the whole is rounded once.
fn in_whole_units(pools: BTreeMap<PoolId, Streams>, span: Span) -> Vec<OfPool> {
    let mut so_far = vec![0.0_f64; span.paths * span.months];
    let whole = |(pool, streams): (PoolId, Streams)| {
        let total = streams.sums().zip(&mut so_far).map(|(sum, so_far)| {
            let before = so_far.round();
            *so_far += sum;
            (so_far.round() - before) as f32
        });
        let total = SamplePaths::new(span.months, total.collect());
        OfPool { pool, streams, total }
    };
    pools.into_iter().map(whole).collect()
}

#[cfg(test)]
mod tests {
    use demand::Month;
    use demand::reconcile::sum_paths;

    use super::*;

    fn span() -> Span {
        let today = "2026-11-01".parse().unwrap();
        Span { today, first: Month::of(today), months: 2, paths: 3, seed: 1 }
    }

    /// Halves come from a number that stands for half of another.
    #[test]
    fn pools_add_up_to_the_fleet_on_every_path_also_where_units_are_halved() {
        let pools: [PoolId; 3] = [(); 3].map(|()| PoolId::fresh());
        let planned =
            |values: [f32; 6]| WorkDemand { planned: values.into(), ..WorkDemand::default() };
        let work = BTreeMap::from([
            (pools[0], planned([0.5, 0.0, 1.5, 2.0, 0.5, 0.5])),
            (pools[1], planned([0.5, 1.0, 0.5, 0.0, 0.0, 0.5])),
        ]);
        let unplanned = [3.0, 0.0, 1.0, 7.0, 0.0, 90.0];
        let shares = BTreeMap::from([(pools[1], 1.0), (pools[2], 3.0)]);
        let parted = by_pool(Some(&work), (&unplanned, &shares), span()).unwrap();
        let mut fleet = Streams::none(span());
        parted.iter().for_each(|it| fleet.add(&it.streams));
        assert_eq!(fleet.unplanned, unplanned);
        assert_eq!(fleet.planned, [1.0, 1.0, 2.0, 2.0, 0.5, 1.0]);
        let total = sum_paths(parted.iter().map(|it| &it.total)).unwrap();
        assert_eq!(total, fleet.total(span()));
        let whole = |it: &OfPool| it.total.values().iter().all(|value| value.fract() == 0.0);
        assert!(parted.iter().all(whole));
        assert!(parted.iter().all(|it| it.pool != pools[0] || it.streams.unplanned == [0.0; 6]));
    }

    #[test]
    fn of_the_month_that_runs_only_the_days_left_count() {
        let middle = Span { today: "2026-11-16".parse().unwrap(), paths: 400, ..span() };
        let mut values = vec![4.0; 800];
        thin_first_month(&mut values, middle);
        let mean = |ahead: usize| values.iter().skip(ahead).step_by(2).sum::<f32>() / 400.0;
        assert!((mean(0) - 2.0).abs() < 0.01, "{}", mean(0));
        assert_eq!(mean(1), 4.0);
    }
}
