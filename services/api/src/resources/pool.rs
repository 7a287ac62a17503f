//! Pools of engines and how many boats they must keep afloat.

use crate::problem::Problem;
use crate::resource::{Changeable, Resource, Shown};
use chrono::NaiveDate;
use fleet::id::{PoolId, PoolMinimumId, SiteId};
use fleet::person::Role;
use fleet::pool::{Pool, PoolMinimum, Water};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one pool.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Pool)]
pub struct PoolFields {
    pub site: Uuid,
    pub name: String,
    #[schema(value_type = String)]
    pub water: Water,
    pub used_for: Option<String>,
    pub severity_percent: i32,
    pub running_factor_permille: Option<i32>,
    pub archived: bool,
}

impl Resource for PoolFields {
    type Noun = Pool;
    const PATH: &'static str = "/pools";
    const NAME: &'static str = "Pool";

    fn show(noun: Pool) -> Shown<Self> {
        let Pool {
            id,
            version,
            site,
            name,
            water,
            used_for,
            severity_percent,
            running_factor_permille,
            archived,
        } = noun;
        let fields = Self {
            site: site.0,
            name,
            water,
            used_for,
            severity_percent,
            running_factor_permille,
            archived,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for PoolFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<Pool, Problem> {
        let Self {
            site,
            name,
            water,
            used_for,
            severity_percent,
            running_factor_permille,
            archived,
        } = self;
        Ok(Pool {
            id: PoolId(id),
            version,
            site: SiteId(site),
            name,
            water,
            used_for,
            severity_percent,
            running_factor_permille,
            archived,
        })
    }
}

/// The fields of one pool minimum.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = PoolMinimum)]
pub struct PoolMinimumFields {
    pub pool: Uuid,
    pub from_on: NaiveDate,
    pub until_on: NaiveDate,
    pub boats: i32,
}

impl Resource for PoolMinimumFields {
    type Noun = PoolMinimum;
    const PATH: &'static str = "/pool-minimums";
    const NAME: &'static str = "PoolMinimum";

    fn show(noun: PoolMinimum) -> Shown<Self> {
        let PoolMinimum { id, version, pool, from_on, until_on, boats } = noun;
        let fields = Self { pool: pool.0, from_on, until_on, boats };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for PoolMinimumFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<PoolMinimum, Problem> {
        let Self { pool, from_on, until_on, boats } = self;
        Ok(PoolMinimum {
            id: PoolMinimumId(id),
            version,
            pool: PoolId(pool),
            from_on,
            until_on,
            boats,
        })
    }
}
