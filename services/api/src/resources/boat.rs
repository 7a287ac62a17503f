//! Boats and which engine sits on them.

use crate::problem::Problem;
use crate::resource::{Changeable, Resource, Shown};
use chrono::{DateTime, Utc};
use fleet::boat::{Boat, Fitting};
use fleet::id::{BoatId, PoolId, SiteId};
use fleet::person::Role;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one boat.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Boat)]
pub struct BoatFields {
    pub site: Uuid,
    pub pool: Option<Uuid>,
    pub name: String,
    pub tag: Option<String>,
    pub jetty: Option<String>,
    pub jetty_order: Option<i32>,
    pub severity_percent: Option<i32>,
    pub archived: bool,
}

impl Resource for BoatFields {
    type Noun = Boat;
    const PATH: &'static str = "/boats";
    const NAME: &'static str = "Boat";

    fn show(noun: Boat) -> Shown<Self> {
        let Boat {
            id,
            version,
            site,
            pool,
            name,
            tag,
            jetty,
            jetty_order,
            severity_percent,
            archived,
        } = noun;
        let fields = Self {
            site: site.0,
            pool: pool.map(|x| x.0),
            name,
            tag,
            jetty,
            jetty_order,
            severity_percent,
            archived,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for BoatFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<Boat, Problem> {
        let Self { site, pool, name, tag, jetty, jetty_order, severity_percent, archived } = self;
        Ok(Boat {
            id: BoatId(id),
            version,
            site: SiteId(site),
            pool: pool.map(PoolId),
            name,
            tag,
            jetty,
            jetty_order,
            severity_percent,
            archived,
        })
    }
}

/// The fields of one fitting.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Fitting)]
pub struct FittingFields {
    pub engine: Uuid,
    pub boat: Uuid,
    pub position: i32,
    pub fitted_at: DateTime<Utc>,
    pub removed_at: Option<DateTime<Utc>>,
}

impl Resource for FittingFields {
    type Noun = Fitting;
    const PATH: &'static str = "/fittings";
    const NAME: &'static str = "Fitting";

    fn show(noun: Fitting) -> Shown<Self> {
        let Fitting { id, version, engine, boat, position, fitted_at, removed_at } = noun;
        let fields = Self { engine: engine.0, boat: boat.0, position, fitted_at, removed_at };
        Shown { id: id.0, version: Some(version), fields }
    }
}
