//! Were past forecasts right? Stands at past month starts, predicts from what was on record then,
//! and compares with what the readings later showed.
//!
//! Scored are hours to a later reading, and the day on which the hours limb of a task is reached
//! (the months limb needs no forecast). A reading says "no hours" exactly and everything else in
//! tenths, and a limit is passed somewhere between two readings, so what came true is an interval
//! of probability and not a point; a band is credited with the part of that interval which lies in
//! it. Source: Czado, Gneiting and Held (2009), Predictive model assessment for count data,
//! Biometrics 65, section 2.1 (the non-randomised transform).

use std::collections::{HashMap, HashSet};

use chrono::{Datelike, Days, Months, NaiveDate};
use fleet::id::{EngineId, PoolId};
use rayon::prelude::{ParallelIterator as _, ParallelSlice as _};
use store::snapshot::Snapshot;

use crate::due::due_list;
use crate::hours::{Basis, EngineHours, FleetHours};
use crate::past::cut;

/// How far ahead hours are predicted.
pub const HORIZON_DAYS: [u64; 3] = [30, 90, 180];
/// Bands whose coverage is counted.
pub const BANDS: [f64; 3] = [0.5, 0.8, 0.95];
/// A reading so many days after a horizon still stands for it; predicted is to its own day.
const LATE_READING_DAYS: u64 = 14;
/// The pools have seen one of each season before they are asked.
const MONTHS_OF_RECORD: u32 = 12;
/// Days that the straight-line rule looks back on (common practice, no source).
const STRAIGHT_DAYS: u64 = 90;
/// Meters show tenths of an hour.
const HALF_TENTH: f64 = 0.05;
/// A due date counts where the record is so likely to reach it; else only the early ones of those
/// that are still ahead would be scored.
const REACHED_ENOUGH: f64 = 0.975;

/// What is predicted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Predicted {
    /// Hours to a reading so many days on.
    HoursIn { days: u64 },
    /// The day on which an hours limb is reached.
    DueDate,
}

/// How one kind of prediction did in one pool.
#[derive(Clone, Debug, PartialEq)]
pub struct CheckLine {
    /// `None`: all pools together.
    pub pool: Option<PoolId>,
    pub predicted: Predicted,
    pub scored: usize,
    /// Share of what came true that lay in the bands of [`BANDS`].
    pub covered: [f64; 3],
    /// Mean width of the 80 % band; hours, or days for due dates.
    pub width: Option<f64>,
    /// Mean of predicted less true: above zero is too much, or too late.
    pub bias: Option<f64>,
    /// Mean absolute error.
    pub error: Option<f64>,
    /// The same of the straight line, where it has an answer.
    pub straight_bias: Option<f64>,
    pub straight_error: Option<f64>,
    /// Predictions for which the straight line has no answer: it saw no running.
    pub straight_silent: usize,
}

/// A replay of the records.
#[derive(Clone, Debug, PartialEq)]
pub struct CheckedDue {
    /// The month starts on which the replay stood, rising.
    pub stands: Vec<NaiveDate>,
    /// By pool, then all together; in each by what is predicted.
    pub lines: Vec<CheckLine>,
}

/// Replays `snapshot` up to `today`, as many month starts at once as there are processors. Fits every
/// pool once a month start: seconds each for a large fleet. The answer does not depend on how many
/// run at once.
pub fn check_due(snapshot: &Snapshot, today: NaiveDate) -> CheckedDue {
    let truth = FleetHours::fit(snapshot, today);
    let stands = month_starts(snapshot, &truth, today);
    let latest_first: Vec<NaiveDate> = stands.iter().rev().copied().collect();
    let at_once = latest_first.len().div_ceil(rayon::current_num_threads().max(1)).max(1);
    let replayed: Vec<Vec<Scored>> = latest_first
        .par_chunks(at_once)
        .map(|stands| {
            // From the latest back, so that one copy of the records is cut shorter and shorter.
            let mut past = snapshot.clone();
            stands.iter().flat_map(|stand| replay_one(&mut past, &truth, *stand)).collect()
        })
        .collect();
    let mut scores: HashMap<(PoolId, Predicted), Vec<Score>> = HashMap::new();
    for (pool, predicted, score) in replayed.into_iter().flatten() {
        scores.entry((pool, predicted)).or_default().push(score);
    }
    CheckedDue { lines: lines(snapshot, &scores), stands }
}

fn replay_one(past: &mut Snapshot, truth: &FleetHours, stand: NaiveDate) -> Vec<Scored> {
    cut(past, stand);
    let fleet = FleetHours::fit(past, stand);
    let replay = Replay { stand, truth, fleet: &fleet };
    replay.hours(past).chain(replay.due_dates(past)).collect()
}

/// Month starts from a year after the first record to the last record.
fn month_starts(snapshot: &Snapshot, truth: &FleetHours, today: NaiveDate) -> Vec<NaiveDate> {
    let lives = snapshot.fleet.engines.iter().filter_map(|engine| truth.engine(engine.id));
    let days: Vec<NaiveDate> = lives
        .flat_map(|hours| hours.life().first().into_iter().chain(hours.life().last()))
        .map(|point| point.0)
        .collect();
    let (Some(first), Some(last)) = (days.iter().min(), days.iter().max()) else {
        return Vec::new();
    };
    let last = *last.min(&today);
    let year_on = |start: NaiveDate| start.checked_add_months(Months::new(MONTHS_OF_RECORD + 1));
    let whole = first.with_day(1).and_then(year_on);
    std::iter::successors(whole, |start| start.checked_add_months(Months::new(1)))
        .take_while(|start| *start < last)
        .collect()
}

/// One past day, and what came after it.
struct Replay<'a> {
    stand: NaiveDate,
    truth: &'a FleetHours,
    fleet: &'a FleetHours,
}

type Scored = (PoolId, Predicted, Score);

impl Replay<'_> {
    fn hours<'a>(&'a self, past: &'a Snapshot) -> impl Iterator<Item = Scored> + 'a {
        past.fleet.engines.iter().flat_map(move |engine| {
            HORIZON_DAYS.into_iter().filter_map(move |days| {
                let known = self.fleet.engine(engine.id)?;
                let truth = self.truth.engine(engine.id)?;
                let score = self.hours_of(engine.id, known, truth, days)?;
                Some((known.pool, Predicted::HoursIn { days }, score))
            })
        })
    }

    fn hours_of(
        &self,
        engine: EngineId,
        known: &EngineHours,
        truth: &EngineHours,
        days: u64,
    ) -> Option<Score> {
        let from = known.last_on()?;
        let to = later_record(truth, self.stand + Days::new(days))?;
        let ran = truth.life_on(to)? - truth.life_on(from)?;
        let hours = self.fleet.ahead(engine, to)?.hours;
        let below = |given: f64| {
            if given <= 0.0 { 0.0 } else { 1.0 - hours.probability_of_at_least(given) }
        };
        let straight = straight_rate(known).map(|rate| rate * (to - from).num_days() as f64);
        Some(Score {
            seen: Seen { low: below(ran - HALF_TENTH), high: below(ran + HALF_TENTH) },
            width: Some(hours.quantile(0.9) - hours.quantile(0.1)),
            error: Some(hours.mean() - ran),
            straight: straight.map(|straight| straight - ran),
        })
    }

    fn due_dates<'a>(&'a self, past: &'a Snapshot) -> impl Iterator<Item = Scored> + 'a {
        // Tasks that are reached at the same hours are one prediction.
        let mut asked = HashSet::new();
        due_list(past, self.fleet, self.stand, self.stand).into_iter().filter_map(move |line| {
            let at = line.limits()?.hours_at?;
            if !asked.insert((line.engine, at)) {
                return None;
            }
            let known = self.fleet.engine(line.engine)?;
            let truth = self.truth.engine(line.engine)?;
            let score = self.due_date_of(line.engine, known, truth, at.as_decimal())?;
            Some((known.pool, Predicted::DueDate, score))
        })
    }

    fn due_date_of(
        &self,
        engine: EngineId,
        known: &EngineHours,
        truth: &EngineHours,
        limit: f64,
    ) -> Option<Score> {
        let (from, life) = (known.last_on()?, known.last_life()?);
        let left = limit - life;
        // By the truth's own count, which may differ by the running factor learned since.
        let limit = truth.life_on(from)? + left;
        let reached_by = |day: NaiveDate| {
            self.fleet
                .ahead(engine, day)
                .map_or(0.0, |ahead| ahead.hours.probability_of_at_least(left))
        };
        if left <= 0.0 || reached_by(truth.last_on()?) < REACHED_ENOUGH {
            return None;
        }
        let asked = usage::Limits { hours_left: Some(left), months_limb_on: None };
        let due = self.fleet.engine_ahead(engine, self.stand)?.due(&asked)?;
        let width = due.q10.zip(due.q90).map(|(early, late)| (late - early).num_days() as f64);
        let Some((before, after)) = passing(truth, limit) else {
            let beyond = Seen { low: 1.0, high: 1.0 };
            return Some(Score { seen: beyond, width, error: None, straight: None });
        };
        let on = truth.reached_on(limit)?;
        let straight = straight_rate(known)
            .filter(|rate| *rate > 0.0)
            .and_then(|rate| from.checked_add_days(Days::new((left / rate).ceil() as u64)));
        let late = |day: NaiveDate| (day - on).num_days() as f64;
        Some(Score {
            seen: Seen { low: reached_by(before), high: reached_by(after) },
            width,
            error: due.q50.map(late),
            straight: straight.map(late),
        })
    }
}

/// The first record that stands for `day`: a reading on it or soon after; of a hire log the day
/// itself, where the log goes so far.
fn later_record(truth: &EngineHours, day: NaiveDate) -> Option<NaiveDate> {
    if truth.basis == Basis::HireLog {
        return truth.last_on().filter(|last| *last >= day).map(|_| day);
    }
    let at = truth.life().partition_point(|point| point.0 < day);
    let next = truth.life().get(at)?.0;
    (next <= day + Days::new(LATE_READING_DAYS)).then_some(next)
}

/// The records between which life passes `limit`.
fn passing(truth: &EngineHours, limit: f64) -> Option<(NaiveDate, NaiveDate)> {
    let at = truth.life().iter().position(|point| point.1 >= limit)?;
    let after = truth.life()[at].0;
    // Between two hires nothing runs, so it is passed on the day of the hire.
    let before = match at.checked_sub(1) {
        Some(before) if truth.basis != Basis::HireLog => truth.life()[before].0,
        _ => after.pred_opt()?,
    };
    Some((before, after))
}

/// Hours a day over the last stretch on record.
fn straight_rate(known: &EngineHours) -> Option<f64> {
    let (last, life) = (known.last_on()?, known.last_life()?);
    let first = known.life().first()?.0.max(last - Days::new(STRAIGHT_DAYS));
    let days = (last - first).num_days();
    (days > 0).then(|| known.life_on(first).map(|before| (life - before) / days as f64))?
}

/// Where the truth lay in the distribution that was predicted: between two probabilities.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Seen {
    low: f64,
    high: f64,
}

impl Seen {
    /// The part of it that lies in the middle `band` of the distribution.
    fn within(self, band: f64) -> f64 {
        let (from, to) = ((1.0 - band) / 2.0, f64::midpoint(1.0, band));
        let length = self.high - self.low;
        if length < 1e-9 {
            return f64::from(u8::from(from <= self.low && self.low <= to));
        }
        (self.high.min(to) - self.low.max(from)).max(0.0) / length
    }
}

/// One prediction against the truth.
#[derive(Clone, Copy, Debug)]
struct Score {
    seen: Seen,
    width: Option<f64>,
    /// Predicted less true; `None` where the truth is only "later".
    error: Option<f64>,
    straight: Option<f64>,
}

fn lines(snapshot: &Snapshot, scores: &HashMap<(PoolId, Predicted), Vec<Score>>) -> Vec<CheckLine> {
    let kinds = HORIZON_DAYS.map(|days| Predicted::HoursIn { days });
    let kinds = kinds.into_iter().chain([Predicted::DueDate]);
    let mut pools: Vec<_> = snapshot.fleet.pools.iter().collect();
    pools.sort_by(|a, b| a.name.cmp(&b.name));
    let mut lines = Vec::new();
    for pool in &pools {
        for kind in kinds.clone() {
            if let Some(scores) = scores.get(&(pool.id, kind)) {
                lines.push(line(Some(pool.id), kind, scores));
            }
        }
    }
    for kind in kinds {
        let all = pools.iter().filter_map(|pool| scores.get(&(pool.id, kind)));
        let all: Vec<Score> = all.flatten().copied().collect();
        if !all.is_empty() {
            lines.push(line(None, kind, &all));
        }
    }
    lines
}

fn line(pool: Option<PoolId>, predicted: Predicted, scores: &[Score]) -> CheckLine {
    let covered = |band| mean(scores.iter().map(|score| score.seen.within(band))).unwrap_or(0.0);
    // Side by side: only where both have an answer.
    let both = || scores.iter().filter_map(|score| Some((score.error?, score.straight?)));
    let answered = scores.iter().filter(|score| score.error.is_some());
    CheckLine {
        pool,
        predicted,
        scored: scores.len(),
        covered: BANDS.map(covered),
        width: mean(scores.iter().filter_map(|score| score.width)),
        bias: mean(both().map(|it| it.0)),
        error: mean(both().map(|it| it.0.abs())),
        straight_bias: mean(both().map(|it| it.1)),
        straight_error: mean(both().map(|it| it.1.abs())),
        straight_silent: answered.filter(|score| score.straight.is_none()).count(),
    }
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, count) = values.fold((0.0, 0_usize), |(sum, n), value| (sum + value, n + 1));
    (count > 0).then(|| sum / count as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn score(low: f64, high: f64, error: f64, straight: Option<f64>) -> Score {
        Score { seen: Seen { low, high }, width: Some(4.0), error: Some(error), straight }
    }

    #[test]
    fn a_truth_inside_the_band_counts_whole_and_one_outside_not_at_all() {
        let at = |p: f64| Seen { low: p, high: p };
        assert_eq!(
            [0.05, 0.1, 0.5, 0.9, 0.95].map(|p| at(p).within(0.8)),
            [0.0, 1.0, 1.0, 1.0, 0.0]
        );
    }

    /// An engine that stands still with probability 0.6 and did: the truth is all of 0 to 0.6, of
    /// which 0.1 to 0.6 lies in the 80 % band.
    #[test]
    fn a_truth_with_a_mass_counts_by_the_part_that_lies_in_the_band() {
        let still = Seen { low: 0.0, high: 0.6 };
        assert!((still.within(0.8) - 0.5 / 0.6).abs() < 1e-12);
        assert!((still.within(0.5) - 0.35 / 0.6).abs() < 1e-12);
        assert_eq!(Seen { low: 0.0, high: 0.05 }.within(0.8), 0.0);
    }

    /// Truths spread evenly over a distribution with a mass at zero: coverage is what the band
    /// says (Czado, Gneiting and Held, 2009: the mean of the non-randomised transform is uniform
    /// under a true forecast).
    #[test]
    fn a_true_forecast_covers_what_it_says_whatever_its_mass() {
        let (none, draws) = (0.37, 10_000);
        let spread = (0..draws).map(|i| (f64::from(i) + 0.5) / f64::from(draws)).map(|p| {
            if p < none { Seen { low: 0.0, high: none } } else { Seen { low: p, high: p } }
        });
        for band in BANDS {
            let covered = mean(spread.clone().map(|seen| seen.within(band))).unwrap();
            assert!((covered - band).abs() < 1e-3, "{band}: {covered}");
        }
    }

    #[test]
    fn errors_stand_side_by_side_only_where_the_straight_line_answers() {
        let scores = [score(0.5, 0.5, 2.0, Some(-8.0)), score(0.99, 1.0, -50.0, None)];
        let line = line(None, Predicted::DueDate, &scores);
        assert_eq!((line.scored, line.straight_silent), (2, 1));
        assert_eq!((line.bias, line.error), (Some(2.0), Some(2.0)));
        assert_eq!((line.straight_bias, line.straight_error), (Some(-8.0), Some(8.0)));
        assert_eq!(line.covered, [0.5, 0.5, 0.5]);
    }

    #[test]
    fn no_scores_have_no_mean() {
        assert_eq!(mean([].into_iter()), None);
    }
}
