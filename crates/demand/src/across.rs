//! One model across all parts: what happened to parts that looked like this one.
//!
//! Every part, cut off at every earlier month, is an example: how it looked then (features) and
//! the months that followed. Trees group examples whose futures were alike; a part's future paths
//! are drawn from the examples it falls together with (quantile regression forest: Meinshausen
//! 2006, J. of Machine Learning Research 7, 983-999; Breiman 2001, Machine Learning 45, 5-32).
//! So the decline and death of parts, and how sizes spread, are learnt from all parts at once, and
//! months that follow one another stay together, which a sum over a lead time depends on.
//! Quantiles are read from paths, so they are monotone, and whole where the part's are.
//!
//! Invariant: fitted at an origin, it has seen no month after it.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::features::{FEATURES, features_of};
use crate::history::{Grain, History};
use crate::paths::SamplePaths;
use crate::trees::{BinnedTable, Growth, Tree};

/// Months an example's future has; those further ahead are drawn from the same future again.
const FUTURE: usize = 6;
/// Months of history an example has at least.
const HISTORY_MIN: usize = 6;
/// Examples looked at, at most; more are thinned at random.
const EXAMPLES_MAX: usize = 60_000;
/// Examples below which nothing is learnt.
const EXAMPLES_MIN: usize = 60;
/// Trees grown; each is shown half of the examples and grown towards one of the targets.
const TREES: usize = 120;
const GROWTH: Growth = Growth { depth: 12, leaf: 40, tried: 8 };
/// Draws of the thinning and the trees; paths of a part have a stream of their own.
const STREAM: u64 = 1 << 40;

/// A cut: `history` of a part up to and without month `at`.
#[derive(Clone, Copy, Debug)]
struct Example {
    part: u32,
    at: u32,
}

/// The fitted model.
pub struct AcrossParts {
    /// The months that followed each example, `future` a row, side by side.
    futures: Vec<f32>,
    levels: Vec<f32>,
    trees: Vec<Tree>,
    /// Futures of examples without any demand so far: nothing tells them apart.
    silent: Vec<f32>,
    future: usize,
}

/// Level a future is scaled by: the discounted mean, and a little, so that none is zero.
fn level_of(features: &[f32; FEATURES]) -> f32 {
    features[2] + 0.02
}

impl AcrossParts {
    /// Learns from `histories` with their newest `back` months cut off; `None` where there are
    /// too few examples.
    pub fn fit(histories: &[History], back: usize, seed: u64) -> Option<Self> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        random.set_stream(STREAM + back as u64);
        let longest = histories.iter().map(|history| history.quantities.len()).max()?;
        let known = longest.saturating_sub(back);
        let future = FUTURE.min(known.saturating_sub(HISTORY_MIN) / 2);
        if future == 0 {
            return None;
        }
        let (examples, silent) = gather(histories, back, future, &mut random);
        if examples.len() < EXAMPLES_MIN {
            return None;
        }
        let mut values = Vec::with_capacity(examples.len() * FEATURES);
        let mut levels = Vec::with_capacity(examples.len());
        for example in &examples {
            let history = &histories[example.part as usize].quantities[..example.at as usize];
            let features = features_of(history);
            levels.push(level_of(&features));
            values.extend(features);
        }
        let targets = targets(histories, &examples, &levels, future);
        let table = BinnedTable::new(&values, FEATURES);
        drop(values);
        let half = examples.len() / 2;
        let growth = Growth { leaf: GROWTH.leaf.min(examples.len() / 8), ..GROWTH };
        let mut all: Vec<u32> = (0..examples.len() as u32).collect();
        let trees = (0..TREES)
            .map(|turn| {
                for place in 0..half {
                    let other = random.random_range(place..all.len());
                    all.swap(place, other);
                }
                let target = &targets[turn % targets.len()];
                Tree::grow(&table, &mut all[..half], target, growth, &mut random)
            })
            .collect();
        let followed = futures(histories, &examples, future);
        let silent = futures(histories, &silent, future);
        Some(Self { futures: followed, levels, trees, silent, future })
    }

    /// Draws `count` paths of `months` for a part whose history so far is `known`; `None` for a
    /// part without demand where no other example is.
    pub fn draw(
        &self,
        known: &[f64],
        grain: Grain,
        months: usize,
        count: usize,
        random: &mut ChaCha8Rng,
    ) -> Option<SamplePaths> {
        let mut values = Vec::with_capacity(count * months);
        if known.iter().all(|&quantity| quantity == 0.0) {
            if self.silent.is_empty() {
                return None;
            }
            for _ in 0..count {
                let row = random.random_range(0..self.silent.len() / self.future);
                let future = &self.silent[row * self.future..][..self.future];
                follow(future, 1.0, grain, months, random, &mut values);
            }
            return Some(SamplePaths::new(months, values));
        }
        let features = features_of(known);
        let level = level_of(&features);
        let exponent = exponent(level);
        let leaves: Vec<&[u32]> =
            self.trees.iter().take(count).map(|tree| tree.members(tree.leaf(&features))).collect();
        for path in 0..count {
            let leaf = leaves[path % leaves.len()];
            let row = leaf[random.random_range(0..leaf.len() as u32) as usize] as usize;
            let ratio = (level / self.levels[row]).powf(exponent).clamp(0.1, 10.0);
            let future = &self.futures[row * self.future..][..self.future];
            follow(future, ratio, grain, months, random, &mut values);
        }
        Some(SamplePaths::new(months, values))
    }
}

/// Appends `months` of `future` times `ratio`; those beyond it are drawn from it again.
fn follow(
    future: &[f32],
    ratio: f32,
    grain: Grain,
    months: usize,
    random: &mut ChaCha8Rng,
    values: &mut Vec<f32>,
) {
    for ahead in 0..months {
        let month = if ahead < future.len() {
            ahead
        } else {
            random.random_range(0..future.len() as u32) as usize
        };
        let value = future[month] * ratio;
        values.push(if value > 0.0 && grain == Grain::Whole && ratio != 1.0 {
            // Rounded up as often as the fraction says: the expected quantity stays.
            let floor = value.floor();
            if random.random::<f32>() < value - floor { floor + 1.0 } else { floor }
        } else {
            value
        });
    }
}

/// The `future` months that followed each example.
fn futures(histories: &[History], examples: &[Example], future: usize) -> Vec<f32> {
    let of = |example: &Example| {
        let at = example.at as usize;
        &histories[example.part as usize].quantities[at..at + future]
    };
    examples.iter().flat_map(of).map(|&quantity| quantity as f32).collect()
}

/// How far a future follows the level: by its root for parts asked for seldom, whose sizes have
/// little to do with how often; fully for fast ones.
fn exponent(level: f32) -> f32 {
    1.0 - 1.0 / (2.0 + 0.5 * level)
}

/// All cuts with a whole future, thinned to the largest number; and those still without demand.
fn gather(
    histories: &[History],
    back: usize,
    future: usize,
    random: &mut ChaCha8Rng,
) -> (Vec<Example>, Vec<Example>) {
    let cuts = |history: &History| {
        let known = history.quantities.len().saturating_sub(back);
        HISTORY_MIN..(known + 1).saturating_sub(future).max(HISTORY_MIN)
    };
    let total: usize = histories.iter().map(|history| cuts(history).len()).sum();
    let share = EXAMPLES_MAX as f64 / total.max(1) as f64;
    let (mut examples, mut silent) = (Vec::new(), Vec::new());
    for (part, history) in histories.iter().enumerate() {
        let asked_first = history.quantities.iter().position(|&quantity| quantity > 0.0);
        for at in cuts(history) {
            if share < 1.0 && random.random::<f64>() >= share {
                continue;
            }
            let example = Example { part: part as u32, at: at as u32 };
            if asked_first.is_some_and(|first| first < at) {
                examples.push(example);
            } else {
                silent.push(example);
            }
        }
    }
    (examples, silent)
}

/// What trees are grown towards: the logarithm of the coming three and six months' sum, its root,
/// and its ratio to the level.
fn targets(
    histories: &[History],
    examples: &[Example],
    levels: &[f32],
    future: usize,
) -> [Vec<f32>; 4] {
    let sum = |example: &Example, months: usize| -> f32 {
        let at = example.at as usize;
        histories[example.part as usize].quantities[at..at + months].iter().sum::<f64>() as f32
    };
    let near = future.min(3);
    let of = |months: usize, shape: &dyn Fn(f32, f32) -> f32| -> Vec<f32> {
        let pairs = examples.iter().zip(levels);
        pairs.map(|(example, level)| shape(sum(example, months), *level)).collect()
    };
    [
        of(near, &|sum, _| sum.ln_1p()),
        of(future, &|sum, _| sum.ln_1p()),
        of(future, &|sum, _| sum.sqrt()),
        of(future, &|sum, level| ((sum + 0.5) / (level * future as f32 + 0.5)).ln()),
    ]
}
