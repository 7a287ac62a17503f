//! How often a sign-in failed lately, so that passwords can't be tried by the thousand.
//!
//! Kept in memory, per process: a guesser who finds another process gains a factor of a few, and no
//! table grows from outside. Also bounds how many password checks run at once, since each takes
//! tens of megabytes on purpose.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

use chrono::{DateTime, TimeDelta, Utc};
use tokio::sync::{Semaphore, SemaphorePermit};

/// Failures of one name after which it must wait.
const FAILURES_MAX: u32 = 8;
const WINDOW_MINUTES: i64 = 15;
/// Names remembered at most; the oldest is forgotten first.
const NAMES_MAX: usize = 10_000;
const CHECKS_AT_ONCE: usize = 2;

pub struct Attempts {
    failed: Mutex<HashMap<String, Failed>>,
    checks: Semaphore,
}

#[derive(Clone, Copy)]
struct Failed {
    times: u32,
    since: DateTime<Utc>,
}

impl Default for Attempts {
    fn default() -> Self {
        Self { failed: Mutex::default(), checks: Semaphore::new(CHECKS_AT_ONCE) }
    }
}

impl Attempts {
    /// Waits until there is room for one more password check.
    pub async fn room(&self) -> Option<SemaphorePermit<'_>> {
        self.checks.acquire().await.ok()
    }

    /// Whether `name` failed so often that it must wait.
    pub fn must_wait(&self, name: &str, now: DateTime<Utc>) -> bool {
        let failed = self.failed.lock().unwrap_or_else(PoisonError::into_inner);
        failed.get(name).is_some_and(|f| f.times >= FAILURES_MAX && is_recent(f, now))
    }

    pub fn count_failure(&self, name: &str, now: DateTime<Utc>) {
        let mut failed = self.failed.lock().unwrap_or_else(PoisonError::into_inner);
        failed.retain(|_, f| is_recent(f, now));
        if failed.len() >= NAMES_MAX {
            let oldest = failed.iter().min_by_key(|(_, f)| f.since).map(|(name, _)| name.clone());
            if let Some(oldest) = oldest {
                failed.remove(&oldest);
            }
        }
        failed.entry(name.to_owned()).or_insert(Failed { times: 0, since: now }).times += 1;
    }

    pub fn forget(&self, name: &str) {
        self.failed.lock().unwrap_or_else(PoisonError::into_inner).remove(name);
    }
}

fn is_recent(failed: &Failed, now: DateTime<Utc>) -> bool {
    now - failed.since < TimeDelta::minutes(WINDOW_MINUTES)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_must_wait_after_eight_failures_and_no_longer_than_a_quarter_of_an_hour() {
        let attempts = Attempts::default();
        let start = DateTime::UNIX_EPOCH;
        for _ in 0..7 {
            attempts.count_failure("ina", start);
        }
        assert!(!attempts.must_wait("ina", start));
        attempts.count_failure("ina", start);
        assert!(attempts.must_wait("ina", start) && !attempts.must_wait("ola", start));
        assert!(!attempts.must_wait("ina", start + TimeDelta::minutes(15)));
        attempts.forget("ina");
        assert!(!attempts.must_wait("ina", start));
    }
}
