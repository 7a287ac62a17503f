//! The records as they stood on a past day.

use std::collections::HashSet;

use chrono::{NaiveDate, NaiveTime};
use fleet::id::ServiceId;
use store::snapshot::Snapshot;

/// The day from which services tell the parts that they took. Those before it, as an engine's
/// papers or an old book list them, tell when something was last done, and nothing of parts.
pub fn parts_known_from(snapshot: &Snapshot) -> Option<NaiveDate> {
    let with_parts: HashSet<ServiceId> =
        snapshot.work.service_parts.iter().map(|row| row.service).collect();
    let services = snapshot.work.services.iter();
    services.filter(|it| with_parts.contains(&it.id)).map(|it| it.done_on).min()
}

/// Takes away what was not yet known on `day`. Standstills and bookings stay where they had begun,
/// since the records do not say when they were made; of an engine that has left since, they do not
/// say when, so it is not there at all.
///
/// What was recorded late counts from the day that it speaks of: the records do not tell a load of
/// old files from a note made too late.
pub fn cut(snapshot: &mut Snapshot, day: NaiveDate) {
    let now = day.and_time(NaiveTime::MIN).and_utc();
    let fleet = &mut snapshot.fleet;
    fleet.readings.retain(|reading| reading.read_at < now);
    fleet.hires.retain(|hire| hire.back_at < now);
    fleet.standstills.retain(|still| still.from_on < day);
    fleet.bookings.retain(|booking| booking.starts_at < now);
    fleet
        .engines
        .retain(|engine| engine.first_run_on.or(engine.bought_on).is_none_or(|since| since < day));
    snapshot.work.services.retain(|service| service.done_on < day);
    snapshot.work.plans.retain(|plan| plan.created_at < now);
    snapshot.taken_at = now;
}
