//! What jobs wait for, and until when.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use fleet::bench::{Job, JobStatus};
use fleet::id::{JobId, OrganisationId, PartId, SiteId};
use fleet::job::Shortage;
use sea_orm::{ColumnTrait as _, Condition, ConnectionTrait, QueryFilter as _};

use crate::entity::jobs;
use crate::error::StoreError;
use crate::orders::{self, Expected};
use crate::record;
use crate::stock;

/// What each of `of` needs and neither holds nor has had, with the day on which it is expected.
///
/// What is on order serves the short jobs of a site by their planned day, then by their number; a
/// job without a day comes last. Jobs that need nothing more are left out.
pub async fn shortages(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[Job],
) -> Result<BTreeMap<JobId, Vec<Shortage>>, StoreError> {
    let mut sites: Vec<SiteId> = of.iter().map(|job| job.site).collect();
    sites.sort_unstable();
    sites.dedup();
    let mut found = BTreeMap::new();
    for site in sites {
        found.extend(at_site(connection, organisation, site, of).await?);
    }
    Ok(found)
}

async fn at_site(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    site: SiteId,
    of: &[Job],
) -> Result<BTreeMap<JobId, Vec<Shortage>>, StoreError> {
    let asked: Vec<&Job> = of.iter().filter(|job| job.site == site).collect();
    let mut queue = short_at(connection, organisation, site).await?;
    for job in &asked {
        if queue.iter().all(|queued| queued.id != job.id) {
            queue.push((*job).clone());
        }
    }
    queue.sort_by_key(|job| (job.planned_on.unwrap_or(NaiveDate::MAX), job.number));
    let missing = missing(connection, organisation, &queue).await?;
    let mut parts: Vec<PartId> = missing.values().flatten().map(|(part, _)| *part).collect();
    parts.sort_unstable();
    parts.dedup();
    let mut expected = orders::expected(connection, organisation, site, &parts).await?;
    let mut found = BTreeMap::new();
    for job in &queue {
        let Some(wants) = missing.get(&job.id) else { continue };
        let shortage = |(part, missing): &(PartId, u32)| {
            let coming = expected.get_mut(part).map_or(&mut [][..], Vec::as_mut_slice);
            Shortage { part: *part, missing: *missing, until: serve(coming, *missing) }
        };
        let of: Vec<Shortage> = wants.iter().map(shortage).collect();
        if asked.iter().any(|one| one.id == job.id) {
            found.insert(job.id, of);
        }
    }
    Ok(found)
}

/// Short jobs of a site.
pub(super) async fn short_at(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    site: SiteId,
) -> Result<Vec<Job>, StoreError> {
    let condition = Condition::all()
        .add(jobs::Column::SiteId.eq(site.0))
        .add(jobs::Column::Status.eq(JobStatus::Short.as_str()));
    record::select(connection, record::of::<Job>(organisation).filter(condition)).await
}

/// What jobs still need, by job; those that need nothing are left out.
pub(super) async fn missing(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[Job],
) -> Result<BTreeMap<JobId, Vec<(PartId, u32)>>, StoreError> {
    let ids: Vec<JobId> = of.iter().map(|job| job.id).collect();
    let issued = stock::issued_to(connection, organisation, &ids).await?;
    let mut held: BTreeMap<(JobId, PartId), i64> = BTreeMap::new();
    for one in stock::held_for_jobs(connection, organisation, &ids).await? {
        *held.entry((one.job, one.part)).or_default() += one.quantity;
    }
    let mut missing: BTreeMap<JobId, Vec<(PartId, u32)>> = BTreeMap::new();
    for part in super::parts(connection, organisation, &ids).await? {
        let key = (part.job, part.part);
        let (held, issued) = (held.get(&key), issued.get(&key));
        let wants =
            stock::outstanding(&part, held.copied().unwrap_or(0), issued.copied().unwrap_or(0));
        if wants > 0 {
            missing.entry(part.job).or_default().push((part.part, wants));
        }
    }
    Ok(missing)
}

/// Takes `wanted` out of what is coming, and says when the last of it is there; `None` where not
/// enough is on order, or nobody knows when it comes.
fn serve(coming: &mut [Expected], wanted: u32) -> Option<NaiveDate> {
    let mut open = i64::from(wanted);
    let mut until = None;
    for one in coming.iter_mut() {
        if open == 0 {
            break;
        }
        let taken = one.quantity.min(open);
        one.quantity -= taken;
        open -= taken;
        if taken > 0 {
            until = one.on;
        }
    }
    until.filter(|_| open == 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn coming(rows: &[(Option<&str>, i64)]) -> Vec<Expected> {
        let row = |(on, quantity): &(Option<&str>, i64)| Expected {
            on: on.map(|day| day.parse().expect("a date")),
            quantity: *quantity,
        };
        rows.iter().map(row).collect()
    }

    #[test]
    fn who_asks_first_is_served_from_what_comes_first() {
        let mut coming = coming(&[(Some("2026-12-01"), 2), (Some("2026-12-09"), 2), (None, 5)]);
        let day = |text: &str| Some(text.parse().expect("a date"));
        assert_eq!(serve(&mut coming, 1), day("2026-12-01"));
        assert_eq!(serve(&mut coming, 2), day("2026-12-09"));
        // One is left of the second delivery, the other comes on a day that nobody knows.
        assert_eq!(serve(&mut coming, 2), None);
        assert_eq!(serve(&mut coming, 9), None);
    }
}
