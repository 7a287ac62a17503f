//! An order once it is with the supplier: goods in part, the rest later or not at all, goods that go
//! back, and its end.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use fleet::bench::Job;
use fleet::calendar::start_of_day;
use fleet::id::{
    LotId, OrderId, OrderLineId, OrganisationId, PartId, PersonId, ReceiptId, ReceiptLineId,
    StockMoveId,
};
use fleet::order::{Order, OrderError, OrderLine, OrderStatus, Receipt, ReceiptLine};
use fleet::part::{Lot, LotCondition, MoveKind, Part, StockMove};
use fleet::shelf_life::{CureQuarter, Dating, Material, Policy};
use fleet::site::Site;
use fleet::stock::{Overruled, dates_of};

use super::{lock_at, lock_line, noting, received, told};
use crate::Transaction;
use crate::entity::lots;
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::{jobs, stock};

/// A delivery as it is taken in.
#[derive(Clone, Debug)]
pub struct Receiving {
    pub received_on: NaiveDate,
    pub delivery_note: Option<String>,
    pub received_by: Option<PersonId>,
    pub lines: Vec<Arrived>,
}

/// What of a line is in it.
#[derive(Clone, Debug)]
pub struct Arrived {
    pub line: OrderLineId,
    pub quantity: i64,
    pub lot: LotGiven,
    /// Why more is taken than was ordered, or what is past its last good day or cured long ago;
    /// whoever receives it stands for that.
    pub accepted: Option<String>,
}

/// What the label says.
#[derive(Clone, Debug, Default)]
pub struct LotGiven {
    pub code: Option<String>,
    pub cured: Option<CureQuarter>,
    pub expires_on: Option<NaiveDate>,
}

/// What a delivery led to.
#[derive(Clone, Debug)]
pub struct Received {
    pub order: Order,
    pub receipt: Receipt,
    pub lines: Vec<ReceiptLine>,
    pub lots: Vec<Lot>,
    /// Short jobs that it made whole.
    pub kitted: Vec<Job>,
}

/// Goods that go back to the supplier.
#[derive(Clone, Debug)]
pub struct GivenBack {
    pub quantity: i64,
    /// Of which lot; `None`: of what came on this line.
    pub lot: Option<LotId>,
    pub reason: String,
    /// Whether another one is to come, or the money.
    pub replaced: bool,
}

/// An order with its lines and what of them has come.
struct Standing {
    order: Order,
    lines: Vec<OrderLine>,
    received: HashMap<OrderLineId, i64>,
    zone: Tz,
}

impl Standing {
    async fn read(
        transaction: &Transaction,
        organisation: OrganisationId,
        order: Order,
    ) -> Result<Self, StoreError> {
        let site = record::get::<Site>(transaction, organisation, order.site).await?;
        Ok(Self {
            lines: super::lines(transaction, organisation, &[order.id]).await?,
            received: received(transaction, organisation, &[order.id]).await?,
            zone: site.time_zone.parse().unwrap_or(Tz::UTC),
            order,
        })
    }

    fn came(&self, line: OrderLineId) -> i64 {
        self.received.get(&line).copied().unwrap_or(0)
    }

    fn open(&self) -> i64 {
        self.lines.iter().map(|line| line.open(self.came(line.id))).sum()
    }

    /// The order's state as its lines now stand.
    fn status(&self) -> OrderStatus {
        match (self.open(), self.received.values().sum::<i64>()) {
            (0, 0) => OrderStatus::Cancelled,
            (0, _) => OrderStatus::Received,
            (_, 0) => OrderStatus::Sent,
            (_, _) => OrderStatus::PartReceived,
        }
    }

    /// Brings the order's state in line with its lines.
    async fn settle(
        &self,
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
    ) -> Result<Order, StoreError> {
        let status = self.status();
        if status == self.order.status {
            return Ok(self.order.clone());
        }
        self.order.status.check_move(status)?;
        let settled = Order { status, ..self.order.clone() };
        record::change(transaction, organisation, author, &settled).await
    }

    /// The moment of a day on which something came or went: now where it is today.
    fn moment(&self, day: NaiveDate, author: &Author) -> DateTime<Utc> {
        let today = fleet::calendar::day_of(author.at, self.zone);
        if day == today { author.at } else { start_of_day(day, self.zone).min(author.at) }
    }
}

/// Takes a delivery in: a receipt, its lots, and the goods on the shelf.
///
/// A seal or an oil without a date on its label is dated by this receipt.
///
/// # Errors
/// The order was not sent; a day before it was, or in the future; more than is open, or a lot past
/// its last good day or cured long ago, that no named person accepts with a reason.
pub async fn receive(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    order: OrderId,
    wanted: &Receiving,
) -> Result<Received, StoreError> {
    let order = record::lock::<Order>(transaction, organisation, order).await?;
    if !order.status.awaits_goods() {
        return Err(OrderError::NotSent { status: order.status }.into());
    }
    let mut standing = Standing::read(transaction, organisation, order).await?;
    check_day(&standing, wanted.received_on, author)?;
    let (before, _) = super::receipts(transaction, organisation, &[standing.order.id]).await?;
    let receipt = Receipt {
        id: ReceiptId::fresh(),
        order: standing.order.id,
        received_on: wanted.received_on,
        delivery_note: wanted.delivery_note.clone(),
        received_by: wanted.received_by,
        recorded_at: author.at,
    };
    let ids: Vec<PartId> = standing.lines.iter().map(|line| line.part).collect();
    let parts: Vec<Part> = record::by_ids(transaction, organisation, &ids).await?;
    let delivery = Delivery { receipt: &receipt, number: before.len() + 1, author, parts: &parts };
    let (mut lines, mut lots, mut moves) = (Vec::new(), Vec::new(), Vec::new());
    for arrived in &wanted.lines {
        let line = standing.line(arrived.line)?;
        let mut taken = delivery.line(&line, standing.came(line.id), arrived)?;
        *standing.received.entry(line.id).or_default() += arrived.quantity;
        let lot = delivery.lot(transaction, organisation, &standing, &line, arrived, taken.id);
        let (lot, is_new) = lot.await?;
        if let Some(lot) = &lot {
            taken.accepted = taken.accepted.or(delivery.accepted(lot, arrived)?);
        }
        moves.push(delivery.stock_move(&standing, &line, &taken, lot.as_ref().map(|lot| lot.id)));
        lots.extend(lot.filter(|_| is_new));
        lines.push(taken);
    }
    if lines.is_empty() {
        return Err(OrderError::QuantityNotPositive { quantity: 0 }.into());
    }
    record::append(transaction, organisation, std::slice::from_ref(&receipt)).await?;
    record::append(transaction, organisation, &lines).await?;
    record::create(transaction, organisation, author, &lots).await?;
    stock::book(transaction, organisation, &moves).await?;
    let order = standing.settle(transaction, organisation, author).await?;
    let came: Vec<PartId> = moves.iter().map(|one| one.part).collect();
    let today = fleet::calendar::day_of(author.at, standing.zone);
    let kitted =
        jobs::kit_what_arrived(transaction, organisation, author, order.site, &came, today).await?;
    Ok(Received { order, receipt, lines, lots, kitted })
}

fn check_day(standing: &Standing, day: NaiveDate, author: &Author) -> Result<(), OrderError> {
    let today = fleet::calendar::day_of(author.at, standing.zone);
    if day > today {
        return Err(OrderError::NotYet { day, today });
    }
    match standing.order.ordered_on {
        Some(ordered_on) if day < ordered_on => Err(OrderError::BeforeTheOrder { day, ordered_on }),
        _ => Ok(()),
    }
}

impl Standing {
    fn line(&self, id: OrderLineId) -> Result<OrderLine, StoreError> {
        let found = self.lines.iter().find(|line| line.id == id);
        found.cloned().ok_or(StoreError::Missing { noun: "order line" })
    }
}

impl LotGiven {
    /// # Errors
    /// Dates that are not those of the lot on record: its goods are other goods.
    fn check_same(&self, lot: &Lot) -> Result<(), OrderError> {
        let cured = (self.cured.map(CureQuarter::end), lot.cured_on, "cured by");
        for (given, known, what) in [cured, (self.expires_on, lot.expires_on, "good until")] {
            let Some((given, known)) = given.zip(known).filter(|(given, known)| given != known)
            else {
                continue;
            };
            let code = lot.code.clone().unwrap_or_default();
            let (known, given) = (format!("{what} {known}"), format!("{what} {given}"));
            return Err(OrderError::LotDiffers { code, known, given });
        }
        Ok(())
    }
}

/// A receipt while its lines are written.
struct Delivery<'a> {
    receipt: &'a Receipt,
    /// How many deliveries of this order there were, with this one.
    number: usize,
    author: &'a Author,
    parts: &'a [Part],
}

impl Delivery<'_> {
    fn line(
        &self,
        line: &OrderLine,
        came: i64,
        arrived: &Arrived,
    ) -> Result<ReceiptLine, StoreError> {
        let quantity = u32::try_from(arrived.quantity)
            .map_err(|_| OrderError::QuantityNotPositive { quantity: arrived.quantity })?;
        let progress = line.progress(came);
        let more = i64::from(progress.open()) < arrived.quantity;
        let accepted = arrived.accepted.clone().filter(|_| more);
        progress.receive(quantity, self.in_whose_name(arrived).as_ref())?;
        Ok(ReceiptLine {
            id: ReceiptLineId::fresh(),
            receipt: self.receipt.id,
            line: line.id,
            quantity: arrived.quantity,
            invoiced_minor: None,
            accepted,
        })
    }

    fn in_whose_name(&self, arrived: &Arrived) -> Option<Overruled> {
        let (by, reason) = (self.receipt.received_by?, arrived.accepted.clone()?);
        Some(Overruled { by, reason })
    }

    /// Why a lot is taken that its dates speak against; `None` where they don't.
    fn accepted(&self, lot: &Lot, arrived: &Arrived) -> Result<Option<String>, StoreError> {
        let received_on = self.receipt.received_on;
        if lot.check_receipt(received_on, None).is_ok() {
            return Ok(None);
        }
        lot.check_receipt(received_on, self.in_whose_name(arrived).as_ref())?;
        Ok(arrived.accepted.clone())
    }

    /// The lot that it goes to, and whether it is new: one of that code where there is one, else a
    /// new one. What does not age and carries no code needs none.
    async fn lot(
        &self,
        transaction: &Transaction,
        organisation: OrganisationId,
        standing: &Standing,
        line: &OrderLine,
        arrived: &Arrived,
        receipt_line: ReceiptLineId,
    ) -> Result<(Option<Lot>, bool), StoreError> {
        let LotGiven { code, cured, expires_on } = &arrived.lot;
        let months = self
            .parts
            .iter()
            .find(|part| part.id == line.part)
            .and_then(|part| u32::try_from(part.shelf_life_months?).ok());
        if months.is_none() && code.is_none() && cured.is_none() && expires_on.is_none() {
            return Ok((None, false));
        }
        let own = format!("{}/{}", standing.order.number, self.number);
        let code = code.clone().unwrap_or(own);
        let column = lots::Column::PartId;
        let known: Vec<Lot> =
            record::by_column(transaction, organisation, column, &[line.part.0]).await?;
        if let Some(lot) = known.into_iter().find(|lot| lot.code.as_ref() == Some(&code)) {
            arrived.lot.check_same(&lot)?;
            return Ok((Some(lot), false));
        }
        let dating = Dating {
            expires_on: *expires_on,
            cured: *cured,
            received_on: Some(self.receipt.received_on),
        };
        let (policy, material) = match months {
            // A life of its own: the material does not matter.
            Some(months) => (Policy::Own { months }, Material::Nbr),
            None => (Policy::Own { months: 0 }, Material::Lasting),
        };
        let (expires_on, dated_by) = dates_of(policy, material, dating);
        let lot = Lot {
            id: LotId::fresh(),
            version: 1,
            part: line.part,
            code: Some(code),
            cured_on: cured.map(|cured| cured.end()),
            received_on: Some(self.receipt.received_on),
            expires_on,
            dated_by,
            condition: LotCondition::New,
            donor: None,
            receipt_line: Some(receipt_line),
        };
        Ok((Some(lot), true))
    }

    fn stock_move(
        &self,
        standing: &Standing,
        line: &OrderLine,
        taken: &ReceiptLine,
        lot: Option<LotId>,
    ) -> StockMove {
        StockMove {
            id: StockMoveId::fresh(),
            part: line.part,
            site: standing.order.site,
            lot,
            kind: MoveKind::Receipt,
            quantity: taken.quantity,
            moved_at: standing.moment(self.receipt.received_on, self.author),
            job: None,
            receipt_line: Some(taken.id),
            moved_by: self.receipt.received_by,
            together: None,
            reason: taken.accepted.clone(),
            reference: None,
            recorded_at: self.author.at,
        }
    }
}

/// Gives goods back to the supplier: for others, which are then awaited again, or for the money.
///
/// # Errors
/// No reason; more than has come; more than is on the shelf, or promised to a job.
pub async fn give_back(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (line, version): (OrderLineId, i64),
    wanted: &GivenBack,
) -> Result<(Order, OrderLine), StoreError> {
    let reason = told(&wanted.reason)?;
    let (order, line) = lock_line(transaction, organisation, line, version).await?;
    order.status.check_goods()?;
    let mut standing = Standing::read(transaction, organisation, order).await?;
    let came = standing.came(line.id);
    let quantity = u32::try_from(wanted.quantity)
        .map_err(|_| OrderError::QuantityNotPositive { quantity: wanted.quantity })?;
    line.progress(came).give_back(quantity)?;
    let open_before = line.open(came);
    let mut changed = OrderLine { returned: line.returned + wanted.quantity, ..line.clone() };
    if !wanted.replaced {
        changed.cancelled += changed.open(came) - open_before;
    }
    let (of_line, lot) = of_line(transaction, organisation, &standing, &line, wanted.lot).await?;
    let back = StockMove {
        id: StockMoveId::fresh(),
        part: line.part,
        site: standing.order.site,
        lot,
        kind: MoveKind::SupplierReturn,
        quantity: -wanted.quantity,
        moved_at: author.at,
        job: None,
        receipt_line: of_line,
        // No person: what is promised to a job is not given back by naming a reason.
        moved_by: None,
        together: None,
        reason: Some(reason.to_owned()),
        reference: None,
        recorded_at: author.at,
    };
    stock::book(transaction, organisation, &[back]).await?;
    let author = noting(author, Some(reason));
    let changed = record::change(transaction, organisation, &author, &changed).await?;
    standing.replace(&changed);
    let order = standing.settle(transaction, organisation, &author).await?;
    Ok((order, changed))
}

/// The last delivery of a line, and the lot that goods of it go back from.
async fn of_line(
    transaction: &Transaction,
    organisation: OrganisationId,
    standing: &Standing,
    line: &OrderLine,
    lot: Option<LotId>,
) -> Result<(Option<ReceiptLineId>, Option<LotId>), StoreError> {
    let (_, receipts) = super::receipts(transaction, organisation, &[standing.order.id]).await?;
    let own: Vec<ReceiptLineId> =
        receipts.iter().filter(|row| row.line == line.id).map(|row| row.id).collect();
    let last = own.last().copied();
    if lot.is_some() {
        return Ok((last, lot));
    }
    let column = lots::Column::PartId;
    let mut known: Vec<Lot> =
        record::by_column(transaction, organisation, column, &[line.part.0]).await?;
    known.retain(|lot| lot.receipt_line.is_some_and(|of| own.contains(&of)));
    let newest = known.iter().max_by_key(|lot| lot.id);
    Ok((last, newest.map(|lot| lot.id)))
}

impl Standing {
    fn replace(&mut self, changed: &OrderLine) {
        for line in self.lines.iter_mut().filter(|line| line.id == changed.id) {
            line.clone_from(changed);
        }
    }
}

/// Books that the rest of a line comes later.
///
/// # Errors
/// No note; nothing open; an order that is not out.
pub async fn back_order(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (line, version): (OrderLineId, i64),
    expected_on: NaiveDate,
    note: &str,
) -> Result<OrderLine, StoreError> {
    let note = told(note)?;
    let (order, line) = lock_line(transaction, organisation, line, version).await?;
    let standing = Standing::read(transaction, organisation, order).await?;
    if !standing.order.status.awaits_goods() {
        return Err(OrderError::NotSent { status: standing.order.status }.into());
    }
    if line.open(standing.came(line.id)) == 0 {
        return Err(OrderError::NothingOpen.into());
    }
    match standing.order.ordered_on {
        Some(ordered_on) if expected_on < ordered_on => {
            return Err(OrderError::BeforeTheOrder { day: expected_on, ordered_on }.into());
        }
        _ => {}
    }
    let later = OrderLine { expected_on: Some(expected_on), ..line };
    record::change(transaction, organisation, &noting(author, Some(note)), &later).await
}

/// Gives up what of a line has not come.
///
/// # Errors
/// No note; nothing open; an order that is not out.
pub async fn cancel_rest(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (line, version): (OrderLineId, i64),
    note: &str,
) -> Result<(Order, OrderLine), StoreError> {
    let note = told(note)?;
    let (order, line) = lock_line(transaction, organisation, line, version).await?;
    let mut standing = Standing::read(transaction, organisation, order).await?;
    if !standing.order.status.awaits_goods() {
        return Err(OrderError::NotSent { status: standing.order.status }.into());
    }
    let open = line.open(standing.came(line.id));
    if open == 0 {
        return Err(OrderError::NothingOpen.into());
    }
    let author = noting(author, Some(note));
    let given_up = OrderLine { cancelled: line.cancelled + open, ..line };
    let given_up = record::change(transaction, organisation, &author, &given_up).await?;
    standing.replace(&given_up);
    let order = standing.settle(transaction, organisation, &author).await?;
    Ok((order, given_up))
}

/// Closes an order of which nothing is open.
///
/// # Errors
/// Something is still to come, or it was never out.
pub async fn close(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (order, version): (OrderId, i64),
) -> Result<Order, StoreError> {
    let order = lock_at(transaction, organisation, order, version).await?;
    let standing = Standing::read(transaction, organisation, order).await?;
    let open = standing.open();
    if open > 0 && standing.order.status.awaits_goods() {
        return Err(OrderError::StillOpen { open }.into());
    }
    standing.order.status.check_move(OrderStatus::Closed)?;
    let closed = Order { status: OrderStatus::Closed, ..standing.order };
    record::change(transaction, organisation, author, &closed).await
}

/// Calls an order off of which nothing has come.
///
/// # Errors
/// No note; goods were received; it is at its end already.
pub async fn cancel(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (order, version): (OrderId, i64),
    note: &str,
) -> Result<Order, StoreError> {
    let note = told(note)?;
    let order = lock_at(transaction, organisation, order, version).await?;
    if matches!(order.status, OrderStatus::PartReceived | OrderStatus::Received) {
        return Err(OrderError::GoodsReceived.into());
    }
    order.status.check_move(OrderStatus::Cancelled)?;
    let cancelled = Order { status: OrderStatus::Cancelled, ..order };
    record::change(transaction, organisation, &noting(author, Some(note)), &cancelled).await
}
