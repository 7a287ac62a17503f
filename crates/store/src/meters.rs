//! A meter taken off an engine and another put on: a line of the ledger and the meters themselves,
//! together.

use chrono::{DateTime, Utc};
use fleet::hours::Hours;
use fleet::id::{EngineId, MeterId, OrganisationId, PersonId, ReadingId};
use fleet::ledger::Accepted;
use fleet::reading::{Meter, MeterKind, Reading, ReadingKind};

use crate::Transaction;
use crate::readings::{self, ReadingError};
use crate::record::{self, Author};
use crate::value::to_microseconds;

/// What is told of a swap.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MeterSwap {
    pub engine: EngineId,
    pub at: DateTime<Utc>,
    /// What the old meter showed last.
    pub old_last: Hours,
    /// What the new meter showed first.
    pub new_first: Hours,
    /// Of the new meter; the old one's where `None`.
    pub kind: Option<MeterKind>,
    /// Of the new meter.
    pub serial: Option<String>,
    /// Who or what told of it.
    pub source: String,
    pub recorded_by: Option<PersonId>,
    pub note: Option<String>,
}

/// What became of a swap.
#[derive(Clone, Debug, PartialEq)]
pub struct Swapped {
    pub accepted: Accepted,
    pub reading: Reading,
    /// The meter that was put on.
    pub meter: Meter,
}

/// Takes a swap into the engine's ledger, ends the meter that was on and begins the new one.
///
/// A swap told late stands between the meters before and after it. The same swap told again changes
/// nothing.
///
/// # Errors
/// The ledger's rule that it breaks, `Future` where it lies after the author's present.
pub async fn swap(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    swap: MeterSwap,
) -> Result<Swapped, ReadingError> {
    let MeterSwap { engine, at, old_last, new_first, kind, serial, source, recorded_by, note } =
        swap;
    let at = to_microseconds(at);
    let reading = Reading {
        id: ReadingId::fresh(),
        engine,
        kind: ReadingKind::MeterReplaced,
        read_at: at,
        shown: new_first,
        shown_before: Some(old_last),
        source,
        recorded_by,
        recorded_at: to_microseconds(author.at),
        note,
    };
    // Locks the engine, and with it its meters.
    let accepted = readings::append(transaction, organisation, &reading, author.at).await?;
    let meters = readings::meters_of_engines(transaction, organisation, &[engine]).await?;
    if let Some(there) = meters.iter().find(|meter| meter.fitted_at == at) {
        return Ok(Swapped { accepted, reading, meter: there.clone() });
    }
    let on_then = meters
        .iter()
        .find(|meter| meter.fitted_at < at && meter.removed_at.is_none_or(|off| off > at));
    let until = match on_then {
        Some(old) => old.removed_at,
        None => meters.iter().map(|meter| meter.fitted_at).filter(|&fitted| fitted > at).min(),
    };
    let kind = kind.or(on_then.map(|old| old.kind)).unwrap_or(MeterKind::HourMeter);
    if let Some(old) = on_then {
        let ended = Meter { removed_at: Some(at), ..old.clone() };
        record::change(transaction, organisation, author, &ended).await?;
    }
    let meter = Meter {
        id: MeterId::fresh(),
        version: 1,
        engine,
        kind,
        serial,
        fitted_at: at,
        removed_at: until,
    };
    record::create(transaction, organisation, author, std::slice::from_ref(&meter)).await?;
    Ok(Swapped { accepted, reading, meter })
}
