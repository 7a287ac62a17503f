//! Who changed what, when, from what to what. Append-only: there is deliberately no update and no
//! delete.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use fleet::change::ChangeKind;
use fleet::id::OrganisationId;
use sea_orm::entity::prelude::{Json, Uuid};
use sea_orm::{
    ColumnTrait as _, ConnectionTrait, EntityTrait as _, QueryFilter as _, QueryOrder as _,
    QuerySelect as _, Set,
};
use serde::Serialize;

use crate::Transaction;
use crate::entity::history;
use crate::error::StoreError;
use crate::record::{Author, Page, PageOf};
use crate::value::{to_microseconds, word};

/// × 11 columns: below the 32,766 values that SQLite binds.
const ROWS_PER_INSERT: usize = 2_900;
/// Keys in one `IN (...)`.
const ENTITIES_PER_STATEMENT: usize = 2_000;

/// A change about to be kept.
#[derive(Clone, Debug)]
pub struct Change {
    pub noun: &'static str,
    pub entity: Uuid,
    pub kind: ChangeKind,
    pub before: Option<Json>,
    pub after: Option<Json>,
}

/// A change as it was kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Kept {
    pub id: Uuid,
    pub at: DateTime<Utc>,
    pub actor: String,
    pub actor_id: Option<Uuid>,
    pub noun: String,
    pub entity: Uuid,
    pub kind: ChangeKind,
    pub before: Option<Json>,
    pub after: Option<Json>,
    pub note: Option<String>,
}

/// The values of a record as the history keeps them.
pub(crate) fn values(record: &impl Serialize) -> Option<Json> {
    serde_json::to_value(record).ok()
}

/// Appends changes, all by one author.
pub async fn append(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    changes: &[Change],
) -> Result<(), StoreError> {
    for chunk in changes.chunks(ROWS_PER_INSERT) {
        let rows = chunk.iter().map(|change| history::ActiveModel {
            organisation_id: Set(organisation.0),
            id: Set(Uuid::now_v7()),
            at: Set(to_microseconds(author.at)),
            actor: Set(author.name.clone()),
            actor_id: Set(author.id),
            noun: Set(change.noun.to_owned()),
            entity_id: Set(change.entity),
            kind: Set(change.kind.as_str().to_owned()),
            before: Set(change.before.clone()),
            after: Set(change.after.clone()),
            note: Set(author.note.clone()),
        });
        history::Entity::insert_many(rows).exec_without_returning(transaction).await?;
    }
    Ok(())
}

/// The changes of one record, the oldest first.
pub async fn of_entity(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    noun: &str,
    entity: Uuid,
    wanted: PageOf,
) -> Result<Page<Kept>, StoreError> {
    let query = history::Entity::find()
        .filter(history::Column::OrganisationId.eq(organisation.0))
        .filter(history::Column::Noun.eq(noun))
        .filter(history::Column::EntityId.eq(entity));
    page(connection, query, wanted).await
}

/// All changes of an organisation, the oldest first.
pub async fn of_all(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    wanted: PageOf,
) -> Result<Page<Kept>, StoreError> {
    let query = history::Entity::find().filter(history::Column::OrganisationId.eq(organisation.0));
    page(connection, query, wanted).await
}

/// The last change of any of `entities`.
pub async fn last_of(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    nouns: &[&str],
    entities: &[Uuid],
) -> Result<Option<Kept>, StoreError> {
    let query = history::Entity::find()
        .filter(history::Column::OrganisationId.eq(organisation.0))
        .filter(history::Column::Noun.is_in(nouns.iter().copied()))
        .filter(history::Column::EntityId.is_in(entities.iter().copied()))
        .order_by_desc(history::Column::Id);
    query.one(connection).await?.map(kept).transpose()
}

/// When each of `entities` of a noun was last changed.
pub async fn last_changes(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    noun: &str,
    entities: &[Uuid],
) -> Result<HashMap<Uuid, DateTime<Utc>>, StoreError> {
    let mut last = HashMap::new();
    for chunk in entities.chunks(ENTITIES_PER_STATEMENT) {
        let rows: Vec<(Uuid, DateTime<Utc>)> = history::Entity::find()
            .filter(history::Column::OrganisationId.eq(organisation.0))
            .filter(history::Column::Noun.eq(noun))
            .filter(history::Column::EntityId.is_in(chunk.iter().copied()))
            .select_only()
            .column(history::Column::EntityId)
            .column_as(history::Column::At.max(), "last")
            .group_by(history::Column::EntityId)
            .into_tuple()
            .all(connection)
            .await?;
        last.extend(rows);
    }
    Ok(last)
}

async fn page(
    connection: &impl ConnectionTrait,
    query: sea_orm::Select<history::Entity>,
    wanted: PageOf,
) -> Result<Page<Kept>, StoreError> {
    let mut cursor = query.cursor_by(history::Column::Id);
    if let Some(after) = wanted.after {
        cursor.after(after);
    }
    let mut rows = cursor.first(wanted.size() + 1).all(connection).await?;
    let more = rows.len() as u64 > wanted.size();
    rows.truncate(wanted.size() as usize);
    let rows = rows.into_iter().map(kept).collect::<Result<Vec<_>, _>>()?;
    let next = rows.last().filter(|_| more).map(|last| last.id);
    Ok(Page { rows, next })
}

fn kept(row: history::Model) -> Result<Kept, StoreError> {
    Ok(Kept {
        id: row.id,
        at: row.at,
        actor: row.actor,
        actor_id: row.actor_id,
        noun: row.noun,
        entity: row.entity_id,
        kind: word(&row.kind)?,
        before: row.before,
        after: row.after,
        note: row.note,
    })
}
