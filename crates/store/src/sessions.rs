//! Signed-in browsers, and links that sign a person in once.

use chrono::{DateTime, TimeDelta, Utc};
use fleet::id::{OrganisationId, PersonId, SessionId};
use fleet::person::Person;
use sea_orm::{
    ActiveModelTrait as _, ColumnTrait as _, ConnectionTrait, EntityTrait as _, QueryFilter as _,
    Set,
};
use uuid::Uuid;

use crate::Transaction;
use crate::entity::{sessions, sign_in_links};
use crate::error::StoreError;
use crate::record;
use crate::secret::Secret;
use crate::value::to_microseconds;

/// A browser that was let in: the cookie's secret, and what its forms must carry.
#[derive(Clone, Debug)]
pub struct Opened {
    pub secret: Secret,
    pub csrf_token: String,
    pub expires_at: DateTime<Utc>,
}

/// Who is behind a cookie.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SignedIn {
    pub organisation: OrganisationId,
    pub session: SessionId,
    pub person: Person,
    pub csrf_token: String,
    pub expires_at: DateTime<Utc>,
}

/// Lets a person's browser in until `now + lasts`.
pub async fn open(
    transaction: &Transaction,
    organisation: OrganisationId,
    person: PersonId,
    now: DateTime<Utc>,
    lasts: TimeDelta,
) -> Result<Opened, StoreError> {
    let (secret, csrf) = (Secret::fresh()?, Secret::fresh()?);
    let row = sessions::ActiveModel {
        organisation_id: Set(organisation.0),
        id: Set(Uuid::now_v7()),
        person_id: Set(person.0),
        token_hash: Set(secret.hash()),
        csrf_token: Set(csrf.reveal().to_owned()),
        created_at: Set(to_microseconds(now)),
        expires_at: Set(to_microseconds(now + lasts)),
        ended_at: Set(None),
    };
    let row = row.insert(transaction).await.map_err(|cause| StoreError::on("session", cause))?;
    Ok(Opened { secret, csrf_token: row.csrf_token, expires_at: row.expires_at })
}

/// Who is behind `secret`, if the session still lasts and the person still belongs here.
pub async fn find(
    connection: &impl ConnectionTrait,
    secret: &Secret,
    now: DateTime<Utc>,
) -> Result<Option<SignedIn>, StoreError> {
    let row = sessions::Entity::find()
        .filter(sessions::Column::TokenHash.eq(secret.hash()))
        .filter(sessions::Column::EndedAt.is_null())
        .filter(sessions::Column::ExpiresAt.gt(to_microseconds(now)))
        .one(connection)
        .await?;
    let Some(row) = row else { return Ok(None) };
    let organisation = OrganisationId(row.organisation_id);
    let person = record::find::<Person>(connection, organisation, PersonId(row.person_id)).await?;
    Ok(person.filter(|person| !person.archived).map(|person| SignedIn {
        organisation,
        session: SessionId(row.id),
        person,
        csrf_token: row.csrf_token,
        expires_at: row.expires_at,
    }))
}

/// Ends one session.
pub async fn end(
    transaction: &Transaction,
    organisation: OrganisationId,
    session: SessionId,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    sessions::Entity::update_many()
        .set(sessions::ActiveModel {
            ended_at: Set(Some(to_microseconds(now))),
            ..Default::default()
        })
        .filter(sessions::Column::OrganisationId.eq(organisation.0))
        .filter(sessions::Column::Id.eq(session.0))
        .filter(sessions::Column::EndedAt.is_null())
        .exec(transaction)
        .await?;
    Ok(())
}

/// Ends all of a person's: after a change of password or role.
pub async fn end_all_of(
    transaction: &Transaction,
    organisation: OrganisationId,
    person: PersonId,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    sessions::Entity::update_many()
        .set(sessions::ActiveModel {
            ended_at: Set(Some(to_microseconds(now))),
            ..Default::default()
        })
        .filter(sessions::Column::OrganisationId.eq(organisation.0))
        .filter(sessions::Column::PersonId.eq(person.0))
        .filter(sessions::Column::EndedAt.is_null())
        .exec(transaction)
        .await?;
    Ok(())
}

/// A link's secret that signs `person` in once, until `now + lasts`.
pub async fn create_link(
    transaction: &Transaction,
    organisation: OrganisationId,
    person: PersonId,
    now: DateTime<Utc>,
    lasts: TimeDelta,
) -> Result<Secret, StoreError> {
    let secret = Secret::fresh()?;
    let row = sign_in_links::ActiveModel {
        organisation_id: Set(organisation.0),
        id: Set(Uuid::now_v7()),
        person_id: Set(person.0),
        token_hash: Set(secret.hash()),
        created_at: Set(to_microseconds(now)),
        expires_at: Set(to_microseconds(now + lasts)),
        used_at: Set(None),
    };
    row.insert(transaction).await.map_err(|cause| StoreError::on("sign-in link", cause))?;
    Ok(secret)
}

/// Uses a link up and says whose it was; `None` where it was used, is too old or never was.
pub async fn use_link(
    transaction: &Transaction,
    secret: &Secret,
    now: DateTime<Utc>,
) -> Result<Option<(OrganisationId, PersonId)>, StoreError> {
    let hash = secret.hash();
    let used = sign_in_links::Entity::update_many()
        .set(sign_in_links::ActiveModel {
            used_at: Set(Some(to_microseconds(now))),
            ..Default::default()
        })
        .filter(sign_in_links::Column::TokenHash.eq(hash.clone()))
        .filter(sign_in_links::Column::UsedAt.is_null())
        .filter(sign_in_links::Column::ExpiresAt.gt(to_microseconds(now)))
        .exec(transaction)
        .await?;
    if used.rows_affected != 1 {
        return Ok(None);
    }
    let row = sign_in_links::Entity::find()
        .filter(sign_in_links::Column::TokenHash.eq(hash))
        .one(transaction)
        .await?;
    Ok(row.map(|row| (OrganisationId(row.organisation_id), PersonId(row.person_id))))
}
