//! Pools of engines and how many boats they must keep afloat.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::id::{PoolId, PoolMinimumId, SiteId};
use crate::word::words;

words! {
    pub enum Water {
        /// Salt.
        Salt = "salt",
        /// Brackish.
        Brackish = "brackish",
        /// Fresh.
        Fresh = "fresh",
    }
}

/// Engines that can stand in for one another on hire.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pool {
    pub id: PoolId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub site: SiteId,
    pub name: String,
    pub water: Water,
    /// What the boats are hired for.
    pub used_for: Option<String>,
    /// Hours limbs are multiplied by this; 50 halves them.
    pub severity_percent: i32,
    /// Running hours per 1,000 hire hours, where somebody knows it.
    pub running_factor_permille: Option<i32>,
    pub archived: bool,
}

/// Boats that a pool should keep in service, both days included.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PoolMinimum {
    pub id: PoolMinimumId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub pool: PoolId,
    pub from_on: NaiveDate,
    pub until_on: NaiveDate,
    pub boats: i32,
}
