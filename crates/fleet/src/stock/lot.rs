//! A lot: parts that came together and age together.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::{Overruled, Purpose, StockError};
use crate::id::{EngineId, LotId, PartId};
use crate::shelf_life::{Dating, Freshness, Material, Policy};

/// Where the parts of a lot come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Origin {
    New,
    /// Taken from a donor engine.
    Used {
        donor: Option<EngineId>,
    },
}

/// Parts of one sort that came together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Lot {
    pub id: LotId,
    pub part: PartId,
    pub origin: Origin,
    pub material: Material,
    pub policy: Policy,
    pub dating: Dating,
}

/// A lot as it lies on the shelf of a site.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LotOnHand {
    pub lot: Lot,
    pub on_hand: u32,
    /// Kept back for agreed jobs.
    pub reserved: u32,
}

impl Lot {
    pub fn freshness(&self) -> Freshness {
        self.policy.freshness(self.material, self.dating)
    }

    /// Says whether the lot may go to a job on `today`. Age counts for everything that ages; a seal
    /// of unknown age is no fresh seal.
    ///
    /// # Errors
    /// A used part for a sealing job, whoever asks; an expired lot, or a seal of unknown age, that
    /// no named person allows.
    pub fn check_issue(
        &self,
        purpose: Purpose,
        today: NaiveDate,
        overruled: Option<&Overruled>,
    ) -> Result<(), StockError> {
        if purpose == Purpose::Sealing && matches!(self.origin, Origin::Used { .. }) {
            return Err(StockError::UsedForSealing { lot: self.id });
        }
        let freshness = self.freshness();
        let broken = if freshness.is_expired(today) {
            StockError::Expired { lot: self.id, freshness: freshness.sentence() }
        } else if purpose == Purpose::Sealing && matches!(freshness, Freshness::Unknown { .. }) {
            StockError::AgeUnknown { lot: self.id, freshness: freshness.sentence() }
        } else {
            return Ok(());
        };
        overruled.map_or(Err(broken), Overruled::check)
    }
}

impl LotOnHand {
    /// What may still be promised.
    pub const fn free(&self) -> u32 {
        self.on_hand.saturating_sub(self.reserved)
    }
}
