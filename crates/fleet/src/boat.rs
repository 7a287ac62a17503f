//! Boats and which engine sits on them.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::id::{BoatId, EngineId, FittingId, PoolId, SiteId};

/// A hull that is hired out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Boat {
    pub id: BoatId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub site: SiteId,
    pub pool: Option<PoolId>,
    pub name: String,
    pub tag: Option<String>,
    pub jetty: Option<String>,
    pub jetty_order: Option<i32>,
    /// Overrules the pool's.
    pub severity_percent: Option<i32>,
    pub archived: bool,
}

/// Which engine sat on which boat, and from when to when.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fitting {
    pub id: FittingId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub engine: EngineId,
    pub boat: BoatId,
    /// 0 on a boat of one engine; counted from port otherwise.
    pub position: i32,
    pub fitted_at: DateTime<Utc>,
    pub removed_at: Option<DateTime<Utc>>,
}
