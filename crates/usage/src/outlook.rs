//! The fitted pool laid out day by day, ready to answer for thousands of engines.
//!
//! Invariant: running sums never fall. Tables are made once for a pool; an answer for one engine
//! then costs tens of steps, whatever the length of its history.

use crate::curve::Curve;
use crate::history::{Day, date_of, day_of};
use crate::hours::{HoursDistribution, Part};
use crate::linear::{cholesky, sum_over};
use crate::plans::EnginePlans;
use crate::pool::{EnginePosterior, PoolModel};
use crate::rate::{Observed, Pace, RateModel, RateState, Span, probability_of_none};
use crate::season::{Calendar, CalendarDay, SPLINES};
use crate::{EngineHistory, UsageError, UseInterval};
use chrono::NaiveDate;
use rayon::prelude::{IndexedParallelIterator, IntoParallelRefIterator, ParallelIterator};

/// Largest variance of a day's log hours that raises its mean: where less is known, the mean of a
/// log-normal is all tail.
const MOST_SPREAD: f64 = 0.5;
/// Largest relative variance of a pool's hours: what is linear in the unknowns says no more of a pool
/// with a reading or two, and a matched gamma would be all zeros.
const MOST_COMMON: f64 = 1.0;
const WEEK: Day = 7;
/// Days beyond the last reading that are laid out; later years repeat the last of them.
const DAYS_AHEAD: Day = 3 * 366;

/// Tables of one pool's model.
#[derive(Clone, Debug)]
pub struct Outlook {
    pace: Pace,
    first: Day,
    /// Hours of the pool's average engine up to each day.
    running: Vec<f64>,
    /// For each week from `first`: the running derivative of those hours by the curve's unknowns,
    /// turned so that a plain sum of squares is a variance.
    weeks: Vec<f32>,
    width: usize,
}

impl Outlook {
    pub(crate) fn new(model: &PoolModel) -> Self {
        let (first, last) = model.days();
        let calendar = Calendar::new(first, last + DAYS_AHEAD);
        let curve = &model.curve;
        let columns = Columns::new(curve, &calendar);
        let lower = cholesky(&curve.covariance, curve.unknowns());
        let mut running = Vec::with_capacity(calendar.days.len() + 1);
        let mut weeks = Vec::new();
        let mut gradient = vec![0.0; columns.width];
        let mut hours = 0.0;
        for (index, day) in calendar.days.iter().enumerate() {
            running.push(hours);
            if index % WEEK as usize == 0 {
                weeks.extend(columns.turned(curve, &lower, &gradient));
            }
            let today = columns.mean_hours(curve, day);
            hours += today;
            columns.add(curve, day, today, &mut gradient);
        }
        running.push(hours);
        weeks.extend(columns.turned(curve, &lower, &gradient));
        Self { pace: Pace::new(model.rates), first, running, weeks, width: columns.width }
    }

    pub(crate) fn set_rates(&mut self, rates: RateModel) {
        self.pace = Pace::new(rates);
    }

    pub(crate) const fn first_day(&self) -> Day {
        self.first
    }

    /// What is known of an engine that no reading has been taken of: its pool.
    pub fn new_engine(&self) -> EnginePosterior {
        let state = RateState::new(&self.pace.model);
        EnginePosterior { state, first: None, last: None, hours: 0.0, readings: 0 }
    }

    /// What a history says of its engine.
    pub fn posterior(&self, history: &EngineHistory) -> EnginePosterior {
        let mut posterior = self.new_engine();
        for interval in history.intervals() {
            self.take_in(&mut posterior, interval);
        }
        posterior
    }

    /// What a history says of its engine around a window inside it, from both sides of the window.
    ///
    /// Drift fades alike forwards and backwards, so readings after the window are taken as if they
    /// lay as far before it. Readings that overlap the window are left out.
    pub fn posterior_around(
        &self,
        history: &EngineHistory,
        from: NaiveDate,
        to: NaiveDate,
    ) -> EnginePosterior {
        let (from, to) = (day_of(from), day_of(to));
        let mut sides: Vec<(Day, &UseInterval)> = history
            .intervals()
            .iter()
            .filter_map(|interval| {
                let (start, end) = interval.days();
                let away = if end <= from { from - end } else { start - to };
                (away >= 0).then_some((away, interval))
            })
            .collect();
        sides.sort_by_key(|&(away, interval)| (std::cmp::Reverse(away), interval.start()));
        let mut posterior = self.new_engine();
        let mut reached: Option<Day> = None;
        for (away, interval) in sides {
            let (start, end) = interval.days();
            if let Some(reached) = reached {
                posterior.state.wait(&self.pace, reached - (away + end - start));
            }
            self.learn(&mut posterior, interval);
            posterior.first = Some(posterior.first.map_or(start, |first| first.min(start)));
            posterior.last = Some(from - away);
            reached = Some(away);
        }
        posterior
    }

    fn end(&self) -> Day {
        self.first + self.running.len() as Day - 1
    }

    /// Hours of the pool's average engine from the table's start to `day`, below 0 before it; beyond
    /// either end, the year there repeats.
    fn running(&self, day: Day) -> f64 {
        let last = self.running.len() - 1;
        let index = i64::from(day) - i64::from(self.first);
        if index < 0 {
            let years = (-index + 364) / 365;
            let inside = (index + 365 * years) as usize;
            return self.running[inside] - years as f64 * self.running[365];
        }
        let index = index as usize;
        if index <= last {
            return self.running[index];
        }
        let over = index - last;
        let year = self.running[last] - self.running[last - 365];
        let (years, days) = (over / 365, over % 365);
        self.running[last] + years as f64 * year + self.running[last - 365 + days]
            - self.running[last - 365]
    }

    /// Hours expected of the pool's average engine over the days from `from` up to `to`.
    pub fn average_hours(&self, from: NaiveDate, to: NaiveDate) -> f64 {
        self.exposure(day_of(from), day_of(to))
    }

    pub(crate) fn exposure(&self, from: Day, to: Day) -> f64 {
        (self.running(to) - self.running(from)).max(0.0)
    }

    /// Running turned derivative up to `day`, into `row`; straight between weeks.
    fn turned_to(&self, day: Day, row: &mut [f64]) {
        let at = f64::from(day.clamp(self.first, self.end()) - self.first) / f64::from(WEEK);
        let rows = self.weeks.len() / self.width;
        let low = (at.floor() as usize).min(rows - 1);
        let high = (low + 1).min(rows - 1);
        let part = (at - low as f64) as f32;
        let a = &self.weeks[low * self.width..(low + 1) * self.width];
        let b = &self.weeks[high * self.width..(high + 1) * self.width];
        for ((slot, &a), &b) in row.iter_mut().zip(a).zip(b) {
            *slot = f64::from(a + part * (b - a));
        }
    }

    /// A new reading updates its engine, in constant time. It must not begin before the last ended.
    pub fn observe(
        &self,
        posterior: &mut EnginePosterior,
        interval: &UseInterval,
    ) -> Result<(), UsageError> {
        if let Some(last) = posterior.last.filter(|&last| interval.days().0 < last) {
            return Err(UsageError::Overlaps { start: interval.start(), before: date_of(last) });
        }
        self.take_in(posterior, interval);
        Ok(())
    }

    fn take_in(&self, posterior: &mut EnginePosterior, interval: &UseInterval) {
        let (start, end) = interval.days();
        if let Some(last) = posterior.last {
            posterior.state.wait(&self.pace, start - last);
        }
        self.learn(posterior, interval);
        posterior.first = posterior.first.or(Some(start));
        posterior.last = Some(end);
    }

    fn learn(&self, posterior: &mut EnginePosterior, interval: &UseInterval) {
        let (start, end) = interval.days();
        // What lies before the table counts as hours of life, not as news of the rate.
        if end > self.first {
            let seen = Observed {
                days: end - start,
                exposure_hours: self.exposure(start, end),
                hours: interval.hours(),
                noise: interval.source().noise(),
            };
            posterior.state.observe(&self.pace, &seen);
        }
        posterior.hours += interval.hours();
        posterior.readings += 1;
    }

    /// Hours over the days from `from` up to `to`.
    pub fn hours(
        &self,
        posterior: &EnginePosterior,
        from: NaiveDate,
        to: NaiveDate,
        plans: &EnginePlans,
    ) -> HoursForecast {
        let (from, to) = (day_of(from), day_of(to));
        if from < self.first {
            // Nothing is known of those years but their season: that of the first ones on record.
            let on = (self.first - from + 364) / 365 * 365;
            let later = |day: Option<Day>| day.map(|day| day + on);
            let moved = EnginePosterior {
                first: later(posterior.first),
                last: later(posterior.last),
                ..*posterior
            };
            return self.hours_over(&moved, from + on, to + on, &EnginePlans::default());
        }
        self.hours_over(posterior, from, to, plans)
    }

    fn hours_over(
        &self,
        posterior: &EnginePosterior,
        from: Day,
        to: Day,
        plans: &EnginePlans,
    ) -> HoursForecast {
        let mut walk = Walk::new(self, posterior, from, plans);
        let mut at = from;
        while at < to {
            at = (at + WEEK).min(to);
            walk.advance(at);
        }
        HoursForecast { hours: walk.distribution(), own_share: walk.own_share() }
    }

    /// [`Outlook::hours`] for many engines at once, in parallel, in order.
    pub fn hours_of_all(
        &self,
        posteriors: &[EnginePosterior],
        from: NaiveDate,
        to: NaiveDate,
    ) -> Vec<HoursForecast> {
        let none = EnginePlans::default();
        posteriors
            .par_iter()
            .with_min_len(64)
            .map(|posterior| self.hours(posterior, from, to, &none))
            .collect()
    }
}

/// Hours over a window, and whose evidence they rest on.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct HoursForecast {
    pub hours: HoursDistribution,
    /// 0: all from the pool; 1: all from the engine's own readings.
    pub own_share: f64,
}

/// Columns of the curve's unknowns, with those of months and years that no reading has reached.
struct Columns {
    fitted: usize,
    years_at: usize,
    first_new_year: i32,
    new_years: usize,
    first_new_month: i32,
    width: usize,
}

impl Columns {
    fn new(curve: &Curve, calendar: &Calendar) -> Self {
        let fitted = curve.unknowns();
        let last = &calendar.days[calendar.days.len() - 1];
        let first = &calendar.days[0];
        let (first_new_year, first_new_month) = if curve.months == 0 {
            (first.year, first.month)
        } else {
            (curve.first_year + curve.years as i32, curve.first_month + curve.months as i32)
        };
        let new_years = (last.year + 1 - first_new_year).max(0) as usize;
        let new_months = (last.month + 1 - first_new_month).max(0) as usize;
        Self {
            fitted,
            years_at: fitted,
            first_new_year,
            new_years,
            first_new_month,
            width: fitted + new_years + new_months,
        }
    }

    fn year(&self, curve: &Curve, year: i32) -> usize {
        curve
            .year_column(year)
            .unwrap_or(self.years_at + (year - self.first_new_year).max(0) as usize)
    }

    fn month(&self, curve: &Curve, month: i32) -> usize {
        curve.month_column(month).unwrap_or(
            self.years_at + self.new_years + (month - self.first_new_month).max(0) as usize,
        )
    }

    /// Mean hours of a day: the log-normal's, over what is not known of its year and month.
    fn mean_hours(&self, curve: &Curve, day: &CalendarDay) -> f64 {
        let n = self.fitted;
        let (year, month) = (self.year(curve, day.year), self.month(curve, day.month));
        let mut known = [(0, 0.0); 6];
        let mut count = 0;
        let mut spread = 0.0;
        let splines = day.weights.iter().enumerate();
        let splines = splines.map(|(k, &weight)| ((day.first_spline + k) % SPLINES, weight));
        for (column, weight) in splines.chain([(year, 1.0), (month, 1.0)]) {
            if column < n {
                known[count] = (column, weight);
                count += 1;
            } else {
                spread += self.new_sd(curve, column).powi(2);
            }
        }
        let mut log = 0.0;
        for &(i, a) in &known[..count] {
            log += a * curve.theta[i];
            for &(j, b) in &known[..count] {
                spread += a * b * curve.covariance[i * n + j];
            }
        }
        let log = log + spread.clamp(0.0, MOST_SPREAD) / 2.0;
        log.min(4.0).exp() * curve.weekdays[day.weekday]
    }

    /// Standard deviation of a year or month that no reading has reached.
    fn new_sd(&self, curve: &Curve, column: usize) -> f64 {
        let index = column - self.fitted;
        if index < self.new_years {
            curve.year_sd
        } else {
            curve.month_sd(self.first_new_month + (index - self.new_years) as i32)
        }
    }

    fn add(&self, curve: &Curve, day: &CalendarDay, hours: f64, gradient: &mut [f64]) {
        for (offset, weight) in day.weights.iter().enumerate() {
            gradient[(day.first_spline + offset) % SPLINES] += weight * hours;
        }
        gradient[self.year(curve, day.year)] += hours;
        gradient[self.month(curve, day.month)] += hours;
    }

    fn turned(&self, curve: &Curve, lower: &[f64], gradient: &[f64]) -> Vec<f32> {
        let n = self.fitted;
        let mut turned = vec![0.0f64; self.width];
        for i in 0..n {
            if gradient[i] != 0.0 {
                for (slot, &l) in turned[..=i].iter_mut().zip(&lower[i * n..=i * n + i]) {
                    *slot += l * gradient[i];
                }
            }
        }
        for i in n..self.width {
            turned[i] = self.new_sd(curve, i) * gradient[i];
        }
        turned.into_iter().map(|value| value as f32).collect()
    }
}

/// Hours of one engine from a day on, week by week.
pub(crate) struct Walk<'a> {
    outlook: &'a Outlook,
    plans: &'a EnginePlans,
    lasting: f64,
    drift: f64,
    lasting_var: f64,
    covar: f64,
    drift_var: f64,
    lasting_share: f64,
    drift_share: f64,
    aside: f64,
    /// Turned derivative of the engine's own past, per hour of it.
    own_past: Vec<f64>,
    at: Day,
    /// Share of the drift that is left, and chances of having been laid aside, or at work, all the
    /// while until `at`.
    left: f64,
    still_aside: f64,
    still_at_work: f64,
    exposure: f64,
    /// ∫ f e^(−t/τ), and ∫∫ f f e^(−|t − s|/τ).
    faded: f64,
    paired: f64,
    /// ∫ f e^(−(at − t)/τ).
    trailing: f64,
    /// The same three for being laid aside or not, with its own fading and variance.
    aside_faded: f64,
    aside_paired: f64,
    aside_trailing: f64,
    booked: f64,
    booked_var: f64,
    /// Turned derivative of the hours passed, over `common_exposure` of them.
    common: Vec<f64>,
    common_exposure: f64,
    /// Running turned derivative up to `at`, and room for the next.
    turned: Vec<f64>,
    scratch: Vec<f64>,
}

impl<'a> Walk<'a> {
    pub fn new(
        outlook: &'a Outlook,
        posterior: &EnginePosterior,
        start: Day,
        plans: &'a EnginePlans,
    ) -> Self {
        let mut state = posterior.state;
        let width = outlook.width;
        let (mut own_past, mut turned) = (vec![0.0; width], vec![0.0; width]);
        if let (Some(first), Some(last)) = (posterior.first, posterior.last) {
            state.wait(&outlook.pace, start - last);
            let hours = outlook.exposure(first, last);
            if hours > 1e-6 {
                outlook.turned_to(first, &mut turned);
                outlook.turned_to(last, &mut own_past);
                own_past.iter_mut().zip(&turned).for_each(|(past, t)| *past = (*past - t) / hours);
            }
        }
        outlook.turned_to(start, &mut turned);
        Self {
            outlook,
            plans,
            lasting: state.lasting,
            drift: state.drift,
            lasting_var: state.lasting_var,
            covar: state.covar,
            drift_var: state.drift_var,
            lasting_share: state.lasting_share,
            drift_share: state.drift_share,
            aside: state.aside,
            own_past,
            at: start,
            left: 1.0,
            still_aside: 1.0,
            still_at_work: 1.0,
            exposure: 0.0,
            faded: 0.0,
            paired: 0.0,
            trailing: 0.0,
            aside_faded: 0.0,
            aside_paired: 0.0,
            aside_trailing: 0.0,
            booked: 0.0,
            booked_var: 0.0,
            common: vec![0.0; width],
            common_exposure: 0.0,
            turned,
            scratch: vec![0.0; width],
        }
    }

    /// Moves on to `day`; one that is past already changes nothing.
    pub fn advance(&mut self, day: Day) {
        if day <= self.at {
            return;
        }
        let span = self.outlook.pace.over(day - self.at);
        let Span { fade, mean_fade, mean_var: mean_pair, .. } = span;
        let whole = self.outlook.exposure(self.at, day);
        let (kept, booked, booked_var) = self.plans.between(self.outlook, self.at, day, whole);
        self.booked += booked;
        self.booked_var += booked_var;
        self.exposure += kept;
        self.faded += self.left * mean_fade * kept;
        self.left *= fade;
        self.paired += 2.0 * self.trailing * mean_fade * kept + mean_pair * kept * kept;
        self.trailing = self.trailing * fade + mean_fade * kept;
        self.advance_aside(&span, kept);
        // Beyond the table years repeat, and so does what is not known of them.
        if whole > 0.0 && self.at < self.outlook.end() {
            self.outlook.turned_to(day, &mut self.scratch);
            let weight = kept / whole;
            for ((sum, new), old) in self.common.iter_mut().zip(&self.scratch).zip(&self.turned) {
                *sum += weight * (new - old);
            }
            std::mem::swap(&mut self.turned, &mut self.scratch);
            let end = self.outlook.end();
            let inside = if day <= end { 1.0 } else { self.outlook.exposure(self.at, end) / whole };
            self.common_exposure += inside * kept;
        }
        self.at = day;
    }

    fn advance_aside(&mut self, span: &Span, kept: f64) {
        let Span { aside_mean_fade: mean_fade, aside_mean_var: mean_pair, .. } = *span;
        let share = self.outlook.pace.model.aside_share();
        let before = self.still_aside * self.still_at_work;
        let aside = share + (self.aside - share) * before * mean_fade;
        let variance = aside * (1.0 - aside) / (1.0 - share).powi(2);
        self.aside_faded += before * mean_fade * kept;
        self.aside_paired +=
            2.0 * self.aside_trailing * mean_fade * kept + variance * mean_pair * kept * kept;
        let fade = span.still_aside * span.still_at_work;
        self.aside_trailing = self.aside_trailing * fade + variance * mean_fade * kept;
        self.still_aside *= span.still_aside;
        self.still_at_work *= span.still_at_work;
    }

    /// Weight of the drift as it is now in the window's mean.
    fn fade(&self) -> f64 {
        if self.exposure > 0.0 { self.faded / self.exposure } else { 1.0 }
    }

    pub fn own_share(&self) -> f64 {
        (self.lasting_share + self.fade() * self.drift_share).clamp(0.0, 1.0)
    }

    pub fn distribution(&self) -> HoursDistribution {
        if self.exposure <= 1e-9 {
            return self.with_bookings(HoursDistribution::ZERO);
        }
        let rates = &self.outlook.pace.model;
        let fade = self.fade();
        let rate = (self.lasting + fade * self.drift).max(MIN_RATE);
        let pairs = self.paired / (self.exposure * self.exposure);
        let own_var = self.lasting_var
            + 2.0 * fade * self.covar
            + rates.drift_sd.powi(2) * pairs
            + (self.drift_var - rates.drift_sd.powi(2)) * fade * fade;
        let share = self.own_share();
        let per_hour = if self.common_exposure > 0.0 { 1.0 / self.common_exposure } else { 0.0 };
        let common_var = sum_over(&self.common, &self.own_past, |window, past| {
            (per_hour * window - share * past).powi(2)
        });
        let (own_var, common_var) = (own_var.max(0.0), common_var.min(MOST_COMMON));
        let relative = own_var / (rate * rate) * (1.0 + common_var) + common_var;
        let work = self.work();
        let full = rate * self.exposure / (1.0 - rates.aside_share());
        let part = |share: f64, spread: f64, weight: f64| {
            let mean = full * share;
            let spread = (1.0 + relative) * (1.0 + spread) - 1.0;
            Part {
                weight,
                mean,
                variance: rates.overdispersion_hours * mean + mean * mean * spread,
                none: probability_of_none(mean, rates.overdispersion_hours, spread),
            }
        };
        self.with_bookings(HoursDistribution::new(
            work.never,
            &[
                part(work.partly_share, work.partly_spread, work.partly),
                part(1.0, 0.0, work.throughout),
            ],
        ))
    }

    /// How the window splits by being laid aside.
    fn work(&self) -> Work {
        let rates = &self.outlook.pace.model;
        let aside_share = rates.aside_share();
        let never = self.aside * self.still_aside;
        let throughout = (1.0 - self.aside) * self.still_at_work;
        let partly = (1.0 - never - throughout).max(0.0);
        // Mean and variance of the share of the window's hours at work, of which `never` is 0 and
        // `throughout` is 1; what they leave is the rest's.
        let mean =
            1.0 - aside_share + (aside_share - self.aside) * self.aside_faded / self.exposure;
        let square =
            self.aside_paired * ((1.0 - aside_share) / self.exposure).powi(2) + mean * mean;
        if partly < 1e-4 {
            return Work {
                never,
                throughout: 1.0 - never,
                partly: 0.0,
                partly_share: 1.0,
                partly_spread: 0.0,
            };
        }
        let share = ((mean - throughout) / partly).clamp(0.05, 0.95);
        let variance = (square - throughout) / partly - share * share;
        // Between certain, and all or nothing.
        let spread = variance.clamp(0.0, share * (1.0 - share) * 0.5) / (share * share);
        Work { never, throughout, partly, partly_share: share, partly_spread: spread }
    }

    fn with_bookings(&self, hours: HoursDistribution) -> HoursDistribution {
        if self.booked > 0.0 { hours.with_booked(self.booked, self.booked_var) } else { hours }
    }
}

/// Chances of being at work never, throughout and partly in a window, and the share of its hours
/// in the last case.
struct Work {
    never: f64,
    throughout: f64,
    partly: f64,
    partly_share: f64,
    /// Relative variance of the share.
    partly_spread: f64,
}

/// No engine in service is expected to stand still for ever: 2 % of the pool's average.
const MIN_RATE: f64 = 0.02;
