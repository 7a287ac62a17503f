//! The run: from histories to every part's distribution of the months ahead.

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::backtest::{
    Origin, Record, SCORED_PATHS, rolling_origins, score_models, stream_of, trial,
};
use crate::choice::{OwnWay, choose};
use crate::classify::{Classification, DemandPattern, classify};
use crate::combination::{Shares, Weights};
use crate::error::DemandError;
use crate::history::{HORIZON_MAX, History, check_histories};
use crate::models::{Model, SINGLE_MODELS};
use crate::month::Month;
use crate::paths::SamplePaths;
use crate::predictive::Predictive;
use crate::scores::{Scores, Tally};

/// Probabilities of the published quantiles.
pub const QUANTILE_LEVELS: [f64; 12] =
    [0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99];
/// Sample paths of a run, at least and at most.
pub const PATHS_RANGE: (usize, usize) = (20, 5_000);

/// What is asked of a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Request {
    /// Months ahead, 1 to 60.
    pub months: usize,
    /// Sample paths per part, 20 to 5,000.
    pub paths: usize,
    /// Seed of all draws: the same request on the same histories gives the same answer, bit for
    /// bit, whatever the number of threads.
    pub seed: u64,
}

impl Default for Request {
    fn default() -> Self {
        Self { months: 12, paths: 400, seed: 1 }
    }
}

impl Request {
    /// Checks the ranges.
    pub(crate) fn check(&self) -> Result<(), DemandError> {
        if self.months < 1 || self.months > HORIZON_MAX {
            return Err(DemandError::Horizon { given: self.months, largest: HORIZON_MAX });
        }
        let (smallest, largest) = PATHS_RANGE;
        if self.paths < smallest || self.paths > largest {
            return Err(DemandError::Paths { given: self.paths, smallest, largest });
        }
        Ok(())
    }
}

/// A model and how it did.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ModelScores {
    pub model: Model,
    pub scores: Scores,
}

/// Forecast of one part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PartForecast {
    pub part: String,
    /// First month forecast.
    pub first: Month,
    pub classification: Classification,
    /// The model chosen.
    pub model: Model,
    /// Shares of the combination, in words where it was chosen; see `reason`.
    pub shares: Shares,
    /// Why this model: a sentence.
    pub reason: String,
    /// Backtest of every model that answered, the seasonal naive first; empty where the history
    /// is too short or never changes.
    pub scores: Vec<ModelScores>,
    /// The distribution.
    pub paths: SamplePaths,
}

/// What a run says about all parts together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Overall {
    pub first: Month,
    pub months: usize,
    /// Mean backtest scores of every model over the parts it answered.
    pub models: Vec<ModelScores>,
    /// Mean backtest scores of each part's chosen model.
    pub chosen: Option<Scores>,
    /// Parts that could be scored.
    pub parts_scored: usize,
}

/// A whole run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Run {
    pub overall: Overall,
    /// In the order of the histories.
    pub parts: Vec<PartForecast>,
}

/// How far a run is: steps done, and steps in all. A part counts three steps.
pub type Watch<'a> = &'a (dyn Fn(usize, usize) + Sync);

/// Forecasts all `histories` and keeps everything, some 20 kB a part.
///
/// # Errors
/// The first rule that histories or request break.
pub fn forecast(
    histories: &[History],
    request: &Request,
    watch: Watch<'_>,
) -> Result<Run, DemandError> {
    let parts = std::sync::Mutex::new(vec![None; histories.len()]);
    let overall = forecast_each(histories, request, watch, &|index, part| {
        // A poisoned lock means that another thread panicked; the run ends with that panic.
        if let Ok(mut parts) = parts.lock() {
            parts[index] = Some(part);
        }
    })?;
    let parts = parts.into_inner().unwrap_or_default().into_iter().flatten().collect();
    Ok(Run { overall, parts })
}

/// Forecasts all `histories` and hands each part's forecast to `sink` as it is ready, with its
/// place in `histories`, from several threads at once: memory stays small however many parts.
///
/// # Errors
/// The first rule that histories or request break.
pub fn forecast_each(
    histories: &[History],
    request: &Request,
    watch: Watch<'_>,
    sink: &(dyn Fn(usize, PartForecast) + Sync),
) -> Result<Overall, DemandError> {
    request.check()?;
    check_histories(histories)?;
    let Some(last) = histories.first().map(History::last) else {
        let first = Month::of(chrono::NaiveDate::MIN);
        let models = Vec::new();
        return Ok(Overall {
            first,
            months: request.months,
            models,
            chosen: None,
            parts_scored: 0,
        });
    };
    let first = last.plus(1);
    let steps = Steps { done: AtomicUsize::new(0), all: 3 * histories.len(), watch };
    let backs = rolling_origins(histories);
    let step = backs.last().copied().unwrap_or(0);
    let origins: Vec<Origin> =
        backs.par_iter().map(|&back| Origin::learn(histories, back, step, request.seed)).collect();
    let classes: Vec<Classification> =
        histories.iter().map(|history| classify(&history.quantities)).collect();
    let (records, weights) = backtest(histories, &origins, &classes, request, &steps);
    drop(origins);
    let lengths: Vec<usize> = histories.iter().map(|history| history.quantities.len()).collect();
    let own_way = OwnWay::find(&records, &lengths);
    let now = Origin::learn(histories, 0, 0, request.seed);
    let chosen: Vec<Tally> = histories
        .par_iter()
        .enumerate()
        .map(|(index, history)| {
            let record = &records[index];
            let class = classes[index];
            let shares = weights.of_part(class.pattern.index(), &record.tallies);
            let choice = choose(record, lengths[index], &shares, own_way);
            let shares = match choice.model {
                Model::Combination => shares,
                single => Shares::only(single),
            };
            let paths = draw(&now, history, &shares, request);
            sink(
                index,
                PartForecast {
                    part: history.part.clone(),
                    first,
                    classification: class,
                    model: choice.model,
                    shares,
                    reason: choice.reason,
                    scores: listed(&record.tallies),
                    paths,
                },
            );
            steps.step();
            record.tallies[choice.model.index()]
        })
        .collect();
    Ok(summarise(first, request.months, &records, &chosen))
}

/// Scores all models and the combination, and finds the combination's weights.
fn backtest(
    histories: &[History],
    origins: &[Origin],
    classes: &[Classification],
    request: &Request,
    steps: &Steps<'_>,
) -> (Vec<Record>, Weights) {
    let seed = request.seed;
    let mut records: Vec<Record> = histories
        .par_iter()
        .map(|history| {
            let record = score_models(origins, history, seed);
            steps.step();
            record
        })
        .collect();
    let patterns: Vec<usize> = classes.iter().map(|class| class.pattern.index()).collect();
    let found = Weights::find(origins, histories, &records, &patterns, DemandPattern::COUNT, seed);
    // Nothing could be scored: the model that says most openly how little it knows.
    let weights =
        found.unwrap_or_else(|| Weights::only(Model::NegativeBinomialSeason, DemandPattern::COUNT));
    records.par_iter_mut().zip(histories).zip(&patterns).for_each(
        |((record, history), pattern)| {
            let shares = weights.of_part(*pattern, &record.tallies);
            score_combination(record, origins, history, &shares, request);
            steps.step();
        },
    );
    (records, weights)
}

fn score_combination(
    record: &mut Record,
    origins: &[Origin],
    history: &History,
    shares: &Shares,
    request: &Request,
) {
    if let [(only, _)] = shares.parts() {
        // A combination of one is that one: its scores are known.
        record.tallies[Model::Combination.index()] = record.tallies[only.index()];
        for row in &mut record.losses {
            row[Model::Combination.index()] = row[only.index()];
        }
        return;
    }
    for (place, origin) in origins.iter().enumerate() {
        let Some(trial) = trial(origin, history) else { continue };
        let mut random = stream_of(request.seed ^ 2, &history.part, origin.back);
        if let Some(paths) = shares.draw(&trial.view, SCORED_PATHS, &mut random) {
            let tally = trial.score(&Predictive::Paths(paths), &mut random);
            record.take(place, Model::Combination, &tally);
        }
    }
}

/// The forecast's paths. Where no model of the combination answers, one that always does.
fn draw(now: &Origin, history: &History, shares: &Shares, request: &Request) -> SamplePaths {
    let mut random = stream_of(request.seed, &history.part, 0);
    let nothing = || SamplePaths::new(request.months, vec![0.0; request.paths * request.months]);
    let Some(view) = now.view(history, request.months) else { return nothing() };
    shares
        .draw(&view, request.paths, &mut random)
        .or_else(|| {
            let fallback = Shares::only(Model::NegativeBinomialSeason);
            fallback.draw(&view, request.paths, &mut random)
        })
        .unwrap_or_else(nothing)
}

/// Scores of the models that answered, the benchmark first.
fn listed(tallies: &[Tally]) -> Vec<ModelScores> {
    SINGLE_MODELS
        .into_iter()
        .chain([Model::AcrossParts, Model::Combination])
        .filter_map(|model| {
            let scores = tallies[model.index()].scores()?;
            Some(ModelScores { model, scores })
        })
        .collect()
}

fn summarise(first: Month, months: usize, records: &[Record], chosen: &[Tally]) -> Overall {
    let mut sums = [Tally::default(); crate::models::MODELS];
    let mut sum = Tally::default();
    for (record, tally) in records.iter().zip(chosen) {
        for (sum, tally) in sums.iter_mut().zip(&record.tallies) {
            sum.add(tally);
        }
        sum.add(tally);
    }
    let parts_scored = records.iter().filter(|record| record.origins() > 0).count();
    Overall { first, months, models: listed(&sums), chosen: sum.scores(), parts_scored }
}

/// Counts steps towards whoever watches.
struct Steps<'a> {
    done: AtomicUsize,
    all: usize,
    watch: Watch<'a>,
}

impl Steps<'_> {
    fn step(&self) {
        let done = self.done.fetch_add(1, Ordering::Relaxed) + 1;
        (self.watch)(done, self.all);
    }
}
