//! Hour readings. Append-only: there is deliberately no update and no delete.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use fleet::engine::Engine;
use fleet::id::{EngineId, OrganisationId};
use fleet::ledger::{Accepted, Entry, Ledger, LedgerError, Mark};
use fleet::reading::{Meter, Reading, ReadingKind};
use sea_orm::{ColumnTrait as _, Condition, ConnectionTrait};

use crate::Transaction;
use crate::entity::{meters, readings};
use crate::error::StoreError;
use crate::record::{self, Page, PageOf};
use crate::value::to_microseconds;

/// A reading that the ledger refuses, or a database that failed.
#[derive(Debug, thiserror::Error)]
pub enum ReadingError {
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// The readings of engines, each in the order in which they were appended.
pub async fn of_engines(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    engines: &[EngineId],
) -> Result<BTreeMap<EngineId, Vec<Reading>>, StoreError> {
    let keys: Vec<_> = engines.iter().map(|id| id.0).collect();
    let found: Vec<Reading> =
        record::by_column(connection, organisation, readings::Column::EngineId, &keys).await?;
    let mut by_engine: BTreeMap<EngineId, Vec<Reading>> = BTreeMap::new();
    for reading in found {
        by_engine.entry(reading.engine).or_default().push(reading);
    }
    Ok(by_engine)
}

/// The meters that engines have and had.
pub async fn meters_of_engines(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    engines: &[EngineId],
) -> Result<Vec<Meter>, StoreError> {
    let keys: Vec<_> = engines.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, meters::Column::EngineId, &keys).await
}

/// The readings of one engine, in the order in which they were appended.
pub async fn page_of_engine(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    engine: EngineId,
    wanted: PageOf,
) -> Result<Page<Reading>, StoreError> {
    let condition = Condition::all().add(readings::Column::EngineId.eq(engine.0));
    record::page_where(connection, organisation, condition, wanted).await
}

/// The ledger of `readings`, all of one engine and in the order in which they were appended.
pub fn ledger(of: &[Reading]) -> Result<Ledger, StoreError> {
    let entries: Vec<Entry> = of.iter().map(entry).collect();
    Ledger::from_entries(&entries).map_err(|(_, cause)| StoreError::corrupt(cause))
}

/// A reading as the ledger takes it.
pub fn entry(reading: &Reading) -> Entry {
    let shown = reading.shown;
    // The database keeps `shown_before` for exactly these two kinds.
    let before = reading.shown_before.unwrap_or(shown);
    let mark = match reading.kind {
        ReadingKind::Reading => Mark::Reading { shown },
        ReadingKind::Estimate => Mark::Estimate { shown },
        ReadingKind::MeterReplaced => match reading.corrects.map(to_microseconds) {
            None => Mark::MeterReplaced { old_last: before, new_first: shown },
            Some(swap) => Mark::SwapCorrected { swap, old_last: before, new_first: shown },
        },
        ReadingKind::Reset => Mark::Reset { before, after: shown },
        ReadingKind::Correction => Mark::Correction { shown },
    };
    Entry { read_at: to_microseconds(reading.read_at), mark }
}

/// Takes one reading into its engine's ledger and keeps it if it is new.
///
/// # Errors
/// The ledger's rule that it breaks, `Future` where it lies after `now`.
pub async fn append(
    transaction: &Transaction,
    organisation: OrganisationId,
    reading: &Reading,
    now: DateTime<Utc>,
) -> Result<Accepted, ReadingError> {
    if reading.read_at > now {
        return Err(LedgerError::Future { read_at: reading.read_at }.into());
    }
    record::lock::<Engine>(transaction, organisation, reading.engine).await?;
    let known = of_engines(transaction, organisation, &[reading.engine]).await?;
    let mut ledger = ledger(known.get(&reading.engine).map_or(&[], Vec::as_slice))?;
    let accepted = ledger.accept(entry(reading))?;
    if accepted != Accepted::Known {
        record::append(transaction, organisation, std::slice::from_ref(reading)).await?;
    }
    Ok(accepted)
}

/// Takes many readings, each in its turn. The first that breaks a rule is named by its place.
///
/// One statement reads the ledgers, and one per some thousands of rows writes what is new.
///
/// # Errors
/// The place in `given` and what is wrong there; the caller's transaction must then roll back.
pub async fn append_many(
    transaction: &Transaction,
    organisation: OrganisationId,
    given: &[Reading],
    now: DateTime<Utc>,
) -> Result<Vec<Accepted>, (usize, ReadingError)> {
    let nowhere = |cause: StoreError| (0, ReadingError::from(cause));
    let mut engines: Vec<EngineId> = given.iter().map(|reading| reading.engine).collect();
    engines.sort_unstable();
    engines.dedup();
    record::lock_many::<Engine>(transaction, organisation, &engines).await.map_err(nowhere)?;
    let known = of_engines(transaction, organisation, &engines).await.map_err(nowhere)?;
    let mut ledgers: BTreeMap<EngineId, Ledger> = BTreeMap::new();
    let (mut answers, mut fresh) = (Vec::new(), Vec::new());
    for (place, reading) in given.iter().enumerate() {
        if reading.read_at > now {
            return Err((place, LedgerError::Future { read_at: reading.read_at }.into()));
        }
        let ledger = match ledgers.entry(reading.engine) {
            std::collections::btree_map::Entry::Occupied(there) => there.into_mut(),
            std::collections::btree_map::Entry::Vacant(place) => {
                let before = known.get(&reading.engine).map_or(&[][..], Vec::as_slice);
                place.insert(ledger(before).map_err(nowhere)?)
            }
        };
        let accepted =
            ledger.accept(entry(reading)).map_err(|cause| (place, ReadingError::from(cause)))?;
        if accepted != Accepted::Known {
            fresh.push(reading.clone());
        }
        answers.push(accepted);
    }
    record::append(transaction, organisation, &fresh).await.map_err(nowhere)?;
    Ok(answers)
}
