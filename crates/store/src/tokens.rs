//! Programs' keys.

use chrono::{DateTime, TimeDelta, Utc};
use fleet::change::ChangeKind;
use fleet::id::{OrganisationId, PersonId, TokenId};
use fleet::person::Role;
use sea_orm::{
    ActiveModelTrait as _, ColumnTrait as _, ConnectionTrait, EntityTrait as _, QueryFilter as _,
    QueryOrder as _, Set,
};
use serde::Serialize;

use crate::Transaction;
use crate::entity::tokens;
use crate::error::StoreError;
use crate::history::{self, Change};
use crate::record::Author;
use crate::secret::Secret;
use crate::value::{to_microseconds, word};

const NOUN: &str = "token";
/// A use is noted once in a while, not at each request: reads stay reads.
const NOTED_EVERY: TimeDelta = TimeDelta::hours(1);

/// A program's key as it is listed: never the key itself.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Token {
    pub id: TokenId,
    pub name: String,
    pub role: Role,
    pub created_by: Option<PersonId>,
    pub created_at: DateTime<Utc>,
    pub expires_at: Option<DateTime<Utc>>,
    pub revoked_at: Option<DateTime<Utc>>,
    pub last_used_at: Option<DateTime<Utc>>,
}

/// Makes a key; its secret is shown this once.
pub async fn create(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    name: &str,
    role: Role,
    expires_at: Option<DateTime<Utc>>,
) -> Result<(Secret, Token), StoreError> {
    let secret = Secret::fresh()?;
    let row = tokens::ActiveModel {
        organisation_id: Set(organisation.0),
        id: Set(TokenId::fresh().0),
        name: Set(name.to_owned()),
        role: Set(role.as_str().to_owned()),
        token_hash: Set(secret.hash()),
        // Only a person is referred to; where a token makes a token, the history names it.
        created_by_id: Set(None),
        created_at: Set(to_microseconds(author.at)),
        expires_at: Set(expires_at.map(to_microseconds)),
        revoked_at: Set(None),
        last_used_at: Set(None),
    };
    let row = row.insert(transaction).await.map_err(|cause| StoreError::on(NOUN, cause))?;
    let token = from_row(row)?;
    keep(transaction, organisation, author, ChangeKind::Created, None, &token).await?;
    Ok((secret, token))
}

/// All keys, the oldest first.
pub async fn all(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
) -> Result<Vec<Token>, StoreError> {
    let rows = tokens::Entity::find()
        .filter(tokens::Column::OrganisationId.eq(organisation.0))
        .order_by_asc(tokens::Column::Id)
        .all(connection)
        .await?;
    rows.into_iter().map(from_row).collect()
}

/// The key behind `secret`, if it still opens.
pub async fn find(
    connection: &impl ConnectionTrait,
    secret: &Secret,
    now: DateTime<Utc>,
) -> Result<Option<(OrganisationId, Token)>, StoreError> {
    let row = tokens::Entity::find()
        .filter(tokens::Column::TokenHash.eq(secret.hash()))
        .filter(tokens::Column::RevokedAt.is_null())
        .one(connection)
        .await?;
    let Some(row) = row else { return Ok(None) };
    let organisation = OrganisationId(row.organisation_id);
    let token = from_row(row)?;
    let lasts = token.expires_at.is_none_or(|expires_at| now < expires_at);
    Ok(lasts.then_some((organisation, token)))
}

/// Whether a use of `token` now is worth a write.
pub fn is_use_worth_noting(token: &Token, now: DateTime<Utc>) -> bool {
    token.last_used_at.is_none_or(|used_at| now - used_at > NOTED_EVERY)
}

/// Notes when a key was last used.
pub async fn note_use(
    transaction: &Transaction,
    organisation: OrganisationId,
    token: TokenId,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let used =
        tokens::ActiveModel { last_used_at: Set(Some(to_microseconds(now))), ..Default::default() };
    update(transaction, organisation, token, used).await
}

/// Takes a key's power away.
pub async fn revoke(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    token: TokenId,
) -> Result<Token, StoreError> {
    let before = get(transaction, organisation, token).await?;
    if before.revoked_at.is_some() {
        return Ok(before);
    }
    let revoked = tokens::ActiveModel {
        revoked_at: Set(Some(to_microseconds(author.at))),
        ..Default::default()
    };
    update(transaction, organisation, token, revoked).await?;
    let after = get(transaction, organisation, token).await?;
    keep(transaction, organisation, author, ChangeKind::Changed, Some(&before), &after).await?;
    Ok(after)
}

async fn get(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    token: TokenId,
) -> Result<Token, StoreError> {
    let row = tokens::Entity::find_by_id((organisation.0, token.0)).one(connection).await?;
    row.map(from_row).transpose()?.ok_or(StoreError::Missing { noun: NOUN })
}

async fn update(
    transaction: &Transaction,
    organisation: OrganisationId,
    token: TokenId,
    values: tokens::ActiveModel,
) -> Result<(), StoreError> {
    tokens::Entity::update_many()
        .set(values)
        .filter(tokens::Column::OrganisationId.eq(organisation.0))
        .filter(tokens::Column::Id.eq(token.0))
        .exec(transaction)
        .await?;
    Ok(())
}

async fn keep(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    kind: ChangeKind,
    before: Option<&Token>,
    after: &Token,
) -> Result<(), StoreError> {
    let change = Change {
        noun: NOUN,
        entity: after.id.0,
        kind,
        before: before.and_then(history::values),
        after: history::values(after),
    };
    history::append(transaction, organisation, author, &[change]).await
}

fn from_row(row: tokens::Model) -> Result<Token, StoreError> {
    Ok(Token {
        id: TokenId(row.id),
        name: row.name,
        role: word(&row.role)?,
        created_by: row.created_by_id.map(PersonId),
        created_at: row.created_at,
        expires_at: row.expires_at,
        revoked_at: row.revoked_at,
        last_used_at: row.last_used_at,
    })
}
