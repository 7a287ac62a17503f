//! `slackwater usage`: hours over days to come, from a file of hours over days gone.

use std::collections::HashMap;
use std::fs::File;
use std::io::{BufReader, Read, Write};
use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use clap::Args;
use exchange::table::{Column, Faults, Refused, Row, RowFault, TableWriter, read_all};
use usage::{
    EngineHistory, EnginePlans, EnginePosterior, HoursForecast, Outlook, PoolModel, Source,
    UsageError, UseInterval,
};

use crate::failure::CommandError;
use crate::output::write_whole;

/// Forecast hours of use by unit and days, from irregular totals.
///
/// Writes one row a target, in its order:
/// `unit,start,end,mean,q025,q10,q25,q50,q75,q90,q975,own_share`. Hours over the days from start up
/// to, not including, end; quantiles below 0.05 h are 0; own_share says how much of the answer is
/// the unit's own (1) and how much its pool's (0).
#[derive(Args)]
#[command(after_help = NOTES)]
pub struct UsageArgs {
    /// Use so far: unit, pool, start, end, use (hours), estimated? (true or false)
    #[arg(long, value_name = "FILE")]
    readings: PathBuf,
    /// Days asked for: unit, start, end; ahead, or a gap between readings
    #[arg(long, value_name = "FILE")]
    targets: PathBuf,
    /// Write here instead of to standard output
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

const NOTES: &str = "\
Units of a pool share their season. A unit that moved counts in each pool while it was there, and is
forecast in its last one. Estimated rows weigh a quarter.

Example:
  slackwater usage --readings readings.csv --targets targets.csv --out forecast.csv";

const READINGS: [Column; 6] = [
    Column::required("unit", "engine, by any name"),
    Column::required("pool", "units that can stand in for one another"),
    Column::required("start", "first day"),
    Column::required("end", "day after the last"),
    Column::required("use", "hours over these days"),
    Column::optional("estimated", "true where somebody guessed"),
];
const TARGETS: [Column; 3] = [
    Column::required("unit", "as in the readings"),
    Column::required("start", "first day"),
    Column::required("end", "day after the last"),
];
const OUT_COLUMNS: [&str; 12] = [
    "unit",
    "start",
    "end",
    "mean",
    "q025",
    "q10",
    "q25",
    "q50",
    "q75",
    "q90",
    "q975",
    "own_share",
];
const LEVELS: [f64; 7] = [0.025, 0.10, 0.25, 0.50, 0.75, 0.90, 0.975];
/// Quantiles below are written as none: nobody reads 3 minutes.
const NONE_BELOW: f64 = 0.05;
/// Longest window that is answered.
const DAYS_MAX: i64 = 20 * 366;

pub fn run(args: &UsageArgs) -> Result<(), CommandError> {
    let units = Units::read(&args.readings)?;
    let targets = read(&args.targets, |reader| read_targets(reader, &units))?;
    let pools = Pools::fit(&units, None);
    write_whole(args.out.as_deref(), |out| write_forecasts(out, &units, &pools, &targets))
}

/// Days asked for, of a unit by its place in the readings.
struct Target {
    unit: usize,
    start: NaiveDate,
    end: NaiveDate,
}

fn read_targets(reader: BufReader<File>, units: &Units) -> Result<Vec<Target>, Faults> {
    read_all(reader, &TARGETS, |row| {
        let (name, start, end) = (row.text("unit"), row.date("start"), row.date("end"));
        let (name, start, end) = (name?, start?, end?);
        let Some(&unit) = units.by_name.get(name) else {
            let text = "no reading of this unit, so its pool is not known; give it a row there";
            return Err(row.refuse("unit", "unit-without-reading", text));
        };
        UseInterval::new(start, end, 0.0, Source::Measured)
            .map_err(|error| refused(row, "end", &error))?;
        if (end - start).num_days() > DAYS_MAX {
            let text = "more than 20 years; give an earlier end";
            return Err(row.refuse("end", "target-too-long", text));
        }
        Ok(Target { unit, start, end })
    })
}

fn write_forecasts(
    out: &mut dyn Write,
    units: &Units,
    pools: &Pools,
    targets: &[Target],
) -> std::io::Result<()> {
    let mut table = TableWriter::new(out, &OUT_COLUMNS)?;
    for target in targets {
        let forecast = pools.forecast(units, target);
        let hours = forecast.hours;
        let mut row = vec![
            units.all[target.unit].name.clone(),
            target.start.to_string(),
            target.end.to_string(),
            thousandths(hours.mean()),
        ];
        row.extend(LEVELS.map(|level| {
            let quantile = hours.quantile(level);
            if quantile < NONE_BELOW { "0".to_owned() } else { thousandths(quantile) }
        }));
        row.push(thousandths(forecast.own_share));
        table.row(&row)?;
    }
    table.finish()?.flush()
}

fn thousandths(number: f64) -> String {
    format!("{number:.3}")
}

/// Opens and reads a file of rows.
pub(super) fn read<T>(
    file: &Path,
    parse: impl FnOnce(BufReader<File>) -> Result<T, Faults>,
) -> Result<T, CommandError> {
    let opened =
        File::open(file).map_err(|cause| CommandError::File { file: file.to_owned(), cause })?;
    parse(BufReader::new(opened))
        .map_err(|faults| CommandError::Rows { file: file.to_owned(), faults })
}

/// A broken rule of the use, as a fault of the row's.
pub(super) fn refused(row: &Row, column: &'static str, error: &UsageError) -> Refused {
    row.refuse(column, error.rule(), error.to_string())
}

/// One unit's past, and the pool of each interval.
pub(super) struct Unit {
    pub name: String,
    pub history: EngineHistory,
    /// Of each interval in order, by its place in [`Units::pools`].
    pools: Vec<usize>,
}

/// All units of a file of readings, in the order of their first rows.
pub(super) struct Units {
    pub all: Vec<Unit>,
    pub by_name: HashMap<String, usize>,
    pools: usize,
}

/// A row of the readings.
struct Reading {
    line: u64,
    unit: String,
    pool: String,
    interval: UseInterval,
}

/// An interval, its pool and the line that tells it.
type Told = (UseInterval, usize, u64);

impl Units {
    pub fn read(file: &Path) -> Result<Self, CommandError> {
        read(file, Self::parse)
    }

    fn parse(reader: impl Read) -> Result<Self, Faults> {
        let rows: Vec<Reading> = read_all(reader, &READINGS, |row| {
            let (unit, pool) = (row.text("unit"), row.text("pool"));
            let (start, end, hours) = (row.date("start"), row.date("end"), row.decimal("use"));
            let estimated = row.optional("estimated", Row::boolean);
            let (unit, pool, start, end, hours) = (unit?, pool?, start?, end?, hours?);
            let source =
                if estimated? == Some(true) { Source::Estimated } else { Source::Measured };
            let interval = UseInterval::new(start, end, hours, source).map_err(|error| {
                let column = if matches!(error, UsageError::NoDays { .. }) { "end" } else { "use" };
                refused(row, column, &error)
            })?;
            let (unit, pool) = (unit.to_owned(), pool.to_owned());
            Ok(Reading { line: row.line(), unit, pool, interval })
        })?;
        Self::gather(rows)
    }

    /// Rows by unit, in order of time.
    fn gather(rows: Vec<Reading>) -> Result<Self, Faults> {
        let mut by_name: HashMap<String, usize> = HashMap::new();
        let mut by_unit: Vec<(String, Vec<Told>)> = Vec::new();
        let mut pools: HashMap<String, usize> = HashMap::new();
        for Reading { line, unit, pool, interval } in rows {
            let next = pools.len();
            let pool = *pools.entry(pool).or_insert(next);
            let place = *by_name.entry(unit).or_insert_with_key(|name| {
                by_unit.push((name.clone(), Vec::new()));
                by_unit.len() - 1
            });
            by_unit[place].1.push((interval, pool, line));
        }
        let mut faults = Faults::none(10_000);
        let mut all = Vec::with_capacity(by_unit.len());
        for (name, mut rows) in by_unit {
            rows.sort_by_key(|(interval, _, _)| interval.start());
            for pair in rows.windows(2) {
                let ((before, _, first), (after, _, line)) = (&pair[0], &pair[1]);
                if after.start() < before.end() {
                    let start = after.start().to_string();
                    let text = format!("overlaps the same unit's days in line {first}");
                    faults.push(RowFault::new(*line, "start", &start, "intervals-overlap", text));
                }
            }
            let pools = rows.iter().map(|(_, pool, _)| *pool).collect();
            let intervals = rows.into_iter().map(|(interval, _, _)| interval).collect();
            // Overlaps are listed above; the history of such a unit is not used.
            let history = EngineHistory::new(intervals).unwrap_or_default();
            all.push(Unit { name, history, pools });
        }
        faults.into_result()?;
        Ok(Self { all, by_name, pools: pools.len() })
    }
}

/// Every pool's fit, and every unit's posterior in its last pool.
pub(super) struct Pools {
    outlooks: Vec<Outlook>,
    of_unit: Vec<usize>,
    posteriors: Vec<EnginePosterior>,
}

impl Pools {
    /// Fits as of `on`, or as of the last reading.
    pub fn fit(units: &Units, on: Option<NaiveDate>) -> Self {
        let ends = units.all.iter().flat_map(|unit| unit.history.intervals()).map(UseInterval::end);
        let on = on.or_else(|| ends.max()).unwrap_or_default();
        let outlooks: Vec<Outlook> = (0..units.pools)
            .map(|pool| {
                let members: Vec<EngineHistory> =
                    units.all.iter().filter_map(|unit| unit.while_in(pool)).collect();
                PoolModel::fit(&members, on).outlook
            })
            .collect();
        let of_unit: Vec<usize> = units.all.iter().map(|unit| unit.last_pool(on)).collect();
        let posteriors = units
            .all
            .iter()
            .zip(&of_unit)
            .map(|(unit, &pool)| outlooks[pool].posterior(&unit.history.known_on(on)))
            .collect();
        Self { outlooks, of_unit, posteriors }
    }

    pub fn of(&self, unit: usize) -> (&Outlook, &EnginePosterior) {
        (&self.outlooks[self.of_unit[unit]], &self.posteriors[unit])
    }

    fn forecast(&self, units: &Units, target: &Target) -> HoursForecast {
        let (outlook, posterior) = self.of(target.unit);
        let none = EnginePlans::default();
        if posterior.known_to().is_some_and(|known| target.start < known) {
            let history = &units.all[target.unit].history;
            let around = outlook.posterior_around(history, target.start, target.end);
            return outlook.hours(&around, target.start, target.end, &none);
        }
        outlook.hours(posterior, target.start, target.end, &none)
    }
}

impl Unit {
    /// Hours run by the readings that had ended on a day.
    pub fn life_on(&self, day: NaiveDate) -> f64 {
        self.history.known_on(day).total_hours()
    }

    /// Its intervals in a pool, if there are any.
    fn while_in(&self, pool: usize) -> Option<EngineHistory> {
        let intervals: Vec<UseInterval> = self
            .history
            .intervals()
            .iter()
            .zip(&self.pools)
            .filter(|(_, its)| **its == pool)
            .map(|(interval, _)| *interval)
            .collect();
        if intervals.is_empty() { None } else { EngineHistory::new(intervals).ok() }
    }

    /// The pool it was in last as of `on`; its first one where it came later.
    fn last_pool(&self, on: NaiveDate) -> usize {
        let known = self.history.intervals().partition_point(|interval| interval.end() <= on);
        self.pools[known.saturating_sub(1)]
    }
}
