//! What if the order advice had been followed? Month by month, beside a minimum-maximum rule.

use chrono::{NaiveDate, Utc};
use clap::Args;
use fleet::Money;
use ordering::{ReplayMonth, ReplayReport};
use runs::check_orders::OrdersPast;
use serde::Serialize;
use store::snapshot;

use crate::connect::{RecordsArgs, wait_for};
use crate::failure::CommandError;
use crate::listing::{ListColumn, ListingArgs, numbers, words};
use crate::output::progress;

/// Go through the past months as if the order advice had been followed, beside a fixed
/// minimum-maximum rule
#[derive(Args)]
#[command(after_help = "\
Examples:
  slackwater check orders
  slackwater check orders --csv

rule advice: as the advice would have ordered on each review day, from what was used before it.
rule min-max: a fixed minimum and maximum a part, tuned in hindsight on these very months.
asked: times that a job asked for a part. fill rate: share of them that were served whole at once. tied up: value of the stock, mean over
the month's days. rush: orders of what was missing when a job asked for it. Money is in one currency,
by the latest rates on record.")]
pub struct CheckOrdersArgs {
    /// Use the records up to this day only
    #[arg(long, value_name = "DATE")]
    on: Option<NaiveDate>,
    #[command(flatten)]
    listing: ListingArgs,
    #[command(flatten)]
    records: RecordsArgs,
}

/// A month under a rule, or all of them.
#[derive(Serialize)]
struct Row {
    rule: &'static str,
    month: String,
    asked: u64,
    fill_rate: Option<f64>,
    jobs_delayed: u64,
    boat_days_lost: f64,
    tied_up: String,
    ordered: String,
    currency: String,
    orders: u64,
    rush: u64,
    expired: u64,
}

const fn columns() -> [ListColumn<Row>; 12] {
    [
        words("rule", |row| row.rule.to_owned()),
        words("month", |row| row.month.clone()),
        numbers("asked", |row| row.asked.to_string()),
        numbers("fill_rate", |row| {
            row.fill_rate.map(|rate| format!("{rate:.3}")).unwrap_or_default()
        }),
        numbers("jobs_delayed", |row| row.jobs_delayed.to_string()),
        numbers("boat_days_lost", |row| format!("{:.1}", row.boat_days_lost)),
        numbers("tied_up", |row| row.tied_up.clone()),
        numbers("ordered", |row| row.ordered.clone()),
        words("currency", |row| row.currency.clone()),
        numbers("orders", |row| row.orders.to_string()),
        numbers("rush", |row| row.rush.to_string()),
        numbers("expired", |row| row.expired.to_string()),
    ]
}

/// Replays the records.
///
/// # Errors
/// The records can't be read or are too short; terms that break a rule.
pub fn run(args: &CheckOrdersArgs) -> Result<(), CommandError> {
    let now = Utc::now();
    let snapshot = wait_for(async {
        let (store, organisation) = args.records.open().await?;
        Ok::<_, CommandError>(snapshot::take(&store, organisation.id, now).await?)
    })?;
    let today = args.on.unwrap_or_else(|| runs::today(&snapshot, now));
    let past = OrdersPast::of(&snapshot, today)?;
    let bar = progress(past.months() as u64, "months");
    let checked = past.check(&|done| bar.set_position(done as u64))?;
    bar.finish_and_clear();
    let mut rows = listed("advice", &checked.advice, &past);
    rows.extend(listed("min-max", &checked.min_max, &past));
    if args.listing.is_for_people() {
        let left_out = match past.left_out {
            0 => String::new(),
            n => format!(" {n} were used that nobody sells now or whose money has no rate."),
        };
        println!("{} parts replayed.{left_out}\n", past.parts.len());
    }
    args.listing.write(&rows, &columns(), "Nothing was used in these months.")
}

fn listed(rule: &'static str, report: &ReplayReport, past: &OrdersPast) -> Vec<Row> {
    let money = |minor: f64| Money::new(minor.round() as i64, past.base).amount();
    let row = |month: &ReplayMonth, name: String| Row {
        rule,
        month: name,
        asked: month.jobs,
        fill_rate: (month.jobs > 0).then(|| 1.0 - month.jobs_delayed as f64 / month.jobs as f64),
        jobs_delayed: month.jobs_delayed,
        boat_days_lost: month.boat_days_lost,
        tied_up: money(month.money_tied_up),
        ordered: money(month.ordered as f64),
        currency: past.base.to_string(),
        orders: month.orders,
        rush: month.rush_orders,
        expired: month.expired,
    };
    let months = report.months.iter();
    let mut rows: Vec<Row> =
        months.map(|month| row(month, month.month.format("%Y-%m").to_string())).collect();
    rows.push(row(&report.total, "all".to_owned()));
    rows
}
