//! What every noun's rows have in common: found, listed, added, changed, always within one
//! organisation.
//!
//! Invariants: each statement here names the organisation, so none can see or touch another's rows.
//! A change names the version that it was made from and is refused where another came first. Each
//! change of a shared record leaves a row in the history, in the same transaction.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use fleet::change::ChangeKind;
use fleet::id::OrganisationId;
use sea_orm::entity::prelude::Uuid;
use sea_orm::sea_query::{Condition, OnConflict};
use sea_orm::{
    ActiveModelTrait, ColumnTrait as _, ConnectionTrait, EntityTrait, FromQueryResult,
    IntoActiveModel, Iterable as _, QueryFilter as _, QueryOrder as _, QuerySelect as _, Select,
};
use serde::Serialize;

use crate::Transaction;
use crate::error::StoreError;
use crate::history::{self, Change};

/// Most values that SQLite binds in one statement (PostgreSQL: 65,535).
const VALUES_PER_STATEMENT: usize = 32_766;
/// Keys in one `IN (...)`.
const IDS_PER_STATEMENT: usize = 2_000;

/// A value of `fleet` that is kept as a row of an organisation.
pub trait Record: Clone + PartialEq + Serialize + Send + Sync + Sized {
    type Entity: EntityTrait<Model = Self::Row, ActiveModel: Send>;
    type Row: FromQueryResult
        + IntoActiveModel<<Self::Entity as EntityTrait>::ActiveModel>
        + Send
        + Sync;
    type Id: Copy + From<Uuid> + Send + Sync;
    const ORGANISATION: <Self::Entity as EntityTrait>::Column;
    const ID: <Self::Entity as EntityTrait>::Column;
    /// What it is called in errors and in the history.
    const NOUN: &'static str;

    fn id(&self) -> Self::Id;
    fn key(id: Self::Id) -> Uuid;
    fn from_row(row: <Self::Entity as EntityTrait>::Model) -> Result<Self, StoreError>;
    fn to_row(&self, organisation: OrganisationId) -> <Self::Entity as EntityTrait>::Model;
}

/// A record that people change: it counts its changes, which is also its entity tag.
pub trait Shared: Record {
    const VERSION: <Self::Entity as EntityTrait>::Column;

    fn version(&self) -> i64;
    fn set_version(&mut self, version: i64);
}

/// Who changes something, and when.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Author {
    /// Of the person or the token; `None` for the program itself.
    pub id: Option<Uuid>,
    pub name: String,
    pub at: DateTime<Utc>,
    pub note: Option<String>,
}

/// Which rows of a list are wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PageOf {
    /// The last row seen.
    pub after: Option<Uuid>,
    size: u64,
}

/// Rows of a list, and where the next ones begin.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page<T> {
    pub rows: Vec<T>,
    /// What to give as `after`; `None` at the end.
    pub next: Option<Uuid>,
}

impl PageOf {
    pub const SIZE_MAX: u64 = 500;

    /// A page of at least one row and at most [`Self::SIZE_MAX`].
    pub fn new(after: Option<Uuid>, size: u64) -> Self {
        Self { after, size: size.clamp(1, Self::SIZE_MAX) }
    }

    pub const fn size(self) -> u64 {
        self.size
    }
}

/// Every query on `T` starts here, so none can see another organisation's rows.
pub(crate) fn of<T: Record>(organisation: OrganisationId) -> Select<T::Entity> {
    T::Entity::find().filter(T::ORGANISATION.eq(organisation.0))
}

pub async fn find<T: Record>(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    id: T::Id,
) -> Result<Option<T>, StoreError> {
    let row = of::<T>(organisation).filter(T::ID.eq(T::key(id))).one(connection).await?;
    row.map(T::from_row).transpose()
}

/// Like [`find`], but it must be there.
pub async fn get<T: Record>(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    id: T::Id,
) -> Result<T, StoreError> {
    find(connection, organisation, id).await?.ok_or(StoreError::Missing { noun: T::NOUN })
}

/// Like [`get`], and nobody else changes it until the transaction ends.
///
/// On SQLite the transaction itself keeps others out: it began as the only writer.
pub async fn lock<T: Record>(
    transaction: &Transaction,
    organisation: OrganisationId,
    id: T::Id,
) -> Result<T, StoreError> {
    let select = of::<T>(organisation).filter(T::ID.eq(T::key(id))).lock_exclusive();
    let row = select.one(transaction).await?;
    row.map(T::from_row).transpose()?.ok_or(StoreError::Missing { noun: T::NOUN })
}

/// Locks the rows of `ids`, in the order of ids, so that two transactions never wait in a ring.
///
/// # Errors
/// `Missing` where one of them is not there.
pub async fn lock_many<T: Record>(
    transaction: &Transaction,
    organisation: OrganisationId,
    ids: &[T::Id],
) -> Result<(), StoreError> {
    let mut keys: Vec<Uuid> = ids.iter().map(|id| T::key(*id)).collect();
    keys.sort_unstable();
    keys.dedup();
    for chunk in keys.chunks(IDS_PER_STATEMENT) {
        let locked: Vec<Uuid> = of::<T>(organisation)
            .filter(T::ID.is_in(chunk.iter().copied()))
            .order_by_asc(T::ID)
            .lock_exclusive()
            .select_only()
            .column(T::ID)
            .into_tuple()
            .all(transaction)
            .await?;
        if locked.len() != chunk.len() {
            return Err(StoreError::Missing { noun: T::NOUN });
        }
    }
    Ok(())
}

/// The rows of `ids` that are there, by id.
pub async fn by_ids<T: Record>(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    ids: &[T::Id],
) -> Result<Vec<T>, StoreError> {
    let keys: Vec<Uuid> = ids.iter().map(|id| T::key(*id)).collect();
    by_column(connection, organisation, T::ID, &keys).await
}

/// All rows, by id. For what a yard has hundreds of, and for the snapshot.
pub async fn all<T: Record>(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
) -> Result<Vec<T>, StoreError> {
    select::<T>(connection, of::<T>(organisation)).await
}

/// A page of all rows, by id, the oldest first.
pub async fn page<T: Record>(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    wanted: PageOf,
) -> Result<Page<T>, StoreError> {
    page_where(connection, organisation, Condition::all(), wanted).await
}

pub(crate) async fn page_where<T: Record>(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    condition: Condition,
    wanted: PageOf,
) -> Result<Page<T>, StoreError> {
    let mut cursor = of::<T>(organisation).filter(condition).cursor_by(T::ID);
    if let Some(after) = wanted.after {
        cursor.after(after);
    }
    let mut rows = cursor.first(wanted.size + 1).all(connection).await?;
    let more = rows.len() as u64 > wanted.size;
    rows.truncate(wanted.size as usize);
    let rows = rows.into_iter().map(T::from_row).collect::<Result<Vec<T>, _>>()?;
    let next = rows.last().filter(|_| more).map(|last| T::key(last.id()));
    Ok(Page { rows, next })
}

pub(crate) async fn select<T: Record>(
    connection: &impl ConnectionTrait,
    query: Select<T::Entity>,
) -> Result<Vec<T>, StoreError> {
    let rows = query.order_by_asc(T::ID).all(connection).await?;
    rows.into_iter().map(T::from_row).collect()
}

/// Rows whose `column` is one of `keys`, one statement per 2,000 keys.
pub(crate) async fn by_column<T: Record>(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    column: <T::Entity as EntityTrait>::Column,
    keys: &[Uuid],
) -> Result<Vec<T>, StoreError> {
    let mut found = Vec::new();
    for chunk in keys.chunks(IDS_PER_STATEMENT) {
        let query = of::<T>(organisation).filter(column.is_in(chunk.iter().copied()));
        found.extend(select::<T>(connection, query).await?);
    }
    Ok(found)
}

/// Like [`by_column`] for a column of text.
pub(crate) async fn by_text<T: Record>(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    column: <T::Entity as EntityTrait>::Column,
    texts: &[&str],
) -> Result<Vec<T>, StoreError> {
    let mut found = Vec::new();
    for chunk in texts.chunks(IDS_PER_STATEMENT) {
        let query = of::<T>(organisation).filter(column.is_in(chunk.iter().copied()));
        found.extend(select::<T>(connection, query).await?);
    }
    Ok(found)
}

/// Appends rows without a line in the history: for what is itself a record of what happened.
pub async fn append<T: Record>(
    transaction: &Transaction,
    organisation: OrganisationId,
    records: &[T],
) -> Result<(), StoreError> {
    for chunk in records.chunks(rows_per_statement::<T::Entity>()) {
        let rows = chunk.iter().map(|record| inserted::<T>(record, organisation));
        let insert = T::Entity::insert_many(rows).exec_without_returning(transaction).await;
        insert.map_err(|cause| StoreError::on(T::NOUN, cause))?;
    }
    Ok(())
}

/// Adds shared records, each with a line in the history.
pub async fn create<T: Shared>(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    records: &[T],
) -> Result<(), StoreError> {
    append(transaction, organisation, records).await?;
    let changes = records.iter().map(|record| Change {
        noun: T::NOUN,
        entity: T::key(record.id()),
        kind: ChangeKind::Created,
        before: None,
        after: history::values(record),
    });
    history::append(transaction, organisation, author, &changes.collect::<Vec<_>>()).await
}

/// Gives a record its new values and returns it with its new version.
///
/// `record.version()` is the version that the change was made from.
///
/// # Errors
/// `Missing`, and `Stale` where somebody else changed it meanwhile.
pub async fn change<T: Shared>(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    record: &T,
) -> Result<T, StoreError> {
    let before = lock::<T>(transaction, organisation, record.id()).await?;
    if before.version() != record.version() {
        return Err(stale::<T>(record.version(), before.version()));
    }
    if before == *record {
        return Ok(before);
    }
    let mut after = record.clone();
    after.set_version(record.version() + 1);
    let row = inserted::<T>(&after, organisation);
    let update = T::Entity::update_many()
        .set(row)
        .filter(T::ORGANISATION.eq(organisation.0))
        .filter(T::ID.eq(T::key(record.id())))
        .filter(T::VERSION.eq(record.version()))
        .exec(transaction)
        .await
        .map_err(|cause| StoreError::on(T::NOUN, cause))?;
    if update.rows_affected != 1 {
        return Err(stale::<T>(record.version(), record.version() + 1));
    }
    let change = Change {
        noun: T::NOUN,
        entity: T::key(record.id()),
        kind: ChangeKind::Changed,
        before: history::values(&before),
        after: history::values(&after),
    };
    history::append(transaction, organisation, author, &[change]).await?;
    Ok(after)
}

/// Like [`change`] for many at once, in a handful of statements. What stays the same is left out of
/// the history and keeps its version.
///
/// # Errors
/// `Missing`, and `Stale` where somebody else changed one of them meanwhile.
pub async fn change_all<T: Shared>(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    records: &[T],
) -> Result<(), StoreError> {
    let ids: Vec<T::Id> = records.iter().map(Record::id).collect();
    lock_many::<T>(transaction, organisation, &ids).await?;
    let before: HashMap<Uuid, T> = by_ids::<T>(transaction, organisation, &ids)
        .await?
        .into_iter()
        .map(|record| (T::key(record.id()), record))
        .collect();
    let (mut rows, mut changes) = (Vec::new(), Vec::new());
    for record in records {
        let before = before.get(&T::key(record.id()));
        let before = before.ok_or(StoreError::Missing { noun: T::NOUN })?;
        if before.version() != record.version() {
            return Err(stale::<T>(record.version(), before.version()));
        }
        if before == record {
            continue;
        }
        let mut after = record.clone();
        after.set_version(record.version() + 1);
        rows.push(inserted::<T>(&after, organisation));
        changes.push(Change {
            noun: T::NOUN,
            entity: T::key(record.id()),
            kind: ChangeKind::Changed,
            before: history::values(before),
            after: history::values(&after),
        });
    }
    let key = [T::ORGANISATION, T::ID];
    let columns: Vec<_> = <T::Entity as EntityTrait>::Column::iter().collect();
    for chunk in rows.chunks(rows_per_statement::<T::Entity>()) {
        let over = OnConflict::columns(key).update_columns(columns.iter().copied()).to_owned();
        let update = T::Entity::insert_many(chunk.iter().cloned()).on_conflict(over);
        let update = update.exec_without_returning(transaction).await;
        update.map_err(|cause| StoreError::on(T::NOUN, cause))?;
    }
    history::append(transaction, organisation, author, &changes).await
}

/// Takes a record away; the history keeps what it was.
///
/// # Errors
/// `Missing`, `Stale`, and `Dangling` where something still names it.
pub async fn remove<T: Shared>(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    id: T::Id,
    version: i64,
) -> Result<(), StoreError> {
    let before = lock::<T>(transaction, organisation, id).await?;
    if before.version() != version {
        return Err(stale::<T>(version, before.version()));
    }
    T::Entity::delete_many()
        .filter(T::ORGANISATION.eq(organisation.0))
        .filter(T::ID.eq(T::key(id)))
        .exec(transaction)
        .await
        .map_err(|cause| StoreError::on(T::NOUN, cause))?;
    let change = Change {
        noun: T::NOUN,
        entity: T::key(id),
        kind: ChangeKind::Removed,
        before: history::values(&before),
        after: None,
    };
    history::append(transaction, organisation, author, &[change]).await
}

/// How many rows there are.
pub async fn count<T: Record>(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
) -> Result<u64, StoreError> {
    let query = of::<T>(organisation).select_only().column_as(T::ID.count(), "rows");
    let rows: Option<i64> = query.into_tuple().one(connection).await?;
    Ok(rows.and_then(|rows| u64::try_from(rows).ok()).unwrap_or(0))
}

fn stale<T: Record>(given: i64, current: i64) -> StoreError {
    StoreError::Stale { noun: T::NOUN, given, current }
}

/// The row with every column set, the empty ones too.
fn inserted<T: Record>(
    record: &T,
    organisation: OrganisationId,
) -> <T::Entity as EntityTrait>::ActiveModel {
    record.to_row(organisation).into_active_model().reset_all()
}

fn rows_per_statement<E: EntityTrait>() -> usize {
    VALUES_PER_STATEMENT / E::Column::iter().count().max(1)
}
