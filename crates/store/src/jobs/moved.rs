//! What a stock move does to jobs: it kits those that waited, and unmakes kits that are not there.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use fleet::bench::{Job, JobStatus};
use fleet::id::{JobId, LotId, OrganisationId, PartId, SiteId};
use fleet::part::{Reservation, ReservationStatus};

use super::follow::{Moving, kit_what_arrived};
use crate::Transaction;
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::sites;
use crate::stock::{self, Booked, Order, lot_of};

/// A move and the jobs that it touched.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Moved {
    pub booked: Booked,
    /// Short before, kitted now.
    pub kitted: Vec<Job>,
    /// Kitted before; what was kept back for them is not there.
    pub short: Vec<Job>,
}

/// Carries out a stock move and settles the jobs that wait for its parts or were promised them.
///
/// # Errors
/// What [`stock::carry_out`] refuses.
pub async fn move_stock(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    order: Order,
) -> Result<Moved, StoreError> {
    let booked = stock::carry_out(transaction, organisation, who, order).await?;
    let mut came: BTreeMap<SiteId, BTreeSet<PartId>> = BTreeMap::new();
    let mut went: BTreeMap<SiteId, BTreeSet<PartId>> = BTreeMap::new();
    for step in &booked.moves {
        let places = if step.quantity > 0 { &mut came } else { &mut went };
        places.entry(step.site).or_default().insert(step.part);
    }
    let mut moved = Moved { booked, ..Moved::default() };
    for (site, parts) in went {
        let today = sites::today(transaction, organisation, site, who.at).await?;
        let moving = Moving { transaction, organisation, who, today };
        let parts: Vec<PartId> = parts.into_iter().collect();
        moved.short.extend(unmake_kits(&moving, site, &parts).await?);
    }
    for (site, parts) in came {
        let today: NaiveDate = sites::today(transaction, organisation, site, who.at).await?;
        let parts: Vec<PartId> = parts.into_iter().collect();
        let kitted = kit_what_arrived(transaction, organisation, who, site, &parts, today).await?;
        moved.kitted.extend(kitted);
    }
    Ok(moved)
}

/// Ends promises of what is not there any more, the latest planned job's first, and looks for other
/// lots. What is on the bench already stays: its parts were taken to it.
async fn unmake_kits(
    moving: &Moving<'_>,
    site: SiteId,
    parts: &[PartId],
) -> Result<Vec<Job>, StoreError> {
    let (transaction, organisation) = (moving.transaction, moving.organisation);
    let mut over: BTreeMap<(PartId, Option<LotId>), u32> = BTreeMap::new();
    for (part, shelf) in stock::shelves(transaction, organisation, site, parts).await? {
        for one in shelf.iter().filter(|one| one.reserved > one.on_hand) {
            over.insert((part, lot_of(one.lot.id)), one.reserved - one.on_hand);
        }
    }
    if over.is_empty() {
        return Ok(Vec::new());
    }
    let mut held = stock::held_of(transaction, organisation, site, parts).await?;
    held.retain(|one| over.contains_key(&(one.part, one.lot)));
    let jobs: Vec<JobId> = held.iter().map(|one| one.job).collect();
    record::lock_many::<Job>(transaction, organisation, &jobs).await?;
    let jobs: BTreeMap<JobId, Job> = record::by_ids::<Job>(transaction, organisation, &jobs)
        .await?
        .into_iter()
        .filter(|job| !matches!(job.status, JobStatus::OnBench | JobStatus::OnTest))
        .map(|job| (job.id, job))
        .collect();
    let planned = |one: &Reservation| {
        jobs.get(&one.job).map(|job| (job.planned_on.unwrap_or(NaiveDate::MAX), job.number))
    };
    held.sort_by_key(|one| std::cmp::Reverse(planned(one)));
    let mut touched = Vec::new();
    for one in held.iter().filter(|one| jobs.contains_key(&one.job)) {
        let Some(left) = over.get_mut(&(one.part, one.lot)).filter(|left| **left > 0) else {
            continue;
        };
        *left = left.saturating_sub(u32::try_from(one.quantity).unwrap_or(u32::MAX));
        let (who, status) = (moving.who, ReservationStatus::Released);
        stock::end_reservation(transaction, organisation, who, one.id, status).await?;
        if !touched.contains(&one.job) {
            touched.push(one.job);
        }
    }
    let mut short = Vec::new();
    for id in touched {
        let Some(job) = jobs.get(&id) else { continue };
        let was = job.status;
        let job = moving.settle(job.clone()).await?;
        if job.status == JobStatus::Short && was != JobStatus::Short {
            short.push(job);
        }
    }
    Ok(short)
}
