//! Were past forecasts right? All three streams beside every model of bare history.

use std::collections::HashMap;

use chrono::{NaiveDate, Utc};
use clap::Args;
use fleet::id::PartId;
use runs::check_forecast::{CheckedForecast, Forecaster, Replay, Scored, check_forecast};
use serde::Serialize;
use store::snapshot;

use crate::connect::{RecordsArgs, wait_for};
use crate::failure::CommandError;
use crate::listing::{ListColumn, ListingArgs, numbers, words};
use crate::output::progress;

/// Stand at past month starts, forecast parts from what was on record then, and compare with what
/// was used, beside models that know the history alone
#[derive(Args)]
#[command(after_help = "\
Examples:
  slackwater check forecast
  slackwater check forecast --part Q4-SK
  slackwater check forecast --months 6 --csv

pinball: mean quantile loss over the month's steps in the history, smaller is better. cumulated: the
same for the first three and six months together. bias: forecast over used, above zero is too much.
at most 90, below 90: shares of months at or below, and below, the 90 % quantile; right where 0.9 lies
between. Part \"all\" is the mean over parts. Each other part stands with the three streams and the
best two models of its history; --part shows all of one part.")]
pub struct CheckForecastArgs {
    /// Only this part, with every model
    #[arg(long, value_name = "NUMBER")]
    part: Option<String>,
    /// Months ahead
    #[arg(long, value_name = "N", default_value_t = 12, value_parser = clap::value_parser!(u8).range(1..=24))]
    months: u8,
    /// Month starts to stand on, at most; three months lie between
    #[arg(long, value_name = "N", default_value_t = 4, value_parser = clap::value_parser!(u8).range(1..=24))]
    stands: u8,
    /// Seed of the sample paths
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Use the records up to this day only
    #[arg(long, value_name = "DATE")]
    on: Option<NaiveDate>,
    #[command(flatten)]
    listing: ListingArgs,
    #[command(flatten)]
    records: RecordsArgs,
}

/// Models of a part's history that stand beside the three streams.
const BESIDE: usize = 2;

#[derive(Serialize)]
struct Row {
    part: String,
    forecaster: &'static str,
    pinball: f64,
    cumulated: f64,
    rmsse: f64,
    bias: Option<f64>,
    at_most_90: f64,
    below_90: f64,
    months: usize,
}

const fn columns() -> [ListColumn<Row>; 9] {
    [
        words("part", |row| row.part.clone()),
        words("forecaster", |row| row.forecaster.to_owned()),
        numbers("pinball", |row| format!("{:.4}", row.pinball)),
        numbers("cumulated", |row| format!("{:.4}", row.cumulated)),
        numbers("rmsse", |row| format!("{:.3}", row.rmsse)),
        numbers("bias", |row| row.bias.map(|bias| format!("{bias:+.3}")).unwrap_or_default()),
        numbers("at_most_90", |row| format!("{:.3}", row.at_most_90)),
        numbers("below_90", |row| format!("{:.3}", row.below_90)),
        numbers("months", |row| row.months.to_string()),
    ]
}

/// Replays the records.
///
/// # Errors
/// The records can't be read, are too short or break a rule; there is no such part.
pub fn run(args: &CheckForecastArgs) -> Result<(), CommandError> {
    let now = Utc::now();
    let snapshot = wait_for(async {
        let (store, organisation) = args.records.open().await?;
        Ok::<_, CommandError>(snapshot::take(&store, organisation.id, now).await?)
    })?;
    let today = args.on.unwrap_or_else(|| runs::today(&snapshot, now));
    let parts = &snapshot.stores.parts;
    let names: HashMap<PartId, &str> =
        parts.iter().map(|part| (part.id, part.number.as_str())).collect();
    if let Some(wanted) = &args.part
        && !names.values().any(|number| number == wanted)
    {
        return Err(CommandError::Failed(format!("there is no part \"{wanted}\" on record")));
    }
    let replay = Replay {
        months: args.months.into(),
        stands: args.stands.into(),
        seed: args.seed,
        ..Replay::default()
    };
    let bar = progress(replay.stands as u64, "month starts");
    let checked = check_forecast(&snapshot, today, replay, &|done, all| {
        bar.set_length(all as u64);
        bar.set_position(done as u64);
    })?;
    bar.finish_and_clear();
    if args.listing.is_for_people() {
        println!("{}\n", heading(&checked));
    }
    let rows = rows(&checked, &names, args.part.as_deref());
    args.listing.write(&rows, &columns(), "No part was used in a way that can be scored.")
}

fn heading(checked: &CheckedForecast) -> String {
    let stands: Vec<String> = checked.stands.iter().map(NaiveDate::to_string).collect();
    let replayed =
        format!("Forecast {} months from {} and compared.", checked.months, stands.join(", "));
    match checked.gain() {
        Some((gain, model)) => {
            let (share, which) = (100.0 * gain.abs(), if gain >= 0.0 { "below" } else { "above" });
            let best = Forecaster::History(model).name();
            format!(
                "{replayed} Quantile loss of the three streams is {share:.1} % {which} that of the \
                 best model of history alone ({best})."
            )
        }
        None => replayed,
    }
}

fn rows(
    checked: &CheckedForecast,
    names: &HashMap<PartId, &str>,
    wanted: Option<&str>,
) -> Vec<Row> {
    let row = |part: &str, scored: &Scored| Row {
        part: part.to_owned(),
        forecaster: scored.forecaster.name(),
        pinball: scored.scores.pinball,
        cumulated: scored.scores.pinball_cumulated,
        rmsse: scored.scores.rmsse,
        bias: scored.scores.bias,
        at_most_90: scored.scores.coverage_90,
        below_90: scored.scores.below_90,
        months: scored.scores.months,
    };
    let mut parts: Vec<(&str, &Vec<Scored>)> = checked
        .parts
        .iter()
        .map(|(part, scored)| (names.get(part).copied().unwrap_or(""), scored))
        .filter(|(number, _)| wanted.is_none_or(|wanted| wanted == *number))
        .collect();
    parts.sort_unstable_by_key(|part| part.0);
    let shown = if wanted.is_some() { usize::MAX } else { 1 + BESIDE };
    let of_parts = parts
        .into_iter()
        .flat_map(|(number, scored)| scored.iter().take(shown).map(move |it| row(number, it)));
    let all = checked.overall.iter().filter(|_| wanted.is_none()).map(|it| row("all", it));
    all.chain(of_parts).collect()
}
