//! Orders from draft to receipt.
//!
//! ```text
//! draft ⇄ approved → sent → part received → received → closed
//! any before the first goods → cancelled, with a reason
//! ```
//!
//! Invariants: lines change in a draft only; what is sent was approved by somebody; goods come on
//! orders that are sent; an order is closed when nothing of it is open any more. What went back for
//! another one is open again, what went back for its money is not.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use crate::id::{
    InvoiceLineId, OrderId, OrderLineId, PartId, PersonId, ReceiptId, ReceiptLineId, RunId, SiteId,
    SupplierId,
};
use crate::money::Currency;
use crate::person::Role;
use crate::stock::LineProgress;
use crate::word::words;

words! {
    pub enum OrderStatus {
        /// Being written.
        Draft = "draft",
        /// May be sent.
        Approved = "approved",
        /// With the supplier.
        Sent = "sent",
        /// Some of it is here.
        PartReceived = "part_received",
        /// All of it is here.
        Received = "received",
        /// Done with.
        Closed = "closed",
        /// Called off.
        Cancelled = "cancelled",
    }
}

/// What is asked of one supplier.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Order {
    pub id: OrderId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub number: String,
    pub supplier: SupplierId,
    pub site: SiteId,
    pub status: OrderStatus,
    pub currency: Currency,
    pub ordered_on: Option<NaiveDate>,
    pub expected_on: Option<NaiveDate>,
    pub approved_by: Option<PersonId>,
    /// The advice it came from.
    pub run: Option<RunId>,
    pub note: Option<String>,
    pub created_at: DateTime<Utc>,
}

/// What is ordered of one part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OrderLine {
    pub id: OrderLineId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub order: OrderId,
    pub part: PartId,
    pub quantity: i64,
    /// For price_units, in the order's currency.
    pub price_minor: i64,
    pub price_units: i64,
    /// Units that won't come any more.
    pub cancelled: i64,
    /// Units that went back to the supplier.
    pub returned: i64,
    pub expected_on: Option<NaiveDate>,
    pub note: Option<String>,
}

/// A delivery. Append-only.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Receipt {
    pub id: ReceiptId,
    pub order: OrderId,
    pub received_on: NaiveDate,
    pub delivery_note: Option<String>,
    pub received_by: Option<PersonId>,
    pub recorded_at: DateTime<Utc>,
}

/// What a delivery held of an order's line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReceiptLine {
    pub id: ReceiptLineId,
    pub receipt: ReceiptId,
    pub line: OrderLineId,
    pub quantity: i64,
    /// For price_units, in the order's currency.
    pub invoiced_minor: Option<i64>,
    /// Why more was taken than was ordered.
    pub accepted: Option<String>,
}

/// What a supplier's invoice asks for, beside what was agreed. Append-only.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct InvoiceLine {
    pub id: InvoiceLineId,
    pub order: OrderId,
    /// `None`: freight and other charges.
    pub line: Option<OrderLineId>,
    /// The supplier's number of the invoice.
    pub invoice: String,
    pub invoiced_on: NaiveDate,
    /// Stock units that it is for; 0 for charges.
    pub quantity: i64,
    /// In the order's currency; below zero for a credit.
    pub amount_minor: i64,
    /// What the order's price comes to for that quantity.
    pub agreed_minor: i64,
    /// Why they differ.
    pub reason: Option<String>,
    pub recorded_by: Option<PersonId>,
    pub recorded_at: DateTime<Utc>,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum OrderError {
    #[error("an order that is {from} can't become {to}; from here it can become {allowed}")]
    IllegalMove { from: OrderStatus, to: OrderStatus, allowed: String },
    #[error("this order is {status}; its lines change only while it is a draft")]
    NotADraft { status: OrderStatus },
    #[error("this order is {status}; goods come only on an order that was sent")]
    NotSent { status: OrderStatus },
    #[error("an order without lines can't be approved")]
    Empty,
    #[error("{name} is on record as {role}; orders are approved by a buyer or an owner")]
    MayNotApprove { name: String, role: Role },
    #[error("{open} of this order are still to come; cancel the rest of the lines, or wait for it")]
    StillOpen { open: i64 },
    #[error("nothing of this line is still to come")]
    NothingOpen,
    #[error("of this order something was received: cancel the rest of its lines instead")]
    GoodsReceived,
    #[error(
        "lot {code} is on record as {known}, this delivery says {given}: give it another code, or \
         leave its dates out"
    )]
    LotDiffers { code: String, known: String, given: String },
    #[error("say why; no note was given")]
    NoteMissing,
    #[error("{quantity} is not above zero")]
    QuantityNotPositive { quantity: i64 },
    #[error(
        "{quantity} can't be bought: {rule}; the next that can is {next}; a note overrules this"
    )]
    NotAsSold { quantity: i64, rule: String, next: i64 },
    #[error("the supplier has no terms for this part on record; give the price")]
    PriceMissing,
    #[error("{day} is before the order went out on {ordered_on}")]
    BeforeTheOrder { day: NaiveDate, ordered_on: NaiveDate },
    #[error("{day} is in the future; today is {today}")]
    NotYet { day: NaiveDate, today: NaiveDate },
    #[error("the invoice asks {asked}, {agreed} was agreed: say why it is paid, or dispute it")]
    InvoiceDiffers { asked: String, agreed: String },
}

impl OrderError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::IllegalMove { .. } => "order-illegal-move",
            Self::NotADraft { .. } => "order-not-a-draft",
            Self::NotSent { .. } => "order-not-sent",
            Self::Empty => "order-empty",
            Self::MayNotApprove { .. } => "order-approver-may-not",
            Self::StillOpen { .. } => "order-still-open",
            Self::NothingOpen => "order-nothing-open",
            Self::GoodsReceived => "order-goods-received",
            Self::LotDiffers { .. } => "lot-other-dates",
            Self::NoteMissing => "order-note-missing",
            Self::QuantityNotPositive { .. } => "order-quantity-not-positive",
            Self::NotAsSold { .. } => "order-not-as-sold",
            Self::PriceMissing => "order-price-missing",
            Self::BeforeTheOrder { .. } => "order-before-it-was-sent",
            Self::NotYet { .. } => "order-day-in-future",
            Self::InvoiceDiffers { .. } => "invoice-differs",
        }
    }
}

impl OrderStatus {
    /// The states that may follow.
    pub const fn may_become(self) -> &'static [Self] {
        match self {
            Self::Draft => &[Self::Approved, Self::Cancelled],
            Self::Approved => &[Self::Draft, Self::Sent, Self::Cancelled],
            Self::Sent => &[Self::PartReceived, Self::Received, Self::Cancelled],
            Self::PartReceived => &[Self::Received],
            // Part received again: goods went back for others.
            Self::Received => &[Self::PartReceived, Self::Closed],
            Self::Closed | Self::Cancelled => &[],
        }
    }

    /// # Errors
    /// A move that is not in the life above.
    pub fn check_move(self, to: Self) -> Result<(), OrderError> {
        let allowed = self.may_become();
        if allowed.contains(&to) {
            return Ok(());
        }
        let names: Vec<&str> = allowed.iter().map(|status| status.as_str()).collect();
        let allowed = if names.is_empty() { "nothing".to_owned() } else { names.join(", ") };
        Err(OrderError::IllegalMove { from: self, to, allowed })
    }

    /// # Errors
    /// It is no draft any more.
    pub const fn check_draft(self) -> Result<(), OrderError> {
        if matches!(self, Self::Draft) {
            Ok(())
        } else {
            Err(OrderError::NotADraft { status: self })
        }
    }

    /// Whether goods may come.
    pub const fn awaits_goods(self) -> bool {
        matches!(self, Self::Sent | Self::PartReceived)
    }

    /// # Errors
    /// No goods may come on it, and none came.
    pub const fn check_goods(self) -> Result<(), OrderError> {
        match self {
            Self::Sent | Self::PartReceived | Self::Received => Ok(()),
            _ => Err(OrderError::NotSent { status: self }),
        }
    }

    /// # Errors
    /// It never went out, so no invoice can be for it.
    pub const fn check_billed(self) -> Result<(), OrderError> {
        match self {
            Self::Closed => Ok(()),
            _ => self.check_goods(),
        }
    }
}

impl OrderLine {
    /// How far the line has come, when `received` units of it have arrived.
    pub fn progress(&self, received: i64) -> LineProgress {
        let whole = |units: i64| u32::try_from(units.max(0)).unwrap_or(u32::MAX);
        let received = whole(received);
        LineProgress {
            ordered: whole(self.quantity - self.cancelled),
            received,
            returned: whole(self.returned).min(received),
            closed: false,
        }
    }

    /// Units still to come, when `received` have arrived.
    pub fn open(&self, received: i64) -> i64 {
        i64::from(self.progress(received).open())
    }

    /// What `quantity` units cost at the line's price, in minor units; half a unit is rounded up,
    /// the largest amount there is stands for what does not fit.
    pub fn money_minor(&self, quantity: i64) -> i64 {
        let units = i128::from(self.price_units.max(1));
        let exact = i128::from(self.price_minor) * i128::from(quantity);
        i64::try_from((exact + units / 2).div_euclid(units)).unwrap_or(i64::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(quantity: i64, cancelled: i64, returned: i64) -> OrderLine {
        OrderLine {
            id: OrderLineId::fresh(),
            version: 1,
            order: OrderId::fresh(),
            part: PartId::fresh(),
            quantity,
            price_minor: 899,
            price_units: 350,
            cancelled,
            returned,
            expected_on: None,
            note: None,
        }
    }

    #[test]
    fn an_order_goes_from_draft_to_closed_and_never_back_from_the_supplier() {
        use OrderStatus::{Approved, Cancelled, Closed, Draft, PartReceived, Received, Sent};
        let life = [Draft, Approved, Sent, PartReceived, Received, Closed];
        for pair in life.windows(2) {
            assert_eq!(pair[0].check_move(pair[1]), Ok(()), "{pair:?}");
        }
        for (from, to) in [(Draft, Sent), (Sent, Draft), (PartReceived, Cancelled), (Closed, Sent)]
        {
            let refused = from.check_move(to).expect_err("not in an order's life");
            assert_eq!(refused.rule(), "order-illegal-move");
        }
        assert_eq!(Approved.check_move(Draft), Ok(()), "what is approved may be thought over");
        assert_eq!(Sent.check_move(Cancelled), Ok(()));
    }

    #[test]
    fn what_is_open_counts_what_went_back_for_another_one() {
        assert_eq!(line(10, 0, 0).open(6), 4);
        assert_eq!(line(10, 0, 2).open(10), 2);
        assert_eq!(line(10, 2, 2).open(10), 0);
        assert_eq!(line(10, 4, 0).open(6), 0);
        assert_eq!(line(10, 0, 0).open(12), 0);
    }

    #[test]
    fn a_price_for_a_bottle_is_a_price_for_each_millilitre() {
        assert_eq!(
            [0, 1, 175, 350, 700].map(|of| line(700, 0, 0).money_minor(of)),
            [0, 3, 450, 899, 1_798]
        );
        assert_eq!(line(700, 0, 0).money_minor(-350), -899);
    }
}
