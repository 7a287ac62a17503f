//! Counts of the shelf.
//!
//! A count says what is there; what is booked is the difference from what should be there at the end
//! of that day. The first count of a part needs no reason, a later difference does.

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, Utc};
use exchange::load::StockRow;
use fleet::calendar::start_of_day;
use fleet::id::{EngineId, LotId, OrganisationId, PartId, SiteId, StockMoveId};
use fleet::part::{DatedBy, Lot, LotCondition, MoveKind, Part, StockMove};

use super::differences::{Known, values};
use super::names::{Lookup, Needs, day_after};
use super::{Loaded, Verdict, recorded_at};
use crate::entity::{lots, stock_moves};
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::stock;
use crate::store::Transaction;

const FIRST_COUNT: &str = "first count";

/// A row of a count.
pub(super) struct CountEntry {
    site: SiteId,
    part: PartId,
    lot: Option<Lot>,
    quantity: i64,
    /// The end of the day, or the present where the day has not ended.
    counted_at: DateTime<Utc>,
    /// Site, part, lot and day: what else says the same is the same count.
    reference: String,
    reason: Option<String>,
}

type Place = (SiteId, PartId, Option<LotId>);

/// Moves of the parts of a chunk, and what is about to be booked.
pub(super) struct ShelfState {
    moves: HashMap<Place, Vec<(DateTime<Utc>, i64)>>,
    /// What was counted, by reference.
    counted: BTreeMap<String, String>,
    /// How long a part keeps, in months.
    keeps: HashMap<PartId, u32>,
    lots: HashMap<(PartId, String), LotId>,
    known_lots: Known<(PartId, String)>,
    fresh_lots: Vec<Lot>,
    fresh_moves: Vec<StockMove>,
}

impl Loaded for StockRow {
    type Entry = CountEntry;
    type State = ShelfState;
    const NEEDS: &'static [Needs] = &[Needs::Sites, Needs::Parts, Needs::Engines];

    async fn begin(_: &Transaction, _: OrganisationId) -> Result<Self::State, StoreError> {
        Ok(ShelfState {
            moves: HashMap::new(),
            counted: BTreeMap::new(),
            keeps: HashMap::new(),
            lots: HashMap::new(),
            known_lots: Known::new([]),
            fresh_lots: Vec::new(),
            fresh_moves: Vec::new(),
        })
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<CountEntry> {
        let site = at.site("site", &self.site);
        let part = at.part("part", &self.part);
        let donor = at.optional("donor", self.donor.as_deref(), Lookup::engine);
        let (site, part, donor) = (site?, part?, donor?.map(|engine| engine.id));
        let end = start_of_day(day_after(self.counted_on), site.zone);
        let code = self.lot.clone().unwrap_or_default();
        let reference =
            format!("count {} | {} | {} | {code}", self.counted_on, self.site, self.part);
        Some(CountEntry {
            site: site.id,
            part,
            quantity: i64::from(self.quantity),
            counted_at: end.min(at.now),
            reference,
            reason: self.reason.clone(),
            lot: lot(self, part, donor),
        })
    }

    async fn prepare(
        transaction: &Transaction,
        organisation: OrganisationId,
        state: &mut Self::State,
        entries: &[(u64, CountEntry)],
    ) -> Result<(), StoreError> {
        let mut parts: Vec<_> = entries.iter().map(|(_, entry)| entry.part).collect();
        parts.sort_unstable();
        parts.dedup();
        // Two counts of a part at once would both book the whole difference.
        record::lock_many::<Part>(transaction, organisation, &parts).await?;
        let counted: Vec<Part> = record::by_ids(transaction, organisation, &parts).await?;
        let keeps = |part: &Part| {
            let months = u32::try_from(part.shelf_life_months?).ok()?;
            Some((part.id, months))
        };
        state.keeps = counted.iter().filter_map(keeps).collect();
        let parts: Vec<_> = parts.iter().map(|part| part.0).collect();
        let column = lots::Column::PartId;
        let lots: Vec<Lot> = record::by_column(transaction, organisation, column, &parts).await?;
        let coded = || lots.iter().filter_map(|lot| Some(((lot.part, lot.code.clone()?), lot)));
        state.lots = coded().map(|(key, lot)| (key, lot.id)).collect();
        state.known_lots = Known::new(coded().map(|(key, lot)| (key, values(lot))));
        let column = stock_moves::Column::PartId;
        let moves: Vec<StockMove> =
            record::by_column(transaction, organisation, column, &parts).await?;
        state.moves.clear();
        state.counted.clear();
        for one in moves {
            let place = (one.site, one.part, one.lot);
            state.moves.entry(place).or_default().push((one.moved_at, one.quantity));
            if let Some((reference, counted)) = one.reference.as_deref().and_then(split_reference) {
                state.counted.insert(reference.to_owned(), counted.to_owned());
            }
        }
        Ok(())
    }

    fn judge(state: &mut Self::State, entry: &CountEntry, at: &mut Lookup<'_>) -> Verdict {
        let quantity = entry.quantity.to_string();
        match state.counted.get(&entry.reference) {
            Some(counted) if *counted == quantity => return Verdict::Unchanged,
            Some(counted) => {
                let message = format!("{counted} was counted there on that day; count anew");
                at.refuse("quantity", &quantity, "other-values-on-record", message);
                return Verdict::Refused;
            }
            None => {}
        }
        let Ok(lot) = state.lot_of(entry, at) else { return Verdict::Refused };
        let place = (entry.site, entry.part, lot);
        let moves = state.moves.entry(place).or_default();
        let before = moves.iter().filter(|(moved_at, _)| *moved_at <= entry.counted_at);
        let should_be: i64 = before.map(|(_, quantity)| quantity).sum();
        let difference = entry.quantity - should_be;
        if difference == 0 {
            return Verdict::Unchanged;
        }
        let first = moves.is_empty().then(|| FIRST_COUNT.to_owned());
        let Some(reason) = entry.reason.clone().or(first) else {
            let message = format!("{should_be} should be there; say why it is not");
            at.refuse("quantity", &quantity, "stock-reason-missing", message);
            return Verdict::Refused;
        };
        moves.push((entry.counted_at, difference));
        state.counted.insert(entry.reference.clone(), quantity);
        state.fresh_moves.push(StockMove {
            id: StockMoveId::fresh(),
            part: entry.part,
            site: entry.site,
            lot,
            kind: MoveKind::Count,
            quantity: difference,
            moved_at: entry.counted_at,
            job: None,
            receipt_line: None,
            moved_by: None,
            together: None,
            reason: Some(reason),
            reference: Some(join_reference(&entry.reference, entry.quantity)),
            recorded_at: at.now,
        });
        Verdict::New
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        state: &mut Self::State,
        _: Vec<CountEntry>,
    ) -> Result<(), StoreError> {
        let lots = std::mem::take(&mut state.fresh_lots);
        let mut moves = std::mem::take(&mut state.fresh_moves);
        moves.iter_mut().for_each(|one| one.recorded_at = recorded_at(author));
        record::create(transaction, organisation, author, &lots).await?;
        stock::book(transaction, organisation, &moves).await
    }
}

impl ShelfState {
    /// The lot of a row, made known where it is new.
    fn lot_of(&mut self, entry: &CountEntry, at: &mut Lookup<'_>) -> Result<Option<LotId>, ()> {
        let Some(lot) = &entry.lot else { return Ok(None) };
        let key = (lot.part, lot.code.clone().unwrap_or_default());
        match self.known_lots.judge(key.clone(), values(lot), at) {
            Verdict::Refused => Err(()),
            Verdict::Unchanged => Ok(self.lots.get(&key).copied()),
            Verdict::New => {
                let aged = lot.clone().aged(self.keeps.get(&lot.part).copied());
                if let Some(received_on) = lot.received_on
                    && let Err(error) = aged.check_receipt(received_on, None)
                {
                    let value = received_on.to_string();
                    at.refuse("received_on", &value, error.rule(), error.to_string());
                    return Err(());
                }
                self.lots.insert(key, lot.id);
                self.fresh_lots.push(lot.clone());
                Ok(Some(lot.id))
            }
        }
    }
}

/// The quantity counted is kept with the reference: the move itself has the difference only.
fn join_reference(reference: &str, quantity: i64) -> String {
    format!("{reference} = {quantity}")
}

fn split_reference(kept: &str) -> Option<(&str, &str)> {
    kept.rsplit_once(" = ").filter(|(reference, _)| reference.starts_with("count "))
}

fn lot(row: StockRow, part: PartId, donor: Option<EngineId>) -> Option<Lot> {
    let code = row.lot?;
    let dated_by = match (row.cured_on, row.expires_on, row.received_on) {
        (Some(_), ..) => DatedBy::Cure,
        (None, Some(_), _) => DatedBy::Label,
        (None, None, Some(_)) => DatedBy::Receipt,
        (None, None, None) => DatedBy::Unknown,
    };
    Some(Lot {
        id: LotId::fresh(),
        version: 1,
        part,
        code: Some(code),
        cured_on: row.cured_on,
        received_on: row.received_on,
        expires_on: row.expires_on,
        dated_by,
        condition: if donor.is_some() { LotCondition::Used } else { LotCondition::New },
        donor,
        receipt_line: None,
    })
}
