//! What this forecast would have said a year ago, beside what happened.
//!
//! The same code stands at the month start twelve months back and sees only what was on record by
//! then. Kept with each run, so that a yard which began last week with its old records can see on
//! its first day how far to trust it.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use demand::{Model, ModelScores, Tally};
use fleet::id::PartId;
use store::snapshot::Snapshot;

use super::rows::{Seen, seen};
use super::{Foreseen, PATHS};
use crate::check_forecast::{RECORD_LEAST, Stood, stand};
use crate::error::RunError;
use crate::looking_back::{Contested, ContestedFleet, Replayed, ReplayedMonth};
use crate::past::cut;
use crate::planned::Span;

/// Months that are replayed.
const MONTHS: usize = 12;
/// Per cents of the quantiles that are kept, and models of bare history: a run is kept each night,
/// and this is what is shown of it.
const LEVELS: [&str; 5] = ["10", "25", "50", "75", "90"];
const BEST: usize = 4;

/// A year's replay of all parts.
pub struct Hindcast {
    stood_on: NaiveDate,
    span: Span,
    stood: Stood,
}

/// Replays the last twelve whole months; `None` where the record before them is shorter than two
/// years, of which a model of a season needs both.
///
/// # Errors
/// Records that break a rule.
pub fn hindcast(
    snapshot: &Snapshot,
    foreseen: &Foreseen,
    now: Span,
) -> Result<Option<Hindcast>, RunError> {
    let truth = &foreseen.used.all;
    let first = now.first.plus(-(MONTHS as i32));
    let record = truth.values().map(|history| history.first).min();
    let (Some(record), Some(stood_on)) = (record, first.first_day()) else { return Ok(None) };
    if first.since(record) < RECORD_LEAST {
        return Ok(None);
    }
    let mut past = snapshot.clone();
    past.work.visits.clear();
    cut(&mut past, stood_on);
    let span = Span { today: stood_on, first, months: MONTHS, paths: PATHS, seed: now.seed };
    let stood = stand(&past, truth, span, now.today)?;
    Ok(Some(Hindcast { stood_on, span, stood }))
}

impl Hindcast {
    pub fn of_part(&self, part: PartId) -> Option<Replayed> {
        if !self.stood.foreseen.knows(part) {
            return None;
        }
        let streams = self.stood.foreseen.streams(part, self.span);
        let total = streams.total(self.span);
        let month = |ahead: usize| {
            let Seen { planned, on_finding, unplanned, mut quantiles } =
                seen(&streams, &total, (ahead, 1));
            if let Some(levels) = quantiles.as_object_mut() {
                levels.retain(|level, _| LEVELS.contains(&level.as_str()));
            }
            let month = self.span.first.plus(ahead as i32).first_day()?;
            Some(ReplayedMonth { month, planned, on_finding, unplanned, quantiles })
        };
        Some(Replayed {
            stood_on: self.stood_on,
            months: (0..MONTHS).filter_map(month).collect(),
            contested: self.contested(part),
        })
    }

    fn contested(&self, part: PartId) -> Option<Contested> {
        let contest = self.stood.contests.get(&part)?;
        let scored = |(model, tally): &(Model, Tally)| {
            Some(ModelScores { model: *model, scores: tally.scores()? })
        };
        let mut history: Vec<ModelScores> = contest.models.iter().filter_map(scored).collect();
        history.sort_by(|a, b| a.scores.pinball.total_cmp(&b.scores.pinball));
        let models = history.len();
        history.truncate(BEST);
        Some(Contested { three_streams: contest.given.scores()?, models, history })
    }

    /// Over all parts that could be scored; `None` without any.
    pub fn overall(&self) -> Option<ContestedFleet> {
        let mut ours = Tally::default();
        let mut models: BTreeMap<Model, Tally> = BTreeMap::new();
        for contest in self.stood.contests.values() {
            ours.add(&contest.given);
            for (model, tally) in &contest.models {
                models.entry(*model).or_default().add(tally);
            }
        }
        // A model that left parts out can't be set beside the rest.
        models.retain(|_, tally| tally.origins() >= ours.origins());
        let scored = models
            .into_iter()
            .filter_map(|(model, tally)| Some(ModelScores { model, scores: tally.scores()? }));
        let best = scored.min_by(|a, b| a.scores.pinball.total_cmp(&b.scores.pinball))?;
        Some(ContestedFleet {
            stood_on: self.stood_on,
            parts: self.stood.contests.len(),
            three_streams: ours.scores()?,
            best_of_history: best,
        })
    }
}
