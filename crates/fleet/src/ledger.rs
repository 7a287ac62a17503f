//! The hours ledger of one engine: what its meters showed, and the life hours that follow.
//!
//! Invariants: append-only, corrections are entries of their own; life hours never fall; no two
//! neighbours gain more than 24 h a day. An entry may arrive late: it is checked on both sides.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::hours::Hours;

/// What was written down at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Mark {
    /// The fitted meter showed this.
    Reading { shown: Hours },
    /// Nobody could read it: a person's or program's estimate on the fitted meter's scale.
    Estimate { shown: Hours },
    /// One meter taken off, another put on.
    MeterReplaced { old_last: Hours, new_first: Hours },
    /// The same meter fell back (flat battery, rollover, reset).
    Reset { before: Hours, after: Hours },
    /// What was written for this very moment is void; the meter showed this.
    Correction { shown: Hours },
    /// The swap written for the moment `swap` is void; it was at this entry's moment, like this. In
    /// the ledger it then stands as a swap.
    SwapCorrected { swap: DateTime<Utc>, old_last: Hours, new_first: Hours },
}

impl Mark {
    const fn before(self) -> Hours {
        match self {
            Self::Reading { shown } | Self::Estimate { shown } | Self::Correction { shown } => {
                shown
            }
            Self::MeterReplaced { old_last, .. } | Self::SwapCorrected { old_last, .. } => old_last,
            Self::Reset { before, .. } => before,
        }
    }

    const fn after(self) -> Hours {
        match self {
            Self::Reading { shown } | Self::Estimate { shown } | Self::Correction { shown } => {
                shown
            }
            Self::MeterReplaced { new_first, .. } | Self::SwapCorrected { new_first, .. } => {
                new_first
            }
            Self::Reset { after, .. } => after,
        }
    }
}

/// One line of the ledger.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Entry {
    pub read_at: DateTime<Utc>,
    pub mark: Mark,
}

/// Life hours at a moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LifePoint {
    pub at: DateTime<Utc>,
    pub life: Hours,
    /// From an estimate, so that it weighs less.
    pub estimated: bool,
    /// The meter was replaced or reset here.
    pub meter_changed: bool,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LedgerError {
    #[error("{shown} is below {last}, shown before; if the meter was swapped, record that instead")]
    Falls { shown: Hours, last: Hours },
    #[error(
        "{shown} is above {next}, shown later; correct the later one first, or record the swap"
    )]
    AboveNext { shown: Hours, next: Hours },
    #[error("{gained} gained in {elapsed_hours} h is more than 24 h a day")]
    FasterThanTime { gained: Hours, elapsed_hours: i64 },
    #[error(
        "{shown} was given for a moment at which {known} is on record; to change it, correct it"
    )]
    TwoValues { shown: Hours, known: Hours },
    #[error("nothing is on record at that moment, so there is nothing to correct")]
    NothingToCorrect,
    #[error("a reading can't lie in the future ({read_at}); check date and time zone")]
    Future { read_at: DateTime<Utc> },
}

impl LedgerError {
    /// Stable name of the rule, for problem types, import reports and tests. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::Falls { .. } => "reading-falls",
            Self::AboveNext { .. } => "reading-above-next",
            Self::FasterThanTime { .. } => "reading-faster-than-time",
            Self::TwoValues { .. } => "reading-two-values",
            Self::NothingToCorrect => "correction-without-reading",
            Self::Future { .. } => "reading-in-future",
        }
    }
}

/// What became of an accepted entry.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Accepted {
    /// On record now.
    New,
    /// The same value at the same moment was there already.
    Known,
    /// On record, but more than three times the engine's usual rate: worth asking about.
    Unusual { times_usual: f64 },
}

/// The entries of one engine that count, in order of time.
#[derive(Clone, Debug, Default)]
pub struct Ledger {
    entries: Vec<Entry>,
}

/// A rate this many times the usual is kept, and asked about (common practice, no source).
const UNUSUAL_TIMES: f64 = 3.0;
/// Seconds by which clocks and rounding may disagree before a gain counts as faster than time:
/// meters show tenths of an hour.
const METER_STEP_SECONDS: i64 = 360;

impl Ledger {
    /// Builds a ledger from entries in the order in which they were appended.
    ///
    /// # Errors
    /// The index of the first entry that breaks a rule, and the rule.
    pub fn from_entries(entries: &[Entry]) -> Result<Self, (usize, LedgerError)> {
        let mut ledger = Self::default();
        for (index, entry) in entries.iter().enumerate() {
            ledger.accept(*entry).map_err(|error| (index, error))?;
        }
        Ok(ledger)
    }

    /// Takes an entry, at its place in time. `O(log n)` to find it, and appending is `O(1)`.
    ///
    /// # Errors
    /// See [`LedgerError`]; the ledger is then as it was.
    pub fn accept(&mut self, entry: Entry) -> Result<Accepted, LedgerError> {
        if let Mark::SwapCorrected { swap, old_last, new_first } = entry.mark {
            let mark = Mark::MeterReplaced { old_last, new_first };
            return self.correct_swap(swap, Entry { mark, ..entry });
        }
        let place = self.entries.partition_point(|known| known.read_at < entry.read_at);
        let same = self.entries.get(place).filter(|known| known.read_at == entry.read_at);
        let replaces = match (same, entry.mark) {
            (Some(_), Mark::Correction { .. }) => true,
            (None, Mark::Correction { .. }) => return Err(LedgerError::NothingToCorrect),
            (Some(known), mark) => return known_again(known.mark, mark),
            (None, _) => false,
        };
        let previous = place.checked_sub(1).map(|before| self.entries[before]);
        let next = self.entries.get(place + usize::from(replaces)).copied();
        if let Some(previous) = previous {
            check_gain(&previous, &entry)?;
        }
        if let Some(next) = next {
            check_gain(&entry, &next).map_err(|error| match error {
                LedgerError::Falls { shown, last } => {
                    LedgerError::AboveNext { shown: last, next: shown }
                }
                other => other,
            })?;
        }
        let accepted = self.judge(place, &entry);
        if replaces {
            self.entries[place] = entry;
        } else {
            self.entries.insert(place, entry);
        }
        Ok(accepted)
    }

    /// Puts `right` in the place of the swap at `swap`. What was read since then was read on the new
    /// meter, and what was read before on the old one: where that no longer holds, it is refused.
    fn correct_swap(&mut self, swap: DateTime<Utc>, right: Entry) -> Result<Accepted, LedgerError> {
        let place = self.entries.partition_point(|known| known.read_at < swap);
        let wrong = self.entries.get(place).filter(|known| {
            known.read_at == swap && matches!(known.mark, Mark::MeterReplaced { .. })
        });
        match wrong {
            None => return Err(LedgerError::NothingToCorrect),
            Some(wrong) if *wrong == right => return Ok(Accepted::Known),
            Some(_) => {}
        }
        let mut corrected = self.clone();
        corrected.entries.remove(place);
        let accepted = corrected.accept(right)?;
        for pair in corrected.entries.windows(2) {
            check_gain(&pair[0], &pair[1])?;
        }
        *self = corrected;
        Ok(accepted)
    }

    /// The entries that count, oldest first.
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// Life hours at each entry. The first meter is taken to have been on the engine from new, so
    /// life starts at what it first showed; where the engine had run before, `earlier` is added.
    pub fn life(&self, earlier: Hours) -> Vec<LifePoint> {
        let mut points = Vec::with_capacity(self.entries.len());
        let mut last: Option<(Hours, Hours)> = None; // (life, what the meter showed afterwards)
        for entry in &self.entries {
            let life = match last {
                None => earlier.plus(entry.mark.before()),
                Some((life, shown)) => {
                    life.plus(entry.mark.before().since(shown).unwrap_or(Hours::ZERO))
                }
            };
            last = Some((life, entry.mark.after()));
            points.push(LifePoint {
                at: entry.read_at,
                life,
                estimated: matches!(entry.mark, Mark::Estimate { .. }),
                meter_changed: matches!(
                    entry.mark,
                    Mark::MeterReplaced { .. } | Mark::Reset { .. }
                ),
            });
        }
        points
    }

    /// Compares the rate since the entry before with the rate over all before it.
    fn judge(&self, place: usize, entry: &Entry) -> Accepted {
        let (Some(first), Some(previous)) =
            (self.entries.first(), place.checked_sub(1).map(|before| &self.entries[before]))
        else {
            return Accepted::New;
        };
        let days = |from: &Entry, to: &Entry| {
            (to.read_at - from.read_at).num_seconds().max(1) as f64 / 86_400.0
        };
        let usual: f64 = self.entries[..place]
            .windows(2)
            .filter_map(|pair| pair[1].mark.before().since(pair[0].mark.after()))
            .map(Hours::as_decimal)
            .sum::<f64>()
            / days(first, previous);
        let gained = entry.mark.before().since(previous.mark.after()).unwrap_or(Hours::ZERO);
        let rate = gained.as_decimal() / days(previous, entry);
        // Within two hours a day nothing is odd on a hire boat, whatever the winter's rate was.
        if place >= 3 && usual > 0.0 && rate > UNUSUAL_TIMES * usual && rate > 2.0 {
            Accepted::Unusual { times_usual: rate / usual }
        } else {
            Accepted::New
        }
    }
}

/// A second mark for one moment: the same, or another, in what a meter showed before or after it.
fn known_again(known: Mark, given: Mark) -> Result<Accepted, LedgerError> {
    if given.after() != known.after() {
        return Err(LedgerError::TwoValues { shown: given.after(), known: known.after() });
    }
    if given.before() != known.before() {
        return Err(LedgerError::TwoValues { shown: given.before(), known: known.before() });
    }
    Ok(Accepted::Known)
}

fn check_gain(earlier: &Entry, later: &Entry) -> Result<(), LedgerError> {
    let (last, shown) = (earlier.mark.after(), later.mark.before());
    let Some(gained) = shown.since(last) else {
        return Err(LedgerError::Falls { shown, last });
    };
    let elapsed = (later.read_at - earlier.read_at).num_seconds();
    if gained.seconds() as i64 > elapsed.saturating_add(METER_STEP_SECONDS) {
        return Err(LedgerError::FasterThanTime { gained, elapsed_hours: elapsed / 3600 });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;

    use super::*;

    fn at(day: i64) -> DateTime<Utc> {
        DateTime::UNIX_EPOCH + TimeDelta::days(20_000 + day)
    }

    fn reading(day: i64, hours: u32) -> Entry {
        Entry { read_at: at(day), mark: Mark::Reading { shown: Hours::from_whole_hours(hours) } }
    }

    fn whole(hours: u32) -> Hours {
        Hours::from_whole_hours(hours)
    }

    fn last_life(entries: &[Entry]) -> Hours {
        let ledger = Ledger::from_entries(entries).expect("accepted");
        ledger.life(Hours::ZERO).last().expect("an entry").life
    }

    #[test]
    fn a_reading_neither_falls_nor_outruns_time() {
        let after = |hours| {
            let mut ledger = Ledger::from_entries(&[reading(0, 100)]).expect("accepted");
            ledger.accept(reading(1, hours)).map_err(|error| error.rule())
        };
        assert_eq!(after(124), Ok(Accepted::New));
        assert_eq!(after(125), Err("reading-faster-than-time"));
        assert_eq!(after(100), Ok(Accepted::New));
        assert_eq!(after(99), Err("reading-falls"));
    }

    #[test]
    fn life_hours_run_on_over_a_meter_swap_and_a_reset() {
        let swap = Entry {
            read_at: at(10),
            mark: Mark::MeterReplaced { old_last: whole(150), new_first: whole(3) },
        };
        let reset =
            Entry { read_at: at(20), mark: Mark::Reset { before: whole(43), after: Hours::ZERO } };
        // 100 on the first meter, 50 more to the swap, 40 to the reset, 7 after it.
        let entries = [reading(0, 100), swap, reset, reading(30, 7)];
        assert_eq!(last_life(&entries), whole(197));
    }

    #[test]
    fn a_swap_told_again_is_known_and_one_with_another_end_is_not() {
        let swap = |old_last| Entry {
            read_at: at(10),
            mark: Mark::MeterReplaced { old_last: whole(old_last), new_first: whole(3) },
        };
        let mut ledger = Ledger::from_entries(&[reading(0, 100), swap(150)]).expect("accepted");
        assert_eq!(ledger.accept(swap(150)), Ok(Accepted::Known));
        let two = LedgerError::TwoValues { shown: whole(151), known: whole(150) };
        assert_eq!(ledger.accept(swap(151)), Err(two));
        let plain = Entry { read_at: at(10), mark: Mark::Reading { shown: whole(3) } };
        let two = LedgerError::TwoValues { shown: whole(3), known: whole(150) };
        assert_eq!(ledger.accept(plain), Err(two));
    }

    #[test]
    fn a_correction_voids_what_was_written_for_that_moment() {
        let wrong = reading(10, 190);
        let right = Entry { read_at: at(10), mark: Mark::Correction { shown: whole(109) } };
        assert_eq!(last_life(&[reading(0, 100), wrong, right]), whole(109));
        let alone = Ledger::from_entries(&[right]);
        assert_eq!(
            alone.map_err(|(_, error)| error.rule()).err(),
            Some("correction-without-reading")
        );
    }

    #[test]
    fn a_swap_mistyped_is_put_right_under_the_readings_that_rest_on_it() {
        let swap = |day, old_last, new_first| Entry {
            read_at: at(day),
            mark: Mark::MeterReplaced { old_last: whole(old_last), new_first: whole(new_first) },
        };
        let corrected = |day, old_last, new_first| Entry {
            read_at: at(day),
            mark: Mark::SwapCorrected {
                swap: at(10),
                old_last: whole(old_last),
                new_first: whole(new_first),
            },
        };
        let before = [reading(0, 100), swap(10, 190, 3), reading(20, 9)];
        let life = |entry| {
            let ledger = Ledger::from_entries(&[&before[..], &[entry]].concat());
            ledger.map(|ledger| ledger.life(Hours::ZERO).last().expect("an entry").life)
        };
        assert_eq!(last_life(&before), whole(196));
        assert_eq!(life(corrected(10, 109, 3)), Ok(whole(115)));
        assert_eq!(life(corrected(12, 109, 0)), Ok(whole(118)));
        let rule = |entry| life(entry).map_err(|(_, error)| error.rule()).err();
        // The reading of day 20 is on the new meter; so is what the swap would begin at.
        assert_eq!(rule(corrected(10, 109, 10)), Some("reading-above-next"));
        assert_eq!(rule(corrected(25, 109, 3)), Some("reading-falls"));
        assert_eq!(rule(corrected(10, 99, 3)), Some("reading-falls"));
        let elsewhere =
            Mark::SwapCorrected { swap: at(20), old_last: whole(109), new_first: whole(3) };
        let elsewhere = Entry { read_at: at(10), mark: elsewhere };
        assert_eq!(rule(elsewhere), Some("correction-without-reading"), "day 20 is no swap");
        // The one told again changes nothing, and the corrected one can be corrected once more.
        let mut ledger = Ledger::from_entries(&before).expect("accepted");
        assert_eq!(ledger.accept(corrected(10, 190, 3)), Ok(Accepted::Known));
        ledger.accept(corrected(12, 109, 0)).expect("accepted");
        assert_eq!(ledger.entries().len(), 3);
        assert_eq!(
            ledger.accept(corrected(10, 109, 3)).map_err(|error| error.rule()),
            Err("correction-without-reading")
        );
    }

    #[test]
    fn a_late_entry_is_checked_on_both_sides() {
        let mut ledger =
            Ledger::from_entries(&[reading(0, 100), reading(10, 150)]).expect("accepted");
        assert_eq!(
            ledger.accept(reading(5, 160)).map_err(|error| error.rule()),
            Err("reading-above-next")
        );
        assert_eq!(ledger.accept(reading(5, 120)), Ok(Accepted::New));
        assert_eq!(ledger.accept(reading(5, 120)), Ok(Accepted::Known));
        assert_eq!(
            ledger.accept(reading(5, 121)).map_err(|error| error.rule()),
            Err("reading-two-values")
        );
        assert_eq!(ledger.entries().len(), 3);
    }

    #[test]
    fn a_rate_far_above_the_usual_is_kept_and_asked_about() {
        let mut ledger = Ledger::from_entries(&[
            reading(0, 0),
            reading(10, 10),
            reading(20, 20),
            reading(30, 30),
        ])
        .expect("accepted");
        assert!(matches!(ledger.accept(reading(40, 70)), Ok(Accepted::Unusual { .. })));
    }
}
