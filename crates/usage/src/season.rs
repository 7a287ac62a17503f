//! The calendar as the curve sees it: a periodic basis over the year, months and years as blocks.

use crate::history::{Day, date_of};
use chrono::Datelike;

/// Cubic B-splines around the year: one a fortnight, fine enough for a season's opening.
pub(crate) const SPLINES: usize = 26;

/// One day's place in the model: four neighbouring splines and their weights, its month and year.
#[derive(Clone, Copy, Debug)]
pub(crate) struct CalendarDay {
    pub first_spline: usize,
    pub weights: [f64; 4],
    /// Months since year 0.
    pub month: i32,
    pub year: i32,
    /// Monday is 0.
    pub weekday: usize,
}

/// Consecutive days from `first` on.
#[derive(Clone, Debug)]
pub(crate) struct Calendar {
    pub first: Day,
    pub days: Vec<CalendarDay>,
}

impl Calendar {
    /// The days of `[first, end)`.
    pub fn new(first: Day, end: Day) -> Self {
        Self { first, days: (first..end).map(calendar_day).collect() }
    }
}

fn calendar_day(day: Day) -> CalendarDay {
    let date = date_of(day);
    let length = if date.leap_year() { 366.0 } else { 365.0 };
    let phase = (f64::from(date.ordinal0()) + 0.5) / length * SPLINES as f64;
    let knot = phase.floor();
    let x = phase - knot;
    let y = 1.0 - x;
    // Uniform cubic B-spline: de Boor (1978), A Practical Guide to Splines, ch. X.
    let weights = [
        y * y * y / 6.0,
        (3.0 * x * x * x - 6.0 * x * x + 4.0) / 6.0,
        (3.0 * y * y * y - 6.0 * y * y + 4.0) / 6.0,
        x * x * x / 6.0,
    ];
    CalendarDay {
        first_spline: (knot as usize + SPLINES - 1) % SPLINES,
        weights,
        month: date.year() * 12 + date.month0() as i32,
        year: date.year(),
        weekday: date.weekday().num_days_from_monday() as usize,
    }
}
