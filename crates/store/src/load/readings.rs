//! Hour readings, a million of them in one file.
//!
//! Each reading is taken into its engine's ledger, which knows the rules. Ledgers are read once for
//! all engines of a chunk and kept for the next; when they grow past a bound they are dropped and
//! read again as needed, so memory does not grow with the file.

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, Utc};
use exchange::load::ReadingRow;
use fleet::Hours;
use fleet::engine::Engine;
use fleet::id::{EngineId, OrganisationId, ReadingId};
use fleet::ledger::{Accepted, Entry, Ledger, LedgerError, Mark};
use fleet::reading::{Reading, ReadingKind};

use super::names::{Lookup, Needs};
use super::{Loaded, Verdict, recorded_at};
use crate::error::StoreError;
use crate::readings;
use crate::record::{self, Author};
use crate::store::Transaction;

/// Entries held, 40 bytes each.
const ENTRIES_MAX: usize = 2_000_000;

/// The readings of one engine.
#[derive(Default)]
struct Held {
    ledger: Ledger,
    /// What was said of a moment before it was corrected: saying it again says nothing new.
    voided: BTreeMap<DateTime<Utc>, Vec<Hours>>,
}

#[derive(Default)]
pub(super) struct ReadingState {
    held: HashMap<EngineId, Held>,
    entries: usize,
}

impl Loaded for ReadingRow {
    type Entry = Reading;
    type State = ReadingState;
    const NEEDS: &'static [Needs] = &[Needs::Engines];

    /// Locks all engines at once, in the order of ids: no other reading comes between the ledgers
    /// that are read and what is written, and two loads wait for each other without a ring.
    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let engines = record::all::<Engine>(transaction, organisation).await?;
        let ids: Vec<_> = engines.iter().map(|engine| engine.id).collect();
        record::lock_many::<Engine>(transaction, organisation, &ids).await?;
        Ok(ReadingState::default())
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<Reading> {
        let engine = at.engine("serial", &self.serial)?;
        let read_at = at.past_instant("read_at", self.read_at, engine.zone)?;
        Some(Reading {
            id: ReadingId::fresh(),
            engine: engine.id,
            kind: self.kind,
            read_at,
            shown: self.shown,
            shown_before: self.shown_before,
            corrects: None,
            source: self.source,
            recorded_by: None,
            recorded_at: at.now,
            note: self.note,
        })
    }

    async fn prepare(
        transaction: &Transaction,
        organisation: OrganisationId,
        state: &mut Self::State,
        entries: &[(u64, Reading)],
    ) -> Result<(), StoreError> {
        if state.entries > ENTRIES_MAX {
            *state = Self::State::default();
        }
        let mut engines: Vec<_> = entries
            .iter()
            .map(|(_, reading)| reading.engine)
            .filter(|engine| !state.held.contains_key(engine))
            .collect();
        engines.sort_unstable();
        engines.dedup();
        let mut found = readings::of_engines(transaction, organisation, &engines).await?;
        for engine in engines {
            let known = found.remove(&engine).unwrap_or_default();
            state.entries += known.len();
            state.held.insert(engine, Held::read(&known)?);
        }
        Ok(())
    }

    fn judge(state: &mut Self::State, entry: &Reading, at: &mut Lookup<'_>) -> Verdict {
        let held = state.held.entry(entry.engine).or_default();
        match held.take(entry) {
            Ok(Accepted::Known) => Verdict::Unchanged,
            Ok(Accepted::New | Accepted::Unusual { .. }) => {
                state.entries += 1;
                Verdict::New
            }
            Err(error) => {
                let serial = at.names.shown(entry.engine.0).unwrap_or_default();
                let message = format!("engine {serial}: {error}");
                at.refuse("hours", &entry.shown.to_string(), error.rule(), message);
                Verdict::Refused
            }
        }
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<Reading>,
    ) -> Result<(), StoreError> {
        let recorded_at = recorded_at(author);
        let entries: Vec<_> =
            entries.into_iter().map(|reading| Reading { recorded_at, ..reading }).collect();
        record::append(transaction, organisation, &entries).await
    }
}

impl Held {
    fn read(known: &[Reading]) -> Result<Self, StoreError> {
        let mut held = Self::default();
        for reading in known {
            held.accept(&readings::entry(reading)).map_err(StoreError::corrupt)?;
        }
        Ok(held)
    }

    fn take(&mut self, reading: &Reading) -> Result<Accepted, LedgerError> {
        let entry = readings::entry(reading);
        let corrects = reading.kind == ReadingKind::Correction;
        let voided = self.voided.get(&entry.read_at);
        if !corrects && voided.is_some_and(|values| values.contains(&reading.shown)) {
            return Ok(Accepted::Known);
        }
        // The ledger takes a correction as often as it comes; a file loaded again brings it again.
        if corrects && self.shown_at(entry.read_at) == Some(reading.shown) {
            return Ok(Accepted::Known);
        }
        self.accept(&entry)
    }

    fn accept(&mut self, entry: &Entry) -> Result<Accepted, LedgerError> {
        let before = match entry.mark {
            Mark::Correction { .. } => Some(entry.read_at),
            Mark::SwapCorrected { swap, .. } => Some(swap),
            _ => None,
        };
        let before = before.and_then(|at| Some((at, self.shown_at(at)?)));
        let accepted = self.ledger.accept(*entry)?;
        if let Some((at, before)) = before {
            self.voided.entry(at).or_default().push(before);
        }
        Ok(accepted)
    }

    /// What is on record for a moment.
    fn shown_at(&self, read_at: DateTime<Utc>) -> Option<Hours> {
        let entries = self.ledger.entries();
        let place = entries.binary_search_by_key(&read_at, |entry| entry.read_at).ok()?;
        Some(match entries[place].mark {
            Mark::Reading { shown } | Mark::Estimate { shown } | Mark::Correction { shown } => {
                shown
            }
            Mark::MeterReplaced { new_first, .. } | Mark::SwapCorrected { new_first, .. } => {
                new_first
            }
            Mark::Reset { after, .. } => after,
        })
    }
}
