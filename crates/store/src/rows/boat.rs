//! Rows of `fleet::boat`.

use fleet::boat::{Boat, Fitting};
use fleet::id::{BoatId, EngineId, FittingId, OrganisationId, PoolId, SiteId};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{boats, fittings};
use crate::error::StoreError;
use crate::record::{Record, Shared};
use crate::value::to_microseconds;

impl Record for Boat {
    type Entity = boats::Entity;
    type Row = boats::Model;
    type Id = BoatId;
    const ORGANISATION: boats::Column = boats::Column::OrganisationId;
    const ID: boats::Column = boats::Column::Id;
    const NOUN: &'static str = "boat";

    fn id(&self) -> BoatId {
        self.id
    }

    fn key(id: BoatId) -> Uuid {
        id.0
    }

    fn from_row(row: boats::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: BoatId(row.id),
            version: row.version,
            site: SiteId(row.site_id),
            pool: row.pool_id.map(PoolId),
            name: row.name,
            tag: row.tag,
            jetty: row.jetty,
            jetty_order: row.jetty_order,
            severity_percent: row.severity_percent,
            archived: row.archived,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> boats::Model {
        boats::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            site_id: self.site.0,
            pool_id: self.pool.map(|id| id.0),
            name: self.name.clone(),
            tag: self.tag.clone(),
            jetty: self.jetty.clone(),
            jetty_order: self.jetty_order,
            severity_percent: self.severity_percent,
            archived: self.archived,
        }
    }
}

impl Shared for Boat {
    const VERSION: boats::Column = boats::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for Fitting {
    type Entity = fittings::Entity;
    type Row = fittings::Model;
    type Id = FittingId;
    const ORGANISATION: fittings::Column = fittings::Column::OrganisationId;
    const ID: fittings::Column = fittings::Column::Id;
    const NOUN: &'static str = "fitting";

    fn id(&self) -> FittingId {
        self.id
    }

    fn key(id: FittingId) -> Uuid {
        id.0
    }

    fn from_row(row: fittings::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: FittingId(row.id),
            version: row.version,
            engine: EngineId(row.engine_id),
            boat: BoatId(row.boat_id),
            position: row.position,
            fitted_at: row.fitted_at,
            removed_at: row.removed_at,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> fittings::Model {
        fittings::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            engine_id: self.engine.0,
            boat_id: self.boat.0,
            position: self.position,
            fitted_at: to_microseconds(self.fitted_at),
            removed_at: self.removed_at.map(to_microseconds),
        }
    }
}

impl Shared for Fitting {
    const VERSION: fittings::Column = fittings::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}
