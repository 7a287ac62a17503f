//! Pools, boats, bookings and the hire log.

use chrono::{DateTime, NaiveDate, Utc};
use fleet::hire::BookingStatus;
use fleet::pool::Water;
use serde::Serialize;

use super::checks::{after, not_before, past_moment};
use super::engine::severity;
use super::{Kind, LoadRow};
use crate::table::{Column, Moment, Refused, Row};

/// Engines that can stand in for one another on hire.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct PoolRow {
    pub site: String,
    pub pool: String,
    pub water: Water,
    pub used_for: Option<String>,
    pub severity_percent: i32,
    pub running_factor_permille: Option<i32>,
}

impl LoadRow for PoolRow {
    const KIND: Kind = Kind::Pools;
    const COLUMNS: &'static [Column] = &[
        Column::required("site", "name of the site"),
        Column::required("pool", "its name"),
        Column::required("water", "salt, brackish or fresh"),
        Column::optional("used_for", "what the boats are hired for"),
        Column::optional("severity", "factor on hours intervals, 0.5 halves them; else 1"),
        Column::optional("running_factor", "running hours per hire hour, where somebody knows it"),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["North Quay", "Angling dinghies", "salt", "angling", "0.5", "0.35"];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let site = row.string("site");
        let pool = row.string("pool");
        let water = row.word("water");
        let used_for = row.optional("used_for", Row::string);
        let severity_percent = row.optional("severity", severity);
        let factor = row.optional("running_factor", |row, c| row.scaled(c, 1_000, 0.0..=1.0));
        Ok(Self {
            site: site?,
            pool: pool?,
            water: water?,
            used_for: used_for?,
            severity_percent: severity_percent?.unwrap_or(100),
            running_factor_permille: factor?,
        })
    }
}

/// Boats that a pool should keep in service, both days included.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct PoolMinimumRow {
    pub pool: String,
    pub site: Option<String>,
    pub from_on: NaiveDate,
    pub until_on: NaiveDate,
    pub boats: i32,
}

impl LoadRow for PoolMinimumRow {
    const KIND: Kind = Kind::PoolMinimums;
    const COLUMNS: &'static [Column] = &[
        Column::required("pool", "name of the pool"),
        Column::optional("site", "its site, where two sites have one of that name"),
        Column::required("from_on", "first day"),
        Column::required("until_on", "last day"),
        Column::required("boats", "how many should be in service"),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["Angling dinghies", "North Quay", "2026-07-01", "2026-08-31", "12"];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let pool = row.string("pool");
        let site = row.optional("site", Row::string);
        let from_on = row.date("from_on");
        let until_on = row.date("until_on");
        let boats = row.scaled("boats", 1, 0.0..=10_000.0);
        let (from_on, until_on) = (from_on?, until_on?);
        not_before(row, "until_on", from_on, until_on)?;
        Ok(Self { pool: pool?, site: site?, from_on, until_on, boats: boats? })
    }
}

/// A hull that is hired out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct BoatRow {
    pub site: String,
    pub boat: String,
    pub pool: Option<String>,
    pub tag: Option<String>,
    pub jetty: Option<String>,
    pub jetty_order: Option<i32>,
    pub severity_percent: Option<i32>,
}

impl LoadRow for BoatRow {
    const KIND: Kind = Kind::Boats;
    const COLUMNS: &'static [Column] = &[
        Column::required("site", "name of the site"),
        Column::required("boat", "its name"),
        Column::optional("pool", "name of a pool of the site"),
        Column::optional("tag", "what stands on it"),
        Column::optional("jetty", "where it lies"),
        Column::optional("jetty_order", "its place there, as one walks along"),
        Column::optional("severity", "factor on hours intervals; overrules the pool's"),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["North Quay", "Teal 3", "Angling dinghies", "B-103", "East jetty", "3", ""];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let site = row.string("site");
        let boat = row.string("boat");
        let pool = row.optional("pool", Row::string);
        let tag = row.optional("tag", Row::string);
        let jetty = row.optional("jetty", Row::string);
        let jetty_order = row.optional("jetty_order", |row, c| row.scaled(c, 1, 0.0..=100_000.0));
        let severity_percent = row.optional("severity", severity);
        Ok(Self {
            site: site?,
            boat: boat?,
            pool: pool?,
            tag: tag?,
            jetty: jetty?,
            jetty_order: jetty_order?,
            severity_percent: severity_percent?,
        })
    }
}

/// Boats wanted.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct BookingRow {
    pub reference: String,
    pub pool: String,
    pub site: Option<String>,
    pub starts_at: Moment,
    /// A day is included.
    pub ends_at: Moment,
    pub boats: i32,
    pub status: BookingStatus,
}

impl LoadRow for BookingRow {
    const KIND: Kind = Kind::Bookings;
    const COLUMNS: &'static [Column] = &[
        Column::required("reference", "the booking's own number, different for each row"),
        Column::required("pool", "name of the pool"),
        Column::optional("site", "site of the pool, where two sites have one of that name"),
        Column::required(
            "starts_at",
            "YYYY-MM-DD HH:MM by the clock of the site, or the first day",
        ),
        Column::required("ends_at", "the same, or the last day"),
        Column::required("boats", "how many are wanted"),
        Column::optional("status", "booked or cancelled; else booked"),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "2026-0417",
        "Angling dinghies",
        "",
        "2026-07-11 08:00",
        "2026-07-11 18:00",
        "2",
        "booked",
    ];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let reference = row.string("reference");
        let pool = row.string("pool");
        let site = row.optional("site", Row::string);
        let starts_at = row.moment("starts_at");
        let ends_at = row.moment("ends_at");
        let boats = row.scaled("boats", 1, 1.0..=10_000.0);
        let status = row.optional("status", Row::word);
        let (starts_at, ends_at) = (starts_at?, ends_at?);
        check_span(row, "ends_at", &starts_at, &ends_at)?;
        Ok(Self {
            reference: reference?,
            pool: pool?,
            site: site?,
            starts_at,
            ends_at,
            boats: boats?,
            status: status?.unwrap_or(BookingStatus::Booked),
        })
    }
}

/// A boat out on hire.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct HireRow {
    pub boat: String,
    pub site: Option<String>,
    pub out_at: Moment,
    /// A day is included.
    pub back_at: Moment,
    pub used_for: Option<String>,
    pub booking: Option<String>,
    pub source: String,
}

impl LoadRow for HireRow {
    const KIND: Kind = Kind::Hire;
    const COLUMNS: &'static [Column] = &[
        Column::required("boat", "name of the boat"),
        Column::optional("site", "site of the boat, where two sites have one of that name"),
        Column::required("out_at", "YYYY-MM-DD HH:MM by the clock of the site, or the first day"),
        Column::required("back_at", "the same, or the last day"),
        Column::optional("used_for", "what it was hired for"),
        Column::optional("booking", "reference of its booking"),
        Column::optional("source", "who or what wrote it down; else file"),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "Teal 3",
        "",
        "2026-07-11 08:10",
        "2026-07-11 17:40",
        "angling",
        "2026-0417",
        "jetty book",
    ];

    fn parse(row: &Row<'_>, now: DateTime<Utc>) -> Result<Self, Refused> {
        let boat = row.string("boat");
        let site = row.optional("site", Row::string);
        let out_at = past_moment(row, "out_at", now);
        let back_at = past_moment(row, "back_at", now);
        let used_for = row.optional("used_for", Row::string);
        let booking = row.optional("booking", Row::string);
        let source = row.optional("source", Row::string);
        let (out_at, back_at) = (out_at?, back_at?);
        check_span(row, "back_at", &out_at, &back_at)?;
        Ok(Self {
            boat: boat?,
            site: site?,
            out_at,
            back_at,
            used_for: used_for?,
            booking: booking?,
            source: source?.unwrap_or_else(|| "file".to_owned()),
        })
    }
}

/// A last day is included, so it may be the first; a time must be later.
fn check_span(row: &Row<'_>, column: &str, from: &Moment, until: &Moment) -> Result<(), Refused> {
    match (from, until) {
        (Moment::Day(first), Moment::Day(last)) => {
            super::checks::not_before(row, column, *first, *last)
        }
        _ => after(row, column, from, until),
    }
}
