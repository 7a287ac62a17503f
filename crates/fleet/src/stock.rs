//! Stock: lots, the moves that change them, what may be picked and promised.
//!
//! Invariants: moves are only ever appended, and what is on hand is their sum, so stock at any past
//! day can be asked for; a lot never falls below zero; what expires first goes out first; a used
//! part is never promised to a sealing job; an expired lot, or a seal of unknown age, goes out only
//! in the name of a person who gives a reason; nothing is promised twice.

mod book;
mod lot;
mod pick;
mod receipt;

use serde::{Deserialize, Serialize};

use crate::id::{LotId, PersonId};
pub use book::{MoveKind, StockBook, StockMove};
pub use lot::{Lot, LotOnHand, Origin};
pub use pick::{Pick, Picked, Promise, Purpose, Refusal, RefusalReason, Want, pick, promise};
pub use receipt::LineProgress;

/// What a part is counted in. Quantities are whole numbers of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StockUnit {
    #[default]
    Piece,
    Millilitre,
    Gram,
    Millimetre,
}

impl StockUnit {
    /// The unit's symbol; nothing for pieces.
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Piece => "",
            Self::Millilitre => "mL",
            Self::Gram => "g",
            Self::Millimetre => "mm",
        }
    }
}

/// A rule set aside in a person's name, for the record.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Overruled {
    pub by: PersonId,
    pub reason: String,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum StockError {
    #[error("{taken} can't leave a lot that holds {on_hand}; count it first if more is there")]
    Negative { lot: LotId, on_hand: u32, taken: u32 },
    #[error("a move of nothing moves nothing; leave it out")]
    NothingMoved,
    #[error("an adjustment or a rule set aside needs a reason; none was given")]
    ReasonMissing,
    #[error("lot {lot} is not in this book; receive it first")]
    LotUnknown { lot: LotId },
    #[error("lot {lot} is expired: {freshness}; a named person may allow it with a reason")]
    Expired { lot: LotId, freshness: String },
    #[error("the age of lot {lot} is {freshness}; a named person may allow it with a reason")]
    AgeUnknown { lot: LotId, freshness: String },
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
    #[error("a lot can't hold more than {}", u32::MAX)]
    TooMany { lot: LotId },
}

impl StockError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::Negative { .. } => "stock-negative",
            Self::NothingMoved => "stock-nothing-moved",
            Self::ReasonMissing => "stock-reason-missing",
            Self::LotUnknown { .. } => "lot-unknown",
            Self::Expired { .. } => "lot-expired",
            Self::AgeUnknown { .. } => "lot-age-unknown",
            Self::UsedForSealing { .. } => "used-part-for-sealing",
            Self::MoreThanOrdered { .. } => "received-more-than-ordered",
            Self::MoreReturnedThanReceived { .. } => "returned-more-than-received",
            Self::LineClosed => "order-line-closed",
            Self::AlreadyPromised { .. } => "already-promised",
            Self::TooMany { .. } => "lot-too-large",
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
