//! A job's moves from state to state, and what each does to stock and findings.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use fleet::bench::{Job, JobStatus};
use fleet::finding::{Finding, FindingStatus};
use fleet::id::{JobId, OrganisationId, PartId, SiteId};
use fleet::job::{JobError, JobState, Shortage};
use fleet::part::{Lot, Part};
use fleet::stock::Purpose;

use super::{release, shortage};
use crate::Transaction;
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::stock::{self, ForJob};

/// A job after its move.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Followed {
    pub job: Job,
    /// What it waits for; empty where it waits for nothing.
    pub shortages: Vec<Shortage>,
}

impl From<fleet::stock::StockError> for StoreError {
    fn from(error: fleet::stock::StockError) -> Self {
        Self::Broken { rule: error.rule(), what: error.to_string() }
    }
}

impl From<JobError> for StoreError {
    fn from(error: JobError) -> Self {
        Self::Broken { rule: error.rule(), what: error.to_string() }
    }
}

/// Moves a job to the state that is wanted; `version` is the one that the wish was made from.
///
/// *Agreed* keeps back what is there, what expires first first, and makes of it *kitted* or *short*.
/// *Kitted* asks again for what was missing: the job stays short where it still is. *Short* gives
/// all back and asks afresh, for a kit that was found expired or miscounted. *Released* issues the
/// parts, books the services done and closes the finding. *Stood over* and *dropped* book what was
/// done and used so far and give the rest back.
///
/// # Errors
/// `Stale`; a rule of the job's life; `lot-expired` where a kit went out of date before it reached
/// the bench; `job-not-short` where nothing is missing; what [`release`] refuses.
pub async fn follow(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    job: JobId,
    version: i64,
    wanted: JobState,
    today: NaiveDate,
) -> Result<Followed, StoreError> {
    let seen = record::get::<Job>(transaction, organisation, job).await?;
    lock_levels_of(transaction, organisation, &seen).await?;
    let job = record::lock::<Job>(transaction, organisation, job).await?;
    if job.version != version {
        return Err(StoreError::Stale { noun: "job", given: version, current: job.version });
    }
    let moving = Moving { transaction, organisation, who, today };
    let job = match wanted {
        // What it is short of is worked out here, not told.
        JobState::Short { .. } => {
            job.status.check_move(JobStatus::Short)?;
            moving.ask_afresh(job).await?
        }
        JobState::Kitted => {
            job.status.check_move(JobStatus::Kitted)?;
            moving.settle(job).await?
        }
        wanted => {
            let next = state_of(&job).follow(wanted, today)?;
            moving.to(job, next).await?
        }
    };
    let of = std::slice::from_ref(&job);
    let mut shortages = match job.status {
        JobStatus::Short => shortage::shortages(transaction, organisation, of).await?,
        _ => BTreeMap::new(),
    };
    Ok(Followed { shortages: shortages.remove(&job.id).unwrap_or_default(), job })
}

/// The short jobs of a site that what arrived makes whole, the earliest planned day first. What
/// arrived is kept back for them in that order.
///
/// Called in the transaction that booked the arrival, after [`stock::book`].
pub async fn kit_what_arrived(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    site: SiteId,
    parts: &[PartId],
    today: NaiveDate,
) -> Result<Vec<Job>, StoreError> {
    stock::lock(transaction, organisation, site, parts).await?;
    let waiting = shortage::short_at(transaction, organisation, site).await?;
    let ids: Vec<JobId> = waiting.iter().map(|job| job.id).collect();
    record::lock_many::<Job>(transaction, organisation, &ids).await?;
    // Read again, now that nobody else changes them.
    let mut waiting = shortage::short_at(transaction, organisation, site).await?;
    waiting.sort_by_key(|job| (job.planned_on.unwrap_or(NaiveDate::MAX), job.number));
    let missing = shortage::missing(transaction, organisation, &waiting).await?;
    let moving = Moving { transaction, organisation, who, today };
    let mut kitted = Vec::new();
    for job in waiting {
        let wants = missing.get(&job.id).map_or(&[][..], Vec::as_slice);
        let arrived: BTreeMap<PartId, u32> =
            wants.iter().copied().filter(|(part, _)| parts.contains(part)).collect();
        if arrived.is_empty() && !wants.is_empty() {
            continue;
        }
        let others = wants.len() - arrived.len();
        let still = moving.promise(&job, &arrived).await?;
        if others == 0 && still == 0 {
            kitted.push(moving.change(Job { status: JobStatus::Kitted, ..job }).await?);
        }
    }
    Ok(kitted)
}

/// The job's state with what goes with it. What it is short of is not kept, and no rule asks here.
pub(super) fn state_of(job: &Job) -> JobState {
    let reason = || job.reason.clone().unwrap_or_default();
    match job.status {
        JobStatus::Proposed => JobState::Proposed,
        JobStatus::Agreed => JobState::Agreed,
        JobStatus::Kitted => JobState::Kitted,
        JobStatus::Short => JobState::Short { of: Vec::new() },
        JobStatus::OnBench => JobState::OnBench,
        JobStatus::OnTest => JobState::OnTest,
        JobStatus::Released => JobState::Released,
        JobStatus::StoodOver => JobState::StoodOver {
            until: job.stood_over_until.unwrap_or(NaiveDate::MAX),
            reason: reason(),
        },
        JobStatus::Dropped => JobState::Dropped { reason: reason() },
    }
}

pub(super) async fn lock_levels_of(
    transaction: &Transaction,
    organisation: OrganisationId,
    job: &Job,
) -> Result<(), StoreError> {
    let parts = super::parts(transaction, organisation, &[job.id]).await?;
    let parts: Vec<PartId> = parts.iter().map(|part| part.part).collect();
    stock::lock(transaction, organisation, job.site, &parts).await
}

/// What every move needs.
pub(super) struct Moving<'a> {
    pub transaction: &'a Transaction,
    pub organisation: OrganisationId,
    pub who: &'a Author,
    pub today: NaiveDate,
}

impl Moving<'_> {
    async fn to(&self, job: Job, next: JobState) -> Result<Job, StoreError> {
        match next {
            JobState::Agreed => {
                self.finding(&job, FindingStatus::Open, FindingStatus::InWork).await?;
                let job = Job { stood_over_until: None, reason: None, ..job };
                let agreed = self.change(Job { status: JobStatus::Agreed, ..job }).await?;
                self.settle(agreed).await
            }
            JobState::OnBench => {
                if job.status == JobStatus::Kitted {
                    self.check_kit(&job).await?;
                }
                self.change(Job { status: JobStatus::OnBench, ..job }).await
            }
            JobState::Released => release::release(self, job).await,
            JobState::StoodOver { until, reason } => {
                release::book_what_was_done(self, &job).await?;
                self.give_back(&job).await?;
                let (until, reason) = (Some(until), Some(reason));
                let job = Job { stood_over_until: until, reason, ..job };
                self.change(Job { status: JobStatus::StoodOver, ..job }).await
            }
            JobState::Dropped { reason } => {
                release::book_what_was_done(self, &job).await?;
                self.give_back(&job).await?;
                self.finding(&job, FindingStatus::InWork, FindingStatus::Open).await?;
                let job = Job { stood_over_until: None, reason: Some(reason), ..job };
                self.change(Job { status: JobStatus::Dropped, ..job }).await
            }
            JobState::Proposed => {
                let job = Job { stood_over_until: None, reason: None, ..job };
                self.change(Job { status: JobStatus::Proposed, ..job }).await
            }
            JobState::OnTest | JobState::Kitted | JobState::Short { .. } => {
                self.change(Job { status: next.status(), ..job }).await
            }
        }
    }

    pub(super) async fn change(&self, job: Job) -> Result<Job, StoreError> {
        record::change(self.transaction, self.organisation, self.who, &job).await
    }

    async fn give_back(&self, job: &Job) -> Result<(), StoreError> {
        stock::give_back(self.transaction, self.organisation, self.who, job.id).await
    }

    /// Keeps back what is there of `parts`; how much is missing after that.
    async fn promise(&self, job: &Job, parts: &BTreeMap<PartId, u32>) -> Result<u32, StoreError> {
        let wants = stock::wants(self.transaction, self.organisation, parts).await?;
        let to = ForJob { job: job.id, site: job.site, today: self.today };
        let promised =
            stock::promise(self.transaction, self.organisation, self.who, to, &wants).await?;
        Ok(promised.missing.values().sum())
    }

    /// Keeps back what the job still needs; how much is missing after that.
    pub(super) async fn keep_back(&self, job: &Job) -> Result<u32, StoreError> {
        let of = std::slice::from_ref(job);
        let mut missing = shortage::missing(self.transaction, self.organisation, of).await?;
        let wants = missing.remove(&job.id).unwrap_or_default().into_iter().collect();
        self.promise(job, &wants).await
    }

    /// Keeps back what the job still needs: kitted where all of it is there, else short.
    pub(super) async fn settle(&self, job: Job) -> Result<Job, StoreError> {
        let status = match self.keep_back(&job).await? {
            0 => JobStatus::Kitted,
            _ => JobStatus::Short,
        };
        self.change(Job { status, ..job }).await
    }

    async fn ask_afresh(&self, job: Job) -> Result<Job, StoreError> {
        self.give_back(&job).await?;
        let before = job.status;
        let job = self.settle(job).await?;
        if job.status == JobStatus::Kitted && before != JobStatus::Short {
            let what = "all parts of this job are there; count first what is missing".to_owned();
            return Err(StoreError::Broken { rule: "job-not-short", what });
        }
        Ok(job)
    }

    /// Nothing that went out of date on the shelf reaches the bench.
    async fn check_kit(&self, job: &Job) -> Result<(), StoreError> {
        let held = stock::held_for_jobs(self.transaction, self.organisation, &[job.id]).await?;
        let parts: Vec<PartId> = held.iter().map(|one| one.part).collect();
        let lots = stock::aged_lots(self.transaction, self.organisation, &parts).await?;
        let parts = record::by_ids::<Part>(self.transaction, self.organisation, &parts).await?;
        let of_kit = |lot: &&Lot| held.iter().any(|one| one.lot == Some(lot.id));
        for lot in lots.iter().filter(of_kit) {
            let sealing = parts.iter().any(|part| part.id == lot.part && part.sealing);
            let purpose = if sealing { Purpose::Sealing } else { Purpose::Other };
            lot.check_issue(purpose, self.today, None)?;
        }
        Ok(())
    }

    /// Moves the job's finding from one state to another, where it is there.
    async fn finding(
        &self,
        job: &Job,
        from: FindingStatus,
        to: FindingStatus,
    ) -> Result<(), StoreError> {
        let Some(id) = job.finding else { return Ok(()) };
        let finding = record::lock::<Finding>(self.transaction, self.organisation, id).await?;
        if finding.status != from {
            return Ok(());
        }
        let moved = Finding { status: to, ..finding };
        record::change(self.transaction, self.organisation, self.who, &moved).await.map(drop)
    }
}
