//! Engines: found by serial, listed by pool, site, status and text.

use fleet::engine::{Engine, EngineModel, EngineStatus, PoolStay, TestFigure, Torque};
use fleet::id::{EngineId, ModelId, OrganisationId, PoolId, SiteId};
use sea_orm::sea_query::Query;
use sea_orm::{ColumnTrait as _, Condition, ConnectionTrait};

use crate::entity::{engines, model_test_figures, model_torques, pool_stays, pools};
use crate::error::StoreError;
use crate::record::{self, Page, PageOf};

/// Which engines are wanted; what is `None` does not matter.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EngineFilter {
    pub pool: Option<PoolId>,
    pub site: Option<SiteId>,
    pub model: Option<ModelId>,
    pub status: Option<EngineStatus>,
    /// Part of the serial or the tag.
    pub text: Option<String>,
}

/// The engines of `serials` that are there.
pub async fn by_serials(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    serials: &[&str],
) -> Result<Vec<Engine>, StoreError> {
    record::by_text(connection, organisation, engines::Column::Serial, serials).await
}

pub async fn page(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    filter: &EngineFilter,
    wanted: PageOf,
) -> Result<Page<Engine>, StoreError> {
    let mut condition = Condition::all();
    if let Some(pool) = filter.pool {
        condition = condition.add(engines::Column::PoolId.eq(pool.0));
    }
    if let Some(model) = filter.model {
        condition = condition.add(engines::Column::ModelId.eq(model.0));
    }
    if let Some(status) = filter.status {
        condition = condition.add(engines::Column::Status.eq(status.as_str()));
    }
    if let Some(site) = filter.site {
        let of_site = Query::select()
            .column(pools::Column::Id)
            .from(pools::Entity)
            .and_where(pools::Column::OrganisationId.eq(organisation.0))
            .and_where(pools::Column::SiteId.eq(site.0))
            .to_owned();
        condition = condition.add(engines::Column::PoolId.in_subquery(of_site));
    }
    if let Some(text) = &filter.text {
        let either = Condition::any()
            .add(engines::Column::Serial.contains(text))
            .add(engines::Column::Tag.contains(text));
        condition = condition.add(either);
    }
    record::page_where(connection, organisation, condition, wanted).await
}

/// Which pools engines were in, and when.
pub async fn pool_stays(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[EngineId],
) -> Result<Vec<PoolStay>, StoreError> {
    let keys: Vec<_> = of.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, pool_stays::Column::EngineId, &keys).await
}

/// Models with their torques and test figures.
pub async fn models(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[ModelId],
) -> Result<(Vec<EngineModel>, Vec<Torque>, Vec<TestFigure>), StoreError> {
    let keys: Vec<_> = of.iter().map(|id| id.0).collect();
    let models = record::by_ids(connection, organisation, of).await?;
    let torques =
        record::by_column(connection, organisation, model_torques::Column::ModelId, &keys).await?;
    let figures =
        record::by_column(connection, organisation, model_test_figures::Column::ModelId, &keys)
            .await?;
    Ok((models, torques, figures))
}
