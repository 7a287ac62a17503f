//! Were past forecasts right? Stands at past month starts, forecasts all three streams from what was
//! on record then, and compares with what was used later, beside every model of bare history.
//!
//! Everybody knows the same months and is scored on the same later ones by the same scores
//! ([`demand::contest`]). Parts go by today's numbers on both sides. A published plan is not
//! followed: which one held on a past day is not on record whole.

use std::collections::{BTreeMap, HashMap};

use chrono::NaiveDate;
use demand::{Contest, History, Model, Month, Scores, Tally, contest};
use fleet::id::PartId;
use store::snapshot::Snapshot;

use crate::error::RunError;
use crate::forecast::{Foreseen, foresee, used};
use crate::past::cut;
use crate::planned::Span;

/// Months of record before the first stand: models of a season have seen two.
pub(crate) const RECORD_LEAST: i32 = 24;
/// Months from stand to stand.
const STEP: i32 = 3;

/// How much is replayed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Replay {
    /// Months ahead that are forecast and scored.
    pub months: usize,
    pub paths: usize,
    /// Stands at most, the latest ones.
    pub stands: usize,
    pub seed: u64,
}

impl Default for Replay {
    fn default() -> Self {
        Self { months: 12, paths: 300, stands: 4, seed: 1 }
    }
}

/// Who forecast.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Forecaster {
    /// Planned, on finding and unplanned together.
    ThreeStreams,
    /// A model of bare history. [`Model::Combination`] is what the whole history-only pipeline
    /// would have chosen.
    History(Model),
}

impl Forecaster {
    pub const fn name(self) -> &'static str {
        match self {
            Self::ThreeStreams => "three streams",
            Self::History(Model::Combination) => "history, chosen part by part",
            Self::History(model) => model.name(),
        }
    }
}

/// How somebody did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scored {
    pub forecaster: Forecaster,
    pub scores: Scores,
}

/// A replay of the records.
#[derive(Clone, Debug, PartialEq)]
pub struct CheckedForecast {
    /// The month starts on which the replay stood, rising.
    pub stands: Vec<NaiveDate>,
    pub months: usize,
    /// Means over all parts that could be scored; three streams first, then the best first.
    pub overall: Vec<Scored>,
    /// The same part by part.
    pub parts: BTreeMap<PartId, Vec<Scored>>,
}

impl CheckedForecast {
    /// By how much the three streams' pinball loss is below that of the best model of bare history,
    /// as a share of the latter, and which model that is. `None` where nothing was scored.
    pub fn gain(&self) -> Option<(f64, Model)> {
        let pinball = |scored: &Scored| scored.scores.pinball;
        let ours = self.overall.iter().find(|it| it.forecaster == Forecaster::ThreeStreams)?;
        let best = self.overall.iter().filter_map(|it| match it.forecaster {
            Forecaster::History(model) => Some((pinball(it), model)),
            Forecaster::ThreeStreams => None,
        });
        let (theirs, model) = best.min_by(|a, b| a.0.total_cmp(&b.0))?;
        Some((1.0 - pinball(ours) / theirs, model))
    }
}

type Tallies = BTreeMap<Forecaster, Tally>;

/// Replays `snapshot` up to `today`; `told` hears how many stands of how many are done.
///
/// # Errors
/// `record-too-short` where no stand has two years before it and `months` after it; records that
/// break a rule.
pub fn check_forecast(
    snapshot: &Snapshot,
    today: NaiveDate,
    replay: Replay,
    told: &dyn Fn(usize, usize),
) -> Result<CheckedForecast, RunError> {
    let truth = used(snapshot, Month::of(today), today, &[])?.all;
    let stands = stands(&truth, today, replay)?;
    let mut past = snapshot.clone();
    past.work.visits.clear();
    let mut parts: BTreeMap<PartId, Tallies> = BTreeMap::new();
    // From the latest back, so that one copy of the records is cut shorter and shorter.
    for (done, stand) in stands.iter().rev().enumerate() {
        told(done, stands.len());
        let day = stand.first_day().unwrap_or(today);
        cut(&mut past, day);
        let span = Span {
            today: day,
            first: *stand,
            months: replay.months,
            paths: replay.paths,
            seed: replay.seed,
        };
        for (part, scored) in self::stand(&past, &truth, span, today)?.contests {
            let tallies = parts.entry(part).or_default();
            tallies.entry(Forecaster::ThreeStreams).or_default().add(&scored.given);
            for (model, tally) in scored.models {
                tallies.entry(Forecaster::History(model)).or_default().add(&tally);
            }
        }
    }
    told(stands.len(), stands.len());
    Ok(CheckedForecast {
        stands: stands.iter().filter_map(|stand| stand.first_day()).collect(),
        months: replay.months,
        overall: overall(&parts),
        parts: parts.into_iter().map(|(part, tallies)| (part, listed(&tallies))).collect(),
    })
}

/// All that was seen from one past day.
pub(crate) struct Stood {
    pub foreseen: Foreseen,
    /// Parts that could be scored.
    pub contests: BTreeMap<PartId, Contest>,
}

/// Forecasts from `past`, which has been cut on `span.today`, and scores it by `truth` beside every
/// model of bare history. `chain_on` is the day whose part numbers are spoken of.
pub(crate) fn stand(
    past: &Snapshot,
    truth: &HashMap<PartId, History>,
    span: Span,
    chain_on: NaiveDate,
) -> Result<Stood, RunError> {
    let foreseen = foresee(past, span, chain_on, &|_, _| {})?;
    let totals = foreseen.totals(span);
    let (ids, histories) = until(truth, span.first.plus(span.months as i32));
    let given: Vec<_> = ids.iter().map(|part| totals.get(part).cloned()).collect();
    let scored = contest(&histories, &given, span.months, span.seed).map_err(refused)?;
    let contests = ids.into_iter().zip(scored).filter_map(|(part, it)| Some((part, it?)));
    Ok(Stood { foreseen, contests: contests.collect() })
}

fn refused(error: demand::DemandError) -> RunError {
    RunError::Refused { rule: error.rule(), what: error.to_string() }
}

fn stands(
    truth: &HashMap<PartId, History>,
    today: NaiveDate,
    replay: Replay,
) -> Result<Vec<Month>, RunError> {
    let first = truth.values().map(|history| history.first).min();
    let last = Month::of(today).plus(-(replay.months as i32));
    let earliest = first.map(|first| first.plus(RECORD_LEAST));
    let Some(earliest) = earliest.filter(|earliest| *earliest <= last) else {
        let needed = RECORD_LEAST + replay.months as i32;
        let what = format!("it takes {needed} whole months of services to forecast and compare");
        return Err(RunError::Refused { rule: "record-too-short", what });
    };
    let mut stands: Vec<Month> = (0..replay.stands.max(1) as i32)
        .map(|back| last.plus(-back * STEP))
        .take_while(|stand| *stand >= earliest)
        .collect();
    stands.reverse();
    Ok(stands)
}

/// Histories cut before the month `end`, in the order of the parts.
fn until(truth: &HashMap<PartId, History>, end: Month) -> (Vec<PartId>, Vec<History>) {
    let mut parts: Vec<PartId> = truth.keys().copied().collect();
    parts.sort_unstable();
    let cut = |part: PartId| {
        let history = &truth[&part];
        let months = usize::try_from(end.since(history.first)).ok().filter(|it| *it > 0)?;
        let quantities = history.quantities.get(..months)?.to_vec();
        Some((part, History { quantities, ..history.clone() }))
    };
    parts.into_iter().filter_map(cut).unzip()
}

fn overall(parts: &BTreeMap<PartId, Tallies>) -> Vec<Scored> {
    let mut sums = Tallies::new();
    for tallies in parts.values() {
        for (forecaster, tally) in tallies {
            sums.entry(*forecaster).or_default().add(tally);
        }
    }
    // A model that left parts out, those with the shortest histories, can't be set beside the rest.
    let all = sums.get(&Forecaster::ThreeStreams).map_or(0.0, Tally::origins);
    sums.retain(|_, tally| tally.origins() >= all);
    listed(&sums)
}

fn listed(tallies: &Tallies) -> Vec<Scored> {
    let mut listed: Vec<Scored> = tallies
        .iter()
        .filter_map(|(forecaster, tally)| {
            Some(Scored { forecaster: *forecaster, scores: tally.scores()? })
        })
        .collect();
    listed.sort_by(|a, b| {
        let ours = |it: &Scored| it.forecaster != Forecaster::ThreeStreams;
        ours(a).cmp(&ours(b)).then(a.scores.pinball.total_cmp(&b.scores.pinball))
    });
    listed
}
