//! A combination of models whose weights come from the backtest.
//!
//! Weights are found for all parts of a demand pattern together, so that no part's few months
//! decide alone, by adding models one share at a time while the backtest's loss falls (Caruana,
//! Niculescu-Mizil, Crew and Ksikes 2004, Proc. 21st Int. Conf. on Machine Learning). A part's own
//! scores then move its weights, as far as that helped at the newest origin when learnt from the
//! older ones: shrinkage whose strength is itself found out. The distribution is the models'
//! mixture: each gives its share of the sample paths.

use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::backtest::{Origin, Record, SCORED_PATHS, Tallies, View, stream_of, trial};
use crate::history::History;
use crate::models::{MODELS, Model};
use crate::paths::SamplePaths;
use crate::predictive::Predictive;
use crate::scores::{Scale, Tally};

/// Shares a combination is cut into.
pub const SHARES: usize = 12;
/// Models a combination is chosen from, at most: the best by the backtest.
const CANDIDATES: usize = 5;
/// Parts whose paths are drawn to find weights, at most.
const SAMPLE: usize = 800;
/// Parts of one pattern below which its weights are those of all parts.
const GROUP_MIN: usize = 60;
/// Relative gain below which another model is not worth its share.
const GAIN_MIN: f64 = 5e-4;
/// How far a part's own scores may move its weights.
const STRENGTHS: [f64; 4] = [0.0, 0.5, 1.0, 2.0];

/// Shares of the models; they sum to [`SHARES`].
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shares {
    parts: Vec<(Model, usize)>,
}

impl Shares {
    /// All of one model.
    pub fn only(model: Model) -> Self {
        Self { parts: vec![(model, SHARES)] }
    }

    /// Models and their shares of [`SHARES`], largest first.
    pub fn parts(&self) -> &[(Model, usize)] {
        &self.parts
    }

    fn from_counts(counts: &[usize; MODELS]) -> Self {
        let mut parts: Vec<(Model, usize)> = counts
            .iter()
            .enumerate()
            .filter(|(_, count)| **count > 0)
            .filter_map(|(index, &count)| Some((Model::at(index)?, count)))
            .collect();
        parts.sort_by_key(|&(_, count)| std::cmp::Reverse(count));
        Self { parts }
    }

    /// The mixture's paths, `count` in all; models without an answer leave their share to the
    /// others. `None` where none answers.
    pub fn draw(
        &self,
        view: &View<'_>,
        count: usize,
        random: &mut ChaCha8Rng,
    ) -> Option<SamplePaths> {
        let mut answers: Vec<(Predictive, usize)> = Vec::with_capacity(self.parts.len());
        for &(model, share) in &self.parts {
            let wanted = (count * share).div_ceil(SHARES);
            if let Some(predictive) = view.predict(model, wanted, random) {
                answers.push((predictive, share));
            }
        }
        let total: usize = answers.iter().map(|(_, share)| share).sum();
        let months = answers.first()?.0.months();
        let mut values = Vec::with_capacity(count * months);
        let (mut drawn, mut shares) = (0, 0);
        for (predictive, share) in &answers {
            shares += share;
            let until = count * shares / total;
            if until > drawn {
                values.extend_from_slice(predictive.sample(until - drawn, random).values());
            }
            drawn = until;
        }
        Some(SamplePaths::new(months, values))
    }
}

/// Weights of the combination for each demand pattern, and how far parts may go their own way.
#[derive(Clone, Debug, PartialEq)]
pub struct Weights {
    all: Shares,
    patterns: Vec<Option<Shares>>,
    strength: f64,
}

/// Paths of the candidates for one part at one origin.
struct Drawn<'a> {
    paths: Vec<Option<SamplePaths>>,
    known: &'a [f64],
    scale: Scale,
    actual: &'a [f64],
}

/// One sampled part.
struct Sampled<'a> {
    pattern: usize,
    drawn: Vec<Drawn<'a>>,
}

impl Weights {
    /// All weight on one model: what is left without a backtest.
    pub fn only(model: Model, patterns: usize) -> Self {
        Self { all: Shares::only(model), patterns: vec![None; patterns], strength: 0.0 }
    }

    /// Finds weights; `patterns[i]` is the pattern of part i, below `pattern_count`.
    pub fn find(
        origins: &[Origin],
        histories: &[History],
        records: &[Record],
        patterns: &[usize],
        pattern_count: usize,
        seed: u64,
    ) -> Option<Self> {
        let candidates = best_models(records);
        let first = *candidates.first()?;
        let sample = draw_sample(origins, histories, records, patterns, &candidates, seed);
        if sample.is_empty() {
            return Some(Self::only(first, pattern_count));
        }
        let everyone: Vec<&Sampled<'_>> = sample.iter().collect();
        let all = select(&everyone, &candidates);
        let per_pattern = (0..pattern_count)
            .map(|pattern| {
                let group: Vec<&Sampled<'_>> =
                    sample.iter().filter(|part| part.pattern == pattern).collect();
                (group.len() >= GROUP_MIN).then(|| select(&group, &candidates))
            })
            .collect();
        let mut weights = Self { all, patterns: per_pattern, strength: 0.0 };
        weights.strength = weights.find_strength(&sample, &candidates);
        Some(weights)
    }

    /// Shares of one part, of `pattern`, by its own tallies.
    pub fn of_part(&self, pattern: usize, tallies: &Tallies) -> Shares {
        let common = self.patterns.get(pattern).and_then(Option::as_ref).unwrap_or(&self.all);
        lean(common, tallies, self.strength)
    }

    /// The strength that does best at the newest origin, with the part's leaning learnt from the
    /// older ones only.
    fn find_strength(&self, sample: &[Sampled<'_>], candidates: &[Model]) -> f64 {
        let loss_at = |strength: f64| -> f64 {
            sample
                .par_iter()
                .filter(|part| part.drawn.len() > 1)
                .map(|part| {
                    let (newest, older) = part.drawn.split_last()?;
                    let mut tallies = [Tally::default(); MODELS];
                    for drawn in older {
                        for (&model, paths) in candidates.iter().zip(&drawn.paths) {
                            let Some(paths) = paths else { continue };
                            score(&mut tallies[model.index()], drawn, &[paths], &[SHARES]);
                        }
                    }
                    let common = self.patterns[part.pattern].as_ref().unwrap_or(&self.all);
                    let shares = lean(common, &tallies, strength);
                    let mut tally = Tally::default();
                    mixture(&mut tally, newest, candidates, &shares);
                    tally.loss()
                })
                .map(|loss| loss.unwrap_or(0.0))
                .collect::<Vec<f64>>() // summed in a fixed order
                .iter()
                .sum()
        };
        let mut best = (loss_at(0.0) * (1.0 - GAIN_MIN), 0.0);
        for strength in STRENGTHS {
            let loss = loss_at(strength);
            if loss < best.0 {
                best = (loss, strength);
            }
        }
        best.1
    }
}

/// Moves shares towards what did better for one part: each times exp(−strength · relative loss).
fn lean(common: &Shares, tallies: &Tallies, strength: f64) -> Shares {
    let losses: Vec<Option<f64>> =
        common.parts.iter().map(|(model, _)| tallies[model.index()].loss()).collect();
    let known: Vec<f64> = losses.iter().flatten().copied().collect();
    let mean = known.iter().sum::<f64>() / known.len().max(1) as f64;
    if strength == 0.0 || known.len() < 2 || mean <= 0.0 {
        return common.clone();
    }
    let raw: Vec<f64> = common
        .parts
        .iter()
        .zip(&losses)
        .map(|((_, share), loss)| {
            let relative = loss.map_or(0.0, |loss| loss / mean - 1.0);
            *share as f64 * (-strength * relative).exp()
        })
        .collect();
    let total: f64 = raw.iter().sum();
    let mut counts = [0; MODELS];
    let (mut given, mut sum) = (0, 0.0);
    for ((model, _), raw) in common.parts.iter().zip(raw) {
        sum += raw;
        let until = (sum / total * SHARES as f64).round() as usize;
        counts[model.index()] = until - given;
        given = until;
    }
    Shares::from_counts(&counts)
}

/// The best models over all parts, best first. Only models that answered nearly as often as the
/// one that answered most.
fn best_models(records: &[Record]) -> Vec<Model> {
    let mut overall = [Tally::default(); MODELS];
    for record in records {
        for (sum, tally) in overall.iter_mut().zip(&record.tallies) {
            sum.add(tally);
        }
    }
    let most = overall.iter().map(Tally::origins).fold(0.0, f64::max);
    let mut ranked: Vec<(f64, Model)> = overall
        .iter()
        .enumerate()
        .filter(|(_, tally)| tally.origins() >= 0.8 * most)
        .filter_map(|(index, tally)| Some((tally.loss()?, Model::at(index)?)))
        .collect();
    ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
    ranked.into_iter().take(CANDIDATES).map(|(_, model)| model).collect()
}

fn draw_sample<'a>(
    origins: &'a [Origin],
    histories: &'a [History],
    records: &[Record],
    patterns: &[usize],
    candidates: &[Model],
    seed: u64,
) -> Vec<Sampled<'a>> {
    let scored: Vec<usize> =
        (0..histories.len()).filter(|&index| records[index].origins() > 0).collect();
    let stride = scored.len().div_ceil(SAMPLE).max(1);
    let chosen: Vec<usize> = scored.into_iter().step_by(stride).collect();
    chosen
        .par_iter()
        .map(|&index| {
            let history = &histories[index];
            let drawn = origins
                .iter()
                .filter_map(|origin| {
                    let trial = trial(origin, history)?;
                    // Other draws than the score's, so that no model keeps its luck.
                    let mut random = stream_of(seed ^ 1, &history.part, origin.back);
                    let paths = candidates
                        .iter()
                        .map(|&model| {
                            let predictive =
                                trial.view.predict(model, SCORED_PATHS, &mut random)?;
                            Some(predictive.sample(SCORED_PATHS, &mut random))
                        })
                        .collect();
                    let known = &history.quantities[..history.quantities.len() - origin.back];
                    Some(Drawn { paths, known, scale: trial.scale, actual: trial.actual })
                })
                .collect();
            Sampled { pattern: patterns[index], drawn }
        })
        .collect()
}

/// Adds models share by share while the loss of the sample falls.
fn select(sample: &[&Sampled<'_>], candidates: &[Model]) -> Shares {
    let loss_of = |counts: &[usize; MODELS]| -> f64 {
        let shares = Shares::from_counts(counts);
        let losses: Vec<f64> = sample
            .par_iter()
            .map(|part| {
                let mut tally = Tally::default();
                for drawn in &part.drawn {
                    mixture(&mut tally, drawn, candidates, &shares);
                }
                tally.loss().unwrap_or(0.0)
            })
            .collect();
        losses.iter().sum()
    };
    let mut best = [0; MODELS];
    let mut best_loss = f64::INFINITY;
    for &model in candidates {
        let mut counts = [0; MODELS];
        counts[model.index()] = SHARES;
        let loss = loss_of(&counts);
        if loss < best_loss {
            (best, best_loss) = (counts, loss);
        }
    }
    // From the best alone, shares wander one by one to whoever helps most.
    loop {
        let mut next = (best_loss * (1.0 - GAIN_MIN), None);
        for &from in candidates {
            if best[from.index()] == 0 {
                continue;
            }
            for &to in candidates {
                if from == to {
                    continue;
                }
                let mut counts = best;
                let moved = counts[from.index()].min(2);
                counts[from.index()] -= moved;
                counts[to.index()] += moved;
                let loss = loss_of(&counts);
                if loss < next.0 {
                    next = (loss, Some(counts));
                }
            }
        }
        let (loss, Some(counts)) = next else { return Shares::from_counts(&best) };
        (best, best_loss) = (counts, loss);
    }
}

/// Scores the mixture of drawn paths.
fn mixture(tally: &mut Tally, drawn: &Drawn<'_>, candidates: &[Model], shares: &Shares) {
    let (mut paths, mut counts) = (Vec::new(), Vec::new());
    for (model, share) in &shares.parts {
        let place = candidates.iter().position(|candidate| candidate == model);
        if let Some(answer) = place.and_then(|place| drawn.paths[place].as_ref()) {
            paths.push(answer);
            counts.push(*share);
        }
    }
    if !paths.is_empty() {
        score(tally, drawn, &paths, &counts);
    }
}

fn score(tally: &mut Tally, drawn: &Drawn<'_>, paths: &[&SamplePaths], shares: &[usize]) {
    let months = paths[0].months();
    let total: usize = shares.iter().sum();
    let mut values = Vec::with_capacity(SCORED_PATHS * months);
    let (mut taken, mut sum) = (0, 0);
    for (answer, share) in paths.iter().zip(shares) {
        sum += share;
        let until = SCORED_PATHS * sum / total;
        values.extend_from_slice(&answer.values()[..(until - taken) * months]);
        taken = until;
    }
    let mixed = Predictive::Paths(SamplePaths::new(months, values));
    // Given paths use no draws.
    let mut unused = stream_of(0, "", 0);
    let outlook = mixed.outlook(drawn.actual.len(), &mut unused);
    tally.take(&outlook, drawn.known, drawn.scale, drawn.actual);
}
