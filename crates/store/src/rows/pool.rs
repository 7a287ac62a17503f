//! Rows of `fleet::pool`.

use fleet::id::{OrganisationId, PoolId, PoolMinimumId, SiteId};
use fleet::pool::{Pool, PoolMinimum};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{pool_minimums, pools};
use crate::error::StoreError;
use crate::record::{Record, Shared};
use crate::value::word;

impl Record for Pool {
    type Entity = pools::Entity;
    type Row = pools::Model;
    type Id = PoolId;
    const ORGANISATION: pools::Column = pools::Column::OrganisationId;
    const ID: pools::Column = pools::Column::Id;
    const NOUN: &'static str = "pool";

    fn id(&self) -> PoolId {
        self.id
    }

    fn key(id: PoolId) -> Uuid {
        id.0
    }

    fn from_row(row: pools::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: PoolId(row.id),
            version: row.version,
            site: SiteId(row.site_id),
            name: row.name,
            water: word(&row.water)?,
            used_for: row.used_for,
            severity_percent: row.severity_percent,
            running_factor_permille: row.running_factor_permille,
            archived: row.archived,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> pools::Model {
        pools::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            site_id: self.site.0,
            name: self.name.clone(),
            water: self.water.as_str().to_owned(),
            used_for: self.used_for.clone(),
            severity_percent: self.severity_percent,
            running_factor_permille: self.running_factor_permille,
            archived: self.archived,
        }
    }
}

impl Shared for Pool {
    const VERSION: pools::Column = pools::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for PoolMinimum {
    type Entity = pool_minimums::Entity;
    type Row = pool_minimums::Model;
    type Id = PoolMinimumId;
    const ORGANISATION: pool_minimums::Column = pool_minimums::Column::OrganisationId;
    const ID: pool_minimums::Column = pool_minimums::Column::Id;
    const NOUN: &'static str = "pool minimum";

    fn id(&self) -> PoolMinimumId {
        self.id
    }

    fn key(id: PoolMinimumId) -> Uuid {
        id.0
    }

    fn from_row(row: pool_minimums::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: PoolMinimumId(row.id),
            version: row.version,
            pool: PoolId(row.pool_id),
            from_on: row.from_on,
            until_on: row.until_on,
            boats: row.boats,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> pool_minimums::Model {
        pool_minimums::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            pool_id: self.pool.0,
            from_on: self.from_on,
            until_on: self.until_on,
            boats: self.boats,
        }
    }
}

impl Shared for PoolMinimum {
    const VERSION: pool_minimums::Column = pool_minimums::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}
