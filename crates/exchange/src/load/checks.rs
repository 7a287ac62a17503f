//! Rules that several kinds share.

use chrono::{DateTime, Duration, NaiveDate, Utc};

use crate::table::{Moment, Refused, Row};

/// When it is noon in the middle of the Pacific it can be tomorrow elsewhere: a day is in the
/// future when it has not begun anywhere.
const EARLIEST_ZONE: Duration = Duration::hours(14);

/// A day that has begun.
pub(super) fn past_day(
    row: &Row<'_>,
    column: &str,
    now: DateTime<Utc>,
) -> Result<NaiveDate, Refused> {
    let day = row.date(column)?;
    if has_begun(day, now) { Ok(day) } else { Err(in_future(row, column)) }
}

/// A point in time that is not to come. Without an offset it is compared by its day; whoever knows
/// the zone compares again.
pub(super) fn past_moment(
    row: &Row<'_>,
    column: &str,
    now: DateTime<Utc>,
) -> Result<Moment, Refused> {
    let moment = row.moment(column)?;
    let past = match moment {
        Moment::Instant(instant) => instant <= now,
        Moment::Local(local) => local <= (now + EARLIEST_ZONE).naive_utc(),
        Moment::Day(day) => has_begun(day, now),
    };
    if past { Ok(moment) } else { Err(in_future(row, column)) }
}

/// Notes a second day or time that does not come after the first. Different forms are left to
/// whoever knows the zone.
pub(super) fn after(
    row: &Row<'_>,
    column: &str,
    earlier: &Moment,
    later: &Moment,
) -> Result<(), Refused> {
    let wrong = match (earlier, later) {
        (Moment::Instant(earlier), Moment::Instant(later)) => later <= earlier,
        (Moment::Local(earlier), Moment::Local(later)) => later <= earlier,
        (Moment::Day(earlier), Moment::Day(later)) => later <= earlier,
        _ => false,
    };
    if wrong {
        Err(row.refuse(column, "ends-before-it-begins", "must be later than the start"))
    } else {
        Ok(())
    }
}

/// Notes a last day before the first.
pub(super) fn not_before(
    row: &Row<'_>,
    column: &str,
    first: NaiveDate,
    last: NaiveDate,
) -> Result<(), Refused> {
    if last < first {
        return Err(row.refuse(column, "ends-before-it-begins", "may not be before the first day"));
    }
    Ok(())
}

fn has_begun(day: NaiveDate, now: DateTime<Utc>) -> bool {
    day <= (now + EARLIEST_ZONE).date_naive()
}

fn in_future(row: &Row<'_>, column: &str) -> Refused {
    row.refuse(column, "in-the-future", "lies in the future")
}
