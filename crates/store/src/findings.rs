//! Findings and the holds that follow from them.

use chrono::{DateTime, Utc};
use fleet::bench::Job;
use fleet::engine::Engine;
use fleet::finding::{Finding, FindingStatus, Hold};
use fleet::id::{EngineId, FindingId, HoldId, OrganisationId};
use fleet::person::Person;
use sea_orm::{
    ColumnTrait as _, ConnectionTrait, EntityTrait as _, QueryFilter as _, QueryOrder as _,
    QuerySelect as _, Set,
};
use uuid::Uuid;

use crate::Transaction;
use crate::entity::{finding_photos, findings, holds};
use crate::error::StoreError;
use crate::jobs;
use crate::record::{self, Author};
use crate::value::to_microseconds;

/// Pictures in one list of them.
const PHOTOS_MAX: u64 = 100;

/// A picture of a finding.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Photo {
    pub media_type: String,
    pub content: Vec<u8>,
    pub taken_at: DateTime<Utc>,
}

/// What followed from a finding.
#[derive(Clone, Debug, PartialEq)]
pub struct Recorded {
    /// Where it is about safety or says stop: the engine is not to be hired until this is cleared.
    pub hold: Option<Hold>,
    /// What is proposed to be done about it.
    pub job: Job,
}

/// Records a finding, holds the engine where that is asked for, and proposes the job.
///
/// # Errors
/// `Missing` where the engine or the finding's kind is not there.
pub async fn record(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    finding: &Finding,
) -> Result<Recorded, StoreError> {
    record::get::<Engine>(transaction, organisation, finding.engine).await?;
    record::create(transaction, organisation, who, std::slice::from_ref(finding)).await?;
    let hold = finding.hold(to_microseconds(who.at));
    record::create(transaction, organisation, who, hold.as_slice()).await?;
    let job = jobs::propose_for(transaction, organisation, who, finding).await?;
    Ok(Recorded { hold, job })
}

/// Findings that are not closed.
pub async fn open(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
) -> Result<Vec<Finding>, StoreError> {
    let query = record::of::<Finding>(organisation)
        .filter(findings::Column::Status.ne(FindingStatus::Closed.as_str()));
    record::select(connection, query).await
}

/// All findings of engines.
pub async fn of_engines(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    engines: &[EngineId],
) -> Result<Vec<Finding>, StoreError> {
    let keys: Vec<_> = engines.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, findings::Column::EngineId, &keys).await
}

/// Engines that must not be hired, and why.
pub async fn open_holds(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
) -> Result<Vec<Hold>, StoreError> {
    let query = record::of::<Hold>(organisation).filter(holds::Column::ClearedAt.is_null());
    record::select(connection, query).await
}

/// All holds of engines, the cleared ones too.
pub async fn holds_of_engines(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    engines: &[EngineId],
) -> Result<Vec<Hold>, StoreError> {
    let keys: Vec<_> = engines.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, holds::Column::EngineId, &keys).await
}

/// Clears a hold in the name of `person`.
///
/// # Errors
/// `hold-cleared` where it is already; `hold-needs-right` where it is a safety hold and the owner
/// has not given `person` that right.
pub async fn clear_hold(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    person: &Person,
    hold: HoldId,
    note: &str,
) -> Result<Hold, StoreError> {
    let mut held = record::lock::<Hold>(transaction, organisation, hold).await?;
    if held.cleared_at.is_some() {
        let what = "this hold was cleared before".to_owned();
        return Err(StoreError::Broken { rule: "hold-cleared", what });
    }
    if held.safety && !person.may_clear_holds {
        let what = format!(
            "{} may not clear a safety hold: the owner gives that right to competent persons",
            person.name
        );
        return Err(StoreError::Broken { rule: "hold-needs-right", what });
    }
    held.cleared_at = Some(to_microseconds(author.at));
    held.cleared_by = Some(person.id);
    held.clearing_note = Some(note.to_owned());
    record::change(transaction, organisation, author, &held).await
}

/// Clears a hold as [`clear_hold`] does, and closes the finding that it came from: what was done
/// settles both.
///
/// # Errors
/// Those of both; `hold-without-finding` where somebody placed the hold by hand.
pub async fn clear_and_settle(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    person: &Person,
    hold: HoldId,
    note: &str,
) -> Result<(Hold, Finding), StoreError> {
    let cleared = clear_hold(transaction, organisation, author, person, hold, note).await?;
    let Some(finding) = cleared.finding else {
        let what = "no finding stands behind this hold, so there is none to close".to_owned();
        return Err(StoreError::Broken { rule: "hold-without-finding", what });
    };
    let finding = record::lock::<Finding>(transaction, organisation, finding).await?;
    let (id, version) = (finding.id, finding.version);
    let closed = close(transaction, organisation, author, (id, version), note).await?;
    Ok((cleared, closed))
}

/// Closes a finding; what it proposed and nobody agreed to is dropped.
///
/// # Errors
/// `Stale`; `finding-closed` where it was before; `finding-held` while a hold of it stands.
pub async fn close(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (finding, version): (FindingId, i64),
    note: &str,
) -> Result<Finding, StoreError> {
    let found = record::lock::<Finding>(transaction, organisation, finding).await?;
    if found.status == FindingStatus::Closed {
        let what = "this finding was closed before".to_owned();
        return Err(StoreError::Broken { rule: "finding-closed", what });
    }
    let holds = holds_of_engines(transaction, organisation, &[found.engine]).await?;
    if holds.iter().any(|hold| hold.finding == Some(found.id) && hold.cleared_at.is_none()) {
        let what = "its hold still stands; whoever may clear it does so first".to_owned();
        return Err(StoreError::Broken { rule: "finding-held", what });
    }
    let closed = Finding {
        version,
        status: FindingStatus::Closed,
        closed_at: Some(to_microseconds(author.at)),
        closing_note: Some(note.to_owned()),
        ..found
    };
    let closed = record::change(transaction, organisation, author, &closed).await?;
    let reason = format!("the finding was closed: {note}");
    jobs::drop_proposals(transaction, organisation, author, closed.id, &reason).await?;
    Ok(closed)
}

/// Keeps a picture of a finding and returns its id.
pub async fn add_photo(
    transaction: &Transaction,
    organisation: OrganisationId,
    finding: FindingId,
    photo: Photo,
) -> Result<Uuid, StoreError> {
    let id = Uuid::now_v7();
    let row = finding_photos::ActiveModel {
        organisation_id: Set(organisation.0),
        id: Set(id),
        finding_id: Set(finding.0),
        media_type: Set(photo.media_type),
        content: Set(photo.content),
        taken_at: Set(to_microseconds(photo.taken_at)),
    };
    let insert = finding_photos::Entity::insert(row).exec_without_returning(transaction).await;
    insert.map_err(|cause| StoreError::on("photo", cause))?;
    Ok(id)
}

/// Ids of a finding's pictures.
pub async fn photos(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    finding: FindingId,
) -> Result<Vec<Uuid>, StoreError> {
    let query = finding_photos::Entity::find()
        .filter(finding_photos::Column::OrganisationId.eq(organisation.0))
        .filter(finding_photos::Column::FindingId.eq(finding.0))
        .select_only()
        .column(finding_photos::Column::Id)
        .order_by_asc(finding_photos::Column::Id)
        .limit(PHOTOS_MAX);
    Ok(query.into_tuple().all(connection).await?)
}

/// One picture.
pub async fn photo(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    photo: Uuid,
) -> Result<Photo, StoreError> {
    let row = finding_photos::Entity::find_by_id((organisation.0, photo)).one(connection).await?;
    let row = row.ok_or(StoreError::Missing { noun: "photo" })?;
    Ok(Photo { media_type: row.media_type, content: row.content, taken_at: row.taken_at })
}
