//! Boats and the engines on them.

use chrono::{DateTime, Utc};
use fleet::boat::{Boat, Fitting};
use fleet::engine::Engine;
use fleet::id::{BoatId, EngineId, FittingId, OrganisationId};
use sea_orm::{ColumnTrait as _, ConnectionTrait, QueryFilter as _};

use crate::Transaction;
use crate::entity::{boats, fittings};
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::value::to_microseconds;

/// The boats of `names` that are there, at any site.
pub async fn by_names(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    names: &[&str],
) -> Result<Vec<Boat>, StoreError> {
    record::by_text(connection, organisation, boats::Column::Name, names).await
}

/// Which engine sits on which boat now.
pub async fn open_fittings(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
) -> Result<Vec<Fitting>, StoreError> {
    let query = record::of::<Fitting>(organisation).filter(fittings::Column::RemovedAt.is_null());
    record::select(connection, query).await
}

/// On which boats engines sat, and when.
pub async fn fittings_of_engines(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    engines: &[EngineId],
) -> Result<Vec<Fitting>, StoreError> {
    let keys: Vec<_> = engines.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, fittings::Column::EngineId, &keys).await
}

/// Which engines sat on boats, and when.
pub async fn fittings_of_boats(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    boats: &[BoatId],
) -> Result<Vec<Fitting>, StoreError> {
    let keys: Vec<_> = boats.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, fittings::Column::BoatId, &keys).await
}

/// Puts `engine` on `boat`; whatever sat there, and wherever the engine sat, comes off at `at`.
///
/// # Errors
/// `fitting-before-last` where either was fitted at or after `at`.
pub async fn fit(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    engine: EngineId,
    boat: BoatId,
    position: i32,
    at: DateTime<Utc>,
) -> Result<Fitting, StoreError> {
    record::lock::<Engine>(transaction, organisation, engine).await?;
    record::lock::<Boat>(transaction, organisation, boat).await?;
    let at = to_microseconds(at);
    let of_engine = fittings_of_engines(transaction, organisation, &[engine]).await?;
    let of_boat = fittings_of_boats(transaction, organisation, &[boat]).await?;
    let there = of_boat.into_iter().filter(|fitting| fitting.position == position);
    let mut touched: Vec<Fitting> = of_engine.into_iter().chain(there).collect();
    touched.sort_by_key(|fitting| fitting.id);
    touched.dedup_by_key(|fitting| fitting.id);
    for mut fitting in touched {
        if fitting.fitted_at >= at || fitting.removed_at.is_some_and(|off| off > at) {
            let what = "the engine or the place was fitted at that time or later; record fittings \
                        in the order of their days"
                .to_owned();
            return Err(StoreError::Broken { rule: "fitting-before-last", what });
        }
        if fitting.removed_at.is_none() {
            fitting.removed_at = Some(at);
            record::change(transaction, organisation, author, &fitting).await?;
        }
    }
    let id = FittingId::fresh();
    let fitting =
        Fitting { id, version: 1, engine, boat, position, fitted_at: at, removed_at: None };
    record::create(transaction, organisation, author, std::slice::from_ref(&fitting)).await?;
    Ok(fitting)
}
