//! Tasks, when they fall due, what they use, what was done and what was found.

use chrono::{DateTime, NaiveDate, Utc};
use fleet::finding::FindingStatus;
use fleet::programme::{AccessGroup, IntervalBasis, Occasion, Urgency, Verb};
use fleet::service::ServiceReason;
use fleet::{Hours, Minutes};
use serde::Serialize;

use super::checks::{past_day, past_moment};
use super::{Kind, LoadRow};
use crate::table::{Column, Moment, Refused, Row};

/// Longest piece of work taken: a working week without a break.
const MINUTES_MAX: f64 = 7.0 * 24.0 * 60.0;
const MONTHS_MAX: f64 = 600.0;

/// A model by maker and name.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
pub struct ModelName {
    pub maker: String,
    pub model: String,
}

/// Both columns or neither.
fn model_name(row: &Row<'_>) -> Result<Option<ModelName>, Refused> {
    match (row.is_empty("maker"), row.is_empty("model")) {
        (true, true) => Ok(None),
        _ => {
            let maker = row.string("maker");
            let model = row.string("model");
            Ok(Some(ModelName { maker: maker?, model: model? }))
        }
    }
}

/// Something that is done to an engine.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct TaskRow {
    pub task: String,
    pub verb: Verb,
    pub access: AccessGroup,
    pub occasion: Occasion,
    pub own_work: Minutes,
    pub minutes_source: Option<String>,
    pub skill: Option<String>,
    pub safety: bool,
    pub caution: Option<String>,
    /// Tasks that doing it does.
    pub contains: Vec<String>,
    /// Tasks whose interval it starts anew.
    pub resets: Vec<String>,
}

impl LoadRow for TaskRow {
    const KIND: Kind = Kind::Tasks;
    const COLUMNS: &'static [Column] = &[
        Column::required("task", "its name"),
        Column::required("verb", "check, clean, adjust, grease or replace"),
        Column::optional(
            "access",
            "nothing_off, propeller_off, gearcase_off, carrier_out or cowl_off; else nothing_off",
        ),
        Column::optional(
            "occasion",
            "interval, each_use, after_use, lay_up, commissioning, opening or on_finding; else interval",
        ),
        Column::required("minutes", "work without the access"),
        Column::optional("minutes_source", "where the time comes from"),
        Column::optional("skill", "what a person must be able to do"),
        Column::optional("safety", "true where an engine must not be hired when it fails"),
        Column::optional("caution", "what to watch for; the maker's manual goes first"),
        Column::optional("contains", "tasks it includes, between semicolons"),
        Column::optional(
            "resets",
            "tasks it starts anew, between semicolons; a replacement its check",
        ),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "Replace impeller",
        "replace",
        "gearcase_off",
        "interval",
        "25",
        "own times, 2025",
        "gearcase",
        "false",
        "Shift rod and water tube must seat before the bolts are tightened.",
        "",
        "Inspect impeller",
    ];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let task = row.string("task");
        let verb = row.word("verb");
        let access = row.optional("access", Row::word);
        let occasion = row.optional("occasion", Row::word);
        let own_work = minutes(row, "minutes");
        let minutes_source = row.optional("minutes_source", Row::string);
        let skill = row.optional("skill", Row::string);
        let safety = row.optional("safety", Row::boolean);
        let caution = row.optional("caution", Row::note);
        let contains = row.optional("contains", Row::names);
        let resets = row.optional("resets", Row::names);
        let (task, contains, resets) =
            (task?, contains?.unwrap_or_default(), resets?.unwrap_or_default());
        for (column, others) in [("contains", &contains), ("resets", &resets)] {
            if others.contains(&task) {
                return Err(row.refuse(column, "task-loop", "a task can't name itself"));
            }
        }
        if let Some(both) = contains.iter().find(|other| resets.contains(other)) {
            let message = format!("{both:?} is contained already, which resets it too");
            return Err(row.refuse("resets", "named-twice", message));
        }
        Ok(Self {
            task,
            verb: verb?,
            access: access?.unwrap_or(AccessGroup::NothingOff),
            occasion: occasion?.unwrap_or(Occasion::Interval),
            own_work: own_work?,
            minutes_source: minutes_source?,
            skill: skill?,
            safety: safety?.unwrap_or(false),
            caution: caution?.map(str::to_owned),
            contains,
            resets,
        })
    }
}

fn minutes(row: &Row<'_>, column: &str) -> Result<Minutes, Refused> {
    let minutes = row.scaled(column, 1, 0.0..=MINUTES_MAX)?;
    Ok(Minutes(u32::try_from(minutes).unwrap_or(0)))
}

/// When a task falls due on a model, and the parts it then uses.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ProgrammeRow {
    pub task: String,
    /// `None`: every model without a row of its own.
    pub model: Option<ModelName>,
    pub every: Option<Hours>,
    pub every_months: Option<i32>,
    pub first: Option<Hours>,
    pub first_months: Option<i32>,
    pub severity_on_months: bool,
    pub basis: IntervalBasis,
    pub source: String,
    pub page: Option<String>,
    pub serial_from: Option<String>,
    pub serial_until: Option<String>,
    pub verified_by: Option<String>,
    /// Number and quantity.
    pub parts: Vec<(String, u32)>,
}

impl LoadRow for ProgrammeRow {
    const KIND: Kind = Kind::Programme;
    const COLUMNS: &'static [Column] = &[
        Column::required("task", "name of the task"),
        Column::optional("maker", "engine maker; empty for every model without a row of its own"),
        Column::optional("model", "name of the model; the same"),
        Column::optional(
            "hours",
            "every so many running hours; hours or months or both, whichever comes first",
        ),
        Column::optional("months", "every so many months"),
        Column::optional("first_hours", "instead of that the first time, from new"),
        Column::optional("first_months", "the same in months"),
        Column::optional(
            "severity_on_months",
            "true where severe use shortens the months too; else hours only",
        ),
        Column::required("basis", "maker, site or default (until the maker's figure is entered)"),
        Column::required("source", "author or maker, title, edition"),
        Column::optional("page", "page or table"),
        Column::optional("serial_from", "first serial it holds for"),
        Column::optional("serial_until", "last serial it holds for"),
        Column::optional("verified_by", "who compared it with the source"),
        Column::optional("parts", "parts used each time, number:quantity between semicolons"),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "Replace impeller",
        "Northdrift",
        "ND 6",
        "200",
        "24",
        "",
        "",
        "false",
        "maker",
        "Northdrift, owner's manual, 2019-02",
        "61",
        "",
        "",
        "Mara Lindqvist",
        "ND-IMP-06:1;ND-GSK-12:2",
    ];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let task = row.string("task");
        let model = model_name(row);
        let every = row.optional("hours", interval_hours);
        let every_months = row.optional("months", interval_months);
        let first = row.optional("first_hours", interval_hours);
        let first_months = row.optional("first_months", interval_months);
        let severity_on_months = row.optional("severity_on_months", Row::boolean);
        let basis = row.word("basis");
        let source = row.string("source");
        let page = row.optional("page", Row::string);
        let serial_from = row.optional("serial_from", Row::string);
        let serial_until = row.optional("serial_until", Row::string);
        let verified_by = row.optional("verified_by", Row::string);
        let parts = row.optional("parts", Row::quantities);
        let (model, every, every_months) = (model?, every?, every_months?);
        let (serial_from, serial_until) = (serial_from?, serial_until?);
        if every.is_none() && every_months.is_none() {
            let message = "hours or months must be given";
            return Err(row.refuse("hours", "interval-without-limb", message));
        }
        if (serial_from.is_some() || serial_until.is_some()) && model.is_none() {
            let message = "serials mean nothing without maker and model";
            return Err(row.refuse("serial_from", "serials-without-model", message));
        }
        Ok(Self {
            task: task?,
            model,
            every,
            every_months,
            first: first?,
            first_months: first_months?,
            severity_on_months: severity_on_months?.unwrap_or(false),
            basis: basis?,
            source: source?,
            page: page?,
            serial_from,
            serial_until,
            verified_by: verified_by?,
            parts: parts?.unwrap_or_default(),
        })
    }
}

fn interval_hours(row: &Row<'_>, column: &str) -> Result<Hours, Refused> {
    let hours = row.hours(column)?;
    if hours == Hours::ZERO {
        return Err(row.refuse(column, "not-above-zero", "must be above zero"));
    }
    Ok(hours)
}

fn interval_months(row: &Row<'_>, column: &str) -> Result<i32, Refused> {
    row.scaled(column, 1, 1.0..=MONTHS_MAX)
}

/// A part that a task uses.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct TaskPartRow {
    pub task: String,
    pub model: Option<ModelName>,
    pub part: String,
    pub quantity: u32,
    pub chance_permille: i32,
}

impl LoadRow for TaskPartRow {
    const KIND: Kind = Kind::TaskParts;
    const COLUMNS: &'static [Column] = &[
        Column::required("task", "name of the task"),
        Column::optional("maker", "engine maker; empty for every model without a row of its own"),
        Column::optional("model", "name of the model; the same"),
        Column::required("part", "part number"),
        Column::required("quantity", "how much, in the part's unit"),
        Column::optional("chance", "how often it is needed at all, like 0.3; else 1, always"),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["Reseal gearcase", "Northdrift", "ND 6", "ND-SHAFT-06", "1", "0.2"];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let task = row.string("task");
        let model = model_name(row);
        let part = row.string("part");
        let quantity = row.count_from_one("quantity");
        let chance = row.optional("chance", |row, c| row.scaled(c, 1_000, 0.001..=1.0));
        Ok(Self {
            task: task?,
            model: model?,
            part: part?,
            quantity: quantity?,
            chance_permille: chance?.unwrap_or(1_000),
        })
    }
}

/// Something that can be found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct FindingKindRow {
    pub finding: String,
    pub likely_cause: Option<String>,
    pub urgency: Urgency,
    pub safety: bool,
    pub task: Option<String>,
    pub source: String,
}

impl LoadRow for FindingKindRow {
    const KIND: Kind = Kind::FindingKinds;
    const COLUMNS: &'static [Column] = &[
        Column::required("finding", "what is found"),
        Column::optional("likely_cause", "what it may mean"),
        Column::required("urgency", "stop, three_days, next_service or lay_up"),
        Column::optional("safety", "true where the engine is held until a named person clears it"),
        Column::optional("task", "name of the task that it calls for"),
        Column::required("source", "where this comes from"),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "Milky gear oil",
        "shaft seal, O-ring or plug gasket",
        "stop",
        "false",
        "Reseal gearcase",
        "common practice, no source",
    ];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let finding = row.string("finding");
        let likely_cause = row.optional("likely_cause", Row::string);
        let urgency = row.word("urgency");
        let safety = row.optional("safety", Row::boolean);
        let task = row.optional("task", Row::string);
        let source = row.string("source");
        Ok(Self {
            finding: finding?,
            likely_cause: likely_cause?,
            urgency: urgency?,
            safety: safety?.unwrap_or(false),
            task: task?,
            source: source?,
        })
    }
}

/// A task done on an engine.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ServiceRow {
    pub serial: String,
    pub task: String,
    pub done_on: NaiveDate,
    pub life: Option<Hours>,
    pub reason: ServiceReason,
    pub done_by: Option<String>,
    pub spent: Option<Minutes>,
    /// Number and quantity.
    pub parts: Vec<(String, u32)>,
    pub note: Option<String>,
    pub source: String,
}

impl LoadRow for ServiceRow {
    const KIND: Kind = Kind::Services;
    const COLUMNS: &'static [Column] = &[
        Column::required("serial", "serial of the engine"),
        Column::required("task", "name of the task"),
        Column::required("done_on", "the day"),
        Column::optional(
            "hours",
            "the engine's hours of life then; empty where nobody wrote them down",
        ),
        Column::optional(
            "reason",
            "due, finding, lay_up, commissioning, failure or unknown; else unknown",
        ),
        Column::optional("done_by", "full name"),
        Column::optional("minutes", "time it took"),
        Column::optional("parts", "parts used, number:quantity between semicolons"),
        Column::optional("note", "anything worth knowing"),
        Column::optional("source", "who or what wrote it down; else file"),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "ND6-10422",
        "Replace impeller",
        "2026-02-03",
        "388.2",
        "lay_up",
        "Mara Lindqvist",
        "35",
        "ND-IMP-06:1;ND-GSK-12:2",
        "one vane chipped",
        "bench book",
    ];

    fn parse(row: &Row<'_>, now: DateTime<Utc>) -> Result<Self, Refused> {
        let serial = row.string("serial");
        let task = row.string("task");
        let done_on = past_day(row, "done_on", now);
        let life = row.optional("hours", Row::hours);
        let reason = row.optional("reason", Row::word);
        let done_by = row.optional("done_by", Row::string);
        let spent = row.optional("minutes", minutes);
        let parts = row.optional("parts", Row::quantities);
        let note = row.optional("note", Row::note);
        let source = row.optional("source", Row::string);
        Ok(Self {
            serial: serial?,
            task: task?,
            done_on: done_on?,
            life: life?,
            reason: reason?.unwrap_or(ServiceReason::Unknown),
            done_by: done_by?,
            spent: spent?,
            parts: parts?.unwrap_or_default(),
            note: note?.map(str::to_owned),
            source: source?.unwrap_or_else(|| "file".to_owned()),
        })
    }
}

/// Something found on an engine.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct FindingRow {
    pub serial: String,
    pub found_at: Moment,
    pub title: String,
    pub kind: Option<String>,
    /// `None`: the kind's.
    pub urgency: Option<Urgency>,
    /// `None`: the kind's.
    pub safety: Option<bool>,
    pub status: FindingStatus,
    pub found_by: Option<String>,
    pub life: Option<Hours>,
    pub note: Option<String>,
    pub closed_at: Option<Moment>,
    pub closing_note: Option<String>,
}

impl LoadRow for FindingRow {
    const KIND: Kind = Kind::Findings;
    const COLUMNS: &'static [Column] = &[
        Column::required("serial", "serial of the engine"),
        Column::required(
            "found_at",
            "day (from its beginning), or YYYY-MM-DD HH:MM by the clock of the site",
        ),
        Column::optional("finding", "name of a kind of finding"),
        Column::optional("title", "what was found, in a few words; else the kind's name"),
        Column::optional("urgency", "stop, three_days, next_service or lay_up; else the kind's"),
        Column::optional(
            "safety",
            "true holds the engine until a named person clears it; else the kind's",
        ),
        Column::optional(
            "status",
            "open, in_work or closed; else open, or closed where closed_at is given",
        ),
        Column::optional("found_by", "full name"),
        Column::optional("hours", "the engine's hours of life then"),
        Column::optional("note", "anything worth knowing"),
        Column::optional("closed_at", "when it was done with"),
        Column::optional("closing_note", "what came of it"),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "ND6-10422",
        "2026-07-06",
        "Milky gear oil",
        "",
        "",
        "",
        "open",
        "Mara Lindqvist",
        "413",
        "after line round the propeller",
        "",
        "",
    ];

    fn parse(row: &Row<'_>, now: DateTime<Utc>) -> Result<Self, Refused> {
        let serial = row.string("serial");
        let found_at = past_moment(row, "found_at", now);
        let kind = row.optional("finding", Row::string);
        let title = row.optional("title", Row::string);
        let urgency = row.optional("urgency", Row::word);
        let safety = row.optional("safety", Row::boolean);
        let status = row.optional("status", Row::word);
        let found_by = row.optional("found_by", Row::string);
        let life = row.optional("hours", Row::hours);
        let note = row.optional("note", Row::note);
        let closed_at = row.optional("closed_at", |row, c| past_moment(row, c, now));
        let closing_note = row.optional("closing_note", Row::note);
        let (kind, title, urgency, closed_at) = (kind?, title?, urgency?, closed_at?);
        let Some(title) = title.or_else(|| kind.clone()) else {
            let message = "finding or title must be given";
            return Err(row.refuse("title", "value-missing", message));
        };
        if kind.is_none() && urgency.is_none() {
            let message = "must be given where no kind of finding is";
            return Err(row.refuse("urgency", "value-missing", message));
        }
        let by_closing =
            if closed_at.is_some() { FindingStatus::Closed } else { FindingStatus::Open };
        let status = status?.unwrap_or(by_closing);
        if (status == FindingStatus::Closed) != closed_at.is_some() {
            let message = "a closed finding has closed_at, an open one has not";
            return Err(row.refuse("closed_at", "closed-without-date", message));
        }
        Ok(Self {
            serial: serial?,
            found_at: found_at?,
            title,
            kind,
            urgency,
            safety: safety?,
            status,
            found_by: found_by?,
            life: life?,
            note: note?.map(str::to_owned),
            closed_at,
            closing_note: closing_note?.map(str::to_owned),
        })
    }
}
