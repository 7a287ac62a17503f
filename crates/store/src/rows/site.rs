//! Rows of `fleet::site`.

use fleet::id::{CalendarDayId, CalendarId, CurrencyRateId, OrganisationId, SiteId, SitePriceId};
use fleet::site::{CalendarDay, CurrencyRate, Site, SitePrice, WorkCalendar};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{calendar_days, calendars, currency_rates, site_prices, sites};
use crate::error::StoreError;
use crate::record::{Record, Shared};
use crate::value::{currency, minutes, money, whole_minutes, word};

impl Record for WorkCalendar {
    type Entity = calendars::Entity;
    type Row = calendars::Model;
    type Id = CalendarId;
    const ORGANISATION: calendars::Column = calendars::Column::OrganisationId;
    const ID: calendars::Column = calendars::Column::Id;
    const NOUN: &'static str = "work calendar";

    fn id(&self) -> CalendarId {
        self.id
    }

    fn key(id: CalendarId) -> Uuid {
        id.0
    }

    fn from_row(row: calendars::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: CalendarId(row.id),
            version: row.version,
            name: row.name,
            monday: minutes(row.monday_minutes)?,
            tuesday: minutes(row.tuesday_minutes)?,
            wednesday: minutes(row.wednesday_minutes)?,
            thursday: minutes(row.thursday_minutes)?,
            friday: minutes(row.friday_minutes)?,
            saturday: minutes(row.saturday_minutes)?,
            sunday: minutes(row.sunday_minutes)?,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> calendars::Model {
        calendars::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            name: self.name.clone(),
            monday_minutes: whole_minutes(self.monday),
            tuesday_minutes: whole_minutes(self.tuesday),
            wednesday_minutes: whole_minutes(self.wednesday),
            thursday_minutes: whole_minutes(self.thursday),
            friday_minutes: whole_minutes(self.friday),
            saturday_minutes: whole_minutes(self.saturday),
            sunday_minutes: whole_minutes(self.sunday),
        }
    }
}

impl Shared for WorkCalendar {
    const VERSION: calendars::Column = calendars::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for CalendarDay {
    type Entity = calendar_days::Entity;
    type Row = calendar_days::Model;
    type Id = CalendarDayId;
    const ORGANISATION: calendar_days::Column = calendar_days::Column::OrganisationId;
    const ID: calendar_days::Column = calendar_days::Column::Id;
    const NOUN: &'static str = "calendar day";

    fn id(&self) -> CalendarDayId {
        self.id
    }

    fn key(id: CalendarDayId) -> Uuid {
        id.0
    }

    fn from_row(row: calendar_days::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: CalendarDayId(row.id),
            calendar: CalendarId(row.calendar_id),
            on: row.on,
            worked: minutes(row.worked_minutes)?,
            reason: row.reason,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> calendar_days::Model {
        calendar_days::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            calendar_id: self.calendar.0,
            on: self.on,
            worked_minutes: whole_minutes(self.worked),
            reason: self.reason.clone(),
        }
    }
}

impl Record for Site {
    type Entity = sites::Entity;
    type Row = sites::Model;
    type Id = SiteId;
    const ORGANISATION: sites::Column = sites::Column::OrganisationId;
    const ID: sites::Column = sites::Column::Id;
    const NOUN: &'static str = "site";

    fn id(&self) -> SiteId {
        self.id
    }

    fn key(id: SiteId) -> Uuid {
        id.0
    }

    fn from_row(row: sites::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: SiteId(row.id),
            version: row.version,
            name: row.name,
            time_zone: row.time_zone,
            calendar: row.calendar_id.map(CalendarId),
            first_hire_on: row.first_hire_on,
            last_hire_on: row.last_hire_on,
            finish_days_before_hire: row.finish_days_before_hire,
            archived: row.archived,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> sites::Model {
        sites::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            name: self.name.clone(),
            time_zone: self.time_zone.clone(),
            calendar_id: self.calendar.map(|id| id.0),
            first_hire_on: self.first_hire_on,
            last_hire_on: self.last_hire_on,
            finish_days_before_hire: self.finish_days_before_hire,
            archived: self.archived,
        }
    }
}

impl Shared for Site {
    const VERSION: sites::Column = sites::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for SitePrice {
    type Entity = site_prices::Entity;
    type Row = site_prices::Model;
    type Id = SitePriceId;
    const ORGANISATION: site_prices::Column = site_prices::Column::OrganisationId;
    const ID: site_prices::Column = site_prices::Column::Id;
    const NOUN: &'static str = "site price";

    fn id(&self) -> SitePriceId {
        self.id
    }

    fn key(id: SitePriceId) -> Uuid {
        id.0
    }

    fn from_row(row: site_prices::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: SitePriceId(row.id),
            version: row.version,
            site: SiteId(row.site_id),
            kind: word(&row.kind)?,
            amount: money(row.amount_minor, &row.amount_currency)?,
            basis: row.basis,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> site_prices::Model {
        site_prices::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            site_id: self.site.0,
            kind: self.kind.as_str().to_owned(),
            amount_minor: self.amount.minor,
            amount_currency: self.amount.currency.code().to_owned(),
            basis: self.basis.clone(),
        }
    }
}

impl Shared for SitePrice {
    const VERSION: site_prices::Column = site_prices::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for CurrencyRate {
    type Entity = currency_rates::Entity;
    type Row = currency_rates::Model;
    type Id = CurrencyRateId;
    const ORGANISATION: currency_rates::Column = currency_rates::Column::OrganisationId;
    const ID: currency_rates::Column = currency_rates::Column::Id;
    const NOUN: &'static str = "currency rate";

    fn id(&self) -> CurrencyRateId {
        self.id
    }

    fn key(id: CurrencyRateId) -> Uuid {
        id.0
    }

    fn from_row(row: currency_rates::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: CurrencyRateId(row.id),
            from_currency: currency(&row.from_currency)?,
            to_currency: currency(&row.to_currency)?,
            on: row.on,
            rate_millionths: row.rate_millionths,
            source: row.source,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> currency_rates::Model {
        currency_rates::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            from_currency: self.from_currency.code().to_owned(),
            to_currency: self.to_currency.code().to_owned(),
            on: self.on,
            rate_millionths: self.rate_millionths,
            source: self.source.clone(),
        }
    }
}
