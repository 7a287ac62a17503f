//! `slackwater demand`: forecast parts from a file of monthly quantities.

use std::collections::HashMap;
use std::fs::File;
use std::io::{BufReader, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use clap::{Args, ValueEnum};
use demand::{
    HORIZON_MAX, History, MONTHS_MAX, Month, PartForecast, QUANTILE_LEVELS, QUANTITY_MAX, Request,
    forecast_each,
};
use exchange::table::{Column, Faults, Limits, Placed, RowFault, Table, TableWriter};

use crate::failure::CommandError;
use crate::output::{progress, write_whole};

/// Forecast parts from a file of monthly quantities.
///
/// Reads `part,month,quantity` (months YYYY-MM) and writes, for each part and each of the N months
/// after the file's last, the expected quantity and its quantiles from 5 to 99 %, with the model
/// they come from: `part,month,mean,q05,q10,q20,q30,q40,q50,q60,q70,q80,q90,q95,q99,model`.
#[derive(Args)]
pub struct DemandArgs {
    /// Monthly quantities: a CSV file with the columns part, month, quantity
    #[arg(long, value_name = "FILE")]
    history: PathBuf,
    /// Months to forecast, counted from the file's last month
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=HORIZON_MAX as i64))]
    months: u8,
    /// Add rows for the first 2 to N months together, their month written as YYYY-MM/P3M
    #[arg(long)]
    cumulated: bool,
    /// What a month without a row means, between a part's first and the file's last
    #[arg(long, value_enum, default_value_t = Missing::Zero)]
    missing: Missing,
    /// Seed of the sample paths; the same seed gives the same answer
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Write here instead of to standard output
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// What a month without a row means.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Missing {
    /// Nothing was asked for
    Zero,
    /// The file is wrong
    Refuse,
}

/// Sample paths drawn a part: the 99 % quantile rests on the ten largest.
const PATHS: usize = 1_000;

const COLUMNS: [Column; 3] = [
    Column::required("part", "part number or name"),
    Column::required("month", "calendar month, YYYY-MM"),
    Column::required("quantity", "pieces (or litres) asked for in the month, zero or more"),
];

const OUT_COLUMNS: [&str; 16] = [
    "part", "month", "mean", "q05", "q10", "q20", "q30", "q40", "q50", "q60", "q70", "q80", "q90",
    "q95", "q99", "model",
];

pub fn run(args: &DemandArgs) -> Result<(), CommandError> {
    let histories = read_histories(&args.history, args.missing)?;
    let request = Request { months: args.months.into(), paths: PATHS, seed: args.seed };
    let bar = progress(3 * histories.len() as u64, "steps");
    let rows = Mutex::new(vec![Vec::new(); histories.len()]);
    let done = forecast_each(
        &histories,
        &request,
        &|done, _| {
            // Every step moves the bar; drawing it is limited by the bar itself.
            bar.set_position(done as u64);
        },
        &|index, part| {
            let lines = rows_of(&part, &histories[index], args.cumulated);
            if let Ok(mut rows) = rows.lock() {
                rows[index] = lines;
            }
        },
    );
    bar.finish_and_clear();
    done.map_err(|error| CommandError::Failed(format!("{error} [{}]", error.rule())))?;
    let rows = rows.into_inner().unwrap_or_default();
    write_whole(args.out.as_deref(), |out| write_rows(out, &rows))
}

fn write_rows(out: &mut dyn Write, parts: &[Vec<Vec<String>>]) -> std::io::Result<()> {
    let mut table = TableWriter::new(out, &OUT_COLUMNS)?;
    for row in parts.iter().flatten() {
        table.row(row)?;
    }
    table.finish()?.flush()
}

/// A part's rows: its months, then, where asked for, the first months together.
fn rows_of(part: &PartForecast, history: &History, cumulated: bool) -> Vec<Vec<String>> {
    let paths = &part.paths;
    let mut quantiles = [0.0; QUANTILE_LEVELS.len()];
    let mut rows = Vec::with_capacity(if cumulated { 2 * paths.months() } else { paths.months() });
    let mut push = |month: String, mean: f64, quantiles: &[f64]| {
        let mut row = Vec::with_capacity(OUT_COLUMNS.len());
        row.push(history.part.clone());
        row.push(month);
        row.push(decimal(mean));
        row.extend(quantiles.iter().map(|quantile| decimal(*quantile)));
        row.push(part.model.name().to_owned());
        rows.push(row);
    };
    for ahead in 0..paths.months() {
        paths.quantiles(ahead, &QUANTILE_LEVELS, &mut quantiles);
        push(part.first.plus(ahead as i32).to_string(), paths.mean(ahead), &quantiles);
    }
    if cumulated {
        for months in 2..=paths.months() {
            paths.cumulated_quantiles(months, &QUANTILE_LEVELS, &mut quantiles);
            let interval = format!("{}/P{months}M", part.first);
            push(interval, paths.cumulated_mean(months), &quantiles);
        }
    }
    rows
}

/// Four decimals at most, none where there is nothing behind the point.
fn decimal(value: f64) -> String {
    let text = format!("{value:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A row of the file.
struct Asked {
    part: usize,
    month: Month,
    quantity: f64,
}

fn read_histories(path: &Path, missing: Missing) -> Result<Vec<History>, CommandError> {
    let file =
        File::open(path).map_err(|cause| CommandError::File { file: path.to_owned(), cause })?;
    let refuse = |faults| CommandError::Rows { file: path.to_owned(), faults };
    let limits = Limits::default();
    let mut faults = Faults::none(limits.faults);
    let mut names: Vec<String> = Vec::new();
    let mut places: HashMap<String, usize> = HashMap::new();
    let mut asked: Vec<Placed<Asked>> = Vec::new();
    let table = Table::open_within(BufReader::new(file), &COLUMNS, limits).map_err(refuse)?;
    let rows = table.rows(|row| {
        let part = row.text("part");
        let month = row.month("month");
        let quantity = row.within("quantity", 0.0..=QUANTITY_MAX);
        let (part, month, quantity) = (part?, month?, quantity?);
        let place = places.get(part).copied().unwrap_or_else(|| {
            names.push(part.to_owned());
            places.insert(part.to_owned(), names.len() - 1);
            names.len() - 1
        });
        Ok(Asked { part: place, month: Month::of(month), quantity: quantity.abs() })
    });
    for row in rows {
        match row {
            Ok(placed) => asked.push(placed),
            Err(of_row) => faults.extend(of_row),
        }
    }
    if faults.is_empty() && asked.is_empty() {
        faults.push(RowFault::of_row(1, "history-empty", "no row follows the header"));
    }
    faults.into_result().map_err(refuse)?;
    gather(&names, asked, missing, limits).map_err(refuse)
}

/// Histories in the order in which parts first appear, all ending with the file's last month.
fn gather(
    names: &[String],
    mut asked: Vec<Placed<Asked>>,
    missing: Missing,
    limits: Limits,
) -> Result<Vec<History>, Faults> {
    let mut faults = Faults::none(limits.faults);
    asked.sort_by_key(|row| (row.value.part, row.value.month, row.line));
    let Some(last) = asked.iter().map(|row| row.value.month).max() else { return Ok(Vec::new()) };
    let mut histories = Vec::with_capacity(names.len());
    for rows in asked.chunk_by(|a, b| a.value.part == b.value.part) {
        let part = &names[rows[0].value.part];
        let first = rows[0].value.month;
        let length = last.since(first) as usize + 1;
        if length > MONTHS_MAX {
            let message = format!("{part} would have {length} months, above {MONTHS_MAX}");
            let month = first.to_string();
            faults.push(RowFault::new(rows[0].line, "month", &month, "history-too-long", message));
            continue;
        }
        let mut quantities = vec![0.0; length];
        for row in rows {
            quantities[row.value.month.since(first) as usize] = row.value.quantity;
        }
        for (index, row) in rows.iter().enumerate() {
            let next = rows.get(index + 1);
            let until = next.map_or(last.plus(1), |next| next.value.month);
            if until == row.value.month {
                let line = next.map_or(row.line, |next| next.line);
                let message =
                    format!("{part} already has this month in line {}; add them up", row.line);
                let month = row.value.month.to_string();
                faults.push(RowFault::new(line, "month", &month, "month-twice", message));
            }
            for gap in 1..until.since(row.value.month) {
                if missing == Missing::Zero {
                    break;
                }
                let month = row.value.month.plus(gap);
                let message = format!("{part} has no row for {month}, after this one");
                faults.push(RowFault::new(row.line, "month", "", "month-missing", message));
            }
        }
        histories.push(History { part: part.clone(), family: None, first, quantities });
    }
    faults.into_result().map(|()| histories)
}
