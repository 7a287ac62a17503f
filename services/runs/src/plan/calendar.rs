//! When a site and its people work.

use std::collections::HashMap;

use chrono::{Datelike as _, NaiveDate};
use fleet::calendar::WorkingCalendar;
use fleet::id::{CalendarId, SiteId};
use fleet::person::Person;
use fleet::site::{Site, WorkCalendar};
use store::snapshot::Snapshot;

/// All calendars, laid out for look-up.
pub struct Calendars<'a> {
    snapshot: &'a Snapshot,
    weeks: HashMap<CalendarId, &'a WorkCalendar>,
    days: HashMap<(CalendarId, NaiveDate), u32>,
    sites: HashMap<SiteId, &'a Site>,
    usual: WorkingCalendar,
}

impl<'a> Calendars<'a> {
    pub fn read(snapshot: &'a Snapshot) -> Self {
        let yard = &snapshot.yard;
        Self {
            snapshot,
            weeks: yard.calendars.iter().map(|calendar| (calendar.id, calendar)).collect(),
            days: yard.calendar_days.iter().map(|it| ((it.calendar, it.on), it.worked.0)).collect(),
            sites: yard.sites.iter().map(|site| (site.id, site)).collect(),
            usual: WorkingCalendar::default(),
        }
    }

    /// Minutes that a person on `calendar` is paid for on `day`; without one, eight hours from
    /// Monday to Friday.
    pub fn minutes(&self, calendar: Option<CalendarId>, day: NaiveDate) -> i64 {
        let Some(id) = calendar else { return i64::from(self.usual.minutes_on(day).0) };
        if let Some(worked) = self.days.get(&(id, day)) {
            return i64::from(*worked);
        }
        let Some(week) = self.weeks.get(&id) else { return 0 };
        let by_weekday = [
            week.monday,
            week.tuesday,
            week.wednesday,
            week.thursday,
            week.friday,
            week.saturday,
            week.sunday,
        ];
        i64::from(by_weekday[day.weekday().num_days_from_monday() as usize].0)
    }

    pub fn is_open(&self, site: SiteId, day: NaiveDate) -> bool {
        let calendar = self.sites.get(&site).and_then(|site| site.calendar);
        self.minutes(calendar, day) > 0
    }

    /// Minutes of bench work that somebody does on `day`; none while away.
    pub fn bench_minutes(&self, person: &Person, day: NaiveDate) -> i64 {
        let away = self.snapshot.yard.absences.iter().any(|absence| {
            absence.person == person.id && absence.from_on <= day && day <= absence.until_on
        });
        if away {
            return 0;
        }
        let of_site = || person.site.and_then(|site| self.sites.get(&site)?.calendar);
        let paid = self.minutes(person.calendar.or_else(of_site), day);
        paid * i64::from(person.productive_percent.clamp(0, 100)) / 100
    }
}
