//! Numbers, hours and dates as pages write them.
//!
//! Dates as `Thu 9 Jul`, with the year when it is not this one. Hours as the site writes them,
//! tenths or hours and minutes. Numbers with their unit, and a word in the right number.

use chrono::{DateTime, Datelike, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;

/// How a site writes running hours.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum HoursStyle {
    /// `46.5`
    #[default]
    Tenths,
    /// `46:30`
    Clock,
}

impl HoursStyle {
    /// How a site writes hours, told from what it wrote: hours and minutes where most are no whole
    /// tenths.
    pub fn of(written_seconds: impl Iterator<Item = u64>) -> Self {
        let (mut tenths, mut others) = (0, 0);
        for seconds in written_seconds {
            if seconds.is_multiple_of(360) { tenths += 1 } else { others += 1 }
        }
        if others > tenths { Self::Clock } else { Self::Tenths }
    }
}

/// Running hours without unit, as the site writes them: `46.5` or `46:30`.
pub fn hours_bare(seconds: u64, style: HoursStyle) -> String {
    match style {
        HoursStyle::Tenths => {
            let tenths = (seconds + 180) / 360;
            format!("{}.{}", tenths / 10, tenths % 10)
        }
        HoursStyle::Clock => {
            let minutes = (seconds + 30) / 60;
            format!("{}:{:02}", minutes / 60, minutes % 60)
        }
    }
}

/// Running hours with unit: `46.5 h`, `50 h` where nothing follows the point.
pub fn hours(seconds: u64, style: HoursStyle) -> String {
    let bare = hours_bare(seconds, style);
    let whole = bare.strip_suffix(".0").or_else(|| bare.strip_suffix(":00"));
    format!("{} h", whole.unwrap_or(&bare))
}

/// A day: `Thu 9 Jul`, `Fri 9 Jul 2027` when `today` is in another year.
pub fn day(day: NaiveDate, today: NaiveDate) -> String {
    if day.year() == today.year() {
        day.format("%a %-d %b").to_string()
    } else {
        day.format("%a %-d %b %Y").to_string()
    }
}

/// From a day to a day, saying no more than needed: `7 to 13 Jul`, `31 May to 2 Sep 2027`.
pub fn span(from: NaiveDate, to: NaiveDate, today: NaiveDate) -> String {
    let year = |d: NaiveDate| d.format(" %Y").to_string();
    let last_year = if to.year() == today.year() { String::new() } else { year(to) };
    let to_says = format!("{}{last_year}", day_short(to));
    if from == to {
        to_says
    } else if (from.year(), from.month()) == (to.year(), to.month()) {
        format!("{} to {to_says}", from.format("%-d"))
    } else if from.year() == to.year() {
        format!("{} to {to_says}", day_short(from))
    } else {
        format!("{}{} to {}{}", day_short(from), year(from), day_short(to), year(to))
    }
}

/// By when something on order is looked for, in words.
pub fn expected(on: Option<NaiveDate>, today: NaiveDate) -> String {
    match on {
        Some(on) if on < today => format!("expected {} and not here yet", day(on, today)),
        Some(on) => format!("expected {}", day(on, today)),
        None => "none on order".to_owned(),
    }
}

/// A day in a heading: `Monday 6 July`.
pub fn day_long(day: NaiveDate, today: NaiveDate) -> String {
    let pattern = if day.year() == today.year() { "%A %-d %B" } else { "%A %-d %B %Y" };
    day.format(pattern).to_string()
}

/// A day where room is short and the year is plain: `9 Jul`.
pub fn day_short(day: NaiveDate) -> String {
    day.format("%-d %b").to_string()
}

/// A month: `Jul`, `Jul 2027` when `today` is in another year.
pub fn month(day: NaiveDate, today: NaiveDate) -> String {
    let pattern = if day.year() == today.year() { "%b" } else { "%b %Y" };
    day.format(pattern).to_string()
}

/// An instant on the site's clock: `Thu 9 Jul, 07:30`; at midnight the day alone, for that is how
/// a day without a time is kept.
pub fn moment(instant: DateTime<Utc>, zone: Tz, today: NaiveDate) -> String {
    let local = instant.with_timezone(&zone);
    if local.time() == NaiveTime::MIN {
        return day(local.date_naive(), today);
    }
    format!("{}, {}", day(local.date_naive(), today), local.format("%H:%M"))
}

/// How a browser's field for date and time writes them.
pub const LOCAL: &str = "%Y-%m-%dT%H:%M";

/// What was typed in such a field, on the site's clock. Of the hour that comes twice in autumn the
/// first counts; a time of the hour that is left out in spring is taken an hour later.
pub fn parse_local(text: &str, zone: Tz) -> Option<DateTime<Utc>> {
    let local = NaiveDateTime::parse_from_str(text.trim(), LOCAL)
        .or_else(|_| NaiveDateTime::parse_from_str(text.trim(), "%Y-%m-%dT%H:%M:%S"))
        .ok()?;
    let shifted = || zone.from_local_datetime(&(local + TimeDelta::hours(1))).earliest();
    zone.from_local_datetime(&local).earliest().or_else(shifted).map(|at| at.to_utc())
}

/// A probability as a whole per cent; neither 0 nor 100 unless it is exactly that.
pub fn percent(share: f64) -> String {
    if !share.is_finite() {
        return "unknown".to_owned();
    }
    let share = share.clamp(0.0, 1.0);
    match (share * 100.0).round() as u32 {
        0 if share > 0.0 => "under 1 %".to_owned(),
        100 if share < 1.0 => "over 99 %".to_owned(),
        whole => format!("{whole} %"),
    }
}

/// `text` with a capital first letter.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    first + letters.as_str()
}

/// A number with its noun in the right number: `1 boat`, `3 boats`.
pub fn count(n: usize, one: &str, many: &str) -> String {
    format!("{} {}", grouped(n as i64), if n == 1 { one } else { many })
}

/// A whole number with a narrow space between thousands: `20 000`.
pub fn grouped(n: i64) -> String {
    let digits = n.unsigned_abs().to_string();
    let mut out = String::from(if n < 0 { "−" } else { "" });
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push('\u{202f}');
        }
        out.push(digit);
    }
    out
}

/// A key that sorts names as people count: Wherry 2 before Wherry 10.
pub fn as_counted(name: &str) -> Vec<(String, u64)> {
    let mut parts = vec![(String::new(), 0_u64)];
    let mut is_number = false;
    for letter in name.chars() {
        match letter.to_digit(10) {
            Some(digit) => {
                if let Some((_, number)) = parts.last_mut() {
                    *number = number.saturating_mul(10).saturating_add(u64::from(digit));
                }
                is_number = true;
            }
            None => {
                if is_number {
                    parts.push((String::new(), 0));
                }
                if let Some((text, _)) = parts.last_mut() {
                    text.push(letter);
                }
                is_number = false;
            }
        }
    }
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_sorted_as_people_count() {
        let mut names = ["Wherry 10", "Wherry 2", "Skiff 3 B", "Skiff 3 A", "Q4-21000", "Q4-9"];
        names.sort_by_cached_key(|name| as_counted(name));
        let sorted = ["Q4-9", "Q4-21000", "Skiff 3 A", "Skiff 3 B", "Wherry 2", "Wherry 10"];
        assert_eq!(names, sorted);
    }

    fn date(y: i32, m: u32, d: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(y, m, d).unwrap()
    }

    #[test]
    fn hours_are_written_as_the_site_writes_them() {
        let written = |style| [167_400, 180_000, 0].map(|seconds| hours(seconds, style));
        assert_eq!(written(HoursStyle::Tenths), ["46.5 h", "50 h", "0 h"]);
        assert_eq!(written(HoursStyle::Clock), ["46:30 h", "50 h", "0 h"]);
        assert_eq!(hours_bare(180_000, HoursStyle::Tenths), "50.0");
    }

    #[test]
    fn how_a_site_writes_hours_is_told_from_what_it_wrote() {
        assert_eq!(HoursStyle::of([360, 720, 60].into_iter()), HoursStyle::Tenths);
        assert_eq!(HoursStyle::of([360, 60, 120].into_iter()), HoursStyle::Clock);
        assert_eq!(HoursStyle::of([].into_iter()), HoursStyle::Tenths);
    }

    #[test]
    fn the_year_is_written_when_it_is_not_this_one() {
        let today = date(2026, 7, 6);
        assert_eq!(day(date(2026, 7, 9), today), "Thu 9 Jul");
        assert_eq!(day(date(2027, 7, 9), today), "Fri 9 Jul 2027");
        assert_eq!(day_long(today, today), "Monday 6 July");
    }

    #[test]
    fn a_span_says_month_and_year_once() {
        let today = date(2026, 7, 6);
        let said = |from, to| span(from, to, today);
        assert_eq!(said(date(2026, 7, 7), date(2026, 7, 13)), "7 to 13 Jul");
        assert_eq!(said(date(2026, 7, 31), date(2026, 8, 2)), "31 Jul to 2 Aug");
        assert_eq!(said(date(2027, 5, 31), date(2027, 9, 2)), "31 May to 2 Sep 2027");
        assert_eq!(said(date(2026, 12, 30), date(2027, 1, 2)), "30 Dec 2026 to 2 Jan 2027");
        assert_eq!(said(today, today), "6 Jul");
    }

    #[test]
    fn an_instant_is_shown_on_the_sites_clock() {
        let instant = date(2026, 7, 8).and_hms_opt(22, 30, 0).unwrap().and_utc();
        let shown = moment(instant, chrono_tz::Europe::Oslo, date(2026, 7, 6));
        assert_eq!(shown, "Thu 9 Jul, 00:30");
    }

    #[test]
    fn a_typed_time_is_the_sites_also_when_the_clock_changes() {
        let typed = |text| parse_local(text, chrono_tz::Europe::Oslo).map(|at| at.to_rfc3339());
        // Summer time in Oslo in 2026 runs from 29 March, 02:00, to 25 October, 03:00.
        assert_eq!(typed("2026-07-05T20:00").as_deref(), Some("2026-07-05T18:00:00+00:00"));
        assert_eq!(typed("2026-03-29T02:30").as_deref(), Some("2026-03-29T01:30:00+00:00"));
        assert_eq!(typed("2026-10-25T02:30").as_deref(), Some("2026-10-25T00:30:00+00:00"));
        assert_eq!(typed("5 July"), None);
    }

    #[test]
    fn a_per_cent_is_certain_only_when_it_is() {
        let shown = [0.0, 0.004, 0.826, 0.996, 1.0, f64::NAN].map(percent);
        assert_eq!(shown, ["0 %", "under 1 %", "83 %", "over 99 %", "100 %", "unknown"]);
    }

    #[test]
    fn thousands_stand_apart_and_nouns_agree() {
        assert_eq!(count(1, "boat", "boats"), "1 boat");
        assert_eq!(count(20_000, "part", "parts"), "20\u{202f}000 parts");
        assert_eq!(grouped(-1234), "−1\u{202f}234");
    }
}
