//! Promises to jobs, lot by lot, what expires first first.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use fleet::id::{JobId, LotId, OrganisationId, PartId, ReservationId, SiteId};
use fleet::part::{Part, Reservation, ReservationStatus, StockLevel};
use fleet::stock::{Purpose, Refusal, Want, pick};

use super::shelf::{lot_of, shelves};
use super::{keep_levels, lock_levels};
use crate::Transaction;
use crate::error::StoreError;
use crate::record::{self, Author, Record as _};
use crate::value::to_microseconds;

/// Whom something is promised to, and from which shelf.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ForJob {
    pub job: JobId,
    pub site: SiteId,
    /// Of the site's calendar: what is expired is not promised.
    pub today: NaiveDate,
}

/// What could be kept back.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Promised {
    pub held: Vec<Reservation>,
    /// How much is missing of what; empty where all of it is kept back.
    pub missing: BTreeMap<PartId, u32>,
    /// Lots that are there and were passed over, and why.
    pub refused: Vec<Refusal>,
}

/// Locks the levels of `parts` at `site` until the transaction ends, in the order of ids.
///
/// Levels are locked before jobs, everywhere, so that no two transactions wait in a ring: whoever
/// moves several jobs in one transaction locks the levels of all their parts here first.
pub async fn lock(
    transaction: &Transaction,
    organisation: OrganisationId,
    site: SiteId,
    parts: &[PartId],
) -> Result<(), StoreError> {
    let places: Vec<_> = parts.iter().map(|part| (*part, site)).collect();
    lock_levels(transaction, organisation, &places).await.map(drop)
}

/// Wants of parts; a sealing part is for a sealing job.
pub async fn wants(
    transaction: &Transaction,
    organisation: OrganisationId,
    of: &BTreeMap<PartId, u32>,
) -> Result<Vec<Want>, StoreError> {
    let ids: Vec<PartId> = of.keys().copied().collect();
    let parts = record::by_ids::<Part>(transaction, organisation, &ids).await?;
    if parts.len() != ids.len() {
        return Err(StoreError::Missing { noun: Part::NOUN });
    }
    let want = |part: &Part| Want {
        part: part.id,
        quantity: of.get(&part.id).copied().unwrap_or(0),
        purpose: if part.sealing { Purpose::Sealing } else { Purpose::Other },
    };
    Ok(parts.iter().map(want).filter(|want| want.quantity > 0).collect())
}

/// Keeps back for a job what is there of `wants`, and says what is missing. What expires first is
/// promised first; what is expired, or no good for a sealing job, is passed over.
///
/// Of many who ask for the last one, one gets it. A part stands in `wants` once.
pub async fn promise(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    to: ForJob,
    wants: &[Want],
) -> Result<Promised, StoreError> {
    let parts: Vec<PartId> = wants.iter().map(|want| want.part).collect();
    let places: Vec<_> = parts.iter().map(|part| (*part, to.site)).collect();
    let mut levels = lock_levels(transaction, organisation, &places).await?;
    let shelves = shelves(transaction, organisation, to.site, &parts).await?;
    let mut promised = Promised::default();
    for want in wants {
        let level = levels
            .get_mut(&(want.part, to.site))
            .ok_or(StoreError::Missing { noun: StockLevel::NOUN })?;
        // Never more than the level has free, whatever the lots add up to.
        let free = u32::try_from((level.on_hand - level.reserved).max(0)).unwrap_or(u32::MAX);
        let shelf = shelves.get(&want.part).map_or(&[][..], Vec::as_slice);
        let picked = pick(shelf, want.quantity.min(free), want.purpose, to.today);
        promised.refused.extend(picked.refused);
        let found: u32 = picked.picks.iter().map(|pick| pick.quantity).sum();
        if found < want.quantity {
            promised.missing.insert(want.part, want.quantity - found);
        }
        for pick in picked.picks {
            level.reserved += i64::from(pick.quantity);
            promised.held.push(Reservation {
                id: ReservationId::fresh(),
                version: 1,
                job: to.job,
                part: want.part,
                site: to.site,
                lot: lot_of(pick.lot),
                quantity: i64::from(pick.quantity),
                status: ReservationStatus::Held,
                reserved_at: to_microseconds(author.at),
            });
        }
    }
    keep_levels(transaction, organisation, levels.values()).await?;
    merge_held(transaction, organisation, author, &mut promised.held).await?;
    Ok(promised)
}

/// Keeps promises: one of a lot that the job was promised some of before grows.
async fn merge_held(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    promised: &mut [Reservation],
) -> Result<(), StoreError> {
    let Some(job) = promised.first().map(|one| one.job) else { return Ok(()) };
    let before = super::held_for_jobs(transaction, organisation, &[job]).await?;
    let mut fresh = Vec::new();
    for one in promised.iter_mut() {
        let same =
            |held: &&Reservation| (held.part, held.site, held.lot) == (one.part, one.site, one.lot);
        match before.iter().find(same) {
            None => fresh.push(one.clone()),
            Some(held) => {
                let grown = Reservation { quantity: held.quantity + one.quantity, ..held.clone() };
                *one = record::change(transaction, organisation, author, &grown).await?;
            }
        }
    }
    record::create(transaction, organisation, author, &fresh).await
}

/// What jobs want of each part, in the order in which they are served.
pub type Wanted = Vec<(JobId, BTreeMap<PartId, u32>)>;

/// Settles anew what is kept back for many jobs at one site: the first of `wanted` is served first,
/// out of what is free and what all of them held before; `let_go` hold nothing after it. Promises
/// that come out as they were are left alone. Answers how many pieces each job misses, jobs that
/// miss none left out.
///
/// The levels of all these parts were locked by [`lock`], the jobs after them.
pub async fn promise_anew(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (site, today): (SiteId, NaiveDate),
    wanted: &Wanted,
    let_go: &[JobId],
) -> Result<BTreeMap<JobId, u32>, StoreError> {
    let jobs: Vec<JobId> =
        wanted.iter().map(|(job, _)| *job).chain(let_go.iter().copied()).collect();
    let mut held = super::held_for_jobs(transaction, organisation, &jobs).await?;
    held.retain(|one| one.site == site);
    let mut parts: Vec<PartId> =
        wanted.iter().flat_map(|(_, parts)| parts.keys()).copied().collect();
    parts.extend(held.iter().map(|one| one.part));
    parts.sort_unstable();
    parts.dedup();
    let places: Vec<_> = parts.iter().map(|part| (*part, site)).collect();
    let mut levels = lock_levels(transaction, organisation, &places).await?;
    let mut shelves = shelves(transaction, organisation, site, &parts).await?;
    for one in &held {
        if let Some(level) = levels.get_mut(&(one.part, site)) {
            level.reserved -= one.quantity;
        }
        let shelf = shelves.get_mut(&one.part).into_iter().flatten();
        for lot in shelf.filter(|lot| lot_of(lot.lot.id) == one.lot) {
            let quantity = u32::try_from(one.quantity).unwrap_or(0);
            lot.reserved = lot.reserved.saturating_sub(quantity);
        }
    }
    let sealing: BTreeMap<PartId, bool> = record::by_ids::<Part>(transaction, organisation, &parts)
        .await?
        .into_iter()
        .map(|part| (part.id, part.sealing))
        .collect();
    let mut promised: BTreeMap<(JobId, PartId, Option<LotId>), i64> = BTreeMap::new();
    let mut missing: BTreeMap<JobId, u32> = BTreeMap::new();
    for (job, wants) in wanted {
        for (part, quantity) in wants {
            let purpose = match sealing.get(part) {
                Some(true) => Purpose::Sealing,
                Some(false) => Purpose::Other,
                None => return Err(StoreError::Missing { noun: Part::NOUN }),
            };
            let level = levels
                .get_mut(&(*part, site))
                .ok_or(StoreError::Missing { noun: StockLevel::NOUN })?;
            // Never more than the level has free, whatever the lots add up to.
            let free = u32::try_from((level.on_hand - level.reserved).max(0)).unwrap_or(u32::MAX);
            let shelf = shelves.entry(*part).or_default();
            let mut open = *quantity;
            for pick in pick(shelf, open.min(free), purpose, today).picks {
                open -= pick.quantity;
                level.reserved += i64::from(pick.quantity);
                let lot = shelf.iter_mut().find(|lot| lot.lot.id == pick.lot);
                lot.into_iter().for_each(|lot| lot.reserved += pick.quantity);
                let key = (*job, *part, lot_of(pick.lot));
                *promised.entry(key).or_default() += i64::from(pick.quantity);
            }
            if open > 0 {
                *missing.entry(*job).or_default() += open;
            }
        }
    }
    keep_levels(transaction, organisation, levels.values()).await?;
    keep_promises(transaction, organisation, author, (site, held), promised).await?;
    Ok(missing)
}

/// Makes of the promises that held those that hold now.
async fn keep_promises(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    (site, held): (SiteId, Vec<Reservation>),
    mut promised: BTreeMap<(JobId, PartId, Option<LotId>), i64>,
) -> Result<(), StoreError> {
    let settled: Vec<Reservation> = held
        .into_iter()
        .map(|one| match promised.remove(&(one.job, one.part, one.lot)) {
            Some(quantity) => Reservation { quantity, ..one },
            None => Reservation { status: ReservationStatus::Released, ..one },
        })
        .collect();
    record::change_all(transaction, organisation, author, &settled).await?;
    let fresh: Vec<Reservation> = promised
        .into_iter()
        .map(|((job, part, lot), quantity)| Reservation {
            id: ReservationId::fresh(),
            version: 1,
            job,
            part,
            site,
            lot,
            quantity,
            status: ReservationStatus::Held,
            reserved_at: to_microseconds(author.at),
        })
        .collect();
    record::create(transaction, organisation, author, &fresh).await
}

/// Gives back all that is promised to a job.
pub async fn give_back(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    job: JobId,
) -> Result<(), StoreError> {
    for held in super::held_for_jobs(transaction, organisation, &[job]).await? {
        let status = ReservationStatus::Released;
        super::end_reservation(transaction, organisation, author, held.id, status).await?;
    }
    Ok(())
}
