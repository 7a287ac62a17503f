//! Requests that must not be done twice: the answer to a key is kept and given again.
//!
//! The key is taken in the transaction that does the work. So where the work fails the key is free
//! again; and a second request with the same key waits for the first, then finds its answer.

use chrono::{DateTime, TimeDelta, Utc};
use fleet::id::OrganisationId;
use sea_orm::entity::prelude::Json;
use sea_orm::sea_query::OnConflict;
use sea_orm::{ColumnTrait as _, EntityTrait as _, QueryFilter as _, Set};
use uuid::Uuid;

use crate::Transaction;
use crate::entity::idempotency_keys;
use crate::error::StoreError;
use crate::value::to_microseconds;

/// Whose key it is, and what it was sent with.
#[derive(Clone, Copy, Debug)]
pub struct Key<'a> {
    pub organisation: OrganisationId,
    /// The person or token.
    pub actor: Uuid,
    pub text: &'a str,
    /// Of method, path and body: the same key with another request is a mistake.
    pub request_digest: &'a [u8],
}

/// An answer to be given again.
#[derive(Clone, Debug, PartialEq)]
pub struct Answer {
    pub status: u16,
    pub headers: Json,
    pub body: Vec<u8>,
}

/// What is known of a key.
#[derive(Clone, Debug, PartialEq)]
pub enum Seen {
    /// Never seen: do the work, then [`keep`] the answer.
    First,
    /// Done before.
    Before(Answer),
    /// Seen with another request.
    OtherRequest,
}

/// Takes `key`, or says what became of it.
pub async fn take(
    transaction: &Transaction,
    key: Key<'_>,
    now: DateTime<Utc>,
    lasts: TimeDelta,
) -> Result<Seen, StoreError> {
    // An expired key is a fresh one.
    idempotency_keys::Entity::delete_many()
        .filter(of(key))
        .filter(idempotency_keys::Column::ExpiresAt.lte(to_microseconds(now)))
        .exec(transaction)
        .await?;
    let row = idempotency_keys::ActiveModel {
        organisation_id: Set(key.organisation.0),
        id: Set(Uuid::now_v7()),
        actor_id: Set(key.actor),
        key: Set(key.text.to_owned()),
        request_digest: Set(key.request_digest.to_vec()),
        status: Set(None),
        answer_headers: Set(None),
        answer_body: Set(None),
        created_at: Set(to_microseconds(now)),
        expires_at: Set(to_microseconds(now + lasts)),
    };
    let columns = [
        idempotency_keys::Column::OrganisationId,
        idempotency_keys::Column::ActorId,
        idempotency_keys::Column::Key,
    ];
    let taken = idempotency_keys::Entity::insert_many([row])
        .on_conflict(OnConflict::columns(columns).do_nothing().to_owned())
        .exec_without_returning(transaction)
        .await
        .map_err(|cause| StoreError::on("idempotency key", cause))?;
    if taken == 1 {
        return Ok(Seen::First);
    }
    let row = idempotency_keys::Entity::find().filter(of(key)).one(transaction).await?;
    let row = row.ok_or(StoreError::Missing { noun: "idempotency key" })?;
    if row.request_digest != key.request_digest {
        return Ok(Seen::OtherRequest);
    }
    let status = row.status.and_then(|status| u16::try_from(status).ok());
    Ok(Seen::Before(Answer {
        status: status.ok_or(StoreError::Missing { noun: "answer" })?,
        headers: row.answer_headers.unwrap_or_default(),
        body: row.answer_body.unwrap_or_default(),
    }))
}

/// Keeps the answer to a key that [`take`] called [`Seen::First`].
pub async fn keep(
    transaction: &Transaction,
    key: Key<'_>,
    answer: &Answer,
) -> Result<(), StoreError> {
    idempotency_keys::Entity::update_many()
        .set(idempotency_keys::ActiveModel {
            status: Set(Some(i32::from(answer.status))),
            answer_headers: Set(Some(answer.headers.clone())),
            answer_body: Set(Some(answer.body.clone())),
            ..Default::default()
        })
        .filter(of(key))
        .exec(transaction)
        .await?;
    Ok(())
}

/// Forgets the keys of all organisations that have expired.
pub async fn forget(transaction: &Transaction, now: DateTime<Utc>) -> Result<u64, StoreError> {
    let forgotten = idempotency_keys::Entity::delete_many()
        .filter(idempotency_keys::Column::ExpiresAt.lte(to_microseconds(now)))
        .exec(transaction)
        .await?;
    Ok(forgotten.rows_affected)
}

fn of(key: Key<'_>) -> sea_orm::Condition {
    sea_orm::Condition::all()
        .add(idempotency_keys::Column::OrganisationId.eq(key.organisation.0))
        .add(idempotency_keys::Column::ActorId.eq(key.actor))
        .add(idempotency_keys::Column::Key.eq(key.text))
}
