//! Due lists between the nights: asked for when what they rest on has changed.
//!
//! Whoever releases a job or enters Sunday's hours sees the list follow. The forecast, the advice and
//! the plans wait for the night: nobody acts on them within the hour, and they take longer.

use chrono::{DateTime, TimeDelta, Utc};
use fleet::run::{RunKind, RunStatus};
use runs::{RECORDS, RunError, Wanted};
use store::between_nights::{Unseen, unseen};
use store::runs::Run;
use store::{Store, organisations, runs as kept};

/// Nothing new for this long: a person who enters a list has come to its end.
const SETTLED_SECONDS: i64 = 8;
/// Whatever goes on, this long after the first change the list follows.
const WAITS_SECONDS: i64 = 120;
/// Pauses between such lists, in durations of the last one: a tenth of a worker's time at the most.
const PAUSE_OF_DURATION: i32 = 9;

/// Asks for a due list of each organisation whose records have moved on and come to rest.
pub(crate) async fn ask_for_what_changed(
    store: &Store,
    now: DateTime<Utc>,
    machine_now: DateTime<Utc>,
) -> Result<(), RunError> {
    for organisation in organisations::all(store.connection()).await? {
        let organisation = organisation.id;
        let last = kept::latest_asked(store.connection(), organisation, RunKind::Due).await?;
        if last.as_ref().is_some_and(|run| !has_paused(run, now)) {
            continue;
        }
        let since = last.map(|run| run.id);
        let Some(unseen) = unseen(store.connection(), organisation, since).await? else { continue };
        if is_at_rest(&unseen, machine_now) {
            let wanted = Wanted::by(organisation, RunKind::Due, RECORDS);
            crate::ask_once(store, &wanted, &format!("records {}", unseen.last), now).await?;
        }
    }
    Ok(())
}

/// Whether a run has ended, and long enough ago for how long it took.
fn has_paused(run: &Run, now: DateTime<Utc>) -> bool {
    if matches!(run.status, RunStatus::Queued | RunStatus::Running) {
        return false;
    }
    let took = run.started_at.zip(run.finished_at).map(|(from, to)| (to - from, to));
    took.is_none_or(|(took, ended)| ended + took * PAUSE_OF_DURATION <= now)
}

fn is_at_rest(unseen: &Unseen, now: DateTime<Utc>) -> bool {
    now - unseen.until >= TimeDelta::seconds(SETTLED_SECONDS)
        || now - unseen.since >= TimeDelta::seconds(WAITS_SECONDS)
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use ::tests::database::Database::{self, Postgres, Sqlite};
    use ::tests::yard::{Yard, author, reading};
    use rstest::rstest;
    use store::{Transaction, readings, record};
    use uuid::Uuid;

    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().expect("an instant")
    }

    #[test]
    fn a_list_follows_when_changes_have_come_to_rest_or_have_waited() {
        let unseen =
            |since, until| Unseen { since: at(since), until: at(until), last: Uuid::nil() };
        let now = at("2026-11-25T12:02:00Z");
        assert!(!is_at_rest(&unseen("2026-11-25T12:01:30Z", "2026-11-25T12:01:55Z"), now));
        assert!(is_at_rest(&unseen("2026-11-25T12:01:30Z", "2026-11-25T12:01:50Z"), now));
        assert!(is_at_rest(&unseen("2026-11-25T12:00:00Z", "2026-11-25T12:02:00Z"), now));
    }

    async fn asked(store: &Store, yard: &Yard) -> Vec<Run> {
        let queued = kept::in_state(store.connection(), yard.organisation, RunStatus::Queued).await;
        queued.expect("the queue")
    }

    #[rstest]
    #[tokio::test]
    async fn a_reading_brings_one_due_list_and_what_it_has_seen_no_other(
        #[values(Sqlite, Postgres)] on: Database,
    ) {
        let Some(database) = on.fresh().await else { return };
        let store = Arc::new(database.store.clone());
        let yard = Yard::found(&store, "north").await;
        let engine = yard.engine("ND-1042");
        let work = async |transaction: &Transaction| {
            let engines = std::slice::from_ref(&engine);
            record::create(transaction, yard.organisation, &author(), engines).await
        };
        store.write(work).await.expect("an engine");

        // Not while it may go on; twice asked is once; with it worked off there is nothing to see.
        let now = Utc::now();
        ask_for_what_changed(&store, now, now).await.expect("a look");
        assert!(asked(&store, &yard).await.is_empty(), "before it came to rest");
        let later = now + TimeDelta::seconds(60);
        for _ in 0..2 {
            ask_for_what_changed(&store, later, later).await.expect("a look");
        }
        let first = asked(&store, &yard).await;
        assert_eq!((first.len(), first[0].requested_by.as_str()), (1, RECORDS));
        let clock: runs::Clock = Arc::new(move || later);
        crate::work_through(&store, &clock).await.expect("worked off");
        let later = later + TimeDelta::minutes(10);
        ask_for_what_changed(&store, later, later).await.expect("a look");
        assert!(asked(&store, &yard).await.is_empty(), "nothing is new");

        let work = async |transaction: &Transaction| {
            let one = reading(engine.id, now - TimeDelta::hours(1), 12);
            readings::append(transaction, yard.organisation, &one, now).await
        };
        store.write(work).await.expect("a reading");
        ask_for_what_changed(&store, later, later).await.expect("a look");
        assert_eq!(asked(&store, &yard).await.len(), 1, "the reading is new");
    }
}
