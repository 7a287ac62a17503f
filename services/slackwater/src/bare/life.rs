//! `slackwater life`: how long parts last, or how repaired units age, from a bare file.

use std::collections::HashMap;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use exchange::table::{Column, Faults, Limits, Placed, Refused, Row, RowFault, Table, read_all};
use fleet::Hours;
use life::fit::CONFIDENCE;
use life::{
    Life, LifeError, PartSummary, RepairHistory, compare_groups, estimate_trend, summarise,
};
use serde::Serialize;

use crate::failure::CommandError;
use crate::output::write_whole;

/// Lifetimes of parts: survival, Weibull with bounds, groups compared; or trend of repaired units
///
/// Lives: columns part, lower, upper, group (optional). No upper: still in service at lower; lower
/// and upper the same: failed exactly then; lower 0: failed before upper; else failed between
/// them. Repairs: columns system, event (from 1), age, observed_to (optional). Answers in JSON.
#[derive(Debug, clap::Args)]
pub struct LifeArgs {
    /// Lives of parts, CSV
    #[arg(
        long,
        value_name = "FILE",
        required_unless_present = "repairs",
        conflicts_with = "repairs"
    )]
    data: Option<PathBuf>,
    /// Failures of units that are repaired and go on, CSV
    #[arg(long, value_name = "FILE")]
    repairs: Option<PathBuf>,
    /// Where to write; standard output without it
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

const LIFE_COLUMNS: [Column; 4] = [
    Column::required("part", "part number or name"),
    Column::required("lower", "age up to which it was sound"),
    Column::required("upper", "age by which it had failed; empty: still in service"),
    Column::optional("group", "use or water, to be compared"),
];

const REPAIR_COLUMNS: [Column; 4] = [
    Column::required("system", "the repaired unit"),
    Column::required("event", "number of the failure, from 1"),
    Column::required("age", "age at the failure"),
    Column::optional("observed_to", "age at which watching stopped"),
];

pub fn run(args: &LifeArgs) -> Result<(), CommandError> {
    let out = args.out.as_deref();
    match (&args.data, &args.repairs) {
        (Some(data), None) => {
            let parts = read_lives(open(data)?).map_err(rows_refused(data))?;
            write_json(out, &LifeReport::new(&parts))
        }
        (None, Some(repairs)) => {
            write_json(out, &read_repairs(open(repairs)?).map_err(rows_refused(repairs))?)
        }
        _ => Err(CommandError::Usage("give either --data or --repairs".to_owned())),
    }
}

fn write_json(out: Option<&Path>, report: &impl Serialize) -> Result<(), CommandError> {
    write_whole(out, |writer| {
        serde_json::to_writer_pretty(&mut *writer, report)?;
        writer.write_all(b"\n")
    })
}

fn open(file: &Path) -> Result<File, CommandError> {
    File::open(file).map_err(|cause| CommandError::File { file: file.to_owned(), cause })
}

fn rows_refused(file: &Path) -> impl FnOnce(Faults) -> CommandError {
    move |faults| CommandError::Rows { file: file.to_owned(), faults }
}

/// An age: a number in any unit, or hours and minutes.
fn read_age(row: &Row<'_>, column: &str) -> Result<f64, Refused> {
    if row.raw(column).contains(':') {
        row.hours(column).map(Hours::as_decimal)
    } else {
        row.not_negative(column)
    }
}

/// Lives of one part in one group.
struct PartLives {
    part: String,
    group: Option<String>,
    lives: Vec<Life>,
}

/// Lives by part and group, in the order in which these first appear.
fn read_lives(reader: impl Read) -> Result<Vec<PartLives>, Faults> {
    let mut parts: Vec<PartLives> = Vec::new();
    let mut places: HashMap<String, HashMap<String, usize>> = HashMap::new();
    let lives = read_all(reader, &LIFE_COLUMNS, |row| {
        let part = row.text("part");
        let group = row.optional("group", Row::text);
        let lower = read_age(row, "lower");
        let upper = row.optional("upper", read_age);
        let (part, group, lower, upper) = (part?, group?, lower?, upper?);
        let life = Life::from_bounds(lower, upper)
            .map_err(|error| row.refuse("upper", error.rule(), &error))?;
        let name = group.unwrap_or_default();
        let known = places.get(part).and_then(|groups| groups.get(name)).copied();
        let place = known.unwrap_or_else(|| {
            places.entry(part.to_owned()).or_default().insert(name.to_owned(), parts.len());
            let group = group.map(str::to_owned);
            parts.push(PartLives { part: part.to_owned(), group, lives: Vec::new() });
            parts.len() - 1
        });
        Ok((place, life))
    })?;
    for (place, life) in lives {
        parts[place].lives.push(life);
    }
    Ok(parts)
}

#[derive(Serialize)]
struct LifeReport<'a> {
    parts: Vec<PartReport<'a>>,
    log_rank: Vec<LogRankReport<'a>>,
}

#[derive(Serialize)]
struct PartReport<'a> {
    part: &'a str,
    group: Option<&'a str>,
    n: usize,
    failures: usize,
    method: &'static str,
    weibull: Option<WeibullReport>,
    survival: Vec<SurvivalReport>,
    mean_life: Option<f64>,
    range_only: Option<RangeReport>,
}

#[derive(Serialize)]
struct WeibullReport {
    shape: f64,
    shape_low: Option<f64>,
    shape_high: Option<f64>,
    scale: f64,
    scale_low: Option<f64>,
    scale_high: Option<f64>,
    confidence: f64,
}

#[derive(Serialize)]
struct SurvivalReport {
    age: f64,
    value: f64,
}

#[derive(Serialize)]
struct RangeReport {
    low: Option<f64>,
    high: Option<f64>,
    reason: String,
}

/// Figures are null where the groups were never at risk together.
#[derive(Serialize)]
struct LogRankReport<'a> {
    part: &'a str,
    statistic: Option<f64>,
    degrees_of_freedom: usize,
    p: Option<f64>,
}

impl<'a> LifeReport<'a> {
    fn new(parts: &'a [PartLives]) -> Self {
        let mut log_rank = Vec::new();
        let mut compared: Vec<(&str, Vec<Vec<Life>>)> = Vec::new();
        let mut places: HashMap<&str, usize> = HashMap::new();
        // Lives without a group are of an unknown one and take no part in the comparison.
        for group in parts.iter().filter(|group| group.group.is_some()) {
            let place = *places.entry(&group.part).or_insert_with(|| {
                compared.push((&group.part, Vec::new()));
                compared.len() - 1
            });
            compared[place].1.push(group.lives.clone());
        }
        for (part, groups) in compared {
            match compare_groups(&groups) {
                Ok(found) => log_rank.push(LogRankReport {
                    part,
                    statistic: Some(found.statistic),
                    degrees_of_freedom: found.degrees_of_freedom,
                    p: Some(found.p),
                }),
                Err(LifeError::OneGroup { .. }) => {}
                Err(_) => log_rank.push(LogRankReport {
                    part,
                    statistic: None,
                    degrees_of_freedom: 0,
                    p: None,
                }),
            }
        }
        Self { parts: parts.iter().map(PartReport::new).collect(), log_rank }
    }
}

impl<'a> PartReport<'a> {
    fn new(group: &'a PartLives) -> Self {
        let summary = summarise(&group.lives);
        let mean_life = summary.mean_life();
        let PartSummary { lives, failures, method, law, survival } = summary;
        let (weibull, range_only) = match law {
            Ok(fit) => {
                let weibull = WeibullReport {
                    shape: fit.weibull.shape(),
                    shape_low: fit.shape_low,
                    shape_high: fit.shape_high,
                    scale: fit.weibull.scale(),
                    scale_low: fit.scale_low,
                    scale_high: fit.scale_high,
                    confidence: CONFIDENCE,
                };
                (Some(weibull), None)
            }
            Err(range) => {
                let reason = range.reason.to_string();
                (None, Some(RangeReport { low: range.low, high: range.high, reason }))
            }
        };
        Self {
            part: &group.part,
            group: group.group.as_deref(),
            n: lives,
            failures,
            method: method.name(),
            weibull,
            survival: survival
                .into_iter()
                .map(|(age, value)| SurvivalReport { age, value })
                .collect(),
            mean_life,
            range_only,
        }
    }
}

struct RepairRow {
    event: u32,
    age: f64,
    observed_to: Option<f64>,
}

#[derive(Serialize)]
struct RepairReport {
    systems: Vec<SystemReport>,
}

/// Figures are null where the history is too short for them.
#[derive(Serialize)]
struct SystemReport {
    system: String,
    n: usize,
    laplace: Option<f64>,
    p: Option<f64>,
    shape: Option<f64>,
    shape_unbiased: Option<f64>,
    scale: Option<f64>,
    shape_low: Option<f64>,
    shape_high: Option<f64>,
    /// By the plain shape.
    mtbf_at_end: Option<f64>,
}

/// Reads repairs and reports each system, in the order in which they first appear.
fn read_repairs(reader: impl Read) -> Result<RepairReport, Faults> {
    let limits = Limits::default();
    let mut faults = Faults::none(limits.faults);
    let mut systems: Vec<(String, Vec<Placed<RepairRow>>)> = Vec::new();
    let mut places: HashMap<String, usize> = HashMap::new();
    let table = Table::open_within(reader, &REPAIR_COLUMNS, limits)?;
    for row in table.rows(parse_repair) {
        match row {
            Ok(Placed { line, value: (system, repair) }) => {
                let place = *places.entry(system).or_insert_with_key(|system| {
                    systems.push((system.clone(), Vec::new()));
                    systems.len() - 1
                });
                systems[place].1.push(Placed { line, value: repair });
            }
            Err(of_row) => faults.extend(of_row),
        }
    }
    let mut reports = Vec::new();
    for (system, rows) in systems {
        match build_history(rows) {
            Ok(history) => reports.push(report_system(system, &history)),
            Err(fault) => faults.push(fault),
        }
    }
    faults.into_result()?;
    Ok(RepairReport { systems: reports })
}

fn parse_repair(row: &Row<'_>) -> Result<(String, RepairRow), Refused> {
    let system = row.text("system");
    let event = row.count_from_one("event");
    let age = read_age(row, "age");
    let observed_to = row.optional("observed_to", read_age);
    let repair = RepairRow { event: event?, age: age?, observed_to: observed_to? };
    if repair.age == 0.0 {
        let error = LifeError::EventAtZero { age: repair.age };
        return Err(row.refuse("age", error.rule(), error));
    }
    Ok((system?.to_owned(), repair))
}

/// A system's history from its rows, in any order; or the first row that cannot be.
fn build_history(mut rows: Vec<Placed<RepairRow>>) -> Result<RepairHistory, RowFault> {
    rows.sort_by_key(|row| row.value.event);
    let mut observed_to = None;
    for (row, wanted) in rows.iter().zip(1_u32..) {
        let RepairRow { event, observed_to: told, .. } = row.value;
        if event != wanted {
            let message =
                format!("events of a system count 1, 2, 3 without gaps; {wanted} is next");
            let shown = event.to_string();
            return Err(RowFault::new(row.line, "event", &shown, "event-out-of-order", message));
        }
        match (observed_to, told) {
            (Some(known), Some(told)) if known != told => {
                let message = format!("another row of the system says {known}");
                let shown = told.to_string();
                let rule = "observed-to-differs";
                return Err(RowFault::new(row.line, "observed_to", &shown, rule, message));
            }
            _ => observed_to = observed_to.or(told),
        }
    }
    let ages = rows.iter().map(|row| row.value.age).collect();
    RepairHistory::new(ages, observed_to).map_err(|error| {
        let (column, place) = match &error {
            LifeError::EventsFall { event, .. } => ("age", event - 1),
            _ => ("observed_to", rows.len() - 1),
        };
        let row = &rows[place];
        let shown = match column {
            "age" => row.value.age.to_string(),
            _ => observed_to.map_or_else(String::new, |told| told.to_string()),
        };
        RowFault::new(row.line, column, &shown, error.rule(), &error)
    })
}

fn report_system(system: String, history: &RepairHistory) -> SystemReport {
    let trend = estimate_trend(history);
    SystemReport {
        system,
        n: trend.failures,
        laplace: trend.laplace,
        p: trend.p,
        shape: trend.shape,
        shape_unbiased: trend.shape_unbiased,
        scale: trend.scale,
        shape_low: trend.shape_low,
        shape_high: trend.shape_high,
        mtbf_at_end: trend.mtbf_at_end,
    }
}

#[cfg(test)]
mod tests;
