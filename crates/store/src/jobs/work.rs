//! Work at the bench: what was done, how long it took, what went in.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use fleet::Minutes;
use fleet::bench::{
    BenchError, Job, JobPart, JobStatus, JobTask, TaskOutcome, check_minutes, check_quantity,
};
use fleet::engine::{Engine, EngineModel};
use fleet::id::{JobId, JobPartId, JobTaskId, OrganisationId, PartId, PersonId};
use fleet::part::Part;

use super::create::part_of;
use super::follow::{Followed, Moving, lock_levels_of};
use super::shortage;
use crate::Transaction;
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::stock;
use crate::value::to_microseconds;

/// What came of a task.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Done {
    pub outcome: TaskOutcome,
    /// Minutes at the bench.
    pub spent: Option<Minutes>,
    pub by: Option<PersonId>,
    pub note: Option<String>,
}

/// Records what came of a task; `version` is the task's.
///
/// # Errors
/// `Stale`, `job-not-on-bench` where the job is neither on the bench nor on test, and
/// `minutes-far-beyond-plan` where no note says why.
pub async fn done(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    task: JobTaskId,
    version: i64,
    done: Done,
) -> Result<JobTask, StoreError> {
    let seen = record::get::<JobTask>(transaction, organisation, task).await?;
    let job = record::lock::<Job>(transaction, organisation, seen.job).await?;
    check_at_work(&job)?;
    let task = record::lock::<JobTask>(transaction, organisation, task).await?;
    let Done { outcome, spent, by, note } = done;
    if let Some(spent) = spent {
        check_minutes(spent, task.planned, note.as_deref())?;
    }
    let changed = JobTask {
        version,
        spent: spent.or(task.spent),
        outcome: Some(outcome),
        done_at: Some(to_microseconds(who.at)),
        done_by: by,
        note,
        ..task
    };
    record::change(transaction, organisation, who, &changed).await
}

/// Says how much of a part went in; `version` is the job part's. More than the job needs is taken
/// off the shelf when it is released, so it must be there then. `why` answers for a quantity far
/// beyond what such a job takes, and stays in the history.
///
/// # Errors
/// `Stale`, `job-not-on-bench`, `job-part-nothing` where less than none is said,
/// `used-far-beyond-need` where nothing says why.
pub async fn use_part(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    part: JobPartId,
    version: i64,
    (used, why): (i64, Option<&str>),
) -> Result<JobPart, StoreError> {
    let seen = record::get::<JobPart>(transaction, organisation, part).await?;
    let job = record::lock::<Job>(transaction, organisation, seen.job).await?;
    check_at_work(&job)?;
    if used < 0 {
        let what = format!("{used} can't have gone in; nothing is written 0");
        return Err(StoreError::Broken { rule: "job-part-nothing", what });
    }
    let part = record::lock::<JobPart>(transaction, organisation, part).await?;
    let planned = part.quantity - part.beyond_plan;
    let usual = Usual { transaction, organisation, job: &job };
    usual.check(used, planned, part.part, why).await?;
    let changed = JobPart { version, used: Some(used), ..part };
    record::change(transaction, organisation, &noting(who, why), &changed).await
}

/// Asks for more of a part than was planned: what is there is kept back at once. A job that can't
/// have it is short from then on, until it arrives. `why` is as for [`use_part`].
///
/// # Errors
/// `job-not-on-bench`, `job-part-nothing`, `used-far-beyond-need`.
pub async fn add_part(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    (job, version): (JobId, i64),
    (part, more, why): (PartId, i64, Option<&str>),
    today: NaiveDate,
) -> Result<Followed, StoreError> {
    let seen = record::get::<Job>(transaction, organisation, job).await?;
    stock::lock(transaction, organisation, seen.site, &[part]).await?;
    let job = record::lock::<Job>(transaction, organisation, job).await?;
    if job.version != version {
        return Err(StoreError::Stale { noun: "job", given: version, current: job.version });
    }
    if job.status != JobStatus::OnBench {
        return Err(not_at_work(&job));
    }
    if more < 1 {
        let what = format!("{more} of a part is asked for; ask for some");
        return Err(StoreError::Broken { rule: "job-part-nothing", what });
    }
    let parts = super::parts(transaction, organisation, &[job.id]).await?;
    let known = parts.into_iter().find(|one| one.part == part);
    let planned = known.as_ref().map_or(0, |one| one.quantity - one.beyond_plan);
    let together = known.as_ref().map_or(more, |one| one.quantity.saturating_add(more));
    let usual = Usual { transaction, organisation, job: &job };
    usual.check(together, planned, part, why).await?;
    let who = &noting(who, why);
    match known {
        Some(known) => {
            let quantity = known.quantity.saturating_add(more);
            let beyond_plan = known.beyond_plan.saturating_add(more);
            let used = known.used.map(|used| used.saturating_add(more));
            let grown = JobPart { quantity, beyond_plan, used, ..known };
            record::change(transaction, organisation, who, &grown).await?;
        }
        None => {
            let new = JobPart { beyond_plan: more, ..part_of(job.id, part, more) };
            record::create(transaction, organisation, who, &[new]).await?;
        }
    }
    let moving = Moving { transaction, organisation, who, today };
    // All of it there: the work goes on.
    let settled = moving.keep_back(&job).await?;
    let job = match settled {
        0 => job,
        _ => moving.change(Job { status: JobStatus::Short, ..job }).await?,
    };
    let of = std::slice::from_ref(&job);
    let mut shortages = shortage::shortages(transaction, organisation, of).await?;
    Ok(Followed { shortages: shortages.remove(&job.id).unwrap_or_default(), job })
}

/// Takes off again what was asked for on the bench: all of the line where the plan wanted none of
/// it, else down to what was planned. What was kept back of it is free again; a job that waited for
/// nothing else is kitted. `version` is the job part's.
///
/// # Errors
/// `Stale`; `job-part-planned` where nothing of it was asked for on the bench; `job-part-used` where
/// some of it went in or was issued; `job-closed` where the job is over.
pub async fn take_off_part(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    part: JobPartId,
    version: i64,
    today: NaiveDate,
) -> Result<Followed, StoreError> {
    let seen = record::get::<JobPart>(transaction, organisation, part).await?;
    let job = record::get::<Job>(transaction, organisation, seen.job).await?;
    lock_levels_of(transaction, organisation, &job).await?;
    let job = record::lock::<Job>(transaction, organisation, job.id).await?;
    if job.status.is_closed() {
        let what = format!("job {} is {}; its parts are what they were", job.number, job.status);
        return Err(StoreError::Broken { rule: "job-closed", what });
    }
    let line = record::lock::<JobPart>(transaction, organisation, part).await?;
    if line.version != version {
        let noun = <JobPart as record::Record>::NOUN;
        return Err(StoreError::Stale { noun, given: version, current: line.version });
    }
    let planned = line.quantity - line.beyond_plan;
    let issued = check_unused(transaction, organisation, &line).await?;
    let keeps = (planned - issued).max(0);
    stock::let_go(transaction, organisation, who, (job.id, line.part), keeps).await?;
    if planned == 0 {
        record::remove::<JobPart>(transaction, organisation, who, line.id, line.version).await?;
    } else {
        let shrunk = JobPart { quantity: planned, beyond_plan: 0, ..line };
        record::change(transaction, organisation, who, &shrunk).await?;
    }
    let moving = Moving { transaction, organisation, who, today };
    let job = match job.status {
        JobStatus::Short => moving.settle(job).await?,
        _ => job,
    };
    let mut shortages = match job.status {
        JobStatus::Short => {
            let of = std::slice::from_ref(&job);
            shortage::shortages(transaction, organisation, of).await?
        }
        _ => BTreeMap::new(),
    };
    Ok(Followed { shortages: shortages.remove(&job.id).unwrap_or_default(), job })
}

/// Only what was asked for on the bench, and of that nothing that went in, can be taken off again.
/// How much of the part was issued to the job.
async fn check_unused(
    transaction: &Transaction,
    organisation: OrganisationId,
    line: &JobPart,
) -> Result<i64, StoreError> {
    let part = record::get::<Part>(transaction, organisation, line.part).await?;
    let planned = line.quantity - line.beyond_plan;
    if line.beyond_plan == 0 {
        let what =
            format!("{} is what the job was planned with; write 0 where none went in", part.number);
        return Err(StoreError::Broken { rule: "job-part-planned", what });
    }
    let issued = stock::issued_to(transaction, organisation, &[line.job]).await?;
    let issued = issued.get(&(line.job, line.part)).copied().unwrap_or(0);
    let gone = line.used.unwrap_or(0).max(issued);
    if gone > planned {
        let (gone, planned) = (part.unit.with(gone), part.unit.with(planned));
        let what = format!(
            "{gone} of {} went into this job by its record, {planned} without what was asked for; \
             what went in stays",
            part.number
        );
        return Err(StoreError::Broken { rule: "job-part-used", what });
    }
    Ok(issued)
}

/// What a job on this engine usually takes.
struct Usual<'a> {
    transaction: &'a Transaction,
    organisation: OrganisationId,
    job: &'a Job,
}

impl Usual<'_> {
    async fn check(
        &self,
        given: i64,
        planned: i64,
        part: PartId,
        why: Option<&str>,
    ) -> Result<(), StoreError> {
        let Self { transaction, organisation, job } = self;
        let part = record::get::<Part>(*transaction, *organisation, part).await?;
        let engine = record::get::<Engine>(*transaction, *organisation, job.engine).await?;
        let model = record::get::<EngineModel>(*transaction, *organisation, engine.model).await?;
        Ok(check_quantity(given, planned, &part, &model, why)?)
    }
}

/// The reason in the history of what it explains.
fn noting(who: &Author, why: Option<&str>) -> Author {
    match why {
        Some(why) if !why.trim().is_empty() => {
            Author { note: Some(why.trim().to_owned()), ..who.clone() }
        }
        _ => who.clone(),
    }
}

impl From<BenchError> for StoreError {
    fn from(error: BenchError) -> Self {
        Self::Broken { rule: error.rule(), what: error.to_string() }
    }
}

fn check_at_work(job: &Job) -> Result<(), StoreError> {
    match job.status {
        JobStatus::OnBench | JobStatus::OnTest => Ok(()),
        _ => Err(not_at_work(job)),
    }
}

fn not_at_work(job: &Job) -> StoreError {
    let what = format!("job {} is {}; start it on the bench first", job.number, job.status);
    StoreError::Broken { rule: "job-not-on-bench", what }
}
