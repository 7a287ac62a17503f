//! The days ahead in steps, and how far an engine has run at the end of each.

use chrono::{Datelike, NaiveDate, TimeDelta};
use fleet::id::EngineId;
use statrs::distribution::{ContinuousCDF, Normal};

use super::Span;
use crate::hours::FleetHours;

/// A third of a month, or what is left of it. Days count from today.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    pub from: f64,
    pub to: f64,
    /// Place in the span.
    pub month: usize,
    /// Share of a whole third that it is.
    pub share: f64,
}

/// The span's steps, in order.
pub struct Steps {
    pub steps: Vec<Step>,
    /// Days from today to the end of each month.
    edges: Vec<f64>,
}

/// The last day of the third of a month that `day` lies in.
pub fn end_of_third(day: NaiveDate) -> NaiveDate {
    let end = match day.day() {
        ..=10 => day.with_day(10),
        11..=20 => day.with_day(20),
        _ => demand::Month::of(day).plus(1).first_day().and_then(|next| next.pred_opt()),
    };
    end.unwrap_or(day)
}

/// Days of a usual third.
const THIRD_DAYS: f64 = 10.15;

impl Steps {
    pub fn of(span: Span) -> Self {
        let days_to = |day: NaiveDate| (day - span.today).num_days() as f64;
        let mut steps = Vec::with_capacity(span.months * 3);
        let mut day = span.today;
        loop {
            let month = demand::Month::of(day).since(span.first);
            let Some(month) = usize::try_from(month).ok().filter(|it| *it < span.months) else {
                break;
            };
            let Some(next) = end_of_third(day).succ_opt() else { break };
            let (from, to) = (days_to(day), days_to(next));
            steps.push(Step { from, to, month, share: ((to - from) / THIRD_DAYS).min(1.0) });
            day = next;
        }
        let edges = (1..=span.months as i32)
            .map(|ahead| days_to(span.first.plus(ahead).first_day().unwrap_or(NaiveDate::MAX)))
            .collect();
        Self { steps, edges }
    }
}

/// Quantiles of an engine's life at the end of each month.
pub struct Ahead {
    now: f64,
    /// For each month's end, life at each of [`Ahead::LEVELS`] levels.
    ends: Vec<[f64; Ahead::LEVELS]>,
    /// Of each step: its month, and how much of that month has gone by at its end.
    places: Vec<(usize, f64)>,
}

impl Ahead {
    const LEVELS: usize = 19;

    pub fn of(fleet: &FleetHours, engine: EngineId, steps: &Steps, span: Span) -> Self {
        let last = fleet.engine(engine).and_then(|hours| hours.last_life()).unwrap_or(0.0);
        let at = |to: NaiveDate| -> [f64; Self::LEVELS] {
            let Some(ahead) = fleet.ahead(engine, to) else { return [last; Self::LEVELS] };
            std::array::from_fn(|level| last + ahead.hours.quantile(Self::level(level)))
        };
        let now = fleet.ahead(engine, span.today).map_or(last, |ahead| last + ahead.hours.mean());
        let day = |days: &f64| span.today + TimeDelta::days(*days as i64);
        let places = steps.steps.iter().map(|step| {
            let start = step.month.checked_sub(1).map_or(0.0, |before| steps.edges[before]);
            let days = (steps.edges[step.month] - start).max(1.0);
            (step.month, ((step.to - start) / days).clamp(0.0, 1.0))
        });
        let ends = steps.edges.iter().map(|edge| at(day(edge))).collect();
        Self { now, ends, places: places.collect() }
    }

    fn level(level: usize) -> f64 {
        (level as f64 + 1.0) / (Self::LEVELS as f64 + 1.0)
    }

    /// Life now and at each step's end, on the path of one surprise.
    pub fn path(&self, surprise: f64) -> Vec<f64> {
        let share = Normal::standard().cdf(surprise) * (Self::LEVELS as f64 + 1.0) - 1.0;
        let share = share.clamp(0.0, Self::LEVELS as f64 - 1.0);
        let (low, part) = (share.floor() as usize, share.fract());
        let high = (low + 1).min(Self::LEVELS - 1);
        let mut months = Vec::with_capacity(self.ends.len() + 1);
        months.push(self.now);
        for end in &self.ends {
            let before = months.last().copied().unwrap_or(self.now);
            months.push((end[low] * (1.0 - part) + end[high] * part).max(before));
        }
        let at = |(month, gone): &(usize, f64)| {
            months[*month] + gone * (months[month + 1] - months[*month])
        };
        std::iter::once(self.now).chain(self.places.iter().map(at)).collect()
    }
}

#[cfg(test)]
mod tests {
    use demand::Month;

    use super::*;

    #[test]
    fn steps_are_thirds_of_months_from_today_to_the_end_of_the_span() {
        let today = NaiveDate::from_ymd_opt(2026, 1, 15).expect("a date");
        let span = Span { today, first: Month::of(today), months: 2, paths: 1, seed: 1 };
        let steps = Steps::of(span).steps;
        let ends: Vec<(f64, usize)> = steps.iter().map(|step| (step.to, step.month)).collect();
        // Until 21 January, 1 February, 11 and 21 February, 1 March.
        assert_eq!(ends, [(6.0, 0), (17.0, 0), (27.0, 1), (37.0, 1), (45.0, 1)]);
        assert!(steps.windows(2).all(|pair| pair[0].to == pair[1].from));
        assert!(steps[0].share < 0.6 && steps[1].share == 1.0);
    }
}
