//! An order until it is with the supplier: drafted, thought over, approved, sent.

use std::collections::HashMap;

use chrono::{Datelike as _, NaiveDate};
use fleet::id::{
    OrderId, OrderLineId, OrganisationId, PartId, PersonId, RunId, SiteId, SupplierId,
};
use fleet::order::{Order, OrderError, OrderLine, OrderStatus};
use fleet::person::{Person, Role};
use fleet::supplier::Supplier;
use sea_orm::{ColumnTrait as _, EntityTrait as _, QueryFilter as _, QuerySelect as _};

use super::{Sold, lock_at, lock_line, noting, sold, told};
use crate::Transaction;
use crate::entity::{orders, organisations};
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::runs::{self, AdviceRow};

/// An order to be.
#[derive(Clone, Debug)]
pub struct NewOrder {
    pub supplier: SupplierId,
    pub site: SiteId,
    pub note: Option<String>,
    pub lines: Vec<NewLine>,
}

/// A line to be.
#[derive(Clone, Debug)]
pub struct NewLine {
    pub part: PartId,
    /// Stock units.
    pub quantity: i64,
    /// Minor units of the supplier's currency, for so many stock units; `None`: as the terms say.
    pub price: Option<(i64, i64)>,
    pub note: Option<String>,
}

/// What is to change on a line.
#[derive(Clone, Debug)]
pub struct LineChange {
    pub quantity: i64,
    pub price: Option<(i64, i64)>,
    /// Why it is not what was advised, or not as it is sold.
    pub note: Option<String>,
}

/// The days of an order that goes out.
#[derive(Clone, Copy, Debug)]
pub struct Sending {
    pub ordered_on: NaiveDate,
    pub expected_on: NaiveDate,
}

/// A number of our own: the year and a running number. Nobody else gets it until the transaction
/// ends.
async fn next_number(
    transaction: &Transaction,
    organisation: OrganisationId,
    year: i32,
) -> Result<String, StoreError> {
    organisations::Entity::find_by_id(organisation.0)
        .lock_exclusive()
        .one(transaction)
        .await?
        .ok_or(StoreError::Missing { noun: "organisation" })?;
    let prefix = format!("{year}-");
    let numbers: Vec<String> = orders::Entity::find()
        .filter(orders::Column::OrganisationId.eq(organisation.0))
        .filter(orders::Column::Number.starts_with(&prefix))
        .select_only()
        .column(orders::Column::Number)
        .into_tuple()
        .all(transaction)
        .await?;
    let last = numbers.iter().filter_map(|number| number[prefix.len()..].parse::<u32>().ok()).max();
    Ok(format!("{prefix}{:03}", last.unwrap_or(0) + 1))
}

/// Writes a draft.
///
/// # Errors
/// A quantity that is not above zero, that is not sold so and has no note, or a part that the
/// supplier has no terms for and no price is given.
pub async fn draft(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    wanted: &NewOrder,
    today: NaiveDate,
) -> Result<(Order, Vec<OrderLine>), StoreError> {
    let supplier = record::get::<Supplier>(transaction, organisation, wanted.supplier).await?;
    let parts: Vec<PartId> = wanted.lines.iter().map(|line| line.part).collect();
    let on_sale = sold(transaction, organisation, &supplier, &parts, today).await?;
    let order = fresh(transaction, organisation, author, &supplier, wanted.site, today).await?;
    let order = Order { note: wanted.note.clone(), ..order };
    let lines = wanted.lines.iter().map(|line| {
        let price = checked_price(on_sale.get(&line.part), line.quantity, line.price, &line.note)?;
        Ok(new_line(order.id, line.part, line.quantity, price, line.note.clone()))
    });
    let lines = lines.collect::<Result<Vec<_>, OrderError>>()?;
    record::create(transaction, organisation, author, std::slice::from_ref(&order)).await?;
    record::create(transaction, organisation, author, &lines).await?;
    Ok((order, lines))
}

/// Writes one draft a supplier from the lines of an advice, which each order remembers; of all
/// suppliers where none is named. Where the advice has so much to spend in a month, what waits for a
/// later one is left out.
///
/// # Errors
/// `advice-waits` where nothing is bought this month; `order-drafted-already` where an order of this advice to that supplier is there and not called
/// off; `advice-empty` where there is nothing to order.
pub async fn draft_of_advice(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (run, site): (RunId, SiteId),
    suppliers: &[SupplierId],
    today: NaiveDate,
) -> Result<Vec<(Order, Vec<OrderLine>)>, StoreError> {
    let mut rows = runs::advice_rows(transaction, organisation, run).await?;
    rows.retain(|row| suppliers.is_empty() || suppliers.contains(&row.supplier));
    // Locks: two who press the button at once come one after the other.
    next_number(transaction, organisation, today.year()).await?;
    let before = super::of_run(transaction, organisation, run).await?;
    let mut by_supplier: Vec<(SupplierId, Vec<AdviceRow>)> = Vec::new();
    for row in rows {
        match by_supplier.iter_mut().find(|(supplier, _)| *supplier == row.supplier) {
            Some((_, rows)) => rows.push(row),
            None => by_supplier.push((row.supplier, vec![row])),
        }
    }
    if by_supplier.is_empty() {
        let what = "this advice has nothing to order".to_owned();
        return Err(StoreError::Broken { rule: "advice-empty", what });
    }
    for (_, rows) in &mut by_supplier {
        rows.retain(AdviceRow::is_for_now);
    }
    by_supplier.retain(|(_, rows)| !rows.is_empty());
    if by_supplier.is_empty() {
        let what = "none of it is bought with this month's money; raise the limit, or wait";
        return Err(StoreError::Broken { rule: "advice-waits", what: what.to_owned() });
    }
    let mut drafted = Vec::new();
    for (supplier, rows) in by_supplier {
        let standing = before
            .iter()
            .find(|order| order.supplier == supplier && order.status != OrderStatus::Cancelled);
        if let Some(order) = standing {
            let what = format!("order {} was drafted from this advice already", order.number);
            return Err(StoreError::Broken { rule: "order-drafted-already", what });
        }
        let supplier = record::get::<Supplier>(transaction, organisation, supplier).await?;
        let order = fresh(transaction, organisation, author, &supplier, site, today).await?;
        let order = Order { run: Some(run), ..order };
        record::create(transaction, organisation, author, std::slice::from_ref(&order)).await?;
        let lines: Vec<OrderLine> = rows.iter().map(|row| advised_line(order.id, row)).collect();
        record::create(transaction, organisation, author, &lines).await?;
        drafted.push((order, lines));
    }
    Ok(drafted)
}

/// An advised line: its price holds for one bought unit, of which its total says how many there are.
fn advised_line(order: OrderId, row: &AdviceRow) -> OrderLine {
    let bought = row.total.minor.checked_div(row.unit_price.minor).unwrap_or(0).max(1);
    let unit = (row.quantity / bought).max(1);
    new_line(order, row.part, row.quantity, (row.unit_price.minor, unit), None)
}

async fn fresh(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    supplier: &Supplier,
    site: SiteId,
    today: NaiveDate,
) -> Result<Order, StoreError> {
    Ok(Order {
        id: OrderId::fresh(),
        version: 1,
        number: next_number(transaction, organisation, today.year()).await?,
        supplier: supplier.id,
        site,
        status: OrderStatus::Draft,
        currency: supplier.currency,
        ordered_on: None,
        expected_on: None,
        approved_by: None,
        run: None,
        note: None,
        created_at: author.at,
    })
}

fn new_line(
    order: OrderId,
    part: PartId,
    quantity: i64,
    (price_minor, price_units): (i64, i64),
    note: Option<String>,
) -> OrderLine {
    OrderLine {
        id: OrderLineId::fresh(),
        version: 1,
        order,
        part,
        quantity,
        price_minor,
        price_units,
        cancelled: 0,
        returned: 0,
        expected_on: None,
        note,
    }
}

/// The price that a line gets, once its quantity is one that can be bought or a note says why it is
/// asked for all the same.
fn checked_price(
    sold: Option<&Sold>,
    quantity: i64,
    given: Option<(i64, i64)>,
    note: &Option<String>,
) -> Result<(i64, i64), OrderError> {
    if quantity <= 0 {
        return Err(OrderError::QuantityNotPositive { quantity });
    }
    let noted = note.as_deref().is_some_and(|note| !note.trim().is_empty());
    match (sold, given) {
        (Some(sold), given) => {
            let asked = sold.check(quantity);
            if !noted {
                asked?;
            }
            Ok(given.unwrap_or_else(|| sold.price(quantity)))
        }
        (None, Some(price)) => Ok(price),
        (None, None) => Err(OrderError::PriceMissing),
    }
}

/// Adds a line to a draft.
///
/// # Errors
/// As [`draft`], and where the order is no draft any more.
pub async fn add_line(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (order, version): (OrderId, i64),
    line: &NewLine,
    today: NaiveDate,
) -> Result<OrderLine, StoreError> {
    let order = lock_at(transaction, organisation, order, version).await?;
    order.status.check_draft()?;
    let supplier = record::get::<Supplier>(transaction, organisation, order.supplier).await?;
    let on_sale = sold(transaction, organisation, &supplier, &[line.part], today).await?;
    let price = checked_price(on_sale.get(&line.part), line.quantity, line.price, &line.note)?;
    let added = new_line(order.id, line.part, line.quantity, price, line.note.clone());
    record::create(transaction, organisation, author, std::slice::from_ref(&added)).await?;
    Ok(added)
}

/// Changes a line of a draft. Where it is not what was advised, or not as it is sold, a note says
/// why.
///
/// # Errors
/// As [`draft`], and where the order is no draft any more.
pub async fn change_line(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (line, version): (OrderLineId, i64),
    change: &LineChange,
    today: NaiveDate,
) -> Result<OrderLine, StoreError> {
    let (order, line) = lock_line(transaction, organisation, line, version).await?;
    order.status.check_draft()?;
    let advised = match order.run {
        Some(run) => advised(transaction, organisation, run, order.supplier).await?,
        None => HashMap::new(),
    };
    let note = change.note.clone().filter(|note| !note.trim().is_empty());
    if advised.get(&line.part).is_some_and(|advised| *advised != change.quantity) {
        told(note.as_deref().unwrap_or_default())?;
    }
    let supplier = record::get::<Supplier>(transaction, organisation, order.supplier).await?;
    let on_sale = sold(transaction, organisation, &supplier, &[line.part], today).await?;
    // Without terms the price that the line has stands.
    let given =
        change.price.or_else(|| on_sale.is_empty().then_some((line.price_minor, line.price_units)));
    let price = checked_price(on_sale.get(&line.part), change.quantity, given, &note)?;
    let changed = OrderLine {
        quantity: change.quantity,
        price_minor: price.0,
        price_units: price.1,
        note: note.clone(),
        ..line
    };
    record::change(transaction, organisation, &noting(author, note.as_deref()), &changed).await
}

/// What a run advised to order of one supplier.
async fn advised(
    transaction: &Transaction,
    organisation: OrganisationId,
    run: RunId,
    supplier: SupplierId,
) -> Result<HashMap<PartId, i64>, StoreError> {
    let rows = runs::advice_rows(transaction, organisation, run).await?;
    let own = rows.into_iter().filter(|row| row.supplier == supplier);
    Ok(own.map(|row| (row.part, row.quantity)).collect())
}

/// Takes a line off a draft.
///
/// # Errors
/// The order is no draft any more, or somebody changed the line meanwhile.
pub async fn remove_line(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (line, version): (OrderLineId, i64),
    note: Option<&str>,
) -> Result<(), StoreError> {
    let (order, line) = lock_line(transaction, organisation, line, version).await?;
    order.status.check_draft()?;
    let author = noting(author, note);
    record::remove::<OrderLine>(transaction, organisation, &author, line.id, version).await
}

/// Approves a draft: it may be sent, and its lines change no more.
///
/// # Errors
/// No line, or not a draft; who is said to approve may not.
pub async fn approve(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (order, version): (OrderId, i64),
    approved_by: Option<PersonId>,
) -> Result<Order, StoreError> {
    let order = lock_at(transaction, organisation, order, version).await?;
    order.status.check_move(OrderStatus::Approved)?;
    if super::lines(transaction, organisation, &[order.id]).await?.is_empty() {
        return Err(OrderError::Empty.into());
    }
    if let Some(person) = approved_by {
        let Person { name, role, archived, .. } =
            record::get(transaction, organisation, person).await?;
        if archived || !role.includes(Role::Buyer) {
            return Err(OrderError::MayNotApprove { name, role }.into());
        }
    }
    let approved = Order { status: OrderStatus::Approved, approved_by, ..order };
    record::change(transaction, organisation, author, &approved).await
}

/// Makes a draft of what was approved, to think it over.
///
/// # Errors
/// It is not approved, or out already.
pub async fn reopen(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (order, version): (OrderId, i64),
) -> Result<Order, StoreError> {
    let order = lock_at(transaction, organisation, order, version).await?;
    order.status.check_move(OrderStatus::Draft)?;
    let reopened = Order { status: OrderStatus::Draft, approved_by: None, ..order };
    record::change(transaction, organisation, author, &reopened).await
}

/// Books that the order is with the supplier.
///
/// # Errors
/// Not approved; sent in the future, or expected before it was sent.
pub async fn send(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (order, version): (OrderId, i64),
    sending: Sending,
    today: NaiveDate,
) -> Result<Order, StoreError> {
    let Sending { ordered_on, expected_on } = sending;
    let order = lock_at(transaction, organisation, order, version).await?;
    order.status.check_move(OrderStatus::Sent)?;
    if ordered_on > today {
        return Err(OrderError::NotYet { day: ordered_on, today }.into());
    }
    if expected_on < ordered_on {
        return Err(OrderError::BeforeTheOrder { day: expected_on, ordered_on }.into());
    }
    let sent = Order {
        status: OrderStatus::Sent,
        ordered_on: Some(ordered_on),
        expected_on: Some(expected_on),
        ..order
    };
    record::change(transaction, organisation, author, &sent).await
}
