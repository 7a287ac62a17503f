//! An order with all its names, for the supplier.

use std::collections::HashMap;

use chrono::NaiveDate;
use exchange::order_sheet::{OrderSheet, SheetLine};
use fleet::id::{OrderId, OrganisationId, PartId};
use fleet::order::{Order, OrderLine};
use fleet::part::Part;
use fleet::site::Site;
use fleet::supplier::{Supplier, SupplierSeason, Term};
use sea_orm::ConnectionTrait;

use crate::error::StoreError;
use crate::{organisations, parts, record};

/// The order as its supplier reads it, lines by our part number.
///
/// # Errors
/// No such order.
pub async fn sheet(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    order: OrderId,
) -> Result<OrderSheet, StoreError> {
    let order = record::get::<Order>(connection, organisation, order).await?;
    let supplier = record::get::<Supplier>(connection, organisation, order.supplier).await?;
    let site = record::get::<Site>(connection, organisation, order.site).await?;
    let buyer = organisations::all(connection).await?;
    let buyer = buyer.into_iter().find(|one| one.id == organisation);
    let lines = super::lines(connection, organisation, &[order.id]).await?;
    let ids: Vec<PartId> = lines.iter().map(|line| line.part).collect();
    let known: Vec<Part> = record::by_ids(connection, organisation, &ids).await?;
    let known: HashMap<PartId, Part> = known.into_iter().map(|part| (part.id, part)).collect();
    let mut terms = parts::terms(connection, organisation, &ids).await?;
    let day = order.ordered_on.unwrap_or_else(|| order.created_at.date_naive());
    terms.retain(|term| term.supplier == supplier.id && term.holds_on(day));
    let terms: HashMap<PartId, Term> = terms.into_iter().map(|term| (term.part, term)).collect();
    let seasons: Vec<SupplierSeason> = record::all(connection, organisation).await?;
    let window = in_window(&seasons, &supplier, day);
    let row = |line: &OrderLine| {
        let part = known.get(&line.part)?;
        Some(sheet_line(line, part, terms.get(&line.part)))
    };
    let mut lines: Vec<SheetLine> = lines.iter().filter_map(row).collect();
    lines.sort_by(|a, b| a.number.cmp(&b.number));
    Ok(OrderSheet {
        number: order.number,
        buyer: buyer.map(|buyer| buyer.name).unwrap_or_default(),
        deliver_to: site.name,
        supplier: supplier.name,
        ordered_on: order.ordered_on,
        wanted_by: order.expected_on,
        currency: order.currency,
        lines,
        note: [order.note, window].into_iter().flatten().reduce(|note, of| format!("{note} {of}")),
    })
}

/// What the supplier's pre-season window means for an order of `day`.
fn in_window(seasons: &[SupplierSeason], supplier: &Supplier, day: NaiveDate) -> Option<String> {
    let mut own = seasons.iter().filter(|season| season.supplier == supplier.id);
    let window = own.find(|season| season.window().is_open(day))?.window();
    let said = |day: NaiveDate| day.format("%-d %b %Y").to_string();
    let mut text = format!("Pre-season order, window to {}", said(window.closes));
    if window.discount_permille > 0 {
        let percent = f64::from(window.discount_permille) / 10.0;
        text.push_str(&format!(", prices less {percent} %"));
    }
    if let Some(ships) = window.ships_from {
        text.push_str(&format!(", to be shipped from {}", said(ships)));
    }
    Some(text + ".")
}

fn sheet_line(line: &OrderLine, part: &Part, term: Option<&Term>) -> SheetLine {
    let unit = part.unit.symbol().unwrap_or("pieces");
    let quantity = line.quantity - line.cancelled;
    SheetLine {
        supplier_number: term.and_then(|term| term.supplier_number.clone()),
        number: part.number.clone(),
        name: part.name.clone(),
        quantity,
        unit: unit.to_owned(),
        pack: term.map_or(1, |term| term.pack),
        price_minor: line.price_minor,
        price_units: line.price_units,
        total_minor: line.money_minor(quantity),
        // Notes on lines are our own reasons, not for the supplier.
        note: None,
    }
}
