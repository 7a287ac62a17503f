//! People: how they are found by e-mail, and their passwords.

use chrono::{DateTime, Utc};
use fleet::id::{OrganisationId, PersonId};
use fleet::person::Person;
use sea_orm::{
    ColumnTrait as _, ConnectionTrait, EntityTrait as _, QueryFilter as _, QuerySelect as _, Set,
    sea_query::OnConflict,
};
use uuid::Uuid;

use crate::Transaction;
use crate::entity::{credentials, people};
use crate::error::StoreError;
use crate::record::{self, Record as _};
use crate::value::to_microseconds;

/// Organisations in which one e-mail address is looked for.
const ORGANISATIONS_MAX: u64 = 20;

/// Somebody who may be the one who signs in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Candidate {
    pub organisation: OrganisationId,
    pub person: Person,
    pub password_hash: String,
}

/// Whoever has `email` and a password, in any organisation: which one is meant, the password tells.
pub async fn candidates(
    connection: &impl ConnectionTrait,
    email: &str,
) -> Result<Vec<Candidate>, StoreError> {
    let found = people::Entity::find()
        .filter(people::Column::Email.eq(email.trim().to_lowercase()))
        .filter(people::Column::Archived.eq(false))
        .limit(ORGANISATIONS_MAX)
        .all(connection)
        .await?;
    let hashes = credentials::Entity::find()
        .filter(credentials::Column::PersonId.is_in(found.iter().map(|row| row.id)))
        .all(connection)
        .await?;
    let mut candidates = Vec::new();
    for row in found {
        let owned = |hash: &&credentials::Model| {
            hash.organisation_id == row.organisation_id && hash.person_id == row.id
        };
        if let Some(hash) = hashes.iter().find(owned) {
            candidates.push(Candidate {
                organisation: OrganisationId(row.organisation_id),
                password_hash: hash.password_hash.clone(),
                person: Person::from_row(row)?,
            });
        }
    }
    Ok(candidates)
}

/// The person with this name, for files that name people.
pub async fn by_names(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    names: &[&str],
) -> Result<Vec<Person>, StoreError> {
    record::by_text(connection, organisation, people::Column::Name, names).await
}

/// Gives a person a password; `hash` is of [`crate::secret::hash_password`].
pub async fn set_password(
    transaction: &Transaction,
    organisation: OrganisationId,
    person: PersonId,
    hash: &str,
    at: DateTime<Utc>,
) -> Result<(), StoreError> {
    record::get::<Person>(transaction, organisation, person).await?;
    let row = credentials::ActiveModel {
        organisation_id: Set(organisation.0),
        id: Set(Uuid::now_v7()),
        person_id: Set(person.0),
        password_hash: Set(hash.to_owned()),
        changed_at: Set(to_microseconds(at)),
    };
    let key = [credentials::Column::OrganisationId, credentials::Column::PersonId];
    let kept = [credentials::Column::PasswordHash, credentials::Column::ChangedAt];
    credentials::Entity::insert(row)
        .on_conflict(OnConflict::columns(key).update_columns(kept).to_owned())
        .exec_without_returning(transaction)
        .await?;
    Ok(())
}
