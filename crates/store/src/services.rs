//! Services done. Append-only: there is deliberately no update and no delete.

use fleet::id::{EngineId, OrganisationId, ServiceId};
use fleet::service::{Service, ServicePart};
use sea_orm::ConnectionTrait;

use crate::entity::{service_parts, services};
use crate::error::StoreError;
use crate::record;

pub async fn of_engines(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    engines: &[EngineId],
) -> Result<Vec<Service>, StoreError> {
    let keys: Vec<_> = engines.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, services::Column::EngineId, &keys).await
}

/// What services used.
pub async fn parts(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[ServiceId],
) -> Result<Vec<ServicePart>, StoreError> {
    let keys: Vec<_> = of.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, service_parts::Column::ServiceId, &keys).await
}
