//! What is known of engines' days ahead: standstills, the hire window of their site, bookings.

use std::collections::BTreeMap;

use chrono::{DateTime, Days, Months, NaiveDate, Utc};
use chrono_tz::Tz;
use fleet::calendar::{day_of, start_of_day};
use fleet::engine::{Engine, EngineStatus, Standstill};
use fleet::hire::{Booking, BookingStatus};
use fleet::site::Site;
use usage::{EnginePlans, EnginePosterior, Outlook, Plan};

/// Seasons ahead that a site's hire window is repeated for; beyond them the season's shape stands
/// alone. A forecast looks two seasons ahead at the most, a due date with few hours some more.
const SEASONS_AHEAD: u32 = 5;
/// Seasons before the current one that it is repeated for: few engines were last read before them.
const SEASONS_BEHIND: u32 = 1;
/// Share of a pool's recorded hours that may lie wholly outside the hire window: a pool that ran
/// more there works all year (tenders of a marina), whatever its site's hire does (common practice,
/// no source).
const OUTSIDE_MOST: f64 = 0.05;
/// Days of bookings that are taken as one: plans are gone through for every due date.
const DAYS_TOGETHER: i64 = 7;

/// Days on which a site hires out, both included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Season {
    first: NaiveDate,
    last: NaiveDate,
}

impl Season {
    /// The season that a site has entered; `None` unless both its days are.
    pub fn of(site: &Site) -> Option<Self> {
        let (first, mut last) = (site.first_hire_on?, site.last_hire_on?);
        // The last hire entered may be that of the season before.
        while last < first {
            last = last.checked_add_months(Months::new(12))?;
        }
        let year = first.checked_add_months(Months::new(12))?;
        (last < year).then_some(Self { first, last })
    }

    fn moved(&self, years: i32) -> Option<Self> {
        let months = Months::new(12 * years.unsigned_abs());
        let moved = |day: NaiveDate| match years < 0 {
            true => day.checked_sub_months(months),
            false => day.checked_add_months(months),
        };
        Some(Self { first: moved(self.first)?, last: moved(self.last)? })
    }

    /// Whether none of the days from `from` up to, not including, `to` is one of hire, were every
    /// year like the one entered.
    fn is_outside(&self, (from, to): (NaiveDate, NaiveDate)) -> bool {
        let years = i32::try_from((from - self.first).num_days().div_euclid(365)).unwrap_or(0);
        (years - 1..=years + 2)
            .filter_map(|year| self.moved(year))
            .all(|season| to <= season.first || season.last < from)
    }

    /// Whether a pool with such records keeps to the season; one without a record does. `lives`: by
    /// engine, life hours by day, rising.
    pub fn is_kept<'a>(&self, lives: impl Iterator<Item = &'a [(NaiveDate, f64)]>) -> bool {
        let (mut outside, mut all) = (0.0, 0.0);
        for between in lives.flat_map(|life| life.windows(2)) {
            let hours = between[1].1 - between[0].1;
            all += hours;
            if self.is_outside((between[0].0, between[1].0)) {
                outside += hours;
            }
        }
        outside <= OUTSIDE_MOST * all
    }

    /// The windows around `today`. Those before it hold for an engine that nobody has read since: the
    /// odd boat that ran in November does not put hours on its whole pool.
    fn windows(&self, today: NaiveDate) -> Vec<Plan> {
        let years = i32::try_from((today - self.first).num_days().div_euclid(365)).unwrap_or(0);
        let first = years - SEASONS_BEHIND as i32;
        let until = self.moved(first).map_or(today, |season| season.first);
        let past = Plan::HireWindow { from: NaiveDate::default(), to: until };
        let ahead = (first..years + SEASONS_AHEAD as i32).filter_map(|year| {
            let season = self.moved(year)?;
            Some(Plan::HireWindow { from: season.first, to: season.last.succ_opt()? })
        });
        // After the last of them nothing is known but the season's shape.
        let later = self.moved(years + SEASONS_AHEAD as i32).and_then(|next| {
            let to = next.first.checked_add_months(Months::new(12 * 100))?;
            Some(Plan::HireWindow { from: next.first, to })
        });
        std::iter::once(past).chain(ahead).chain(later).collect()
    }

    fn is_open(&self, day: NaiveDate) -> bool {
        day.succ_opt().is_some_and(|next| !self.is_outside((day, next)))
    }
}

/// One engine, as it stands when its days ahead are asked for.
pub struct Known<'a> {
    pub engine: &'a Engine,
    pub posterior: &'a EnginePosterior,
    pub standstills: Vec<&'a Standstill>,
}

/// A pool and what is wanted of it.
pub struct PoolAhead<'a> {
    pub today: NaiveDate,
    pub zone: Tz,
    pub outlook: &'a Outlook,
    /// `None`: hired out all year, or nobody knows when.
    pub season: Option<Season>,
    /// Running hours per hire hour; bookings say nothing about hours without it.
    pub factor: Option<f64>,
    pub bookings: &'a [&'a Booking],
}

impl PoolAhead<'_> {
    /// What is known of each engine's days ahead, in the order of `engines`.
    pub fn plans(&self, engines: &[Known<'_>]) -> Vec<EnginePlans> {
        let windows = self.season.map_or_else(Vec::new, |season| season.windows(self.today));
        let mut plans: Vec<Vec<Plan>> = engines.iter().map(|one| one.parked(&windows)).collect();
        for booked in together(self.booked(engines)) {
            for (at, hours) in booked.hours.iter().enumerate().filter(|(_, hours)| **hours > 0.0) {
                let hours_sd = booked.variance.sqrt();
                let Booked { from, to, .. } = booked;
                plans[at].push(Plan::Booked { from, to, hours: *hours, hours_sd });
            }
        }
        let checked = |known: &Vec<Plan>| EnginePlans::new(known).unwrap_or_default();
        plans.iter().map(checked).collect()
    }

    /// Days on which more is booked than is expected anyway, and what each engine runs on them: what
    /// the season brings besides bookings stands, and bookings are the least there will be.
    fn booked(&self, engines: &[Known<'_>]) -> Vec<Booked> {
        let Some(factor) = self.factor else { return Vec::new() };
        let by_day = boats_by_day(self.bookings, (self.zone, self.today));
        let booked = by_day.into_iter().filter_map(|(day, wanted)| {
            let to = day.succ_opt()?;
            let rates = engines.iter().map(|one| if one.is_fit(day) { one.rate() } else { 0.0 });
            let rates: Vec<f64> = rates.collect();
            let fit = rates.iter().filter(|rate| **rate > 0.0).count() as f64;
            if fit == 0.0 {
                return None;
            }
            let total: f64 = rates.iter().sum();
            let each = wanted.boat_hours / wanted.boats * factor;
            let share = (wanted.boats / fit).min(1.0);
            let booked = each * share * fit;
            let open = self.season.is_none_or(|season| season.is_open(day));
            let usual = if open { self.outlook.average_hours(day, to) * total } else { 0.0 };
            // Which engines the boats booked carry is not known: a draw for each of them.
            let variance = each * each * share * (1.0 - share);
            let hours = |rate: &f64| (booked * rate / total).min(24.0);
            (booked > usual).then(|| Booked {
                from: day,
                to,
                hours: rates.iter().map(hours).collect(),
                variance,
            })
        });
        booked.collect()
    }
}

/// Days in a row as one, up to a week.
fn together(days: Vec<Booked>) -> Vec<Booked> {
    let mut spans: Vec<Booked> = Vec::new();
    for day in days {
        match spans.last_mut().filter(|span| span.takes(&day)) {
            Some(span) => span.take(&day),
            None => spans.push(day),
        }
    }
    spans
}

impl Known<'_> {
    fn parked(&self, windows: &[Plan]) -> Vec<Plan> {
        if matches!(self.engine.status, EngineStatus::Retired | EngineStatus::Sold) {
            return Vec::new();
        }
        let parked = self.standstills.iter().filter_map(|still| {
            Some(Plan::Parked { from: still.from_on, to: still.until_on.succ_opt()? })
        });
        parked.chain(windows.iter().copied()).collect()
    }

    fn is_fit(&self, day: NaiveDate) -> bool {
        matches!(self.engine.status, EngineStatus::InService | EngineStatus::LaidUp)
            && !self.standstills.iter().any(|it| it.from_on <= day && day <= it.until_on)
    }

    /// Beside the pool's average; never nothing, so that bookings fall on every engine that can go.
    fn rate(&self) -> f64 {
        self.posterior.rate().max(0.01)
    }
}

/// Hours booked over some days, by engine.
struct Booked {
    from: NaiveDate,
    to: NaiveDate,
    hours: Vec<f64>,
    variance: f64,
}

impl Booked {
    /// The same engines on the day after.
    fn takes(&self, day: &Self) -> bool {
        let alike = self.hours.iter().zip(&day.hours);
        self.to == day.from
            && (self.to - self.from).num_days() < DAYS_TOGETHER
            && alike.into_iter().all(|(ours, theirs)| (*ours > 0.0) == (*theirs > 0.0))
    }

    fn take(&mut self, day: &Self) {
        self.to = day.to;
        self.variance += day.variance;
        for (ours, theirs) in self.hours.iter_mut().zip(&day.hours) {
            *ours += theirs;
        }
    }
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Wanted {
    boats: f64,
    boat_hours: f64,
}

/// Boats and boat-hours booked by day of the site, from `today` on. A booking over several days has
/// its hours in each of them.
fn boats_by_day(
    bookings: &[&Booking],
    (zone, today): (Tz, NaiveDate),
) -> BTreeMap<NaiveDate, Wanted> {
    let mut by_day: BTreeMap<NaiveDate, Wanted> = BTreeMap::new();
    for booking in bookings.iter().filter(|it| it.status == BookingStatus::Booked) {
        let (from, to) = (day_of(booking.starts_at, zone), day_of(booking.ends_at, zone));
        let boats = f64::from(booking.boats.max(0));
        for day in from.iter_days().skip_while(|day| *day < today).take_while(|day| *day <= to) {
            let hours = hours_on(day, zone, (booking.starts_at, booking.ends_at));
            let wanted = by_day.entry(day).or_default();
            if hours > 0.0 && boats > 0.0 {
                wanted.boats += boats;
                wanted.boat_hours += boats * hours;
            }
        }
    }
    by_day.retain(|_, wanted| wanted.boats > 0.0);
    by_day
}

/// Hours of a span that lie in a day of the site.
fn hours_on(day: NaiveDate, zone: Tz, (from, to): (DateTime<Utc>, DateTime<Utc>)) -> f64 {
    let begins = start_of_day(day, zone);
    let ends = start_of_day(day + Days::new(1), zone);
    ((to.min(ends) - from.max(begins)).num_seconds() as f64 / 3600.0).max(0.0)
}

#[cfg(test)]
mod tests {
    use chrono::{Datelike, TimeZone};
    use fleet::id::{BookingId, EngineId, ModelId, PoolId, StandstillId};
    use usage::{EngineHistory, PoolModel};

    use super::*;

    fn day(year: i32, month: u32, day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(year, month, day).expect("a date")
    }

    fn summer() -> Season {
        Season { first: day(2027, 4, 3), last: day(2027, 10, 24) }
    }

    fn engine() -> Engine {
        Engine {
            id: EngineId::fresh(),
            version: 1,
            serial: "K-1".to_owned(),
            model: ModelId::fresh(),
            pool: PoolId::fresh(),
            tag: None,
            bought_on: None,
            first_run_on: None,
            status: EngineStatus::InService,
            severity_percent: None,
            note: None,
        }
    }

    fn booking(month: u32, day: u32, boats: i32) -> Booking {
        let at = |hour| Utc.with_ymd_and_hms(2027, month, day, hour, 0, 0).single().expect("once");
        Booking {
            id: BookingId::fresh(),
            version: 1,
            pool: PoolId::fresh(),
            starts_at: at(8),
            ends_at: at(18),
            boats,
            reference: String::new(),
            status: BookingStatus::Booked,
        }
    }

    /// Mean hours of each engine on a day, as the plans have it.
    fn hours(engines: &[Engine], bookings: &[&Booking], on: NaiveDate) -> Vec<f64> {
        hours_with(engines, bookings, &[], on)
    }

    fn hours_with(
        engines: &[Engine],
        bookings: &[&Booking],
        standstills: &[Standstill],
        on: NaiveDate,
    ) -> Vec<f64> {
        let today = day(2026, 11, 20);
        let histories = vec![EngineHistory::default(); engines.len()];
        let fit = PoolModel::fit(&histories, today);
        let ahead = PoolAhead {
            today,
            zone: Tz::UTC,
            outlook: &fit.outlook,
            season: Some(summer()),
            factor: Some(0.5),
            bookings,
        };
        let known = engines.iter().zip(&fit.posteriors).map(|(engine, posterior)| {
            let standstills = standstills.iter().filter(|it| it.engine == engine.id).collect();
            Known { engine, posterior, standstills }
        });
        let plans = ahead.plans(&known.collect::<Vec<_>>());
        let hours = plans.iter().zip(&fit.posteriors).map(|(plans, posterior)| {
            fit.outlook.hours(posterior, on, on + Days::new(1), plans).hours.mean()
        });
        hours.collect()
    }

    #[test]
    fn nothing_runs_outside_the_hire_window_in_this_winter_and_the_next_ones() {
        let engines = [engine()];
        for on in [day(2026, 12, 24), day(2027, 4, 2), day(2027, 10, 25), day(2030, 1, 15)] {
            assert_eq!(hours(&engines, &[], on), [0.0], "{on}");
        }
        for on in [day(2027, 4, 3), day(2027, 10, 24), day(2029, 7, 1)] {
            assert!(hours(&engines, &[], on)[0] > 0.0, "{on}");
        }
    }

    #[test]
    fn an_engine_nobody_read_since_the_season_rested_as_well() {
        let windows = summer().windows(day(2026, 11, 20));
        let is_open = |on: NaiveDate| {
            windows.iter().any(|plan| match plan {
                Plan::HireWindow { from, to } => *from <= on && on < *to,
                _ => false,
            })
        };
        assert!([day(2026, 1, 15), day(2026, 11, 5)].into_iter().all(|on| !is_open(on)));
        assert!([day(2025, 7, 1), day(2026, 7, 1), day(2026, 10, 24)].into_iter().all(is_open));
    }

    #[test]
    fn a_season_over_new_year_is_one_season() {
        let mut site = Site {
            id: fleet::id::SiteId::fresh(),
            version: 1,
            name: "South Stage".to_owned(),
            time_zone: "Australia/Hobart".to_owned(),
            calendar: None,
            first_hire_on: Some(day(2026, 10, 3)),
            // Entered is the end of the season before.
            last_hire_on: Some(day(2026, 4, 20)),
            finish_days_before_hire: 14,
            archived: false,
        };
        let season = Season::of(&site).expect("a season");
        assert_eq!(season, Season { first: day(2026, 10, 3), last: day(2027, 4, 20) });
        assert!(season.is_open(day(2031, 1, 1)) && season.is_open(day(2020, 4, 20)));
        assert!(!season.is_open(day(2031, 7, 1)) && !season.is_open(day(2020, 4, 21)));
        site.last_hire_on = Some(day(2027, 10, 10));
        assert_eq!(Season::of(&site), None, "over a year is no season");
    }

    #[test]
    fn a_pool_that_ran_through_the_winters_does_not_keep_to_the_window() {
        let run = |winter: f64| {
            let mut life = vec![(day(2024, 10, 30), 0.0)];
            life.push((day(2025, 3, 20), winter));
            life.push((day(2025, 10, 20), winter + 90.0));
            life
        };
        assert!(summer().is_kept([run(1.0).as_slice()].into_iter()));
        assert!(!summer().is_kept([run(20.0).as_slice()].into_iter()));
        assert!(summer().is_kept(std::iter::empty()), "no record speaks against it");
    }

    #[test]
    fn bookings_are_the_least_there_will_be() {
        let engines = [engine(), engine(), engine(), engine()];
        let on = day(2027, 7, 8);
        let usual = hours(&engines, &[], on);
        // Four boats of four engines, ten hours at half of it.
        let full = hours(&engines, &[&booking(7, 8, 4)], on);
        assert!(usual[0] < 4.0 && full.iter().all(|hours| (hours - 5.0).abs() < 0.01), "{full:?}");
        let none = Booking { status: BookingStatus::Cancelled, ..booking(7, 8, 4) };
        assert_eq!(hours(&engines, &[&none], on), usual);
        // A day on which nothing is let: what is booked is all there is.
        let winter = hours(&engines, &[&booking(12, 5, 2)], day(2027, 12, 5));
        assert!((winter.iter().sum::<f64>() - 10.0).abs() < 0.05, "{winter:?}");
        // More boats than there are engines: no more than all of them run.
        let over = hours(&engines, &[&booking(7, 8, 9)], on);
        assert!((over[0] - 5.0).abs() < 0.01, "{over:?}");
        // Beside what comes anyway, a small booking says nothing new.
        let one = Booking { ends_at: booking(7, 8, 1).starts_at, ..booking(7, 8, 1) };
        assert_eq!(hours(&engines, &[&one], on), usual);
    }

    #[test]
    fn what_is_booked_falls_on_engines_that_can_go() {
        let engines = [engine(), engine()];
        let still = Standstill {
            id: StandstillId::fresh(),
            version: 1,
            engine: engines[0].id,
            from_on: day(2027, 7, 1),
            until_on: day(2027, 7, 31),
            reason: "waits for a shaft".to_owned(),
        };
        let on = day(2027, 7, 8);
        assert_eq!(on.weekday().num_days_from_monday(), 3);
        let booked = hours_with(&engines, &[&booking(7, 8, 1)], &[still], on);
        assert!(booked[0] == 0.0 && (booked[1] - 5.0).abs() < 0.01, "{booked:?}");
    }
}
