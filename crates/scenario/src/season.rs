//! How many hours a day asks for: the season's shape, weekdays and weather.

use chrono::{Datelike, NaiveDate};

/// Shares of a season's hire hours by month, per cent, for a North European hire yard (common
/// practice shaped to published overnight-stay statistics; no single source).
const MONTH_SHARES: [f64; 12] = [0.0, 0.0, 1.0, 5.0, 12.0, 17.0, 25.0, 24.0, 11.0, 5.0, 0.0, 0.0];

/// Use by weekday, Monday first, mean 1 (common practice, no source).
const WEEKDAYS: [f64; 7] = [0.75, 0.75, 0.8, 0.85, 1.0, 1.45, 1.4];

/// Hours on `day` as a share of a season's hours, before weather. Month shares are joined by
/// straight lines between the middles of the months, so that no step falls on a month's first.
pub fn share_of_season(day: NaiveDate) -> f64 {
    let month = day.month0() as usize;
    let into = (f64::from(day.day()) - 15.5) / 30.4;
    let (other, weight) =
        if into < 0.0 { ((month + 11) % 12, -into) } else { ((month + 1) % 12, into) };
    let level = MONTH_SHARES[month] * (1.0 - weight) + MONTH_SHARES[other] * weight;
    level.max(0.0) / 100.0 / 30.4 * WEEKDAYS[day.weekday().num_days_from_monday() as usize]
}

/// The first and the last day on which boats are let, in a year.
pub fn hire_days(year: i32) -> Option<(NaiveDate, NaiveDate)> {
    NaiveDate::from_ymd_opt(year, 4, 3).zip(NaiveDate::from_ymd_opt(year, 10, 24))
}

/// Whether boats are let at all.
pub fn is_open_for_hire(day: NaiveDate) -> bool {
    hire_days(day.year()).is_some_and(|(first, last)| first <= day && day <= last)
}

/// Whether boats come ashore on this day.
pub fn is_last_of_hire(day: NaiveDate) -> bool {
    hire_days(day.year()).is_some_and(|(_, last)| last == day)
}
