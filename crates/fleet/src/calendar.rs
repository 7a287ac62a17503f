//! Days of a site's calendar: zones, month arithmetic, ISO weeks, working days.

use std::collections::BTreeSet;

use chrono::{DateTime, Datelike, Days, Months, NaiveDate, NaiveTime, TimeZone, Utc, Weekday};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

use crate::hours::Minutes;

/// The day of the site's calendar on which an instant falls.
pub fn day_of(instant: DateTime<Utc>, zone: Tz) -> NaiveDate {
    instant.with_timezone(&zone).date_naive()
}

/// The first instant of a day. Where the clock jumps over midnight, the instant after the jump;
/// where midnight comes twice, the first.
pub fn start_of_day(day: NaiveDate, zone: Tz) -> DateTime<Utc> {
    let midnight = day.and_time(NaiveTime::MIN);
    if let Some(start) = zone.from_local_datetime(&midnight).earliest() {
        return start.with_timezone(&Utc);
    }
    // Zones jump by a multiple of a quarter of an hour and by three hours at most.
    (1..=12)
        .filter_map(|quarter| midnight.checked_add_signed(chrono::TimeDelta::minutes(15 * quarter)))
        .find_map(|later| zone.from_local_datetime(&later).earliest())
        .map_or_else(|| Utc.from_utc_datetime(&midnight), |start| start.with_timezone(&Utc))
}

/// `months` later on the same day of the month, or on the month's last (31 January + 1 month is
/// 28 or 29 February). The end of the calendar stays the end.
pub fn add_months(day: NaiveDate, months: u32) -> NaiveDate {
    day.checked_add_months(Months::new(months)).unwrap_or(NaiveDate::MAX)
}

/// The first day of the month that holds `day`.
pub fn month_of(day: NaiveDate) -> NaiveDate {
    day.checked_sub_days(Days::new(u64::from(day.day0()))).unwrap_or(day)
}

/// ISO 8601 week, like `2026-W53`.
pub fn iso_week(day: NaiveDate) -> String {
    let week = day.iso_week();
    format!("{}-W{:02}", week.year(), week.week())
}

/// When a site works: minutes by weekday (Monday first), and the days on which it is closed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct WorkingCalendar {
    pub minutes_by_weekday: [Minutes; 7],
    #[serde(default)]
    pub closed: BTreeSet<NaiveDate>,
}

impl Default for WorkingCalendar {
    /// Monday to Friday, eight hours (common practice, no source).
    fn default() -> Self {
        let mut minutes_by_weekday = [Minutes(480); 7];
        minutes_by_weekday[5] = Minutes(0);
        minutes_by_weekday[6] = Minutes(0);
        Self { minutes_by_weekday, closed: BTreeSet::new() }
    }
}

impl WorkingCalendar {
    /// Minutes worked by one person on a day.
    pub fn minutes_on(&self, day: NaiveDate) -> Minutes {
        if self.closed.contains(&day) {
            Minutes(0)
        } else {
            self.minutes_by_weekday[day.weekday().num_days_from_monday() as usize]
        }
    }

    pub fn is_open(&self, day: NaiveDate) -> bool {
        self.minutes_on(day).0 > 0
    }

    /// The first open day on or after `day`; `None` where a year holds none.
    pub fn open_from(&self, day: NaiveDate) -> Option<NaiveDate> {
        day.iter_days().take(366).find(|day| self.is_open(*day))
    }
}

/// The short name of a weekday as pages write it.
pub const fn weekday_name(weekday: Weekday) -> &'static str {
    match weekday {
        Weekday::Mon => "Mon",
        Weekday::Tue => "Tue",
        Weekday::Wed => "Wed",
        Weekday::Thu => "Thu",
        Weekday::Fri => "Fri",
        Weekday::Sat => "Sat",
        Weekday::Sun => "Sun",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    #[test]
    fn months_end_on_the_last_day_there_is() {
        assert_eq!(add_months(day("2026-01-31"), 1), day("2026-02-28"));
        assert_eq!(add_months(day("2028-01-31"), 1), day("2028-02-29"));
        assert_eq!(add_months(day("2028-02-29"), 12), day("2029-02-28"));
        assert_eq!(add_months(day("2026-10-31"), 4), day("2027-02-28"));
        assert_eq!(add_months(day("2026-12-15"), 1), day("2027-01-15"));
    }

    /// ISO 8601-1:2019, 3.1.1.23: week 1 holds the year's first Thursday.
    #[test]
    fn week_one_holds_the_first_thursday() {
        for (text, week) in [
            ("2026-12-31", "2026-W53"),
            ("2027-01-01", "2026-W53"),
            ("2027-01-04", "2027-W01"),
            ("2024-12-30", "2025-W01"),
            ("2023-01-01", "2022-W52"),
        ] {
            assert_eq!(iso_week(day(text)), week, "{text}");
        }
    }

    /// IANA time zone database: Europe/Oslo and America/New_York change at night, Africa/Cairo at
    /// midnight itself (since 2023 on the last Friday of April), Australia/Lord_Howe by half an hour.
    #[test]
    fn a_day_starts_once_also_when_the_clock_changes() {
        let hours_of = |text: &str, zone: Tz| {
            let length = start_of_day(day(text).succ_opt().expect("next"), zone)
                - start_of_day(day(text), zone);
            length.num_minutes()
        };
        assert_eq!(hours_of("2026-03-29", chrono_tz::Europe::Oslo), 23 * 60);
        assert_eq!(hours_of("2026-10-25", chrono_tz::Europe::Oslo), 25 * 60);
        assert_eq!(hours_of("2026-03-08", chrono_tz::America::New_York), 23 * 60);
        assert_eq!(hours_of("2026-11-01", chrono_tz::America::New_York), 25 * 60);
        assert_eq!(hours_of("2026-04-24", chrono_tz::Africa::Cairo), 23 * 60);
        assert_eq!(hours_of("2026-04-05", chrono_tz::Australia::Lord_Howe), 24 * 60 + 30);
        let start = start_of_day(day("2026-04-24"), chrono_tz::Africa::Cairo);
        assert_eq!(day_of(start, chrono_tz::Africa::Cairo), day("2026-04-24"));
        let before = start - chrono::TimeDelta::seconds(1);
        assert_eq!(day_of(before, chrono_tz::Africa::Cairo), day("2026-04-23"));
    }

    #[test]
    fn a_closed_day_is_passed_over() {
        let calendar = WorkingCalendar {
            closed: BTreeSet::from([day("2026-12-25")]),
            ..WorkingCalendar::default()
        };
        assert_eq!(calendar.open_from(day("2026-12-25")), Some(day("2026-12-28")));
        assert_eq!(calendar.minutes_on(day("2026-12-24")), Minutes(480));
        assert_eq!(month_of(day("2026-12-24")), day("2026-12-01"));
    }
}
