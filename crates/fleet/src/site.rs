//! Sites, their working time, and what a day of theirs is worth.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::hours::Minutes;
use crate::id::{CalendarDayId, CalendarId, CurrencyRateId, SiteId, SitePriceId};
use crate::money::Currency;
use crate::money::Money;
use crate::word::words;

/// Working minutes of a person by weekday.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct WorkCalendar {
    pub id: CalendarId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub name: String,
    pub monday: Minutes,
    pub tuesday: Minutes,
    pub wednesday: Minutes,
    pub thursday: Minutes,
    pub friday: Minutes,
    pub saturday: Minutes,
    pub sunday: Minutes,
}

/// A day on which a calendar differs from its week; none worked means closed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CalendarDay {
    pub id: CalendarDayId,
    pub calendar: CalendarId,
    pub on: NaiveDate,
    pub worked: Minutes,
    pub reason: String,
}

/// A yard or hire station.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Site {
    pub id: SiteId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub name: String,
    /// IANA name, like `Europe/Oslo`.
    pub time_zone: String,
    /// `None`: Monday to Friday, eight hours.
    pub calendar: Option<CalendarId>,
    /// First hire of the coming season, what the winter's work must be done for.
    pub first_hire_on: Option<NaiveDate>,
    /// Last hire of the season.
    pub last_hire_on: Option<NaiveDate>,
    /// Days between the end of winter work and the first hire.
    pub finish_days_before_hire: i32,
    pub archived: bool,
}

words! {
    pub enum PriceKind {
        /// A due service a day late.
        DayLate = "day_late",
        /// An engine failing on hire.
        Failure = "failure",
        /// A boat wanted and not there, a day.
        BoatShort = "boat_short",
        /// A visit that is not planned.
        VisitLeftOut = "visit_left_out",
        /// An hour of overtime.
        OvertimeHour = "overtime_hour",
        /// An hour of bench work.
        BenchHour = "bench_hour",
        /// A new engine, of the kind that the site hires out.
        NewEngine = "new_engine",
    }
}

/// What something costs a site, in money, and where the figure comes from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SitePrice {
    pub id: SitePriceId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub site: SiteId,
    pub kind: PriceKind,
    pub amount: Money,
    pub basis: String,
}

/// What one unit of a currency was worth in another on a day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CurrencyRate {
    pub id: CurrencyRateId,
    pub from_currency: Currency,
    pub to_currency: Currency,
    pub on: NaiveDate,
    /// Millionths of a unit of the other currency for one unit.
    pub rate_millionths: i64,
    pub source: String,
}
