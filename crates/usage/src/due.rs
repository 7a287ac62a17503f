//! When is it due? Whichever limb comes first: the hours, a distribution of dates; the months, a date.
//!
//! Hours to a date never fall as the date moves on, so the date on which a limit is reached has the
//! quantiles of hours turned over: it is reached by d with probability p exactly where the hours to
//! d reach the limit with probability p (first passage of a process that never falls). What the
//! limits are (first intervals, severity, what was last done) is decided in `fleet::due`.

use crate::history::{Day, date_of, day_of};
use crate::hours::HoursDistribution;
use crate::outlook::{Outlook, Walk};
use crate::plans::EnginePlans;
use crate::pool::EnginePosterior;
use chrono::NaiveDate;
use rayon::prelude::{IndexedParallelIterator, IntoParallelRefIterator, ParallelIterator};
use serde::{Deserialize, Serialize};

/// The two limbs of one task on one engine, as they stand.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// Hours still to run, counted from the engine's last reading; 0 or less is reached already.
    pub hours_left: Option<f64>,
    /// Date of the months limb.
    pub months_limb_on: Option<NaiveDate>,
}

/// The limb that is expected to come first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Limb {
    Hours,
    Months,
}

/// When a task falls due.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Due {
    pub governing: Limb,
    /// Hours still to run as of the last reading; below 0 by how much the limit is passed.
    pub hours_left: Option<f64>,
    pub months_limb_on: Option<NaiveDate>,
    /// Dates by which it is due with probability 0.1, 0.5, 0.9; `None` beyond [`Outlook::YEARS`].
    pub q10: Option<NaiveDate>,
    pub q50: Option<NaiveDate>,
    pub q90: Option<NaiveDate>,
    /// Probability that it is due on or before the date asked for.
    pub probability_by: f64,
}

/// One engine's hours from its last reading on, as far as dates are answered: make it once and ask
/// it for every task.
#[derive(Clone, Debug)]
pub struct EngineAhead {
    /// Days of the table, rising; the first is the last reading's (or the day asked from).
    days: Vec<Day>,
    /// Hours not exceeded with probability 0.9, 0.5, 0.1, never falling; each as far as is asked.
    quantiles: [Vec<f64>; 3],
    by: HoursDistribution,
    by_day: Day,
}

/// Probabilities of hours whose turned-over quantiles are those of the date: 0.9 of hours gives 0.1.
const HOURS_LEVELS: [f64; 3] = [0.9, 0.5, 0.1];

impl Outlook {
    /// Years from the last reading within which dates are answered.
    pub const YEARS: i32 = 20;

    /// Lays one engine out. Hours count from its last reading, or from `from` where it has none.
    /// `by` is the date that probabilities are asked for; a task is due on a date if the limit is
    /// reached by the end of it.
    pub fn engine_ahead(
        &self,
        posterior: &EnginePosterior,
        from: NaiveDate,
        by: NaiveDate,
        plans: &EnginePlans,
    ) -> EngineAhead {
        self.engine_ahead_for(posterior, from, by, plans, f64::INFINITY)
    }

    /// [`Outlook::engine_ahead`] for tasks with at most `hours_left_max` hours to run: the table
    /// ends where they are run with probability 0.9. A few times quicker for a whole fleet.
    pub fn engine_ahead_for(
        &self,
        posterior: &EnginePosterior,
        from: NaiveDate,
        by: NaiveDate,
        plans: &EnginePlans,
        hours_left_max: f64,
    ) -> EngineAhead {
        let start = posterior.last.unwrap_or_else(|| day_of(from));
        let by_day = day_of(by) + 1;
        let mut walk = Walk::new(self, posterior, start, plans);
        let mut ahead = EngineAhead {
            days: vec![start],
            quantiles: std::array::from_fn(|_| vec![0.0]),
            by: HoursDistribution::ZERO,
            by_day,
        };
        let mut asked = by_day <= start;
        for day in table_days(start) {
            if !asked && by_day <= day {
                walk.advance(by_day);
                ahead.by = walk.distribution();
                asked = true;
            }
            walk.advance(day);
            if !ahead.push(day, &walk, hours_left_max) {
                break;
            }
        }
        if !asked {
            walk.advance(by_day);
            ahead.by = walk.distribution();
        }
        ahead
    }

    /// [`Outlook::engine_ahead`] and [`EngineAhead::due`] for many engines, each with its tasks; in
    /// parallel, in order.
    pub fn due_of_all(
        &self,
        engines: &[(EnginePosterior, Vec<Limits>)],
        from: NaiveDate,
        by: NaiveDate,
    ) -> Vec<Vec<Option<Due>>> {
        let none = EnginePlans::default();
        engines
            .par_iter()
            .with_min_len(32)
            .map(|(posterior, limits)| {
                let hours = limits.iter().filter_map(|limits| limits.hours_left);
                let most = hours.filter(|hours| !hours.is_nan()).fold(0.0, f64::max);
                let ahead = self.engine_ahead_for(posterior, from, by, &none, most);
                limits.iter().map(|limits| ahead.due(limits)).collect()
            })
            .collect()
    }
}

/// Days at which an engine is laid out: each week of half a year, each other week of the next, every
/// four weeks to the third year, then each quarter.
fn table_days(start: Day) -> impl Iterator<Item = Day> {
    let steps = [(7, 26), (14, 13), (28, 26), (91, 69)];
    let mut at = start;
    steps.into_iter().flat_map(|(step, times)| std::iter::repeat_n(step, times)).map(move |step| {
        at += step;
        at
    })
}

impl EngineAhead {
    /// Adds a day; whether some quantile is still below the most hours that are asked for.
    fn push(&mut self, day: Day, walk: &Walk, hours_left_max: f64) -> bool {
        let hours = walk.distribution();
        self.days.push(day);
        let mut below = false;
        for (quantiles, level) in self.quantiles.iter_mut().zip(HOURS_LEVELS) {
            let before = quantiles[quantiles.len() - 1];
            if before >= hours_left_max {
                continue;
            }
            // Hours never fall; matched distributions may, by a hair, where seasons turn.
            let reached = hours.quantile(level).max(before);
            quantiles.push(reached);
            below |= reached < hours_left_max;
        }
        below
    }

    /// When a task falls due; `None` where no limb is known.
    pub fn due(&self, limits: &Limits) -> Option<Due> {
        let months = limits.months_limb_on;
        let hours = limits.hours_left.filter(|hours| !hours.is_nan());
        if hours.is_none() && months.is_none() {
            return None;
        }
        let hours_dates: [Option<NaiveDate>; 3] =
            std::array::from_fn(|i| hours.and_then(|hours| self.date_of_hours(i, hours)));
        let dates = hours_dates.map(|by_hours| match (by_hours, months) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        });
        let governing = match (hours, months) {
            (None, _) => Limb::Months,
            (Some(_), None) => Limb::Hours,
            (Some(_), Some(months)) if hours_dates[1].is_some_and(|half| half <= months) => {
                Limb::Hours
            }
            (Some(_), Some(_)) => Limb::Months,
        };
        let by_months = months.is_some_and(|date| day_of(date) < self.by_day);
        Some(Due {
            governing,
            hours_left: hours,
            months_limb_on: months,
            q10: dates[0],
            q50: dates[1],
            q90: dates[2],
            probability_by: if by_months {
                1.0
            } else {
                hours.map_or(0.0, |hours| self.probability(hours))
            },
        })
    }

    /// Probability that the hours are run by the date asked for.
    fn probability(&self, hours: f64) -> f64 {
        if hours <= 0.0 { 1.0 } else { self.by.probability_of_at_least(hours) }
    }

    /// The day in the course of which the hours' quantile reaches the limit.
    fn date_of_hours(&self, level: usize, hours: f64) -> Option<NaiveDate> {
        if hours <= 0.0 {
            return Some(date_of(self.days[0]));
        }
        let quantiles = &self.quantiles[level];
        let at = quantiles.partition_point(|&reached| reached < hours);
        if at >= quantiles.len() {
            return None;
        }
        let (low, high) = (quantiles[at - 1], quantiles[at]);
        let share = (hours - low) / (high - low);
        let days = f64::from(self.days[at] - self.days[at - 1]);
        // The limit is reached within a day: half-open days end at the next one's start.
        let day = self.days[at - 1] + ((share * days).ceil() as Day - 1).max(0);
        Some(date_of(day))
    }
}

#[cfg(test)]
mod tests {
    use super::Limits;
    use crate::history::day_of;
    use crate::pool::PoolModel;
    use crate::rate::RateModel;
    use crate::{EnginePlans, Outlook};
    use chrono::{Days, NaiveDate};
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Gamma, Poisson};
    use statrs::function::gamma::gamma_lr;

    /// Variance of hours over their mean, and hours a day, of the stationary pool below.
    const OVERDISPERSION: f64 = 2.5;
    const HOURS_A_DAY: f64 = 1.0;

    fn start() -> NaiveDate {
        NaiveDate::from_ymd_opt(2024, 1, 1).unwrap()
    }

    /// An hour a day all year, nothing uncertain but the hires themselves.
    fn stationary() -> Outlook {
        let mut model = PoolModel::fit(&[], start()).model;
        model.curve.theta.fill(HOURS_A_DAY.ln());
        model.curve.covariance.fill(0.0);
        model.curve.year_sd = 1e-6;
        model.curve.month_sds = [1e-6; 2];
        model.rates = RateModel {
            overdispersion_hours: OVERDISPERSION,
            lasting_sd: 1e-6,
            drift_sd: 1e-6,
            aside_a_day: 1e-12,
            ..RateModel::PRIOR
        };
        model.outlook()
    }

    fn days_until(hours: f64) -> [f64; 3] {
        let outlook = stationary();
        let none = EnginePlans::default();
        let ahead = outlook.engine_ahead(&outlook.new_engine(), start(), start(), &none);
        let due = ahead.due(&Limits { hours_left: Some(hours), months_limb_on: None }).unwrap();
        [due.q10, due.q50, due.q90].map(|date| f64::from(day_of(date.unwrap()) - day_of(start())))
    }

    /// First passage of a gamma process: F(t) = Γ(v t, y u) / Γ(v t), here with u = 1 / φ and
    /// v = mean / φ. Van Noortwijk (2009), A survey of the application of gamma processes in
    /// maintenance, Reliability Engineering and System Safety 94, 2-21, section 4.
    #[test]
    fn a_stationary_limit_is_reached_as_a_gamma_process_reaches_it() {
        for hours in [20.0, 50.0, 100.0, 300.0] {
            let reached = |days: f64| {
                1.0 - gamma_lr(HOURS_A_DAY * days / OVERDISPERSION, hours / OVERDISPERSION)
            };
            for (found, level) in days_until(hours).into_iter().zip([0.1, 0.5, 0.9]) {
                let (mut low, mut high) = (1.0, 4.0 * hours + 200.0);
                while high - low > 1e-6 {
                    let middle = (low + high) / 2.0;
                    if reached(middle) < level { low = middle } else { high = middle }
                }
                // The date is the day in whose course the limit is reached: its index is rounded
                // down. Mass at zero bends short windows a little.
                assert!((found + 0.5 - low).abs() < 1.6, "{hours} h, {level}: {found} {low}");
            }
        }
    }

    /// Days drawn one by one: a Poisson number of hires, each of gamma(4) length.
    #[test]
    fn a_stationary_limit_is_reached_as_drawn_hires_reach_it() {
        const DRAWS: usize = 4_000;
        let hire_hours = OVERDISPERSION / 1.25;
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let hires = Poisson::new(HOURS_A_DAY / hire_hours).unwrap();
        let hire = Gamma::new(4.0, hire_hours / 4.0).unwrap();
        let limit = 80.0;
        let mut days: Vec<f64> = (0..DRAWS)
            .map(|_| {
                let (mut hours, mut day) = (0.0, 0.0);
                while hours < limit {
                    let count = hires.sample(&mut random) as u32;
                    hours += (0..count).map(|_| hire.sample(&mut random)).sum::<f64>();
                    day += 1.0;
                }
                day - 1.0 // the day in whose course the limit was reached
            })
            .collect();
        days.sort_by(f64::total_cmp);
        for (found, level) in days_until(limit).into_iter().zip([0.1, 0.5, 0.9]) {
            let drawn = days[(level * DRAWS as f64) as usize];
            assert!((found - drawn).abs() <= 2.0, "{level}: {found} {drawn}");
        }
    }

    #[test]
    fn whichever_limb_comes_first_governs() {
        let outlook = stationary();
        let none = EnginePlans::default();
        let by = start() + Days::new(40);
        let ahead = outlook.engine_ahead(&outlook.new_engine(), start(), by, &none);
        let months = start() + Days::new(30);
        let both = |hours| {
            ahead.due(&Limits { hours_left: Some(hours), months_limb_on: Some(months) }).unwrap()
        };
        assert_eq!(both(10.0).governing, super::Limb::Hours);
        let late = both(200.0);
        assert_eq!(
            (late.governing, late.q10, late.q90),
            (super::Limb::Months, Some(months), Some(months))
        );
        assert_eq!(late.probability_by, 1.0);
        // On the limb's own day it is due; the day before it is not.
        let before =
            outlook.engine_ahead(&outlook.new_engine(), start(), months - Days::new(1), &none);
        let alone = Limits { hours_left: None, months_limb_on: Some(months) };
        assert_eq!(before.due(&alone).unwrap().probability_by, 0.0);
        let on = outlook.engine_ahead(&outlook.new_engine(), start(), months, &none);
        assert_eq!(on.due(&alone).unwrap().probability_by, 1.0);
        assert!(ahead.due(&Limits { hours_left: None, months_limb_on: None }).is_none());
    }

    #[test]
    fn what_is_reached_already_is_due_on_the_last_reading() {
        let outlook = stationary();
        let none = EnginePlans::default();
        let ahead = outlook.engine_ahead(&outlook.new_engine(), start(), start(), &none);
        let due = ahead.due(&Limits { hours_left: Some(-3.0), months_limb_on: None }).unwrap();
        assert_eq!([due.q10, due.q50, due.q90], [Some(start()); 3]);
        assert_eq!(due.probability_by, 1.0);
    }
}
