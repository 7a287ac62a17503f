//! Sites, their working time, and what a day of theirs is worth.

use crate::problem::Problem;
use crate::quantity::{Amount, parse_currency};
use crate::resource::{Addable, Changeable, Resource, Shown};
use chrono::NaiveDate;
use fleet::Minutes;
use fleet::id::{CalendarDayId, CalendarId, CurrencyRateId, SiteId, SitePriceId};
use fleet::person::Role;
use fleet::site::{CalendarDay, CurrencyRate, PriceKind, Site, SitePrice, WorkCalendar};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one work calendar.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = WorkCalendar)]
pub struct WorkCalendarFields {
    pub name: String,
    /// Minutes.
    pub monday: u32,
    /// Minutes.
    pub tuesday: u32,
    /// Minutes.
    pub wednesday: u32,
    /// Minutes.
    pub thursday: u32,
    /// Minutes.
    pub friday: u32,
    /// Minutes.
    pub saturday: u32,
    /// Minutes.
    pub sunday: u32,
}

impl Resource for WorkCalendarFields {
    type Noun = WorkCalendar;
    const PATH: &'static str = "/calendars";
    const NAME: &'static str = "WorkCalendar";

    fn show(noun: WorkCalendar) -> Shown<Self> {
        let WorkCalendar {
            id,
            version,
            name,
            monday,
            tuesday,
            wednesday,
            thursday,
            friday,
            saturday,
            sunday,
        } = noun;
        let fields = Self {
            name,
            monday: monday.0,
            tuesday: tuesday.0,
            wednesday: wednesday.0,
            thursday: thursday.0,
            friday: friday.0,
            saturday: saturday.0,
            sunday: sunday.0,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for WorkCalendarFields {
    const WRITES: Role = Role::Owner;

    fn build(self, id: Uuid, version: i64) -> Result<WorkCalendar, Problem> {
        let Self { name, monday, tuesday, wednesday, thursday, friday, saturday, sunday } = self;
        Ok(WorkCalendar {
            id: CalendarId(id),
            version,
            name,
            monday: Minutes(monday),
            tuesday: Minutes(tuesday),
            wednesday: Minutes(wednesday),
            thursday: Minutes(thursday),
            friday: Minutes(friday),
            saturday: Minutes(saturday),
            sunday: Minutes(sunday),
        })
    }
}

/// The fields of one calendar day.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = CalendarDay)]
pub struct CalendarDayFields {
    pub calendar: Uuid,
    pub on: NaiveDate,
    /// Minutes.
    pub worked: u32,
    pub reason: String,
}

impl Resource for CalendarDayFields {
    type Noun = CalendarDay;
    const PATH: &'static str = "/calendar-days";
    const NAME: &'static str = "CalendarDay";

    fn show(noun: CalendarDay) -> Shown<Self> {
        let CalendarDay { id, calendar, on, worked, reason } = noun;
        let fields = Self { calendar: calendar.0, on, worked: worked.0, reason };
        Shown { id: id.0, version: None, fields }
    }
}

impl Addable for CalendarDayFields {
    const WRITES: Role = Role::Owner;

    fn build(self, id: Uuid) -> Result<CalendarDay, Problem> {
        let Self { calendar, on, worked, reason } = self;
        Ok(CalendarDay {
            id: CalendarDayId(id),
            calendar: CalendarId(calendar),
            on,
            worked: Minutes(worked),
            reason,
        })
    }
}

/// The fields of one site.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Site)]
pub struct SiteFields {
    pub name: String,
    pub time_zone: String,
    pub calendar: Option<Uuid>,
    pub first_hire_on: Option<NaiveDate>,
    pub last_hire_on: Option<NaiveDate>,
    pub finish_days_before_hire: i32,
    pub archived: bool,
}

impl Resource for SiteFields {
    type Noun = Site;
    const PATH: &'static str = "/sites";
    const NAME: &'static str = "Site";

    fn show(noun: Site) -> Shown<Self> {
        let Site {
            id,
            version,
            name,
            time_zone,
            calendar,
            first_hire_on,
            last_hire_on,
            finish_days_before_hire,
            archived,
        } = noun;
        let fields = Self {
            name,
            time_zone,
            calendar: calendar.map(|x| x.0),
            first_hire_on,
            last_hire_on,
            finish_days_before_hire,
            archived,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for SiteFields {
    const WRITES: Role = Role::Owner;

    fn build(self, id: Uuid, version: i64) -> Result<Site, Problem> {
        let Self {
            name,
            time_zone,
            calendar,
            first_hire_on,
            last_hire_on,
            finish_days_before_hire,
            archived,
        } = self;
        Ok(Site {
            id: SiteId(id),
            version,
            name,
            time_zone,
            calendar: calendar.map(CalendarId),
            first_hire_on,
            last_hire_on,
            finish_days_before_hire,
            archived,
        })
    }
}

/// The fields of one site price.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = SitePrice)]
pub struct SitePriceFields {
    pub site: Uuid,
    #[schema(value_type = String)]
    pub kind: PriceKind,
    pub amount: Amount,
    pub basis: String,
}

impl Resource for SitePriceFields {
    type Noun = SitePrice;
    const PATH: &'static str = "/site-prices";
    const NAME: &'static str = "SitePrice";

    fn show(noun: SitePrice) -> Shown<Self> {
        let SitePrice { id, version, site, kind, amount, basis } = noun;
        let fields = Self { site: site.0, kind, amount: Amount::show(amount), basis };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for SitePriceFields {
    const WRITES: Role = Role::Owner;

    fn build(self, id: Uuid, version: i64) -> Result<SitePrice, Problem> {
        let Self { site, kind, amount, basis } = self;
        Ok(SitePrice {
            id: SitePriceId(id),
            version,
            site: SiteId(site),
            kind,
            amount: amount.build()?,
            basis,
        })
    }
}

/// The fields of one currency rate.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = CurrencyRate)]
pub struct CurrencyRateFields {
    pub from_currency: String,
    pub to_currency: String,
    pub on: NaiveDate,
    pub rate_millionths: i64,
    pub source: String,
}

impl Resource for CurrencyRateFields {
    type Noun = CurrencyRate;
    const PATH: &'static str = "/currency-rates";
    const NAME: &'static str = "CurrencyRate";

    fn show(noun: CurrencyRate) -> Shown<Self> {
        let CurrencyRate { id, from_currency, to_currency, on, rate_millionths, source } = noun;
        let fields = Self {
            from_currency: from_currency.to_string(),
            to_currency: to_currency.to_string(),
            on,
            rate_millionths,
            source,
        };
        Shown { id: id.0, version: None, fields }
    }
}

impl Addable for CurrencyRateFields {
    const WRITES: Role = Role::Owner;

    fn build(self, id: Uuid) -> Result<CurrencyRate, Problem> {
        let Self { from_currency, to_currency, on, rate_millionths, source } = self;
        Ok(CurrencyRate {
            id: CurrencyRateId(id),
            from_currency: parse_currency(&from_currency)?,
            to_currency: parse_currency(&to_currency)?,
            on,
            rate_millionths,
            source,
        })
    }
}
