//! What is due: every engine × task, worst first.

use std::collections::HashMap;

use chrono::{NaiveDate, Utc};
use clap::Args;
use fleet::due::{Limb, NextDue};
use fleet::id::{EngineId, PoolId, SiteId, TaskId};
use runs::due::{DueLine, due_list};
use runs::hours::FleetHours;
use serde::Serialize;
use store::snapshot::{self, Snapshot};

use crate::connect::{RecordsArgs, wait_for};
use crate::failure::CommandError;
use crate::listing::{ListColumn, ListingArgs, numbers, words};

/// Which part of the due list is wanted.
#[derive(Args)]
pub struct FleetDueArgs {
    /// Only engines of this pool
    #[arg(long, value_name = "NAME")]
    pool: Option<String>,
    /// Only engines of this site
    #[arg(long, value_name = "NAME")]
    site: Option<String>,
    /// Only what is over or expected by then
    #[arg(long, value_name = "DATE")]
    before: Option<NaiveDate>,
    /// Stand on this day instead of today
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
    engine: String,
    pool: String,
    site: String,
    task: String,
    governing: &'static str,
    due_on: Option<NaiveDate>,
    early_on: Option<NaiveDate>,
    late_on: Option<NaiveDate>,
    hours_left: Option<f64>,
    days_left: Option<i64>,
    share: Option<f64>,
    probability_by: Option<f64>,
    start_up_week: Option<u32>,
    source: String,
}

const fn columns() -> [ListColumn<Row>; 14] {
    [
        words("engine", |row| row.engine.clone()),
        words("task", |row| row.task.clone()),
        words("governing", |row| row.governing.to_owned()),
        words("due_on", |row| date(row.due_on)),
        words("early_on", |row| date(row.early_on)),
        words("late_on", |row| date(row.late_on)),
        numbers("hours_left", |row| tenths(row.hours_left)),
        numbers("days_left", |row| row.days_left.map(|days| days.to_string()).unwrap_or_default()),
        numbers("share", |row| hundredths(row.share)),
        numbers("probability_by", |row| hundredths(row.probability_by)),
        numbers("start_up_week", |row| {
            row.start_up_week.map(|week| (week + 1).to_string()).unwrap_or_default()
        }),
        words("pool", |row| row.pool.clone()),
        words("site", |row| row.site.clone()),
        words("source", |row| row.source.clone()),
    ]
}

fn date(day: Option<NaiveDate>) -> String {
    day.map(|day| day.to_string()).unwrap_or_default()
}

fn tenths(number: Option<f64>) -> String {
    number.map(|number| format!("{number:.1}")).unwrap_or_default()
}

fn hundredths(number: Option<f64>) -> String {
    number.map(|number| format!("{number:.2}")).unwrap_or_default()
}

/// Lists what is due on the records; `by` is the day of the probabilities (else six weeks on).
pub fn run(args: &FleetDueArgs, by: Option<NaiveDate>) -> Result<(), CommandError> {
    let now = Utc::now();
    let snapshot = wait_for(async {
        let (store, organisation) = args.records.open().await?;
        Ok::<_, CommandError>(snapshot::take(&store, organisation.id, now).await?)
    })?;
    let today = args.on.unwrap_or_else(|| runs::today(&snapshot, now));
    let by = by.unwrap_or(today + chrono::Days::new(42));
    let names = Names::of(&snapshot);
    names.check(args)?;
    let fleet = FleetHours::fit(&snapshot, today);
    let lines = due_list(&snapshot, &fleet, today, by);
    let rows: Vec<Row> = lines
        .iter()
        .map(|line| names.row(line))
        .filter(|row| args.pool.as_ref().is_none_or(|pool| *pool == row.pool))
        .filter(|row| args.site.as_ref().is_none_or(|site| *site == row.site))
        .filter(|row| args.before.is_none_or(|day| row.due_on.is_some_and(|on| on <= day)))
        .collect();
    let empty = if snapshot.fleet.engines.is_empty() {
        "No engine is on record yet: slackwater load engines --template shows how to begin."
    } else if snapshot.programme.intervals.is_empty() {
        "No interval is on record yet: slackwater load programme --template shows how to begin."
    } else {
        "Nothing is due here."
    };
    args.listing.write(&rows, &columns(), empty)
}

/// What ids are called.
struct Names<'a> {
    engines: HashMap<EngineId, (&'a str, PoolId)>,
    pools: HashMap<PoolId, (&'a str, SiteId)>,
    sites: HashMap<SiteId, &'a str>,
    tasks: HashMap<TaskId, &'a str>,
}

impl<'a> Names<'a> {
    fn of(snapshot: &'a Snapshot) -> Self {
        let fleet = &snapshot.fleet;
        Self {
            engines: fleet
                .engines
                .iter()
                .map(|it| (it.id, (it.serial.as_str(), it.pool)))
                .collect(),
            pools: fleet.pools.iter().map(|it| (it.id, (it.name.as_str(), it.site))).collect(),
            sites: snapshot.yard.sites.iter().map(|it| (it.id, it.name.as_str())).collect(),
            tasks: snapshot.programme.tasks.iter().map(|it| (it.id, it.name.as_str())).collect(),
        }
    }

    /// A name that is not there is a mistake and not an empty list.
    fn check(&self, args: &FleetDueArgs) -> Result<(), CommandError> {
        let known = |names: Vec<&str>| names.join(", ");
        if let Some(pool) = &args.pool {
            let pools: Vec<&str> = self.pools.values().map(|it| it.0).collect();
            if !pools.contains(&pool.as_str()) {
                let text = format!("there is no pool \"{pool}\"; there is: {}", known(pools));
                return Err(CommandError::Failed(text));
            }
        }
        if let Some(site) = &args.site {
            let sites: Vec<&str> = self.sites.values().copied().collect();
            if !sites.contains(&site.as_str()) {
                let text = format!("there is no site \"{site}\"; there is: {}", known(sites));
                return Err(CommandError::Failed(text));
            }
        }
        Ok(())
    }

    fn row(&self, line: &DueLine) -> Row {
        let (serial, pool) = self.engines.get(&line.engine).copied().unzip();
        let (pool, site) = pool.and_then(|pool| self.pools.get(&pool)).copied().unzip();
        let site = site.and_then(|site| self.sites.get(&site)).copied();
        let text = |name: Option<&str>| name.unwrap_or_default().to_owned();
        Row {
            engine: text(serial),
            pool: text(pool),
            site: text(site),
            task: text(self.tasks.get(&line.task).copied()),
            governing: match (&line.next, line.governing) {
                (NextDue::Unknown { .. }, _) | (_, None) => "unknown",
                (_, Some(Limb::Hours)) => "hours",
                (_, Some(Limb::Months)) => "months",
            },
            due_on: line.due_on,
            early_on: line.early_on,
            late_on: line.late_on,
            hours_left: line.margins.and_then(|margins| margins.hours_left),
            days_left: line.margins.and_then(|margins| margins.days_left),
            share: line.margins.map(|margins| margins.share()),
            probability_by: line.chance,
            start_up_week: line.start_up_week,
            source: line.source.clone(),
        }
    }
}
