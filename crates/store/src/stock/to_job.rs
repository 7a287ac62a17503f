//! What goes from the shelf to a job.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use fleet::bench::Job;
use fleet::id::{JobId, LotId, OrganisationId, PartId, ReservationId, StockMoveId};
use fleet::part::{MoveKind, Part, Reservation, ReservationStatus, StockMove};
use fleet::person::Person;
use fleet::stock::{Purpose, pick};
use sea_orm::ConnectionTrait;

use super::At;
use super::shelf::{lot_of, shelves};
use super::{book, end_reservation, held_for_jobs, keep_levels, lock_levels, too_few};
use crate::Transaction;
use crate::entity::stock_moves;
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::value::to_microseconds;

/// The person behind an author; `None` where a program did it.
pub async fn person_behind(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
) -> Result<Option<Person>, StoreError> {
    let Some(id) = author.id else { return Ok(None) };
    record::find::<Person>(transaction, organisation, id.into()).await
}

/// Issues `quantity` of a part to a job: first what it was promised, then what is free and expires
/// first.
///
/// # Errors
/// `stock-short` where there is not that much.
pub async fn issue(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (job, part): (&Job, PartId),
    quantity: i64,
    today: NaiveDate,
) -> Result<Vec<StockMove>, StoreError> {
    lock_levels(transaction, organisation, &[(part, job.site)]).await?;
    let mut taken = take_promised(transaction, organisation, author, (job, part), quantity).await?;
    let rest = quantity - taken.iter().map(|(_, pieces)| pieces).sum::<i64>();
    if rest > 0 {
        let purpose = purpose_of(transaction, organisation, part).await?;
        let shelf = shelves(transaction, organisation, job.site, &[part]).await?;
        let shelf = shelf.get(&part).map_or(&[][..], Vec::as_slice);
        let wanted = u32::try_from(rest).unwrap_or(u32::MAX);
        let picked = pick(shelf, wanted, purpose, today);
        if picked.missing > 0 {
            let few = (i64::from(wanted - picked.missing), rest);
            return Err(too_few(transaction, organisation, "stock-short", part, few).await);
        }
        let found = picked.picks.iter().map(|pick| (lot_of(pick.lot), i64::from(pick.quantity)));
        taken.extend(found);
    }
    let person = person_behind(transaction, organisation, author).await?;
    let issued = |(lot, pieces): (Option<LotId>, i64)| StockMove {
        id: StockMoveId::fresh(),
        part,
        site: job.site,
        lot,
        kind: MoveKind::Issue,
        quantity: -pieces,
        moved_at: to_microseconds(author.at),
        job: Some(job.id),
        receipt_line: None,
        moved_by: person.as_ref().map(|person| person.id),
        together: None,
        reason: None,
        reference: None,
        recorded_at: to_microseconds(author.at),
    };
    let moves: Vec<StockMove> = taken.into_iter().map(issued).collect();
    book(transaction, organisation, &moves).await?;
    Ok(moves)
}

/// What a part is for.
pub(super) async fn purpose_of(
    transaction: &Transaction,
    organisation: OrganisationId,
    part: PartId,
) -> Result<Purpose, StoreError> {
    let part = record::get::<Part>(transaction, organisation, part).await?;
    Ok(if part.sealing { Purpose::Sealing } else { Purpose::Other })
}

/// Ends the promises that `quantity` of a part comes out of; what is left of the last one is
/// promised anew.
async fn take_promised(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (job, part): (&Job, PartId),
    quantity: i64,
) -> Result<Vec<(Option<LotId>, i64)>, StoreError> {
    let mut taken = Vec::new();
    let mut wanted = quantity;
    for held in held_for_jobs(transaction, organisation, &[job.id]).await? {
        if held.part != part || wanted == 0 {
            continue;
        }
        let pieces = held.quantity.min(wanted);
        taken.push((held.lot, pieces));
        wanted -= pieces;
        take_of(transaction, organisation, author, held, pieces).await?;
    }
    Ok(taken)
}

/// Lets go of what a job was promised of a part beyond `keeps`, what was promised last first.
pub async fn let_go(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (job, part): (JobId, PartId),
    keeps: i64,
) -> Result<(), StoreError> {
    let mut held = held_for_jobs(transaction, organisation, &[job]).await?;
    held.retain(|one| one.part == part);
    let mut beyond = held.iter().map(|one| one.quantity).sum::<i64>() - keeps;
    for one in held.into_iter().rev() {
        let pieces = one.quantity.min(beyond);
        if pieces > 0 {
            let free = ReservationStatus::Released;
            end_part_of(transaction, organisation, author, one, (pieces, free)).await?;
        }
        beyond -= pieces;
    }
    Ok(())
}

/// Ends a promise of which `pieces` are taken.
async fn take_of(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    held: Reservation,
    pieces: i64,
) -> Result<(), StoreError> {
    let issued = (pieces, ReservationStatus::Issued);
    end_part_of(transaction, organisation, author, held, issued).await
}

/// Ends a promise as far as `pieces`; the rest is promised anew.
async fn end_part_of(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    held: Reservation,
    (pieces, status): (i64, ReservationStatus),
) -> Result<(), StoreError> {
    let ended = end_reservation(transaction, organisation, author, held.id, status).await?;
    let left = held.quantity - pieces;
    if left == 0 {
        return Ok(());
    }
    let taken = Reservation { quantity: pieces, ..ended };
    record::change(transaction, organisation, author, &taken).await?;
    let rest = Reservation { id: ReservationId::fresh(), version: 1, quantity: left, ..held };
    record::create(transaction, organisation, author, std::slice::from_ref(&rest)).await?;
    let place = (rest.part, rest.site);
    let mut levels = lock_levels(transaction, organisation, &[place]).await?;
    for level in levels.values_mut() {
        level.reserved += left;
    }
    keep_levels(transaction, organisation, levels.values()).await
}

/// Ends as much of a job's promise of one lot as is taken from it now.
pub(super) async fn take_promised_lot(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (job, at): (JobId, At),
    quantity: i64,
) -> Result<(), StoreError> {
    lock_levels(transaction, organisation, &[(at.part, at.site)]).await?;
    let held = held_for_jobs(transaction, organisation, &[job]).await?;
    let same = |one: &Reservation| one.part == at.part && one.site == at.site;
    // Of this lot first; else it takes the place of another lot that was promised.
    let mut of_part: Vec<Reservation> = held.into_iter().filter(same).collect();
    of_part.sort_by_key(|one| one.lot != at.lot);
    let mut wanted = quantity;
    for one in of_part {
        let pieces = one.quantity.min(wanted);
        if pieces > 0 {
            take_of(transaction, organisation, author, one, pieces).await?;
        }
        wanted -= pieces;
    }
    Ok(())
}

/// What went to jobs of each part, returns taken off.
pub async fn issued_to(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    jobs: &[JobId],
) -> Result<BTreeMap<(JobId, PartId), i64>, StoreError> {
    let keys: Vec<_> = jobs.iter().map(|id| id.0).collect();
    let column = stock_moves::Column::JobId;
    let moves: Vec<StockMove> = record::by_column(connection, organisation, column, &keys).await?;
    let mut issued = BTreeMap::new();
    for one in moves {
        if let Some(job) = one.job {
            *issued.entry((job, one.part)).or_insert(0) -= one.quantity;
        }
    }
    Ok(issued)
}
