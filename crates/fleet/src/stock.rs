//! Stock rules: what a move keeps to, what may be picked and promised, what a receipt may bring.
//!
//! Invariants: moves are only ever appended, and what is on hand is their sum, so stock at any past
//! day can be asked for; a lot never falls below zero; what expires first goes out first; a used
//! part is never promised to a sealing job; an expired lot, or a seal of unknown age, goes out only
//! in the name of a person who gives a reason, and comes in only so; nothing is promised twice.

mod book;
pub(crate) mod lot;
mod pick;
mod receipt;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::id::{LotId, PersonId};
use crate::part::MoveKind;
use crate::shelf_life::{CURE_YEARS_MAX, CureQuarter};
pub use book::{after_move, on_hand_at};
pub use lot::{LotOnHand, dates_of};
pub use pick::{Pick, Picked, Promise, Purpose, Refusal, RefusalReason, Want, pick, promise};
pub use receipt::LineProgress;

/// A rule set aside in a person's name, for the record.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Overruled {
    pub by: PersonId,
    pub reason: String,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum StockError {
    #[error("{taken} can't leave a shelf that holds {on_hand}; count it first if more is there")]
    Negative { on_hand: i64, taken: i64 },
    #[error("a {kind} of {quantity} goes the wrong way")]
    WrongWay { kind: MoveKind, quantity: i64 },
    #[error("a move of nothing moves nothing; leave it out")]
    NothingMoved,
    #[error("an adjustment or a rule set aside needs a reason; none was given")]
    ReasonMissing,
    #[error("lot {lot} is expired: {freshness}; a named person may allow it with a reason")]
    Expired { lot: LotId, freshness: String },
    #[error("the age of lot {lot} is {freshness}; a named person may allow it with a reason")]
    AgeUnknown { lot: LotId, freshness: String },
    #[error(
        "its last good day was {last}, before it came on {received_on}; \
         a named person may take it all the same with a reason"
    )]
    ReceivedExpired { last: NaiveDate, received_on: NaiveDate },
    #[error(
        "cured in {cured}, over {CURE_YEARS_MAX} years before it came on {received_on}; \
         a named person may take it all the same with a reason"
    )]
    CuredLongAgo { cured: CureQuarter, received_on: NaiveDate },
    #[error("lot {lot} holds used parts, which a sealing job never gets")]
    UsedForSealing { lot: LotId },
    #[error(
        "{received} received of a line of {ordered} with {before} here already; \
         a named person may accept the excess with a reason"
    )]
    MoreThanOrdered { ordered: u32, before: u32, received: u32 },
    #[error("{returned} can't go back of {received} received")]
    MoreReturnedThanReceived { received: u32, returned: u32 },
    #[error("a line that is closed takes no more goods")]
    LineClosed,
    #[error("{wanted} can't be kept back of a lot with {free} free")]
    AlreadyPromised { lot: LotId, free: u32, wanted: u32 },
    #[error("the sum is larger than can be kept exactly")]
    TooMany,
}

impl StockError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::Negative { .. } => "stock-negative",
            Self::NothingMoved => "stock-nothing-moved",
            Self::ReasonMissing => "stock-reason-missing",
            Self::WrongWay { .. } => "stock-wrong-way",
            Self::Expired { .. } => "lot-expired",
            Self::AgeUnknown { .. } => "lot-age-unknown",
            Self::ReceivedExpired { .. } => "received-expired",
            Self::CuredLongAgo { .. } => "cure-quarter-long-ago",
            Self::UsedForSealing { .. } => "used-part-for-sealing",
            Self::MoreThanOrdered { .. } => "received-more-than-ordered",
            Self::MoreReturnedThanReceived { .. } => "returned-more-than-received",
            Self::LineClosed => "order-line-closed",
            Self::AlreadyPromised { .. } => "already-promised",
            Self::TooMany => "lot-too-large",
        }
    }
}

impl Overruled {
    /// # Errors
    /// An empty reason.
    pub fn check(&self) -> Result<(), StockError> {
        if self.reason.trim().is_empty() { Err(StockError::ReasonMissing) } else { Ok(()) }
    }
}
