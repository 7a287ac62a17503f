//! `slackwater order --forecast ...`: what to order, from a forecast, a count and the terms.

mod forecast;
mod stock;
mod terms;

use std::collections::HashMap;
use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use clap::Args;
use exchange::table::{Faults, TableWriter};
use fleet::{Currency, Money};
use ordering::{
    Advice, DemandPaths, Line, MonthsDrawn, OrderingError, PartToStock, Question, Settings, Supply,
    advise,
};

use crate::commands::order::FleetOrderArgs;
use crate::failure::CommandError;
use crate::output::write_whole;
use forecast::PartForecast;
use terms::{PartTerms, Sellers};

/// Say what to order: for the fleet on record, or from bare files.
///
/// With --forecast, --stock and --terms, from files alone. Writes one row a part, in the forecast's order:
/// `part,supplier,quantity,order_by,unit_price,money,currency,expected_fill_rate,reason`.
/// A part that needs nothing has quantity 0 and says so.
#[derive(Args)]
#[command(after_help = NOTES)]
pub struct OrderArgs {
    /// Forecast by part and month, as `slackwater demand --cumulated` writes it
    #[arg(long, value_name = "FILE", requires_all = ["stock", "terms", "on"])]
    forecast: Option<PathBuf>,
    /// What is there: part, on_hand, reserved?, on_order?, due_on?, expires_on?
    #[arg(long, value_name = "FILE", requires = "forecast")]
    stock: Option<PathBuf>,
    /// Terms: part, supplier, lead_days, lead_days_worst?, review_days?, pack?, minimum?, price,
    /// currency, breaks?, order_cost?, supplier_minimum?, freight?, policy?, target?, boat_days_lost?
    #[arg(long, value_name = "FILE", requires = "forecast")]
    terms: Option<PathBuf>,
    /// The day on which is decided
    #[arg(long, value_name = "DATE", requires = "forecast")]
    on: Option<NaiveDate>,
    /// Most to spend, freight included, in the currency of the terms
    #[arg(long, value_name = "MONEY", allow_negative_numbers = true)]
    budget: Option<String>,
    /// Write here instead of to standard output
    #[arg(long, value_name = "FILE", requires = "forecast")]
    out: Option<PathBuf>,
    #[command(flatten)]
    fleet: FleetOrderArgs,
}

const NOTES: &str = "\
Left out: lead_days_worst is lead_days, review_days 0 (watched every day), pack and minimum 1, policy
fill_rate, target 0.95, boat_days_lost 1 for each unit short. For the policy boat_days the target is
the most boat-days that may be lost, used where no budget is given. Where an order costs something,
holding a part costs 20 % of its price a year (common practice). All terms are in one currency.

Examples:
  slackwater order --budget 1500
  slackwater demand --history used.csv --months 12 --cumulated --out forecast.csv
  slackwater order --forecast forecast.csv --stock shelf.csv --terms terms.csv --on 2026-11-25
  slackwater order --forecast forecast.csv --stock shelf.csv --terms terms.csv --on 2026-11-25 \\
      --budget 1500 --out order.csv";

/// Sample paths drawn a part.
const PATHS: usize = 1_000;
const SEED: u64 = 1;

const OUT_COLUMNS: [&str; 9] = [
    "part",
    "supplier",
    "quantity",
    "order_by",
    "unit_price",
    "money",
    "currency",
    "expected_fill_rate",
    "reason",
];

pub fn run(args: &OrderArgs) -> Result<(), CommandError> {
    let (Some(forecast), Some(stock), Some(terms), Some(on)) =
        (&args.forecast, &args.stock, &args.terms, args.on)
    else {
        if let Some(budget) = args.budget.as_deref().filter(|text| text.trim().starts_with('-')) {
            return Err(CommandError::Usage(below_zero(budget)));
        }
        return crate::commands::order::run(&args.fleet, args.budget.as_deref());
    };
    let forecasts = read(forecast, forecast::read)?;
    let stock = read(stock, stock::read)?;
    let sellers = read(terms, terms::read)?;
    let budget = budget_of(args.budget.as_deref(), sellers.currency)?;
    let rows = advise_on(on, budget, &forecasts, stock, &sellers)?;
    write_whole(args.out.as_deref(), |out| {
        let mut table = TableWriter::new(out, &OUT_COLUMNS)?;
        for row in &rows {
            table.row(row)?;
        }
        table.finish()?.flush()
    })
}

fn read<T>(
    file: &Path,
    parse: impl FnOnce(BufReader<File>) -> Result<T, Faults>,
) -> Result<T, CommandError> {
    let opened =
        File::open(file).map_err(|cause| CommandError::File { file: file.to_owned(), cause })?;
    parse(BufReader::new(opened))
        .map_err(|faults| CommandError::Rows { file: file.to_owned(), faults })
}

fn budget_of(text: Option<&str>, currency: Currency) -> Result<Option<Money>, CommandError> {
    let Some(text) = text else { return Ok(None) };
    let budget = Money::parse(text, currency)
        .map_err(|error| CommandError::Usage(format!("--budget: {error}")))?;
    if budget.minor < 0 {
        return Err(CommandError::Usage(below_zero(budget)));
    }
    Ok(Some(budget))
}

fn below_zero(budget: impl std::fmt::Display) -> String {
    format!("--budget: {budget} is below zero; give what may be spent, 0 for nothing")
}

fn failed(error: &OrderingError) -> CommandError {
    CommandError::Failed(format!("{error} [{}]", error.rule()))
}

/// The rows to write: parts of the forecast in its order, then those that only the terms or only
/// the stock name, so that nothing is dropped in silence.
fn advise_on(
    on: NaiveDate,
    budget: Option<Money>,
    forecasts: &[PartForecast],
    mut stock: HashMap<String, Supply>,
    sellers: &Sellers,
) -> Result<Vec<[String; 9]>, CommandError> {
    let drawn: Vec<DemandPaths> = forecasts
        .iter()
        .map(|row| row.quantiles.paths(PATHS, SEED, stream_of(&row.part)))
        .collect::<Result<_, _>>()
        .map_err(|error| failed(&error))?;
    let nobody = PartTerms::default();
    let terms_of = |part: &str| sellers.parts.get(part).unwrap_or(&nobody);
    let parts: Vec<PartToStock<'_>> = forecasts
        .iter()
        .zip(&drawn)
        .map(|(row, demand)| {
            part_to_stock(row, demand, terms_of(&row.part), stock.remove(&row.part))
        })
        .collect();
    let settings = Settings { budget, ..Settings::on(on, sellers.currency) };
    let question = Question { parts: &parts, suppliers: &sellers.orders, settings: &settings };
    let advice = advise(question).map_err(|error| failed(&error))?;
    let mut rows: Vec<[String; 9]> =
        advice.lines.iter().map(|line| advised(line, forecasts, sellers, &advice)).collect();
    let known: std::collections::HashSet<&str> =
        forecasts.iter().map(|row| row.part.as_str()).collect();
    let mut others: Vec<String> = sellers.order.clone();
    let mut only_stock: Vec<String> =
        stock.into_keys().filter(|part| !sellers.parts.contains_key(part)).collect();
    only_stock.sort();
    others.extend(only_stock);
    rows.extend(
        others
            .iter()
            .filter(|part| !known.contains(part.as_str()))
            .map(|part| unasked(part, sellers)),
    );
    Ok(rows)
}

fn part_to_stock<'a>(
    row: &PartForecast,
    demand: &'a DemandPaths,
    terms: &PartTerms,
    supply: Option<Supply>,
) -> PartToStock<'a> {
    let months =
        if row.quantiles.is_joint() { MonthsDrawn::Jointly } else { MonthsDrawn::Independently };
    PartToStock {
        stream: stream_of(&row.part),
        demand,
        months,
        unit: "",
        issue_size: 1,
        supply: supply.unwrap_or_default(),
        dated_needs: Vec::new(),
        offers: terms.offers.clone(),
        policy: terms.policy,
        boat_days_per_unit: terms.boat_days_per_unit,
        shelf_life_days: None,
    }
}

/// A part's own random stream by its name, so that neighbours in the file don't change its draws:
/// FNV-1a, 64 bits.
fn stream_of(part: &str) -> u64 {
    part.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

fn advised(
    line: &Line,
    forecasts: &[PartForecast],
    sellers: &Sellers,
    advice: &Advice,
) -> [String; 9] {
    let name = |supplier: usize| sellers.names[supplier].clone();
    let mut reason = line.reason.clone();
    let order = advice.orders.iter().find(|order| Some(order.supplier) == line.supplier);
    if let Some(order) = order.filter(|order| line.quantity > 0 && order.freight.minor > 0) {
        reason.push_str(&format!("; freight of the order {}", order.freight));
    }
    let price = line.supplier.map(|_| line.unit_price.amount()).unwrap_or_default();
    [
        forecasts[line.part].part.clone(),
        line.supplier.map(name).unwrap_or_default(),
        line.quantity.to_string(),
        line.order_by.map(|day| day.to_string()).unwrap_or_default(),
        price,
        line.money.amount(),
        line.money.currency.to_string(),
        format!("{:.4}", line.expected_fill_rate),
        reason,
    ]
}

/// A part without a forecast.
fn unasked(part: &str, sellers: &Sellers) -> [String; 9] {
    let offer = sellers.parts.get(part).and_then(|terms| terms.offers.first());
    let supplier = offer.map(|offer| sellers.names[offer.supplier].clone()).unwrap_or_default();
    let price = offer.map(|offer| offer.terms.price.amount()).unwrap_or_default();
    let nothing = Money::new(0, sellers.currency);
    [
        part.to_owned(),
        supplier,
        "0".to_owned(),
        String::new(),
        price,
        nothing.amount(),
        sellers.currency.to_string(),
        String::new(),
        "nothing is advised: the forecast does not name this part".to_owned(),
    ]
}

#[cfg(test)]
mod tests;
