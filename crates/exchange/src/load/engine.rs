//! Engine models, engines, where they sat and what their meters showed.

use chrono::{DateTime, Datelike, NaiveDate, Utc};
use fleet::Hours;
use fleet::engine::{EngineStatus, FuelSystem, TestKind};
use fleet::reading::{MeterKind, ReadingKind};
use serde::Serialize;

use super::checks::{after, not_before, past_day, past_moment};
use super::{Kind, LoadRow};
use crate::table::{Column, Moment, Refused, Row};

const PERMILLE: i32 = 1_000;

/// An engine model of a maker.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ModelRow {
    pub maker: String,
    pub model: String,
    pub strokes: i32,
    pub power_watts: Option<i32>,
    pub premix_ratio: Option<i32>,
    pub engine_oil_grade: Option<String>,
    pub engine_oil_ml: Option<i32>,
    pub fuel_system: FuelSystem,
    pub gear_oil_grade: Option<String>,
    pub gear_oil_ml: Option<i32>,
    pub last_made_in: Option<i32>,
    pub manual_edition: Option<String>,
    pub source: String,
}

impl LoadRow for ModelRow {
    const KIND: Kind = Kind::Models;
    const COLUMNS: &'static [Column] = &[
        Column::required("maker", "engine maker"),
        Column::required("model", "name of the model"),
        Column::required("strokes", "2 or 4"),
        Column::optional("power_kw", "shaft power in kW"),
        Column::optional("premix_ratio", "two-strokes: parts of petrol to one of oil"),
        Column::optional("engine_oil_grade", "four-strokes: oil by the manual"),
        Column::optional("engine_oil_ml", "four-strokes: quantity in mL"),
        Column::required("fuel_system", "carburettor or injection"),
        Column::optional("gear_oil_grade", "oil of the gearcase by the manual"),
        Column::optional("gear_oil_ml", "quantity in mL"),
        Column::optional("last_made_in", "year; parts commonly end some twenty years after"),
        Column::optional("manual_edition", "printing of the manual"),
        Column::required("source", "where these figures come from"),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "Northdrift",
        "ND 6",
        "4",
        "4.4",
        "",
        "SAE 10W-30",
        "600",
        "carburettor",
        "SAE 90 GL-4",
        "150",
        "",
        "2019-02",
        "owner's manual, page 61",
    ];

    fn parse(row: &Row<'_>, now: DateTime<Utc>) -> Result<Self, Refused> {
        let maker = row.string("maker");
        let model = row.string("model");
        let strokes = row.one_of("strokes", &[("2", 2), ("4", 4)]);
        let power = row.optional("power_kw", |row, c| row.scaled(c, PERMILLE, 0.1..=1_000.0));
        let premix = row.optional("premix_ratio", |row, c| row.scaled(c, 1, 1.0..=200.0));
        let engine_oil_grade = row.optional("engine_oil_grade", Row::string);
        let engine_oil_ml = row.optional("engine_oil_ml", millilitres);
        let fuel_system = row.word("fuel_system");
        let gear_oil_grade = row.optional("gear_oil_grade", Row::string);
        let gear_oil_ml = row.optional("gear_oil_ml", millilitres);
        let last_made_in = row.optional("last_made_in", |row, column| {
            row.scaled(column, 1, 1900.0..=f64::from(now.year()))
        });
        let manual_edition = row.optional("manual_edition", Row::string);
        let source = row.string("source");
        let (strokes, premix_ratio) = (strokes?, premix?);
        if premix_ratio.is_some() && strokes == 4 {
            let message = "a four-stroke is not run on premix; leave it empty";
            return Err(row.refuse("premix_ratio", "premix-on-four-stroke", message));
        }
        Ok(Self {
            maker: maker?,
            model: model?,
            strokes,
            power_watts: power?,
            premix_ratio,
            engine_oil_grade: engine_oil_grade?,
            engine_oil_ml: engine_oil_ml?,
            fuel_system: fuel_system?,
            gear_oil_grade: gear_oil_grade?,
            gear_oil_ml: gear_oil_ml?,
            last_made_in: last_made_in?,
            manual_edition: manual_edition?,
            source: source?,
        })
    }
}

fn millilitres(row: &Row<'_>, column: &str) -> Result<i32, Refused> {
    row.scaled(column, 1, 1.0..=100_000.0)
}

/// How tight a fastener of a model is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct TorqueRow {
    pub maker: String,
    pub model: String,
    pub fastener: String,
    /// Millinewton metres.
    pub low_mnm: i32,
    pub high_mnm: i32,
    pub source: String,
}

impl LoadRow for TorqueRow {
    const KIND: Kind = Kind::Torques;
    const COLUMNS: &'static [Column] = &[
        Column::required("maker", "engine maker"),
        Column::required("model", "name of the model"),
        Column::required("fastener", "which screw or nut"),
        Column::required("low_nm", "torque in N m, or the lower end of its range"),
        Column::optional("high_nm", "upper end of the range; else the same"),
        Column::required("source", "manual, edition, page"),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["Northdrift", "ND 6", "gearcase bolts", "8", "9.5", "service manual 2019-02, page 6-14"];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let maker = row.string("maker");
        let model = row.string("model");
        let fastener = row.string("fastener");
        let low = newton_metres(row, "low_nm");
        let high = row.optional("high_nm", newton_metres);
        let source = row.string("source");
        let low_mnm = low?;
        let high_mnm = high?.unwrap_or(low_mnm);
        if high_mnm < low_mnm {
            return Err(row.refuse("high_nm", "range-reversed", "may not be below low_nm"));
        }
        let (maker, model, fastener) = (maker?, model?, fastener?);
        Ok(Self { maker, model, fastener, low_mnm, high_mnm, source: source? })
    }
}

fn newton_metres(row: &Row<'_>, column: &str) -> Result<i32, Refused> {
    row.scaled(column, PERMILLE, 0.01..=2_000.0)
}

/// What a model's test is done at, and what it may lose.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct TestFigureRow {
    pub maker: String,
    pub model: String,
    pub test: TestKind,
    /// Gauge; below zero for a vacuum.
    pub target_pa: i32,
    pub ceiling_pa: Option<i32>,
    pub hold_seconds: i32,
    pub drop_max_pa: Option<i32>,
    pub shafts_turned: bool,
    pub source: String,
}

impl LoadRow for TestFigureRow {
    const KIND: Kind = Kind::TestFigures;
    const COLUMNS: &'static [Column] = &[
        Column::required("maker", "engine maker"),
        Column::required("model", "name of the model"),
        Column::required("test", "gearcase_pressure, gearcase_vacuum or compression"),
        Column::required("target_kpa", "gauge pressure in kPa; below zero for a vacuum"),
        Column::optional("ceiling_kpa", "never to be exceeded"),
        Column::required("hold_s", "how long it is held, in seconds"),
        Column::optional(
            "drop_max_kpa",
            "largest drop allowed; 0 where the maker says it must hold",
        ),
        Column::optional("shafts_turned", "true where the maker asks for shafts to be turned"),
        Column::required("source", "manual, edition, page"),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "Northdrift",
        "ND 6",
        "gearcase_pressure",
        "70",
        "100",
        "300",
        "0",
        "true",
        "service manual 2019-02, page 6-3",
    ];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let maker = row.string("maker");
        let model = row.string("model");
        let test = row.word("test");
        let target = row.scaled("target_kpa", PERMILLE, -101.325..=2_000.0);
        let ceiling = row.optional("ceiling_kpa", |row, c| row.scaled(c, PERMILLE, 0.0..=2_000.0));
        let hold_seconds = row.scaled("hold_s", 1, 1.0..=86_400.0);
        let drop = row.optional("drop_max_kpa", |row, c| row.scaled(c, PERMILLE, 0.0..=2_000.0));
        let shafts_turned = row.optional("shafts_turned", Row::boolean);
        let source = row.string("source");
        let (test, target_pa, ceiling_pa) = (test?, target?, ceiling?);
        if (test == TestKind::GearcaseVacuum) != (target_pa < 0) {
            let message = "a vacuum is below zero, a pressure above";
            return Err(row.refuse("target_kpa", "vacuum-sign", message));
        }
        if ceiling_pa.is_some_and(|ceiling| ceiling < target_pa) {
            return Err(row.refuse(
                "ceiling_kpa",
                "ceiling-below-target",
                "may not be below the target",
            ));
        }
        Ok(Self {
            maker: maker?,
            model: model?,
            test,
            target_pa,
            ceiling_pa,
            hold_seconds: hold_seconds?,
            drop_max_pa: drop?,
            shafts_turned: shafts_turned?.unwrap_or(false),
            source: source?,
        })
    }
}

/// An outboard, by serial.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct EngineRow {
    pub serial: String,
    pub maker: String,
    pub model: String,
    pub pool: String,
    pub site: Option<String>,
    pub tag: Option<String>,
    pub bought_on: Option<NaiveDate>,
    pub first_run_on: Option<NaiveDate>,
    pub status: EngineStatus,
    pub severity_percent: Option<i32>,
    pub meter: MeterKind,
    pub note: Option<String>,
}

impl LoadRow for EngineRow {
    const KIND: Kind = Kind::Engines;
    const COLUMNS: &'static [Column] = &[
        Column::required("serial", "serial number"),
        Column::required("maker", "engine maker"),
        Column::required("model", "name of the model"),
        Column::required("pool", "name of its pool"),
        Column::optional("site", "site of the pool, where two sites have a pool of that name"),
        Column::optional("tag", "what stands on it"),
        Column::optional("bought_on", "day of purchase"),
        Column::optional("first_run_on", "first running; first intervals are counted from it"),
        Column::optional("status", "in_service, laid_up, retired or sold; else in_service"),
        Column::optional(
            "severity",
            "factor on hours intervals, 0.5 halves them; overrules boat and pool",
        ),
        Column::optional("meter", "hour_meter, key_on, network or no_meter; else hour_meter"),
        Column::optional("note", "anything worth knowing"),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "ND6-10422",
        "Northdrift",
        "ND 6",
        "Angling dinghies",
        "",
        "N14",
        "2023-03-20",
        "2023-04-22",
        "in_service",
        "",
        "hour_meter",
        "",
    ];

    fn parse(row: &Row<'_>, now: DateTime<Utc>) -> Result<Self, Refused> {
        let serial = row.string("serial");
        let maker = row.string("maker");
        let model = row.string("model");
        let pool = row.string("pool");
        let site = row.optional("site", Row::string);
        let tag = row.optional("tag", Row::string);
        let bought_on = row.optional("bought_on", |row, c| past_day(row, c, now));
        let first_run_on = row.optional("first_run_on", |row, c| past_day(row, c, now));
        let status = row.optional("status", Row::word);
        let severity_percent = row.optional("severity", severity);
        let meter = row.optional("meter", Row::word);
        let note = row.optional("note", Row::note);
        Ok(Self {
            serial: serial?,
            maker: maker?,
            model: model?,
            pool: pool?,
            site: site?,
            tag: tag?,
            bought_on: bought_on?,
            first_run_on: first_run_on?,
            status: status?.unwrap_or(EngineStatus::InService),
            severity_percent: severity_percent?,
            meter: meter?.unwrap_or(MeterKind::HourMeter),
            note: note?.map(str::to_owned),
        })
    }
}

/// Days on which an engine is known to stand still, both included.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct StandstillRow {
    pub serial: String,
    pub from_on: NaiveDate,
    pub until_on: NaiveDate,
    pub reason: String,
}

impl LoadRow for StandstillRow {
    const KIND: Kind = Kind::Standstills;
    const COLUMNS: &'static [Column] = &[
        Column::required("serial", "serial of the engine"),
        Column::required("from_on", "first day on which it does not run"),
        Column::required("until_on", "last such day"),
        Column::required("reason", "why: laid up, lent out, waiting for a part"),
    ];
    const EXAMPLE: &'static [&'static str] = &["ND6-10422", "2026-10-12", "2027-04-10", "laid up"];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let serial = row.string("serial");
        let from_on = row.date("from_on");
        let until_on = row.date("until_on");
        let reason = row.string("reason");
        let (from_on, until_on) = (from_on?, until_on?);
        not_before(row, "until_on", from_on, until_on)?;
        Ok(Self { serial: serial?, from_on, until_on, reason: reason? })
    }
}

/// Factor on hours limbs, as a percentage.
pub(super) fn severity(row: &Row<'_>, column: &str) -> Result<i32, Refused> {
    row.scaled(column, 100, 0.01..=2.0)
}

/// Which engine sat on which boat.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct FittingRow {
    pub serial: String,
    pub boat: String,
    pub site: Option<String>,
    pub position: i32,
    pub fitted_at: Moment,
    pub removed_at: Option<Moment>,
}

impl LoadRow for FittingRow {
    const KIND: Kind = Kind::Fittings;
    const COLUMNS: &'static [Column] = &[
        Column::required("serial", "serial of the engine"),
        Column::required("boat", "name of the boat"),
        Column::optional("site", "site of the boat, where two sites have one of that name"),
        Column::optional("position", "0 on a boat of one engine; counted from port otherwise"),
        Column::required(
            "fitted_at",
            "day (from its beginning), or YYYY-MM-DD HH:MM by the clock of the site",
        ),
        Column::optional("removed_at", "the same; empty while it is still there"),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["ND6-10422", "Teal 3", "", "0", "2025-04-17", "2025-10-12"];

    fn parse(row: &Row<'_>, now: DateTime<Utc>) -> Result<Self, Refused> {
        let serial = row.string("serial");
        let boat = row.string("boat");
        let site = row.optional("site", Row::string);
        let position = row.optional("position", |row, c| row.scaled(c, 1, 0.0..=7.0));
        let fitted_at = past_moment(row, "fitted_at", now);
        let removed_at = row.optional("removed_at", |row, c| past_moment(row, c, now));
        let (fitted_at, removed_at) = (fitted_at?, removed_at?);
        if let Some(removed_at) = &removed_at {
            after(row, "removed_at", &fitted_at, removed_at)?;
        }
        Ok(Self {
            serial: serial?,
            boat: boat?,
            site: site?,
            position: position?.unwrap_or(0),
            fitted_at,
            removed_at,
        })
    }
}

/// What a meter showed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ReadingRow {
    pub serial: String,
    pub read_at: Moment,
    pub kind: ReadingKind,
    /// After a swap or reset: what the new count began at.
    pub shown: Hours,
    /// Swap and reset only: what was shown last before it.
    pub shown_before: Option<Hours>,
    pub source: String,
    pub note: Option<String>,
}

impl LoadRow for ReadingRow {
    const KIND: Kind = Kind::Readings;
    const COLUMNS: &'static [Column] = &[
        Column::required("serial", "serial of the engine"),
        Column::required(
            "read_at",
            "day (from its beginning), YYYY-MM-DD HH:MM by the clock of the site, or with offset",
        ),
        Column::required(
            "hours",
            "what the meter shows, like 123.4 or 123:24; after a swap or reset what the new count began at",
        ),
        Column::optional(
            "kind",
            "reading, estimate, meter_replaced, reset or correction; else reading",
        ),
        Column::optional("hours_before", "swap or reset: what was shown last before it"),
        Column::optional("source", "who or what wrote it down; else file"),
        Column::optional("note", "anything worth knowing"),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["ND6-10422", "2026-07-05 18:30", "412.6", "reading", "", "Sunday list", ""];

    fn parse(row: &Row<'_>, now: DateTime<Utc>) -> Result<Self, Refused> {
        let serial = row.string("serial");
        let read_at = past_moment(row, "read_at", now);
        let shown = row.hours("hours");
        let kind = row.optional("kind", Row::word);
        let shown_before = row.optional("hours_before", Row::hours);
        let source = row.optional("source", Row::string);
        let note = row.optional("note", Row::note);
        let (kind, shown_before) = (kind?.unwrap_or(ReadingKind::Reading), shown_before?);
        let anew = matches!(kind, ReadingKind::MeterReplaced | ReadingKind::Reset);
        if anew != shown_before.is_some() {
            let message = if anew {
                "a swap or reset needs what was shown last before it"
            } else {
                "only a swap or reset has hours before it; leave it empty"
            };
            return Err(row.refuse("hours_before", "hours-before-a-swap", message));
        }
        Ok(Self {
            serial: serial?,
            read_at: read_at?,
            kind,
            shown: shown?,
            shown_before,
            source: source?.unwrap_or_else(|| "file".to_owned()),
            note: note?.map(str::to_owned),
        })
    }
}
