//! The due list between two nights: what went on record since it was asked for, and room for the
//! next one.
//!
//! Ids of rows and runs are UUIDs of version 7, so what came later has the greater one (RFC 9562,
//! section 6.11) and a look costs a step down the primary key of each table. Clocks of machines that
//! share a database may differ by moments: a row that slips through so is seen with the next one.

use chrono::{DateTime, Utc};
use fleet::boat::{Boat, Fitting};
use fleet::engine::{Engine, EngineModel, Standstill};
use fleet::hire::{Booking, Hire};
use fleet::id::{OrganisationId, RunId};
use fleet::pool::Pool;
use fleet::programme::{ProgrammeInterval, Task, TaskLink};
use fleet::reading::{Meter, Reading};
use fleet::run::{RunKind, RunStatus};
use fleet::service::Service;
use fleet::site::Site;
use sea_orm::{
    ColumnTrait as _, Condition, ConnectionTrait, EntityTrait as _, Order, QueryFilter as _,
    QueryOrder as _, QuerySelect as _,
};
use uuid::Uuid;

use crate::Transaction;
use crate::entity::{due_rows, history, run_files, runs};
use crate::error::StoreError;
use crate::record::{self, Record};
use crate::value::to_microseconds;

/// What a due list is computed from, as far as people change it.
const NOUNS: [&str; 14] = [
    Boat::NOUN,
    Booking::NOUN,
    Engine::NOUN,
    EngineModel::NOUN,
    Fitting::NOUN,
    Hire::NOUN,
    Meter::NOUN,
    Pool::NOUN,
    ProgrammeInterval::NOUN,
    Service::NOUN,
    Site::NOUN,
    Standstill::NOUN,
    Task::NOUN,
    TaskLink::NOUN,
];

/// Rows that a run has not seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unseen {
    /// When the first of them was written.
    pub since: DateTime<Utc>,
    /// When the last one was.
    pub until: DateTime<Utc>,
    pub last: Uuid,
}

/// What is on record for due dates, written after `run` was asked for; all of it where there is none.
pub async fn unseen(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    run: Option<RunId>,
) -> Result<Option<Unseen>, StoreError> {
    let run = run.unwrap_or(RunId(Uuid::nil()));
    let end = async |order: Order| -> Result<Vec<Uuid>, StoreError> {
        let ends = [
            end_of::<Reading>(connection, organisation, run, order.clone()).await?,
            end_of::<Service>(connection, organisation, run, order.clone()).await?,
            end_of::<Hire>(connection, organisation, run, order.clone()).await?,
            end_of_history(connection, organisation, run, order).await?,
        ];
        Ok(ends.into_iter().flatten().collect())
    };
    let Some(last) = end(Order::Desc).await?.into_iter().max() else { return Ok(None) };
    let first = end(Order::Asc).await?.into_iter().min().unwrap_or(last);
    Ok(written_at(first).zip(written_at(last)).map(|(since, until)| Unseen { since, until, last }))
}

/// Makes room: due lists that `requested_by` had asked for before `before`, except for the one that
/// is on show. What each said is what the records say; the nights' lists stay.
pub async fn clear(
    transaction: &Transaction,
    organisation: OrganisationId,
    requested_by: &str,
    before: DateTime<Utc>,
) -> Result<usize, StoreError> {
    let kind = RunKind::Due;
    let shown = crate::runs::latest(transaction, organisation, kind, None).await?;
    let old = runs::Entity::find()
        .filter(runs::Column::OrganisationId.eq(organisation.0))
        .filter(runs::Column::Kind.eq(kind.as_str()))
        .filter(runs::Column::RequestedBy.eq(requested_by))
        .filter(runs::Column::RequestedAt.lt(to_microseconds(before)))
        .filter(
            runs::Column::Status.is_in([RunStatus::Done, RunStatus::Failed].map(|s| s.as_str())),
        )
        .filter(runs::Column::Id.ne(shown.map_or(Uuid::nil(), |run| run.id.0)));
    let old: Vec<Uuid> =
        old.select_only().column(runs::Column::Id).into_tuple().all(transaction).await?;
    let ids = || old.iter().copied();
    due_rows::Entity::delete_many()
        .filter(due_rows::Column::OrganisationId.eq(organisation.0))
        .filter(due_rows::Column::RunId.is_in(ids()))
        .exec(transaction)
        .await?;
    run_files::Entity::delete_many()
        .filter(run_files::Column::OrganisationId.eq(organisation.0))
        .filter(run_files::Column::RunId.is_in(ids()))
        .exec(transaction)
        .await?;
    runs::Entity::delete_many()
        .filter(runs::Column::OrganisationId.eq(organisation.0))
        .filter(runs::Column::Id.is_in(ids()))
        .exec(transaction)
        .await?;
    Ok(old.len())
}

async fn end_of<T: Record>(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    run: RunId,
    order: Order,
) -> Result<Option<Uuid>, StoreError> {
    let query = record::of::<T>(organisation).filter(T::ID.gt(run.0)).order_by(T::ID, order);
    let query = query.select_only().column(T::ID).limit(1);
    Ok(query.into_tuple().one(connection).await?)
}

async fn end_of_history(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    run: RunId,
    order: Order,
) -> Result<Option<Uuid>, StoreError> {
    let (of, id, noun) =
        (history::Column::OrganisationId, history::Column::Id, history::Column::Noun);
    let condition =
        Condition::all().add(of.eq(organisation.0)).add(id.gt(run.0)).add(noun.is_in(NOUNS));
    let query = history::Entity::find().filter(condition).order_by(id, order);
    Ok(query.select_only().column(id).limit(1).into_tuple().one(connection).await?)
}

fn written_at(id: Uuid) -> Option<DateTime<Utc>> {
    let (seconds, nanoseconds) = id.get_timestamp()?.to_unix();
    DateTime::from_timestamp(i64::try_from(seconds).ok()?, nanoseconds)
}
