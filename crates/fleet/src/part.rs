//! Parts, kits, supersessions, lots and the stock ledger.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::id::{
    EngineId, JobId, KitLineId, LotId, PartId, PersonId, ReceiptLineId, ReservationId, SiteId,
    StockLevelId, StockMoveId, SupersessionId,
};
use crate::word::words;

words! {
    pub enum PartKind {
        /// A loose part.
        Part = "part",
        /// An assembly of loose parts under a number of its own.
        Kit = "kit",
        /// Used by volume.
        Fluid = "fluid",
        /// Used up, not counted per engine.
        Consumable = "consumable",
    }
}

words! {
    pub enum Unit {
        /// Piece.
        Each = "each",
        /// Millilitre.
        Millilitre = "millilitre",
        /// Gram.
        Gram = "gram",
        /// Millimetre.
        Millimetre = "millimetre",
    }
}

impl Unit {
    /// As it stands after a number; `None` for pieces, which are only counted.
    pub const fn symbol(self) -> Option<&'static str> {
        match self {
            Self::Each => None,
            Self::Millilitre => Some("mL"),
            Self::Gram => Some("g"),
            Self::Millimetre => Some("mm"),
        }
    }

    /// A quantity with its unit, for messages; pieces bare.
    pub fn with(self, quantity: i64) -> String {
        match self.symbol() {
            Some(unit) => format!("{quantity} {unit}"),
            None => quantity.to_string(),
        }
    }
}

/// Something kept on a shelf. A kit is a part whose contents are known.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Part {
    pub id: PartId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub number: String,
    pub maker: Option<String>,
    pub name: String,
    pub kind: PartKind,
    pub unit: Unit,
    /// Of rubber: NBR, FKM, ...
    pub compound: Option<String>,
    /// From cure or receipt; `None`: unlimited.
    pub shelf_life_months: Option<i32>,
    pub shelf_life_source: Option<String>,
    /// Never from a donor engine.
    pub sealing: bool,
    pub returnable: bool,
    /// Hundredths of a boat-day lost for each one missing; of a fluid, for each job that lacks it.
    pub boat_days_lost_hundredths: Option<i32>,
    /// Lends its season to sparse parts.
    pub family: Option<String>,
    pub archived: bool,
}

/// What one kit holds of one part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct KitLine {
    pub id: KitLineId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub kit: PartId,
    pub part: PartId,
    pub quantity: i64,
}

/// A part number that stands in for another.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Supersession {
    pub id: SupersessionId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub old_part: PartId,
    pub new_part: PartId,
    /// Whether the old one may still be fitted in place of the new.
    pub two_way: bool,
    /// New pieces, for.
    pub new_for_old_numerator: i32,
    /// So many old ones.
    pub new_for_old_denominator: i32,
    pub use_up_old: bool,
    pub effective_on: NaiveDate,
    pub source: Option<String>,
}

impl Supersession {
    /// What it says of the two numbers, without identity.
    pub fn rule(&self) -> crate::supersession::Supersession<PartId> {
        use crate::supersession::{Factor, Interchange};
        crate::supersession::Supersession {
            old: self.old_part,
            new: self.new_part,
            factor: Factor {
                new_units: self.new_for_old_numerator.unsigned_abs(),
                old_units: self.new_for_old_denominator.unsigned_abs(),
            },
            interchange: if self.two_way { Interchange::Both } else { Interchange::OneWay },
            use_up_old_first: self.use_up_old,
            from: Some(self.effective_on),
        }
    }
}

words! {
    pub enum DatedBy {
        /// Counts from its cure.
        Cure = "cure",
        /// As the label says.
        Label = "label",
        /// Dated by receipt.
        Receipt = "receipt",
        /// Unknown, never taken as fresh.
        Unknown = "unknown",
    }
}

words! {
    pub enum LotCondition {
        /// New.
        New = "new",
        /// From a donor engine; never for a sealing job.
        Used = "used",
    }
}

/// Pieces of one part that share their age and origin.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Lot {
    pub id: LotId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub part: PartId,
    pub code: Option<String>,
    /// Last day of the quarter on the label.
    pub cured_on: Option<NaiveDate>,
    pub received_on: Option<NaiveDate>,
    pub expires_on: Option<NaiveDate>,
    pub dated_by: DatedBy,
    pub condition: LotCondition,
    pub donor: Option<EngineId>,
    pub receipt_line: Option<ReceiptLineId>,
}

words! {
    pub enum MoveKind {
        /// Came in.
        Receipt = "receipt",
        /// Went to a job.
        Issue = "issue",
        /// Came back from a job.
        Return = "return",
        /// Put right, with a reason.
        Adjustment = "adjustment",
        /// Difference found by counting.
        Count = "count",
        /// A kit became its loose parts.
        KitOpened = "kit_opened",
        /// Between two sites.
        Transfer = "transfer",
        /// Went back to the supplier.
        SupplierReturn = "supplier_return",
        /// Thrown away.
        Scrapped = "scrapped",
    }
}

/// A change of what is on a shelf. Append-only.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StockMove {
    pub id: StockMoveId,
    pub part: PartId,
    pub site: SiteId,
    pub lot: Option<LotId>,
    pub kind: MoveKind,
    /// Below zero: off the shelf.
    pub quantity: i64,
    pub moved_at: DateTime<Utc>,
    pub job: Option<JobId>,
    pub receipt_line: Option<ReceiptLineId>,
    pub moved_by: Option<PersonId>,
    /// The same on all moves of one kit opening or transfer.
    pub together: Option<Uuid>,
    pub reason: Option<String>,
    /// Of an import, so that loading twice is loading once.
    pub reference: Option<String>,
    pub recorded_at: DateTime<Utc>,
}

/// What a site has of a part: the sum of its moves, and what is promised of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StockLevel {
    pub id: StockLevelId,
    pub part: PartId,
    pub site: SiteId,
    pub on_hand: i64,
    pub reserved: i64,
    /// Where it lies: a shelf, a drawer, a bin.
    pub bin: Option<String>,
}

words! {
    pub enum ReservationStatus {
        /// Promised to the job.
        Held = "held",
        /// Gone to the job.
        Issued = "issued",
        /// Promised no more.
        Released = "released",
    }
}

/// Pieces promised to a job.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reservation {
    pub id: ReservationId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub job: JobId,
    pub part: PartId,
    pub site: SiteId,
    pub lot: Option<LotId>,
    pub quantity: i64,
    pub status: ReservationStatus,
    pub reserved_at: DateTime<Utc>,
}
