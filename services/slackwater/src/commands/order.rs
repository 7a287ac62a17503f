//! What to order: makes an order advice of the records and lists its lines.

use std::collections::HashMap;

use chrono::NaiveDate;
use clap::Args;
use fleet::id::{PartId, SupplierId};
use fleet::part::Part;
use fleet::run::RunKind;
use fleet::supplier::Supplier;
use serde::Serialize;
use store::{record, runs as kept};

use crate::commands::make::make_run;
use crate::connect::{RecordsArgs, wait_for};
use crate::failure::CommandError;
use crate::listing::{ListColumn, ListingArgs, numbers, words};

/// How the advice on the fleet's records is listed.
#[derive(Args)]
pub struct FleetOrderArgs {
    #[command(flatten)]
    listing: ListingArgs,
    #[command(flatten)]
    records: RecordsArgs,
}

/// A line of advice as it is listed.
#[derive(Serialize)]
struct Row {
    supplier: String,
    part: String,
    name: String,
    quantity: i64,
    order_by: NaiveDate,
    unit_price: String,
    money: String,
    currency: String,
    fill_rate: Option<f64>,
    reason: String,
}

const fn columns() -> [ListColumn<Row>; 10] {
    [
        words("supplier", |row| row.supplier.clone()),
        words("part", |row| row.part.clone()),
        numbers("quantity", |row| row.quantity.to_string()),
        words("order_by", |row| row.order_by.to_string()),
        numbers("unit_price", |row| row.unit_price.clone()),
        numbers("money", |row| row.money.clone()),
        words("currency", |row| row.currency.clone()),
        numbers("fill_rate", |row| {
            row.fill_rate.map(|rate| format!("{rate:.3}")).unwrap_or_default()
        }),
        words("name", |row| row.name.clone()),
        words("reason", |row| row.reason.clone()),
    ]
}

/// Advises on the records, within a budget where one is given.
///
/// # Errors
/// There is no forecast yet; the terms break a rule; the store failed.
pub fn run(args: &FleetOrderArgs, budget: Option<&str>) -> Result<(), CommandError> {
    let rows = wait_for(async {
        let (store, organisation) = args.records.open().await?;
        let (connection, organisation) = (store.connection(), organisation.id);
        let parameters = match budget {
            Some(budget) => serde_json::json!({ "budget": budget }),
            None => serde_json::json!({}),
        };
        let run = make_run(&store, organisation, RunKind::OrderAdvice, 1, parameters).await?;
        let parts: Vec<Part> = record::all(connection, organisation).await?;
        let parts: HashMap<PartId, (String, String)> =
            parts.into_iter().map(|part| (part.id, (part.number, part.name))).collect();
        let suppliers: Vec<Supplier> = record::all(connection, organisation).await?;
        let suppliers: HashMap<SupplierId, String> =
            suppliers.into_iter().map(|supplier| (supplier.id, supplier.name)).collect();
        let lines = kept::advice_rows(connection, organisation, run.id).await?;
        let mut rows: Vec<Row> = lines
            .into_iter()
            .map(|line| {
                let (part, name) = parts.get(&line.part).cloned().unwrap_or_default();
                Row {
                    supplier: suppliers.get(&line.supplier).cloned().unwrap_or_default(),
                    part,
                    name,
                    quantity: line.quantity,
                    order_by: line.order_by,
                    unit_price: line.unit_price.amount(),
                    money: line.total.amount(),
                    currency: line.total.currency.to_string(),
                    fill_rate: line.fill_rate_permille.map(|rate| f64::from(rate) / 1_000.0),
                    reason: line.reason,
                }
            })
            .collect();
        rows.sort_by(|a, b| a.supplier.cmp(&b.supplier).then(a.part.cmp(&b.part)));
        Ok::<_, CommandError>(rows)
    })?;
    args.listing.write(&rows, &columns(), "Nothing needs to be ordered now.")
}
