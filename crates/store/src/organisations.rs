//! The organisations themselves: the one list that belongs to none of them.

use chrono::{DateTime, Utc};
use fleet::Currency;
use fleet::id::OrganisationId;
use sea_orm::{
    ActiveModelTrait as _, ColumnTrait as _, ConnectionTrait, EntityTrait as _, QueryFilter as _,
    QueryOrder as _, Set,
};

use crate::Transaction;
use crate::entity::organisations;
use crate::error::StoreError;
use crate::value::{currency, to_microseconds};

const NOUN: &str = "organisation";

/// A business whose rows no other business sees.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Organisation {
    pub id: OrganisationId,
    pub version: i64,
    pub name: String,
    /// What money is shown in where nothing else is said.
    pub currency: Currency,
    pub created_at: DateTime<Utc>,
}

/// Founds an organisation.
pub async fn create(
    transaction: &Transaction,
    name: &str,
    currency: Currency,
    at: DateTime<Utc>,
) -> Result<Organisation, StoreError> {
    let row = organisations::ActiveModel {
        id: Set(OrganisationId::fresh().0),
        version: Set(1),
        name: Set(name.to_owned()),
        currency: Set(currency.code().to_owned()),
        created_at: Set(to_microseconds(at)),
    };
    from_row(row.insert(transaction).await.map_err(|cause| StoreError::on(NOUN, cause))?)
}

pub async fn get(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
) -> Result<Organisation, StoreError> {
    let row = organisations::Entity::find_by_id(organisation.0).one(connection).await?;
    row.map(from_row).transpose()?.ok_or(StoreError::Missing { noun: NOUN })
}

/// All of this database, for the program's own work (nightly runs, the command line).
pub async fn all(connection: &impl ConnectionTrait) -> Result<Vec<Organisation>, StoreError> {
    let rows = organisations::Entity::find().order_by_asc(organisations::Column::Id);
    rows.all(connection).await?.into_iter().map(from_row).collect()
}

/// Gives an organisation another name or currency.
///
/// # Errors
/// `Stale` where `changed.version` is not the one that holds.
pub async fn change(
    transaction: &Transaction,
    changed: &Organisation,
) -> Result<Organisation, StoreError> {
    let update = organisations::Entity::update_many()
        .set(organisations::ActiveModel {
            version: Set(changed.version + 1),
            name: Set(changed.name.clone()),
            currency: Set(changed.currency.code().to_owned()),
            ..Default::default()
        })
        .filter(organisations::Column::Id.eq(changed.id.0))
        .filter(organisations::Column::Version.eq(changed.version))
        .exec(transaction)
        .await?;
    let current = get(transaction, changed.id).await?;
    if update.rows_affected != 1 {
        let (given, current) = (changed.version, current.version);
        return Err(StoreError::Stale { noun: NOUN, given, current });
    }
    Ok(current)
}

fn from_row(row: organisations::Model) -> Result<Organisation, StoreError> {
    Ok(Organisation {
        id: OrganisationId(row.id),
        version: row.version,
        currency: currency(&row.currency)?,
        name: row.name,
        created_at: row.created_at,
    })
}
