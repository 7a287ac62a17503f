//! The end of a job: what it used leaves the shelf, what was done is on record.

use std::collections::BTreeMap;

use fleet::Hours;
use fleet::bench::{Job, JobPart, JobStatus, JobTask, TaskOutcome};
use fleet::calendar::day_of;
use fleet::engine::Engine;
use fleet::finding::{Finding, FindingStatus};
use fleet::id::{PartId, ServiceId, ServicePartId, TaskId};
use fleet::programme::Task;
use fleet::service::{Service, ServicePart, ServiceReason};

use super::create::rows_of;
use super::follow::Moving;
use crate::error::StoreError;
use crate::value::to_microseconds;
use crate::{findings, readings, record, services, sites, stock};

/// Releases a job: issues what it used, gives the rest back, books the services, closes the finding
/// unless a hold stands on it still.
///
/// # Errors
/// `job-task-open` where a task has no outcome, `stock-short` where more was used than is there.
pub(super) async fn release(moving: &Moving<'_>, job: Job) -> Result<Job, StoreError> {
    let (transaction, organisation) = (moving.transaction, moving.organisation);
    let tasks = super::tasks(transaction, organisation, &[job.id]).await?;
    check_outcomes(moving, &tasks).await?;
    for part in super::parts(transaction, organisation, &[job.id]).await? {
        if part.used.is_none() {
            let used = JobPart { used: Some(part.quantity), ..part };
            record::change(transaction, organisation, moving.who, &used).await?;
        }
    }
    book_what_was_done(moving, &job).await?;
    stock::give_back(transaction, organisation, moving.who, job.id).await?;
    close_finding(moving, &job).await?;
    let released_at = Some(to_microseconds(moving.who.at));
    moving.change(Job { status: JobStatus::Released, released_at, ..job }).await
}

async fn check_outcomes(moving: &Moving<'_>, tasks: &[JobTask]) -> Result<(), StoreError> {
    let open: Vec<TaskId> =
        tasks.iter().filter(|task| task.outcome.is_none()).map(|task| task.task).collect();
    if open.is_empty() {
        return Ok(());
    }
    let named = record::by_ids::<Task>(moving.transaction, moving.organisation, &open).await?;
    let names: Vec<&str> = named.iter().map(|task| task.name.as_str()).collect();
    let what = format!(
        "nothing is said about {}; say whether it was done, not needed or not done",
        names.join(", ")
    );
    Err(StoreError::Broken { rule: "job-task-open", what })
}

/// Issues what was said to have gone in and books each task that was done, both only once.
pub(super) async fn book_what_was_done(moving: &Moving<'_>, job: &Job) -> Result<(), StoreError> {
    let (transaction, organisation) = (moving.transaction, moving.organisation);
    let parts = super::parts(transaction, organisation, &[job.id]).await?;
    let issued = stock::issued_to(transaction, organisation, &[job.id]).await?;
    let mut used: BTreeMap<PartId, i64> = BTreeMap::new();
    for part in &parts {
        let gone = issued.get(&(job.id, part.part)).copied().unwrap_or(0);
        let used_now = part.used.unwrap_or(0);
        if used_now > gone {
            let (who, more) = (moving.who, used_now - gone);
            let to = (job, part.part);
            stock::issue(transaction, organisation, who, to, more, moving.today).await?;
        }
        if used_now > 0 {
            used.insert(part.part, used_now);
        }
    }
    book_services(moving, job, used).await
}

async fn book_services(
    moving: &Moving<'_>,
    job: &Job,
    mut used: BTreeMap<PartId, i64>,
) -> Result<(), StoreError> {
    let (transaction, organisation) = (moving.transaction, moving.organisation);
    let engine = record::lock::<Engine>(transaction, organisation, job.engine).await?;
    let before = services::of_engines(transaction, organisation, &[engine.id]).await?;
    let tasks = super::tasks(transaction, organisation, &[job.id]).await?;
    let zone = sites::zone(transaction, organisation, job.site).await?;
    let life = life_of(moving, job).await?;
    let mut booked: Vec<(TaskId, ServiceId)> = Vec::new();
    let mut fresh = Vec::new();
    for task in tasks.iter().filter(|task| task.outcome == Some(TaskOutcome::Done)) {
        let of_job = |one: &&Service| one.task == task.task && one.job == Some(job.id);
        // Booked when the job was stood over; what went in since then is that service's too.
        if let Some(known) = before.iter().find(of_job) {
            booked.push((task.task, known.id));
            continue;
        }
        let done_on = task.done_at.map_or(moving.today, |at| day_of(at, zone));
        let same = |one: &&Service| one.task == task.task && one.done_on == done_on;
        // Somebody wrote the same work down by hand that day: it is not done twice.
        if let Some(known) = before.iter().find(same) {
            booked.push((task.task, known.id));
            continue;
        }
        let service = service(moving, job, task, (done_on, life));
        booked.push((task.task, service.id));
        fresh.push(service);
    }
    record::append(transaction, organisation, &fresh).await?;
    let ids: Vec<TaskId> = booked.iter().map(|(task, _)| *task).collect();
    let rows = rows_of(transaction, organisation, engine.model, &ids).await?;
    // What was on record before the job is told apart from what goes in now.
    let known: Vec<ServiceId> = booked.iter().map(|(_, service)| *service).collect();
    let mut sums: BTreeMap<(ServiceId, PartId), i64> = BTreeMap::new();
    for row in rows {
        let Some((_, service)) = booked.iter().find(|(task, _)| *task == row.task) else {
            continue;
        };
        let Some(left) = used.get_mut(&row.part) else { continue };
        let taken = row.quantity.min(*left);
        *left -= taken;
        *sums.entry((*service, row.part)).or_default() += taken;
    }
    if let Some((_, first)) = booked.first() {
        for (part, left) in used {
            *sums.entry((*first, part)).or_default() += left;
        }
    }
    for one in services::parts(transaction, organisation, &known).await? {
        sums.remove(&(one.service, one.part));
    }
    let parts: Vec<ServicePart> = sums
        .into_iter()
        .filter(|(_, quantity)| *quantity > 0)
        .map(|((service, part), quantity)| ServicePart {
            id: ServicePartId::fresh(),
            service,
            part,
            quantity,
        })
        .collect();
    record::append(transaction, organisation, &parts).await
}

fn service(
    moving: &Moving<'_>,
    job: &Job,
    task: &JobTask,
    (done_on, life): (chrono::NaiveDate, Option<Hours>),
) -> Service {
    let reason = if job.finding.is_some() { ServiceReason::Finding } else { ServiceReason::Due };
    Service {
        id: ServiceId::fresh(),
        engine: job.engine,
        task: task.task,
        done_on,
        life,
        reason,
        job: Some(job.id),
        done_by: task.done_by,
        spent: task.spent,
        note: task.note.clone(),
        source: "bench".to_owned(),
        recorded_at: to_microseconds(moving.who.at),
    }
}

/// The engine's hours as they were last read.
async fn life_of(moving: &Moving<'_>, job: &Job) -> Result<Option<Hours>, StoreError> {
    let engines = [job.engine];
    let known = readings::of_engines(moving.transaction, moving.organisation, &engines).await?;
    let ledger = readings::ledger(known.get(&job.engine).map_or(&[], Vec::as_slice))?;
    Ok(ledger.life(Hours::ZERO).last().map(|point| point.life))
}

/// A finding whose hold stands stays in work: whoever clears the hold closes it.
async fn close_finding(moving: &Moving<'_>, job: &Job) -> Result<(), StoreError> {
    let (transaction, organisation) = (moving.transaction, moving.organisation);
    let Some(id) = job.finding else { return Ok(()) };
    let finding = record::lock::<Finding>(transaction, organisation, id).await?;
    let holds = findings::holds_of_engines(transaction, organisation, &[job.engine]).await?;
    let held = holds.iter().any(|hold| hold.finding == Some(id) && hold.cleared_at.is_none());
    if held || finding.status == FindingStatus::Closed {
        return Ok(());
    }
    let closed = Finding {
        status: FindingStatus::Closed,
        closed_at: Some(to_microseconds(moving.who.at)),
        closing_note: Some(format!("job {} released", job.number)),
        ..finding
    };
    record::change(transaction, organisation, moving.who, &closed).await.map(drop)
}
