//! A meter taken off an engine and another put on: a line of the ledger and the meters themselves,
//! together.

use chrono::{DateTime, Utc};
use fleet::engine::Engine;
use fleet::hours::Hours;
use fleet::id::{EngineId, MeterId, OrganisationId, PersonId, ReadingId};
use fleet::ledger::{Accepted, Entry, LedgerError, Mark};
use fleet::reading::{Meter, MeterKind, Reading, ReadingKind};

use crate::Transaction;
use crate::error::StoreError;
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
        corrects: None,
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

/// What was told wrongly of a swap, and what is right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SwapCorrection {
    pub engine: EngineId,
    /// The moment for which the swap is on record.
    pub swap: DateTime<Utc>,
    pub right: RightSwap,
    pub source: String,
    pub recorded_by: Option<PersonId>,
    /// Why; kept with the correction.
    pub reason: String,
}

/// What happened instead of what is on record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RightSwap {
    /// It was then, with these hours.
    Swap { at: DateTime<Utc>, old_last: Hours, new_first: Hours },
    /// The meter was not swapped; it showed this at that moment.
    NoSwap { shown: Hours },
}

/// Puts a swap right by a line of its own in the ledger, and the meters with it. Nothing that was
/// written is overwritten.
///
/// # Errors
/// The ledger's rules, which hold for every reading before and after as well: a swap that later
/// readings rest on can't be undone before they are put right. `correction-reason-missing`;
/// `swap-past-another` where the day lies beyond the swap before or after it.
pub async fn correct_swap(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    correction: SwapCorrection,
) -> Result<(Accepted, Reading), ReadingError> {
    let SwapCorrection { engine, swap, right, source, recorded_by, reason } = correction;
    let swap = to_microseconds(swap);
    if reason.trim().is_empty() {
        let what = "say why the swap is put right".to_owned();
        return Err(StoreError::Broken { rule: "correction-reason-missing", what }.into());
    }
    let (kind, read_at, shown, shown_before, corrects) = match right {
        RightSwap::Swap { at, old_last, new_first } => {
            let at = to_microseconds(at);
            (ReadingKind::MeterReplaced, at, new_first, Some(old_last), Some(swap))
        }
        RightSwap::NoSwap { shown } => (ReadingKind::Correction, swap, shown, None, None),
    };
    let reading = Reading {
        id: ReadingId::fresh(),
        engine,
        kind,
        read_at,
        shown,
        shown_before,
        corrects,
        source,
        recorded_by,
        recorded_at: to_microseconds(author.at),
        note: Some(reason.trim().to_owned()),
    };
    record::lock::<Engine>(transaction, organisation, engine).await?;
    let known = readings::of_engines(transaction, organisation, &[engine]).await?;
    let ledger = readings::ledger(known.get(&engine).map_or(&[], Vec::as_slice))?;
    let is_swap =
        |entry: &Entry| entry.read_at == swap && matches!(entry.mark, Mark::MeterReplaced { .. });
    if !ledger.entries().iter().any(is_swap) {
        return Err(LedgerError::NothingToCorrect.into());
    }
    let accepted = readings::append(transaction, organisation, &reading, author.at).await?;
    let mut meters = readings::meters_of_engines(transaction, organisation, &[engine]).await?;
    meters.sort_by_key(|meter| meter.fitted_at);
    let old = meters.iter().find(|meter| meter.removed_at == Some(swap)).cloned();
    let new = meters.iter().find(|meter| meter.fitted_at == swap).cloned();
    match right {
        RightSwap::Swap { .. } => {
            let begins = old.as_ref().is_some_and(|old| old.fitted_at >= read_at);
            let ends = new.as_ref().and_then(|new| new.removed_at);
            if begins || ends.is_some_and(|off| off <= read_at) {
                let what = "the swap would come before the meter that it took off was fitted, or \
                            after the one that it put on came off"
                    .to_owned();
                return Err(StoreError::Broken { rule: "swap-past-another", what }.into());
            }
            if let Some(old) = old {
                let moved = Meter { removed_at: Some(read_at), ..old };
                record::change(transaction, organisation, author, &moved).await?;
            }
            if let Some(new) = new {
                let moved = Meter { fitted_at: read_at, ..new };
                record::change(transaction, organisation, author, &moved).await?;
            }
        }
        RightSwap::NoSwap { .. } => {
            let off = new.as_ref().and_then(|new| new.removed_at);
            if let (Some(new), Some(old)) = (new, old) {
                record::remove::<Meter>(transaction, organisation, author, new.id, new.version)
                    .await?;
                let stays = Meter { removed_at: off, ..old };
                record::change(transaction, organisation, author, &stays).await?;
            }
        }
    }
    Ok((accepted, reading))
}
