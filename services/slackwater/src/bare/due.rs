//! `slackwater due --readings ...`: due dates from files, with no fleet behind them.

use std::collections::HashMap;
use std::io::Read;
use std::path::PathBuf;

use chrono::NaiveDate;
use clap::Args;
use exchange::table::{Column, Faults, Row, TableWriter, read_all};
use fleet::due::{Interval, LastDone, NextDue, Source, next_due};
use fleet::hours::Hours;
use usage::{Due, EngineAhead, EnginePlans, Limb, Limits, UseInterval};

use crate::bare::usage::{Pools, Unit, Units, read};
use crate::commands::due::FleetDueArgs;
use crate::failure::CommandError;
use crate::output::write_whole;

/// List what is due on every engine: of the fleet on record, worst first, or from bare files.
///
/// With --readings and --intervals, from files alone. Writes one row a task, in the intervals'
/// order: `unit,task,governing,hours_left,months_limb_on,q10,q50,q90,probability_by`. It is due by
/// q10 with probability 0.1, by q90 with 0.9; empty beyond 20 years. A task of which nobody knows
/// when it was last done is `unknown`, not overdue.
#[derive(Args)]
#[command(after_help = NOTES)]
pub struct DueArgs {
    /// Use so far: unit, pool, start, end, use (hours), estimated?
    #[arg(long, value_name = "FILE", requires = "intervals", requires = "from")]
    readings: Option<PathBuf>,
    /// Intervals: unit, task, hours?, months?, first_hours?, first_months?, last_done_hours?,
    /// last_done_on?, severity?
    #[arg(long, value_name = "FILE", requires = "readings")]
    intervals: Option<PathBuf>,
    /// Stand on this day; later readings are not looked at
    #[arg(long, value_name = "DATE", requires = "readings")]
    from: Option<NaiveDate>,
    /// Date for the column probability_by (for the fleet: six weeks on where left out)
    #[arg(long, value_name = "DATE")]
    by: Option<NaiveDate>,
    /// Write here instead of to standard output
    #[arg(long, value_name = "FILE", requires = "readings")]
    out: Option<PathBuf>,
    #[command(flatten)]
    fleet: FleetDueArgs,
}

const NOTES: &str = "\
From files: life hours count from the unit's first start; hours_left is as of its last reading, below
0 by how much the limit is passed. last_done_hours 0 means never done since new: the first interval
counts, and a limb that it does not name is not in force. Where hours or date of the last time are
unknown, the other limb stands alone. severity multiplies the hours limb, 0.5 halves it; a first
interval is not shortened.

Examples:
  slackwater due --by 2026-09-30
  slackwater due --readings readings.csv --intervals intervals.csv --from 2026-07-01 \\
      --by 2026-09-30 --out due.csv";

const INTERVALS: [Column; 9] = [
    Column::required("unit", "as in the readings"),
    Column::required("task", "any name"),
    Column::optional("hours", "every so many hours"),
    Column::optional("months", "every so many months"),
    Column::optional("first_hours", "first interval, where it differs"),
    Column::optional("first_months", "first interval, where it differs"),
    Column::optional("last_done_hours", "life hours when last done; 0: never since new"),
    Column::optional("last_done_on", "date when last done"),
    Column::optional("severity", "factor on hours; 0.5 halves"),
];
const OUT_COLUMNS: [&str; 9] = [
    "unit",
    "task",
    "governing",
    "hours_left",
    "months_limb_on",
    "q10",
    "q50",
    "q90",
    "probability_by",
];

pub fn run(args: &DueArgs) -> Result<(), CommandError> {
    let (Some(readings), Some(intervals), Some(from)) =
        (&args.readings, &args.intervals, args.from)
    else {
        return crate::commands::due::run(&args.fleet, args.by);
    };
    let units = Units::read(readings)?;
    let tasks = read(intervals, |reader| read_tasks(reader, &units, from))?;
    let pools = Pools::fit(&units, Some(from));
    let by = args.by.unwrap_or(from);
    write_whole(args.out.as_deref(), |out| {
        let mut table = TableWriter::new(out, &OUT_COLUMNS)?;
        let mut ahead: HashMap<usize, EngineAhead> = HashMap::new();
        let most = most_hours_left(&tasks);
        for task in &tasks {
            let unit = ahead.entry(task.unit).or_insert_with(|| {
                let (outlook, posterior) = pools.of(task.unit);
                let none = EnginePlans::default();
                outlook.engine_ahead_for(posterior, from, by, &none, most[&task.unit])
            });
            let due = unit.due(&task.limits);
            let mut row = vec![units.all[task.unit].name.clone(), task.name.clone()];
            row.extend(cells(due, args.by.is_some()));
            table.row(&row)?;
        }
        table.finish()?.flush()
    })
}

/// The most hours left of each unit's tasks.
fn most_hours_left(tasks: &[Task]) -> HashMap<usize, f64> {
    let mut most: HashMap<usize, f64> = HashMap::new();
    for task in tasks {
        let entry = most.entry(task.unit).or_insert(0.0);
        *entry = entry.max(task.limits.hours_left.unwrap_or(0.0));
    }
    most
}

fn cells(due: Option<Due>, with_probability: bool) -> [String; 7] {
    let Some(due) = due else {
        let mut cells = <[String; 7]>::default();
        "unknown".clone_into(&mut cells[0]);
        return cells;
    };
    let date = |date: Option<NaiveDate>| date.map(|date| date.to_string()).unwrap_or_default();
    [
        match due.governing {
            Limb::Hours => "hours".to_owned(),
            Limb::Months => "months".to_owned(),
        },
        due.hours_left.map(|hours| format!("{hours:.3}")).unwrap_or_default(),
        date(due.months_limb_on),
        date(due.q10),
        date(due.q50),
        date(due.q90),
        if with_probability { format!("{:.4}", due.probability_by) } else { String::new() },
    ]
}

/// A row of the intervals with the limbs that follow from it.
struct Task {
    unit: usize,
    name: String,
    limits: Limits,
}

fn read_tasks(reader: impl Read, units: &Units, from: NaiveDate) -> Result<Vec<Task>, Faults> {
    read_all(reader, &INTERVALS, |row| {
        let (unit, task) = (row.text("unit"), row.text("task"));
        let hours = row.optional("hours", Row::hours);
        let months = row.optional("months", Row::count_from_one);
        let first_hours = row.optional("first_hours", Row::hours);
        let first_months = row.optional("first_months", Row::count_from_one);
        let last_hours = row.optional("last_done_hours", Row::hours);
        let last_on = row.optional("last_done_on", Row::date);
        let severity = row.optional("severity", Row::positive);
        let (unit, name, hours, months) = (unit?, task?, hours?, months?);
        let (first_hours, first_months) = (first_hours?, first_months?);
        let (last_hours, last_on, severity) = (last_hours?, last_on?, severity?);
        let Some(&unit) = units.by_name.get(unit) else {
            let text = "no reading of this unit, so its pool is not known; give it a row there";
            return Err(row.refuse("unit", "unit-without-reading", text));
        };
        for (column, limb) in [("hours", hours), ("first_hours", first_hours)] {
            if limb == Some(Hours::ZERO) {
                let text = "an interval is more than 0 h; leave it empty where there is none";
                return Err(row.refuse(column, "interval-not-positive", text));
            }
        }
        if hours.or(first_hours).is_none() && months.or(first_months).is_none() {
            let text = "neither hours nor months; give at least one of them";
            return Err(row.refuse("hours", "interval-without-limb", text));
        }
        for (column, months) in [("months", months), ("first_months", first_months)] {
            if months.is_some_and(|months| months > MONTHS_MAX) {
                let text = format!("an interval is at most {MONTHS_MAX} months");
                return Err(row.refuse(column, "interval-too-long", text));
            }
        }
        let life = units.all[unit].life_on(from);
        if last_on.is_some_and(|on| on > from) {
            let text = format!("last done after {from}, the day to stand on");
            return Err(row.refuse("last_done_on", "last-done-in-the-future", text));
        }
        if last_hours.is_some_and(|hours| hours.as_decimal() > life + HOURS_ROUNDED) {
            let text = format!("the unit has run {life:.3} h by {from}; give at most that");
            return Err(row.refuse("last_done_hours", "last-done-in-the-future", text));
        }
        let interval = Interval {
            hours,
            months,
            first_hours,
            first_months,
            severity_on_months: false,
            source: Source::Yard { note: String::new() },
        };
        let last = last_done(last_hours, last_on, &units.all[unit]);
        let dated = last_on.is_some() || last_hours == Some(Hours::ZERO);
        let limits = limits_of(next_due(&interval, severity.unwrap_or(1.0), last), dated, life);
        Ok(Task { unit, name: name.to_owned(), limits })
    })
}

const MONTHS_MAX: u32 = 1_200;
/// Hours are kept in whole seconds: what was written may be above what is summed by a rounding.
const HOURS_ROUNDED: f64 = 0.01;

fn last_done(hours: Option<Hours>, on: Option<NaiveDate>, unit: &Unit) -> LastDone {
    let first = unit.history.intervals().first().map(UseInterval::start);
    match (hours, on) {
        (Some(Hours::ZERO), on) => on
            .or(first)
            .map_or(LastDone::Unknown, |in_service| LastDone::NeverSinceNew { in_service }),
        (life, Some(day)) => LastDone::On { day, life },
        // Hours without a date: any day does, since the months limb is left out below.
        (life @ Some(_), None) => first.map_or(LastDone::Unknown, |day| LastDone::On { day, life }),
        (None, None) => LastDone::Unknown,
    }
}

fn limits_of(next: NextDue, dated: bool, life: f64) -> Limits {
    match next {
        NextDue::Unknown { .. } => Limits { hours_left: None, months_limb_on: None },
        NextDue::Known(limits) => Limits {
            hours_left: limits.hours_at.map(|at| at.as_decimal() - life),
            months_limb_on: limits.months_on.filter(|_| dated),
        },
    }
}
