//! Were past answers right? Replays the records and compares with what came true.

mod forecast;
mod orders;
mod rotation;

use std::collections::HashMap;

use chrono::{NaiveDate, Utc};
use clap::{Args, Subcommand};
use runs::check_due::{CheckLine, CheckedDue, Predicted, check_due};
use serde::Serialize;
use store::snapshot;

use crate::connect::{RecordsArgs, wait_for};
use crate::failure::CommandError;
use crate::listing::{ListColumn, ListingArgs, numbers, words};

pub use forecast::CheckForecastArgs;
pub use orders::CheckOrdersArgs;
pub use rotation::CheckRotationArgs;

/// Compare past answers with what came true
#[derive(Args)]
pub struct CheckArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Subcommand)]
enum What {
    Due(CheckDueArgs),
    Forecast(CheckForecastArgs),
    Orders(CheckOrdersArgs),
    Rotation(CheckRotationArgs),
}

/// Stand at each past month start, predict hours and due dates, and compare with later readings
#[derive(Args)]
#[command(after_help = "\
Examples:
  slackwater check due
  slackwater check due --pool \"Hire skiffs\" --csv

covered 50, 80, 95: how often the truth lay in the band of that name; near the name is right.
width 80: how wide the 80 % band is. bias: predicted less true, above zero is too much or too late.
error: mean distance from the truth. straight: the same for the straight line through the last
90 days, over the cases in which it has an answer; silent: those in which it has none.
Hours are in hours, due dates in days. Due dates are those of the hours limb, where the record goes
on long enough to see it reached.")]
pub struct CheckDueArgs {
    /// Only this pool
    #[arg(long, value_name = "NAME")]
    pool: Option<String>,
    /// Use the records up to this day only
    #[arg(long, value_name = "DATE")]
    on: Option<NaiveDate>,
    #[command(flatten)]
    listing: ListingArgs,
    #[command(flatten)]
    records: RecordsArgs,
}

/// A line as it is listed.
#[derive(Serialize)]
struct Row {
    pool: String,
    predicted: &'static str,
    days_ahead: Option<u64>,
    unit: &'static str,
    scored: usize,
    covered_50: f64,
    covered_80: f64,
    covered_95: f64,
    width_80: Option<f64>,
    bias: Option<f64>,
    error: Option<f64>,
    straight_bias: Option<f64>,
    straight_error: Option<f64>,
    straight_silent: usize,
}

const fn columns() -> [ListColumn<Row>; 14] {
    [
        words("pool", |row| row.pool.clone()),
        words("predicted", |row| row.predicted.to_owned()),
        numbers("days_ahead", |row| row.days_ahead.map(|it| it.to_string()).unwrap_or_default()),
        words("unit", |row| row.unit.to_owned()),
        numbers("scored", |row| row.scored.to_string()),
        numbers("covered_50", |row| format!("{:.3}", row.covered_50)),
        numbers("covered_80", |row| format!("{:.3}", row.covered_80)),
        numbers("covered_95", |row| format!("{:.3}", row.covered_95)),
        numbers("width_80", |row| tenths(row.width_80)),
        numbers("bias", |row| tenths(row.bias)),
        numbers("error", |row| tenths(row.error)),
        numbers("straight_bias", |row| tenths(row.straight_bias)),
        numbers("straight_error", |row| tenths(row.straight_error)),
        numbers("straight_silent", |row| row.straight_silent.to_string()),
    ]
}

fn tenths(number: Option<f64>) -> String {
    number.map(|number| format!("{number:.1}")).unwrap_or_default()
}

/// Checks what was asked.
///
/// # Errors
/// The records can't be read, or what was asked for is not there.
pub fn run(args: &CheckArgs) -> Result<(), CommandError> {
    match &args.what {
        What::Due(args) => run_due(args),
        What::Forecast(args) => forecast::run(args),
        What::Orders(args) => orders::run(args),
        What::Rotation(args) => rotation::run(args),
    }
}

fn run_due(args: &CheckDueArgs) -> Result<(), CommandError> {
    let now = Utc::now();
    let mut snapshot = wait_for(async {
        let (store, organisation) = args.records.open().await?;
        Ok::<_, CommandError>(snapshot::take(&store, organisation.id, now).await?)
    })?;
    if let Some(wanted) = &args.pool {
        keep_pool(&mut snapshot, wanted)?;
    }
    let today = args.on.unwrap_or_else(|| runs::today(&snapshot, now));
    let checked = check_due(&snapshot, today);
    let names: HashMap<_, _> =
        snapshot.fleet.pools.iter().map(|pool| (pool.id, pool.name.as_str())).collect();
    let rows: Vec<Row> = checked
        .lines
        .iter()
        .filter(|line| args.pool.is_none() || line.pool.is_some())
        .map(|line| row(line, &names))
        .collect();
    if args.listing.is_for_people() && !rows.is_empty() {
        println!("{}\n", heading(&checked));
    }
    args.listing.write(
        &rows,
        &columns(),
        "The records are too short to be replayed: it takes more than a year of hours.",
    )
}

/// Each pool is fitted by itself, so the others can be left out.
fn keep_pool(snapshot: &mut snapshot::Snapshot, wanted: &str) -> Result<(), CommandError> {
    let fleet = &mut snapshot.fleet;
    let Some(id) = fleet.pools.iter().find(|pool| pool.name == wanted).map(|pool| pool.id) else {
        let known: Vec<&str> = fleet.pools.iter().map(|pool| pool.name.as_str()).collect();
        return Err(CommandError::Failed(format!(
            "there is no pool \"{wanted}\"; there is: {}",
            known.join(", ")
        )));
    };
    fleet.engines.retain(|engine| engine.pool == id);
    Ok(())
}

fn heading(checked: &CheckedDue) -> String {
    let on = |day: Option<&NaiveDate>| day.map(NaiveDate::to_string).unwrap_or_default();
    format!(
        "Replayed from {} month starts, {} to {}.",
        checked.stands.len(),
        on(checked.stands.first()),
        on(checked.stands.last())
    )
}

fn row(line: &CheckLine, names: &HashMap<fleet::id::PoolId, &str>) -> Row {
    let name = |id| names.get(&id).map_or_else(String::new, |name| (*name).to_owned());
    let [covered_50, covered_80, covered_95] = line.covered;
    let (predicted, days_ahead, unit) = match line.predicted {
        Predicted::HoursIn { days } => ("hours", Some(days), "h"),
        Predicted::DueDate => ("due_date", None, "d"),
    };
    Row {
        pool: line.pool.map_or_else(|| "all".to_owned(), name),
        predicted,
        days_ahead,
        unit,
        scored: line.scored,
        covered_50,
        covered_80,
        covered_95,
        width_80: line.width,
        bias: line.bias,
        error: line.error,
        straight_bias: line.straight_bias,
        straight_error: line.straight_error,
        straight_silent: line.straight_silent,
    }
}
