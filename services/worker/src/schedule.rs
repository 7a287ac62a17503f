//! When runs are made by themselves, by the clock of the yard.

use std::str::FromStr;

use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use fleet::id::OrganisationId;
use fleet::run::RunKind;
use fleet::site::Site;
use runs::{RunError, SCHEDULE, Wanted};
use store::{Store, StoreError, record};

/// A kind of run and the cron expression of its ticks (seconds first), in the yard's zone.
#[derive(Clone, Debug)]
pub struct Schedule {
    pub kind: RunKind,
    /// What its runs are asked for with.
    pub parameters: serde_json::Value,
    ticks: cron::Schedule,
}

/// A cron expression that can't be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("\"{given}\" is not a cron expression with seconds, like \"0 30 2 * * *\": {cause}")]
pub struct ScheduleError {
    given: String,
    cause: String,
}

impl Schedule {
    /// # Errors
    /// Not a cron expression.
    pub fn new(kind: RunKind, ticks: &str) -> Result<Self, ScheduleError> {
        let ticks = cron::Schedule::from_str(ticks)
            .map_err(|cause| ScheduleError { given: ticks.to_owned(), cause: cause.to_string() })?;
        Ok(Self { kind, parameters: serde_json::json!({}), ticks })
    }

    /// The same with parameters.
    #[must_use]
    pub fn with(self, parameters: serde_json::Value) -> Self {
        Self { parameters, ..self }
    }

    /// The last tick after `since` and not after `now`.
    pub fn last_tick(
        &self,
        zone: Tz,
        since: DateTime<Utc>,
        now: DateTime<Utc>,
    ) -> Option<DateTime<Utc>> {
        let now = now.with_timezone(&zone);
        // A machine that slept for months must not walk through every night of them.
        let since = since.with_timezone(&zone).max(now - TimeDelta::days(40));
        let ticks = self.ticks.after(&since).take_while(|tick| *tick <= now);
        ticks.last().map(|tick| tick.with_timezone(&Utc))
    }
}

/// Every night: what is due; how long parts last; then what it will need; what to order for it; and which boats come out
/// in the coming weeks.
///
/// # Errors
/// None of these expressions is wrong; the type says so all the same.
pub fn defaults() -> Result<Vec<Schedule>, ScheduleError> {
    Ok(vec![
        Schedule::new(RunKind::Due, "0 10 3 * * *")?,
        Schedule::new(RunKind::Life, "0 15 3 * * *")?,
        Schedule::new(RunKind::Forecast, "0 20 3 * * *")?,
        Schedule::new(RunKind::OrderAdvice, "0 40 3 * * *")?,
        Schedule::new(RunKind::Plan, "0 50 3 * * *")?.with(rotation()),
    ])
}

/// A night has time: half a minute is far more than the search of a small fleet needs.
fn rotation() -> serde_json::Value {
    serde_json::json!({ "plan": "rotation", "seconds": 30.0, "gap": 0.001 })
}

/// The zone of the organisation's first site.
pub(crate) async fn zone_of(store: &Store, organisation: OrganisationId) -> Result<Tz, StoreError> {
    let sites: Vec<Site> = record::all(store.connection(), organisation).await?;
    let first = sites.iter().find(|site| !site.archived);
    Ok(first.and_then(|site| site.time_zone.parse().ok()).unwrap_or(Tz::UTC))
}

/// Asks for a schedule's run unless another process has asked for the same tick.
pub(crate) async fn ask_for_tick(
    store: &Store,
    organisation: OrganisationId,
    schedule: &Schedule,
    tick: DateTime<Utc>,
    now: DateTime<Utc>,
) -> Result<(), RunError> {
    let key = format!("schedule {} {}", schedule.kind, tick.to_rfc3339());
    let parameters = schedule.parameters.clone();
    let wanted = Wanted { parameters, ..Wanted::by(organisation, schedule.kind, SCHEDULE) };
    crate::ask_once(store, &wanted, &key, now).await
}

#[cfg(test)]
mod tests {
    use chrono::TimeZone as _;

    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().expect("an instant")
    }

    #[test]
    fn of_several_missed_nights_only_the_last_is_made_up_for() {
        let nightly = Schedule::new(RunKind::Due, "0 10 3 * * *").expect("right");
        let zone = chrono_tz::Europe::Oslo;
        let tick = nightly.last_tick(zone, at("2026-11-20T12:00:00Z"), at("2026-11-25T12:00:00Z"));
        let expected = zone.with_ymd_and_hms(2026, 11, 25, 3, 10, 0).single();
        assert_eq!(tick, expected.map(|tick| tick.with_timezone(&Utc)));
        let none = nightly.last_tick(zone, at("2026-11-25T03:00:00Z"), at("2026-11-25T12:00:00Z"));
        assert_eq!(none, None);
    }

    #[test]
    fn the_night_when_the_clock_goes_back_has_one_tick() {
        let nightly = Schedule::new(RunKind::Due, "0 10 3 * * *").expect("right");
        let zone = chrono_tz::Europe::Oslo;
        let (mut since, mut ticks) = (at("2026-10-24T12:00:00Z"), 0);
        while since < at("2026-10-25T12:00:00Z") {
            let next = since + TimeDelta::minutes(5);
            ticks += usize::from(nightly.last_tick(zone, since, next).is_some());
            since = next;
        }
        assert_eq!(ticks, 1);
    }

    #[test]
    fn a_wrong_expression_is_refused() {
        assert!(Schedule::new(RunKind::Due, "every night").is_err());
        assert_eq!(defaults().map(|all| all.len()), Ok(5));
    }
}
