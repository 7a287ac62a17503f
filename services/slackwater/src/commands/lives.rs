//! How long parts last, on the records.

use chrono::{NaiveDate, Utc};
use clap::Args;
use runs::hours::FleetHours;
use runs::lives::kept::{Group, GroupOf, ItemLives};
use serde::Serialize;
use store::snapshot;

use crate::connect::{RecordsArgs, wait_for};
use crate::failure::CommandError;
use crate::listing::{ListColumn, ListingArgs, numbers, words};
use crate::output::write_whole;

/// How long parts last on the records, and the age at which renewing costs least
///
/// A line a part and group of lives: all together, by water, by model, by pool. Under five failures
/// there is a range and no figure. It proposes; it changes nothing.
#[derive(Args)]
pub struct LivesArgs {
    /// Only parts whose name holds this
    #[arg(long, value_name = "TEXT")]
    part: Option<String>,
    /// Also by water, model and pool
    #[arg(long)]
    groups: bool,
    /// Stand on this day instead of today
    #[arg(long, value_name = "DATE")]
    on: Option<NaiveDate>,
    #[command(flatten)]
    listing: ListingArgs,
    #[command(flatten)]
    records: RecordsArgs,
}

/// A line as it is listed; ages in running hours.
#[derive(Serialize)]
struct Row {
    part: String,
    group: String,
    lives: usize,
    failures: usize,
    shape: Option<f64>,
    shape_low: Option<f64>,
    shape_high: Option<f64>,
    scale: Option<f64>,
    mean_life: Option<f64>,
    mean_low: Option<f64>,
    mean_high: Option<f64>,
    cheapest_age: Option<f64>,
    hardly_matters_from: Option<f64>,
    hardly_matters_to: Option<f64>,
    sentence: String,
}

const fn columns() -> [ListColumn<Row>; 15] {
    [
        words("part", |row| row.part.clone()),
        words("group", |row| row.group.clone()),
        numbers("lives", |row| row.lives.to_string()),
        numbers("failures", |row| row.failures.to_string()),
        numbers("shape", |row| figure(row.shape, 2)),
        numbers("shape_low", |row| figure(row.shape_low, 2)),
        numbers("shape_high", |row| figure(row.shape_high, 2)),
        numbers("scale", |row| figure(row.scale, 1)),
        numbers("mean_life", |row| figure(row.mean_life, 1)),
        numbers("mean_low", |row| figure(row.mean_low, 1)),
        numbers("mean_high", |row| figure(row.mean_high, 1)),
        numbers("cheapest_age", |row| figure(row.cheapest_age, 1)),
        numbers("hardly_matters_from", |row| figure(row.hardly_matters_from, 1)),
        numbers("hardly_matters_to", |row| figure(row.hardly_matters_to, 1)),
        words("sentence", |row| row.sentence.clone()),
    ]
}

fn figure(number: Option<f64>, digits: usize) -> String {
    number.map(|number| format!("{number:.digits$}")).unwrap_or_default()
}

pub fn run(args: &LivesArgs) -> Result<(), CommandError> {
    let now = Utc::now();
    let snapshot = wait_for(async {
        let (store, organisation) = args.records.open().await?;
        Ok::<_, CommandError>(snapshot::take(&store, organisation.id, now).await?)
    })?;
    let today = args.on.unwrap_or_else(|| runs::today(&snapshot, now));
    let fleet = FleetHours::fit(&snapshot, today);
    let (kept, _) = runs::lives::weigh(&snapshot, &fleet)
        .map_err(|error| CommandError::Failed(error.to_string()))?;
    let wanted = args.part.as_ref().map(|part| part.to_lowercase());
    let asked = |item: &&ItemLives| {
        wanted.as_ref().is_none_or(|part| item.name.to_lowercase().contains(part))
    };
    let rows: Vec<Row> = kept
        .items
        .iter()
        .filter(asked)
        .flat_map(|item| item.groups.iter().map(move |group| (item, group)))
        .filter(|(_, group)| args.groups || group.of == GroupOf::All)
        .map(|(item, group)| row(item, group))
        .collect();
    if args.listing.is_for_people() && !rows.is_empty() {
        let text: String = rows.iter().map(|row| format!("{}\n", row.sentence)).collect();
        return write_whole(None, |out| out.write_all(text.as_bytes()));
    }
    let empty =
        "No life of a part is on record yet: record services with the parts that they used.";
    args.listing.write(&rows, &columns(), empty)
}

fn row(item: &ItemLives, group: &Group) -> Row {
    let best = group.cheapest.as_ref().and_then(|cheapest| cheapest.best);
    let range = group.range.as_ref();
    Row {
        part: item.name.clone(),
        group: if group.name.is_empty() { "all".to_owned() } else { group.name.clone() },
        lives: group.lives,
        failures: group.failures,
        shape: group.law.map(|law| law.shape),
        shape_low: group.law.and_then(|law| law.shape_low),
        shape_high: group.law.and_then(|law| law.shape_high),
        scale: group.law.map(|law| law.scale),
        mean_life: group.mean_life,
        mean_low: range.and_then(|range| range.low),
        mean_high: range.and_then(|range| range.high),
        cheapest_age: best.map(|best| best.age),
        hardly_matters_from: best.map(|best| best.from),
        hardly_matters_to: best.and_then(|best| best.to),
        sentence: group.sentence.clone(),
    }
}
