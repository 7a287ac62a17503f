//! What is known of one engine: hours of use over intervals of days.
//!
//! Invariant: a history's intervals are in order, do not overlap, cover at least a day each, and
//! hold a finite number of hours between 0 and 24 a day. Days are calendar dates of the site,
//! intervals half-open.

use crate::UsageError;
use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

/// Days since the first of January of year 1 of the calendar.
pub(crate) type Day = i32;

pub(crate) fn day_of(date: NaiveDate) -> Day {
    date.num_days_from_ce()
}

/// The date of a day; days are only made from dates or from sums bounded by the years 1900 to 2300.
pub(crate) fn date_of(day: Day) -> NaiveDate {
    NaiveDate::from_num_days_from_ce_opt(day).unwrap_or(NaiveDate::MAX)
}

pub(crate) fn check_date(date: NaiveDate) -> Result<(), UsageError> {
    if (1900..=2200).contains(&date.year()) {
        Ok(())
    } else {
        Err(UsageError::DateOutOfRange { date })
    }
}

/// How the hours of an interval came to be known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Source {
    /// Read from a meter, or booked by the hour.
    #[default]
    Measured,
    /// Somebody's estimate: its noise counts [`ESTIMATE_NOISE`] times.
    Estimated,
}

/// An estimated interval's variance beside a measured one's. Common practice, no source: a quarter
/// of the weight lets two seasons of estimates outweigh the pool, and one reading outweigh them.
pub const ESTIMATE_NOISE: f64 = 4.0;

impl Source {
    pub(crate) fn noise(self) -> f64 {
        match self {
            Self::Measured => 1.0,
            Self::Estimated => ESTIMATE_NOISE,
        }
    }
}

/// Hours of use over the days from `start` up to, not including, `end`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct UseInterval {
    start: NaiveDate,
    end: NaiveDate,
    hours: f64,
    source: Source,
}

impl UseInterval {
    /// Checks and makes an interval; `hours` is at most 24 a day.
    pub fn new(
        start: NaiveDate,
        end: NaiveDate,
        hours: f64,
        source: Source,
    ) -> Result<Self, UsageError> {
        check_date(start)?;
        check_date(end)?;
        let days = (end - start).num_days();
        if days <= 0 {
            return Err(UsageError::NoDays { start, end });
        }
        if !hours.is_finite() || hours < 0.0 {
            return Err(UsageError::HoursNotANumber { start, end, hours });
        }
        if hours > 24.0 * days as f64 {
            return Err(UsageError::FasterThanTime { start, days, hours });
        }
        Ok(Self { start, end, hours, source })
    }

    pub const fn start(&self) -> NaiveDate {
        self.start
    }

    pub const fn end(&self) -> NaiveDate {
        self.end
    }

    pub const fn hours(&self) -> f64 {
        self.hours
    }

    pub const fn source(&self) -> Source {
        self.source
    }

    pub(crate) fn days(&self) -> (Day, Day) {
        (day_of(self.start), day_of(self.end))
    }
}

/// One engine's life hours as known on a date: the ledger's running sum, over meter swaps.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LifeReading {
    pub on: NaiveDate,
    pub life_hours: f64,
    pub source: Source,
}

/// All intervals of one engine, in order.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct EngineHistory {
    intervals: Vec<UseInterval>,
}

impl EngineHistory {
    /// Sorts the intervals by start; refuses overlaps. Gaps are allowed: nothing is known there.
    pub fn new(mut intervals: Vec<UseInterval>) -> Result<Self, UsageError> {
        intervals.sort_by_key(|interval| interval.start);
        for pair in intervals.windows(2) {
            if pair[1].start < pair[0].end {
                return Err(UsageError::Overlaps { start: pair[1].start, before: pair[0].end });
            }
        }
        Ok(Self { intervals })
    }

    /// Intervals between consecutive readings of the life hours.
    ///
    /// Readings may come in any order. Of several on one day the last given counts, so equal
    /// timestamps make no interval. One reading gives an empty history: a level, but no use yet.
    /// An interval is estimated where either of its ends is.
    pub fn between_readings(readings: &[LifeReading]) -> Result<Self, UsageError> {
        let mut readings = readings.to_vec();
        readings.sort_by_key(|reading| reading.on); // stable: the day's last given stays last
        let mut intervals = Vec::with_capacity(readings.len());
        let mut before: Option<LifeReading> = None;
        for (index, reading) in readings.iter().enumerate() {
            if readings.get(index + 1).is_some_and(|next| next.on == reading.on) {
                continue;
            }
            if let Some(before) = before {
                let hours = reading.life_hours - before.life_hours;
                if hours < 0.0 {
                    return Err(UsageError::ReadingFalls {
                        on: reading.on,
                        hours: reading.life_hours,
                        before: before.life_hours,
                    });
                }
                let source = if before.source == Source::Estimated {
                    Source::Estimated
                } else {
                    reading.source
                };
                intervals.push(UseInterval::new(before.on, reading.on, hours, source)?);
            }
            before = Some(*reading);
        }
        Self::new(intervals)
    }

    pub fn intervals(&self) -> &[UseInterval] {
        &self.intervals
    }

    /// The part known on `date`: intervals that had ended by then.
    pub fn known_on(&self, date: NaiveDate) -> Self {
        let known = self.intervals.iter().filter(|interval| interval.end <= date);
        Self { intervals: known.copied().collect() }
    }

    pub fn total_hours(&self) -> f64 {
        self.intervals.iter().map(|interval| interval.hours).sum()
    }
}
