//! What if the rotation had been followed? The last whole season day by day, beside two rules of
//! thumb.

use chrono::{NaiveDate, Utc};
use clap::Args;
use runs::check_rotation::{Outcome, Rule, SeasonPast, WORK};
use serde::Serialize;
use store::snapshot;

use crate::connect::{RecordsArgs, wait_for};
use crate::failure::CommandError;
use crate::listing::{ListColumn, ListingArgs, numbers, words};
use crate::output::progress;

/// Go through the last season as if the rotation had been followed, beside two rules of thumb
#[derive(Args)]
#[command(after_help = "\
Examples:
  slackwater check rotation
  slackwater check rotation --on 2026-07-06 --csv

rotation: planned anew each Monday from what was on record before it.
when-due: an engine is serviced on the first day of work on which a limit in hours is reached.
monday-highest: each Monday the engines with the most hours since their service, from 80 % on.
All meet the same hours, hires, hands and places, and do quick work before hire where a mechanic's
morning is free. Work by the calendar, findings and parts are left out for all three.
boat days lost: boats that went out on record and would have lacked an engine. overdue hours: run
while a limit in hours was past. The same records, seed and work give the same figures.")]
pub struct CheckRotationArgs {
    /// Use the records up to this day only
    #[arg(long, value_name = "DATE")]
    on: Option<NaiveDate>,
    /// Seed of the random draws
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Work of each Monday's search at most
    #[arg(long, value_name = "N", default_value_t = WORK)]
    work: u64,
    #[command(flatten)]
    listing: ListingArgs,
    #[command(flatten)]
    records: RecordsArgs,
}

/// A season of a site under a rule.
#[derive(Serialize)]
struct Row {
    site: String,
    from_on: NaiveDate,
    until_on: NaiveDate,
    rule: &'static str,
    visits: usize,
    before_hire: usize,
    boat_days_lost: i64,
    overdue_hours: f64,
    overtime_minutes: i64,
}

const fn columns() -> [ListColumn<Row>; 9] {
    [
        words("site", |row| row.site.clone()),
        words("from_on", |row| row.from_on.to_string()),
        words("until_on", |row| row.until_on.to_string()),
        words("rule", |row| row.rule.to_owned()),
        numbers("visits", |row| row.visits.to_string()),
        numbers("before_hire", |row| row.before_hire.to_string()),
        numbers("boat_days_lost", |row| row.boat_days_lost.to_string()),
        numbers("overdue_hours", |row| format!("{:.1}", row.overdue_hours)),
        numbers("overtime_minutes", |row| row.overtime_minutes.to_string()),
    ]
}

/// Replays the season of each site that hires.
///
/// # Errors
/// The records can't be read or hold no whole season; a site has no hands or no bench.
pub fn run(args: &CheckRotationArgs) -> Result<(), CommandError> {
    let now = Utc::now();
    let snapshot = wait_for(async {
        let (store, organisation) = args.records.open().await?;
        Ok::<_, CommandError>(snapshot::take(&store, organisation.id, now).await?)
    })?;
    let today = args.on.unwrap_or_else(|| runs::today(&snapshot, now));
    let mut rows = Vec::new();
    for site in snapshot.yard.sites.iter().filter(|site| !site.archived) {
        let Some(past) = SeasonPast::of(&snapshot, site, today)? else { continue };
        let days = past.days();
        let bar = progress((Rule::ALL.len() * days) as u64, "days");
        for (number, rule) in Rule::ALL.into_iter().enumerate() {
            let told = |done: usize| bar.set_position((number * days + done) as u64);
            let Outcome { visits, before_hire, boat_days_lost, overdue_hours, overtime_minutes } =
                past.replay(rule, (args.seed, args.work), &told)?;
            rows.push(Row {
                site: site.name.clone(),
                from_on: past.from,
                until_on: past.until,
                rule: rule.name(),
                visits,
                before_hire,
                boat_days_lost,
                overdue_hours,
                overtime_minutes,
            });
        }
        bar.finish_and_clear();
    }
    args.listing.write(&rows, &columns(), "No site on record hires boats.")
}
