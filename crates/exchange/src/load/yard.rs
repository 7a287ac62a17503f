//! Sites, calendars, bays and people.

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use fleet::person::Role;
use fleet::site::PriceKind;
use fleet::{Currency, Minutes, Money};
use serde::Serialize;

use super::checks::{not_before, past_day};
use super::{Kind, LoadRow};
use crate::table::{Column, Refused, Row};

const MINUTES_A_DAY: u64 = 24 * 60;
/// Usual share of paid time that is bench time: common practice, no source.
const PRODUCTIVE_PERCENT: i32 = 70;
/// Winter work is done two weeks before the first hire: common practice, no source.
const FINISH_DAYS: i32 = 14;

/// Working time by weekday.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct CalendarRow {
    pub calendar: String,
    /// Monday first.
    pub worked: [Minutes; 7],
}

const WEEKDAYS: [&str; 7] =
    ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];

impl LoadRow for CalendarRow {
    const KIND: Kind = Kind::Calendars;
    const COLUMNS: &'static [Column] = &[
        Column::required("calendar", "its name"),
        Column::required("monday", "working hours, 8 or 7:30; 0 is closed"),
        Column::required("tuesday", "the same"),
        Column::required("wednesday", "the same"),
        Column::required("thursday", "the same"),
        Column::required("friday", "the same"),
        Column::required("saturday", "the same"),
        Column::required("sunday", "the same"),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["Winter bench", "8", "8", "8", "8", "7:30", "0", "0"];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let calendar = row.string("calendar");
        let worked = WEEKDAYS.map(|weekday| time_in_day(row, weekday));
        let mut week = [Minutes(0); 7];
        for (day, worked) in week.iter_mut().zip(worked) {
            *day = worked?;
        }
        Ok(Self { calendar: calendar?, worked: week })
    }
}

/// A day on which a calendar differs from its week.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct CalendarDayRow {
    pub calendar: String,
    pub on: NaiveDate,
    pub worked: Minutes,
    pub reason: String,
}

impl LoadRow for CalendarDayRow {
    const KIND: Kind = Kind::CalendarDays;
    const COLUMNS: &'static [Column] = &[
        Column::required("calendar", "name of the calendar"),
        Column::required("on", "the day"),
        Column::required("worked", "hours worked on it; 0 is closed"),
        Column::required("reason", "why it differs"),
    ];
    const EXAMPLE: &'static [&'static str] = &["Winter bench", "2026-12-24", "0", "closed"];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let calendar = row.string("calendar");
        let on = row.date("on");
        let worked = time_in_day(row, "worked");
        let reason = row.string("reason");
        Ok(Self { calendar: calendar?, on: on?, worked: worked?, reason: reason? })
    }
}

/// A yard or hire station.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct SiteRow {
    pub site: String,
    pub time_zone: Tz,
    pub calendar: Option<String>,
    pub first_hire_on: Option<NaiveDate>,
    pub last_hire_on: Option<NaiveDate>,
    pub finish_days_before_hire: i32,
}

impl LoadRow for SiteRow {
    const KIND: Kind = Kind::Sites;
    const COLUMNS: &'static [Column] = &[
        Column::required("site", "its name"),
        Column::required("time_zone", "IANA name, like Europe/Oslo"),
        Column::optional("calendar", "name of its working calendar; else Monday to Friday, 8 h"),
        Column::optional("first_hire_on", "first hire of the coming season"),
        Column::optional("last_hire_on", "last hire of the season"),
        Column::optional(
            "finish_days_before_hire",
            "days between the end of winter work and the first hire; else 14",
        ),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["North Quay", "Europe/Oslo", "Winter bench", "2026-04-18", "2026-10-11", "14"];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let site = row.string("site");
        let time_zone = time_zone(row, "time_zone");
        let calendar = row.optional("calendar", Row::string);
        let first = row.optional("first_hire_on", Row::date);
        let last = row.optional("last_hire_on", Row::date);
        let finish = row
            .optional("finish_days_before_hire", |row, column| row.scaled(column, 1, 0.0..=365.0));
        let (first_hire_on, last_hire_on) = (first?, last?);
        if let (Some(first), Some(last)) = (first_hire_on, last_hire_on) {
            not_before(row, "last_hire_on", first, last)?;
        }
        Ok(Self {
            site: site?,
            time_zone: time_zone?,
            calendar: calendar?,
            first_hire_on,
            last_hire_on,
            finish_days_before_hire: finish?.unwrap_or(FINISH_DAYS),
        })
    }
}

/// What something costs a site.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct SitePriceRow {
    pub site: String,
    pub kind: PriceKind,
    pub amount: Money,
    pub basis: String,
}

impl LoadRow for SitePriceRow {
    const KIND: Kind = Kind::SitePrices;
    const COLUMNS: &'static [Column] = &[
        Column::required("site", "name of the site"),
        Column::required(
            "kind",
            "day_late (a due service a day late), failure (an engine failing on hire), boat_short (a \
             boat wanted and not there, a day), visit_left_out (a visit that is not planned), \
             overtime_hour or bench_hour",
        ),
        Column::required("amount", "what it costs"),
        Column::required("currency", "like EUR"),
        Column::required("basis", "where the figure comes from"),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["North Quay", "boat_short", "95", "EUR", "a day's hire, price list of 2026"];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let site = row.string("site");
        let kind = row.word("kind");
        let amount = row.currency("currency").and_then(|currency| row.money("amount", currency));
        let basis = row.string("basis");
        Ok(Self { site: site?, kind: kind?, amount: amount?, basis: basis? })
    }
}

/// What one unit of a currency was worth in another on a day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct CurrencyRateRow {
    pub from_currency: Currency,
    pub to_currency: Currency,
    pub on: NaiveDate,
    pub rate_millionths: i64,
    pub source: String,
}

impl LoadRow for CurrencyRateRow {
    const KIND: Kind = Kind::CurrencyRates;
    const COLUMNS: &'static [Column] = &[
        Column::required("from_currency", "one unit of it, like GBP"),
        Column::required("to_currency", "was worth so many of it, like EUR"),
        Column::required("on", "on that day"),
        Column::required("rate", "units of to_currency for one of from_currency, six decimals"),
        Column::required("source", "where the rate stands"),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["GBP", "EUR", "2026-03-02", "1.1525", "bank's list of that day"];

    fn parse(row: &Row<'_>, now: DateTime<Utc>) -> Result<Self, Refused> {
        let from_currency = row.currency("from_currency");
        let to_currency = row.currency("to_currency");
        let on = past_day(row, "on", now);
        let rate = millionths(row, "rate");
        let source = row.string("source");
        let (from_currency, to_currency) = (from_currency?, to_currency?);
        if from_currency == to_currency {
            let message = "a currency has no rate to itself";
            return Err(row.refuse("to_currency", "rate-to-itself", message));
        }
        let (on, rate_millionths, source) = (on?, rate?, source?);
        Ok(Self { from_currency, to_currency, on, rate_millionths, source })
    }
}

/// A place where one engine is worked on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct BayRow {
    pub site: String,
    pub bay: String,
    pub used_as: String,
}

impl LoadRow for BayRow {
    const KIND: Kind = Kind::Bays;
    const COLUMNS: &'static [Column] = &[
        Column::required("site", "name of the site"),
        Column::required("bay", "its name"),
        Column::optional("used_as", "bench, tank, ...; else bench"),
    ];
    const EXAMPLE: &'static [&'static str] = &["North Quay", "Bench 1", "bench"];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let site = row.string("site");
        let bay = row.string("bay");
        let used_as = row.optional("used_as", Row::string);
        let used_as = used_as?.unwrap_or_else(|| "bench".to_owned());
        Ok(Self { site: site?, bay: bay?, used_as })
    }
}

/// Somebody of the organisation.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct PersonRow {
    pub person: String,
    /// Lower case.
    pub email: Option<String>,
    pub role: Role,
    pub may_clear_holds: bool,
    pub site: Option<String>,
    pub calendar: Option<String>,
    pub productive_percent: i32,
    pub skills: Vec<String>,
}

impl LoadRow for PersonRow {
    const KIND: Kind = Kind::People;
    const COLUMNS: &'static [Column] = &[
        Column::required("person", "full name"),
        Column::optional("email", "needed to sign in"),
        Column::required("role", "viewer, technician, planner, buyer or owner"),
        Column::optional(
            "may_clear_holds",
            "true for a named, competent person who may clear safety holds",
        ),
        Column::optional("site", "where he or she works"),
        Column::optional("calendar", "name of a working calendar; else the site's"),
        Column::optional(
            "bench_share",
            "share of paid time that is bench time, like 0.7, which is also the default",
        ),
        Column::optional("skills", "skills between semicolons"),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "Mara Lindqvist",
        "mara@northquay.example",
        "technician",
        "false",
        "North Quay",
        "",
        "0.7",
        "gearcase;fuel",
    ];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let person = row.string("person");
        let email = row.optional("email", email);
        let role = row.word("role");
        let may_clear_holds = row.optional("may_clear_holds", Row::boolean);
        let site = row.optional("site", Row::string);
        let calendar = row.optional("calendar", Row::string);
        let share = |row: &Row<'_>, column: &str| row.scaled(column, 100, 0.0..=1.0);
        let productive = row.optional("bench_share", share);
        let skills = row.optional("skills", Row::names);
        Ok(Self {
            person: person?,
            email: email?,
            role: role?,
            may_clear_holds: may_clear_holds?.unwrap_or(false),
            site: site?,
            calendar: calendar?,
            productive_percent: productive?.unwrap_or(PRODUCTIVE_PERCENT),
            skills: skills?.unwrap_or_default(),
        })
    }
}

/// A person is away, both days included.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct AbsenceRow {
    pub person: String,
    pub from_on: NaiveDate,
    pub until_on: NaiveDate,
    pub reason: String,
}

impl LoadRow for AbsenceRow {
    const KIND: Kind = Kind::Absences;
    const COLUMNS: &'static [Column] = &[
        Column::required("person", "full name"),
        Column::required("from_on", "first day away"),
        Column::required("until_on", "last day away"),
        Column::optional("reason", "what others may know of it; else away"),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["Mara Lindqvist", "2026-12-22", "2027-01-03", "holiday"];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let person = row.string("person");
        let from_on = row.date("from_on");
        let until_on = row.date("until_on");
        let reason = row.optional("reason", Row::string);
        let (from_on, until_on) = (from_on?, until_on?);
        not_before(row, "until_on", from_on, until_on)?;
        let reason = reason?.unwrap_or_else(|| "away".to_owned());
        Ok(Self { person: person?, from_on, until_on, reason })
    }
}

fn time_in_day(row: &Row<'_>, column: &str) -> Result<Minutes, Refused> {
    let seconds = row.hours(column)?.seconds();
    if seconds % 60 != 0 {
        return Err(row.refuse(column, "too-many-decimals", "whole minutes only; write 7:20"));
    }
    match u32::try_from(seconds / 60) {
        Ok(minutes) if u64::from(minutes) <= MINUTES_A_DAY => Ok(Minutes(minutes)),
        _ => Err(row.refuse(column, "more-than-a-day", "a day has 24 hours")),
    }
}

/// Above zero, in millionths; finer ones are refused rather than rounded.
fn millionths(row: &Row<'_>, column: &str) -> Result<i64, Refused> {
    const MILLION: f64 = 1_000_000.0;
    let scaled = row.positive(column)? * MILLION;
    // Above that a double no longer holds single millionths.
    if scaled > MILLION * MILLION {
        return Err(row.refuse(column, "out-of-bounds", "must be at most 1,000,000"));
    }
    // A thousandth of what is kept is far above what a double loses here.
    if (scaled - scaled.round()).abs() > 1e-3 || scaled < 0.5 {
        return Err(row.refuse(column, "too-many-decimals", "at most 6 decimals are kept"));
    }
    Ok(scaled.round() as i64)
}

fn time_zone(row: &Row<'_>, column: &str) -> Result<Tz, Refused> {
    let text = row.text(column)?;
    text.parse().map_err(|_| {
        row.refuse(
            column,
            "time-zone-unknown",
            "no such time zone; write its IANA name like Europe/Oslo",
        )
    })
}

/// Enough to see that it is one: a letter to it is the only proof.
fn email(row: &Row<'_>, column: &str) -> Result<String, Refused> {
    let text = row.text(column)?.to_lowercase();
    let parts = text.split_once('@');
    let plausible = parts.is_some_and(|(name, host)| {
        !name.is_empty()
            && host.contains('.')
            && !host.contains('@')
            && !text.contains(char::is_whitespace)
    });
    if plausible {
        Ok(text)
    } else {
        Err(row.refuse(column, "not-an-email", "not an email address"))
    }
}
