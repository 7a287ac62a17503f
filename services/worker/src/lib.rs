//! Works through the runs that wait, and asks for those that a schedule wants or changed records do.
//!
//! The queue is the table of runs itself: a second one beside it would hold the same fact twice.
//! Invariants: a run is claimed by one worker (the claim is one conditional update); a tick of a
//! schedule asks once, whatever the number of processes (its key is taken in the transaction that
//! asks); a worker that died leaves a run that is failed after a while and never one that hangs.

mod records;
mod schedule;

use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use fleet::id::OrganisationId;
use fleet::run::RunStatus;
use runs::{Clock, Progress, RunError, Wanted};
use store::once::{self, Answer, Key, Seen};
use store::runs::Run;
use store::{Store, StoreError, Transaction, organisations, runs as kept};
use tokio::sync::watch;

pub use schedule::{Schedule, ScheduleError, defaults};

/// How often a worker looks for work; asking for a run and seeing it start is no longer than this.
const LOOKS_EVERY: Duration = Duration::from_secs(2);
/// A run that has not ended after this long has lost its worker.
const ABANDONED_AFTER_HOURS: i64 = 6;
/// Days for which it is known that a run was asked for: longer than any machine sleeps beside a running
/// one.
const ASKED_KEPT_DAYS: i64 = 3;
/// How often progress is written down at the most.
const PROGRESS_STEP_PERMILLE: i32 = 50;

/// Works until `stop` says so; a run under way is finished first.
pub async fn work(
    store: Arc<Store>,
    clock: Clock,
    schedules: Vec<Schedule>,
    mut stop: watch::Receiver<bool>,
) {
    let mut looked_at = clock();
    while !*stop.borrow() {
        let now = clock();
        if let Err(error) = ask_for_what_is_due(&store, &schedules, looked_at, now).await {
            tracing::error!(%error, "the schedule could not be looked at");
        }
        looked_at = now;
        // Rows carry the time of the machine, which a demo's clock does not follow.
        if let Err(error) = records::ask_for_what_changed(&store, now, Utc::now()).await {
            tracing::error!(%error, "what went on record could not be looked at");
        }
        match work_through(&store, &clock).await {
            Ok(done) if done > 0 => {}
            Ok(_) => {
                tokio::select! {
                    () = tokio::time::sleep(LOOKS_EVERY) => {}
                    changed = stop.changed() => if changed.is_err() { return },
                }
            }
            Err(error) => {
                tracing::error!(%error, "the waiting runs could not be looked at");
                tokio::time::sleep(LOOKS_EVERY).await;
            }
        }
    }
}

/// Carries out every run that waits, and gives up those whose worker is gone. Answers how many were
/// carried out; a run that failed is on record as failed, and counts.
///
/// # Errors
/// The store failed.
pub async fn work_through(store: &Arc<Store>, clock: &Clock) -> Result<usize, StoreError> {
    let mut done = 0;
    for organisation in organisations::all(store.connection()).await? {
        give_up_abandoned(store, organisation.id, clock()).await?;
        let waiting =
            kept::in_state(store.connection(), organisation.id, RunStatus::Queued).await?;
        for run in waiting {
            let told = progress_of(store, organisation.id, &run);
            match runs::carry_out(store, organisation.id, run.id, clock, told).await {
                // Somebody else was quicker.
                Err(RunError::NotWaiting) => {}
                Ok(_) | Err(_) => done += 1,
            }
        }
    }
    Ok(done)
}

/// Writes progress down in steps, from the thread that computes.
fn progress_of(store: &Arc<Store>, organisation: OrganisationId, run: &Run) -> Progress {
    let (store, run) = (Arc::clone(store), run.id);
    let runtime = tokio::runtime::Handle::current();
    let last = std::sync::atomic::AtomicI32::new(-PROGRESS_STEP_PERMILLE);
    Arc::new(move |permille, note| {
        let order = std::sync::atomic::Ordering::Relaxed;
        if permille - last.load(order) < PROGRESS_STEP_PERMILLE {
            return;
        }
        last.store(permille, order);
        let (store, note) = (Arc::clone(&store), note.to_owned());
        runtime.spawn(async move {
            let work = async |transaction: &Transaction| {
                kept::progress(transaction, organisation, run, permille, Some(&note)).await
            };
            if let Err(error) = store.write(work).await {
                tracing::warn!(%run, %error, "progress could not be written down");
            }
        });
    })
}

async fn give_up_abandoned(
    store: &Store,
    organisation: OrganisationId,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let running = kept::in_state(store.connection(), organisation, RunStatus::Running).await?;
    let limit = now - TimeDelta::hours(ABANDONED_AFTER_HOURS);
    for run in running.iter().filter(|run| run.started_at.is_some_and(|at| at < limit)) {
        let why = "the process that carried it out is gone; ask again";
        let work = async |transaction: &Transaction| {
            kept::fail(transaction, organisation, run.id, why, now).await
        };
        store.write(work).await?;
    }
    Ok(())
}

/// Asks for the run of each schedule whose tick lies after `since` and not after `now`. Of several
/// missed ticks only the last is made up for: the result would be the same.
async fn ask_for_what_is_due(
    store: &Store,
    schedules: &[Schedule],
    since: DateTime<Utc>,
    now: DateTime<Utc>,
) -> Result<(), RunError> {
    for organisation in organisations::all(store.connection()).await? {
        let zone = schedule::zone_of(store, organisation.id).await?;
        for schedule in schedules {
            if let Some(tick) = schedule.last_tick(zone, since, now) {
                schedule::ask_for_tick(store, organisation.id, schedule, tick, now).await?;
            }
        }
    }
    Ok(())
}

/// Asks for a run unless another process has asked for the same reason, which `key` names.
async fn ask_once(
    store: &Store,
    wanted: &Wanted,
    key: &str,
    now: DateTime<Utc>,
) -> Result<(), RunError> {
    let organisation = wanted.organisation;
    let work = async |transaction: &Transaction| {
        let key = Key { organisation, actor: organisation.0, text: key, request_digest: b"run" };
        let lasts = TimeDelta::days(ASKED_KEPT_DAYS);
        if once::take(transaction, key, now, lasts).await? != Seen::First {
            return Ok::<_, StoreError>(());
        }
        kept::request(transaction, organisation, &wanted.request(), now).await?;
        let answer = Answer { status: 202, headers: Default::default(), body: Vec::new() };
        once::keep(transaction, key, &answer).await
    };
    Ok(store.write(work).await?)
}
