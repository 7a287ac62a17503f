//! What will be needed: makes a forecast run of the records and lists it.

use std::collections::HashMap;

use chrono::NaiveDate;
use clap::Args;
use fleet::id::PartId;
use fleet::part::Part;
use fleet::run::RunKind;
use serde::Serialize;
use store::runs::{ForecastRow, Scope};
use store::{record, runs as kept};

use crate::commands::make::make_run;
use crate::connect::{RecordsArgs, wait_for};
use crate::failure::CommandError;
use crate::listing::{ListColumn, ListingArgs, numbers, words};

/// Forecast every part's demand by month and keep the forecast
#[derive(Args)]
#[command(after_help = "Examples:
  slackwater forecast
  slackwater forecast --months 18 --csv > forecast.csv

Planned work is played forward from the due dates; what opening brings to light is learned from the
services on record; the rest is forecast from its own history. The forecast is kept with its sample
paths; --last lists the one that is kept.")]
pub struct ForecastArgs {
    /// Months, the current one first
    #[arg(long, value_name = "N", default_value_t = 12, value_parser = clap::value_parser!(u8).range(1..=36))]
    months: u8,
    /// Seed of the draws
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32))]
    seed: u32,
    /// Only this part
    #[arg(long, value_name = "NUMBER")]
    part: Option<String>,
    /// List the last forecast instead of making one
    #[arg(long, conflicts_with_all = ["months", "seed"])]
    last: bool,
    #[command(flatten)]
    listing: ListingArgs,
    #[command(flatten)]
    records: RecordsArgs,
}

/// A month of a part as it is listed.
#[derive(Serialize)]
struct Row {
    part: String,
    month: NaiveDate,
    mean: f64,
    q10: Option<f64>,
    q50: Option<f64>,
    q90: Option<f64>,
    planned: f64,
    on_finding: f64,
    unplanned: f64,
}

const fn columns() -> [ListColumn<Row>; 9] {
    [
        words("part", |row| row.part.clone()),
        words("month", |row| row.month.format("%Y-%m").to_string()),
        numbers("mean", |row| format!("{:.2}", row.mean)),
        numbers("q10", |row| whole(row.q10)),
        numbers("q50", |row| whole(row.q50)),
        numbers("q90", |row| whole(row.q90)),
        numbers("planned", |row| format!("{:.2}", row.planned)),
        numbers("on_finding", |row| format!("{:.2}", row.on_finding)),
        numbers("unplanned", |row| format!("{:.2}", row.unplanned)),
    ]
}

fn whole(number: Option<f64>) -> String {
    number.map(|number| format!("{number:.0}")).unwrap_or_default()
}

pub fn run(args: &ForecastArgs) -> Result<(), CommandError> {
    let rows = wait_for(async {
        let (store, organisation) = args.records.open().await?;
        let (connection, organisation) = (store.connection(), organisation.id);
        let parts: Vec<Part> = record::all(connection, organisation).await?;
        let names: HashMap<PartId, String> =
            parts.into_iter().map(|part| (part.id, part.number)).collect();
        // Told before the work is done, and not after.
        if let Some(part) = &args.part
            && !names.values().any(|number| number == part)
        {
            return Err(CommandError::Failed(format!("there is no part \"{part}\" on record")));
        }
        let run = if args.last {
            kept::latest(connection, organisation, RunKind::Forecast, None).await?.ok_or_else(
                || CommandError::Failed("there is no forecast yet: slackwater forecast".into()),
            )?
        } else {
            let parameters = serde_json::json!({ "months": args.months });
            make_run(&store, organisation, RunKind::Forecast, i64::from(args.seed), parameters)
                .await?
        };
        let rows =
            kept::forecast_rows(connection, organisation, run.id, (None, Scope::Fleet)).await?;
        Ok(listed(rows, &names, args.part.as_deref()))
    })?;
    args.listing.write(
        &rows,
        &columns(),
        "Nothing to forecast: no task with parts is due and no part was used yet.",
    )
}

fn listed(
    rows: Vec<ForecastRow>,
    names: &HashMap<PartId, String>,
    wanted: Option<&str>,
) -> Vec<Row> {
    let mut listed: Vec<Row> = rows
        .into_iter()
        .filter(|row| row.months == 1)
        .map(|row| {
            let at = |percent: &str| row.quantiles.get(percent).and_then(serde_json::Value::as_f64);
            Row {
                part: names.get(&row.part).cloned().unwrap_or_default(),
                month: row.month,
                mean: row.mean,
                q10: at("10"),
                q50: at("50"),
                q90: at("90"),
                planned: row.planned,
                on_finding: row.on_finding,
                unplanned: row.unplanned,
            }
        })
        .filter(|row| wanted.is_none_or(|part| part == row.part))
        .collect();
    listed.sort_by(|a, b| a.part.cmp(&b.part).then(a.month.cmp(&b.month)));
    listed
}
