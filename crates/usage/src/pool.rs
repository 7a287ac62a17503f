//! A pool's fitted model, and each engine's posterior in it.

use crate::curve::{Curve, YEARS_FITTED, fit_curve};
use crate::history::{Day, EngineHistory, date_of, day_of};
use crate::outlook::Outlook;
use crate::rate::{Observed, RateModel, RateState, Track, fit_rates};
use chrono::{Datelike, NaiveDate};
use rayon::prelude::{IndexedParallelIterator, IntoParallelRefIterator, ParallelIterator};
use serde::{Deserialize, Serialize};

/// What a pool of engines has shown: season, years, months, spread, drift. Plain values.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PoolModel {
    pub(crate) curve: Curve,
    pub(crate) rates: RateModel,
    /// First day of the fitted readings and the day after the last; both the given day where there
    /// are none.
    pub(crate) first: Day,
    pub(crate) last: Day,
    engines: usize,
    readings: usize,
}

/// What is known of one engine's rate. Plain values; a new reading updates it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct EnginePosterior {
    pub(crate) state: RateState,
    pub(crate) first: Option<Day>,
    pub(crate) last: Option<Day>,
    pub(crate) hours: f64,
    pub(crate) readings: u32,
}

impl EnginePosterior {
    /// Hours in all intervals taken in.
    pub const fn hours(&self) -> f64 {
        self.hours
    }

    pub const fn readings(&self) -> u32 {
        self.readings
    }

    /// The day after the last one covered by a reading.
    pub fn known_to(&self) -> Option<NaiveDate> {
        self.last.map(date_of)
    }

    /// Rate beside the pool's average, as of the last reading.
    pub fn rate(&self) -> f64 {
        self.state.lasting + self.state.drift
    }
}

/// Engines that tell the four constants of [`RateModel`] well enough; more only cost time.
const READINGS_FOR_RATES: usize = 2_000;

impl PoolModel {
    /// Fits a pool as of `on`: intervals that end later are not looked at.
    ///
    /// Never fails: an empty pool, one engine, or nothing but zeros gives a wide answer.
    pub fn fit(engines: &[EngineHistory], on: NaiveDate) -> PoolFit {
        let on = day_of(on);
        let known: Vec<EngineHistory>;
        let engines = if engines.iter().any(|engine| ends_after(engine, on)) {
            known = engines.iter().map(|engine| engine.known_on(date_of(on))).collect();
            &known
        } else {
            engines
        };
        let curve = fit_curve(engines);
        let ends = engines.iter().flat_map(EngineHistory::intervals).map(|i| i.days());
        let last = ends.clone().map(|(_, end)| end).max().unwrap_or(on);
        let oldest = last - YEARS_FITTED * 365;
        let first = ends.map(|(start, _)| start).filter(|&s| s >= oldest).min().unwrap_or(on - 7);
        let mut model = Self {
            curve,
            rates: RateModel::PRIOR,
            first,
            last,
            engines: engines.len(),
            readings: engines.iter().map(|engine| engine.intervals().len()).sum(),
        };
        let mut outlook = Outlook::new(&model);
        model.rates = fit_rates(&tracks(&outlook, engines));
        outlook.set_rates(model.rates);
        let posteriors =
            engines.par_iter().with_min_len(64).map(|e| outlook.posterior(e)).collect();
        PoolFit { model, outlook, posteriors }
    }

    /// Lays the model out for answers.
    pub fn outlook(&self) -> Outlook {
        Outlook::new(self)
    }

    pub(crate) const fn days(&self) -> (Day, Day) {
        (self.first, self.last)
    }

    pub const fn rates(&self) -> &RateModel {
        &self.rates
    }

    pub const fn engines(&self) -> usize {
        self.engines
    }

    pub const fn readings(&self) -> usize {
        self.readings
    }

    /// Standard deviation of what one year does to the whole pool, and one month, as shares.
    pub const fn surprises(&self) -> (f64, [f64; 2]) {
        (self.curve.year_sd, self.curve.month_sds)
    }

    /// The season alone: hours a day of the pool's average engine on each day of a common year,
    /// from 1 January, without the effects of years, months and weekdays.
    pub fn season(&self) -> Vec<f64> {
        let start = NaiveDate::from_ymd_opt(2001, 1, 1).map_or(0, |date| date.num_days_from_ce());
        crate::season::Calendar::new(start, start + 365)
            .days
            .iter()
            .map(|day| self.curve.season_log(day).exp())
            .collect()
    }
}

/// A fitted pool with its tables and its engines' posteriors, in the order given.
#[derive(Clone, Debug)]
pub struct PoolFit {
    pub model: PoolModel,
    pub outlook: Outlook,
    pub posteriors: Vec<EnginePosterior>,
}

fn ends_after(engine: &EngineHistory, on: Day) -> bool {
    engine.intervals().last().is_some_and(|interval| interval.days().1 > on)
}

/// Evenly chosen engines as the rate's fit sees them.
fn tracks(outlook: &Outlook, engines: &[EngineHistory]) -> Vec<Track> {
    let readings: usize = engines.iter().map(|engine| engine.intervals().len()).sum();
    let every = readings.div_ceil(READINGS_FOR_RATES).max(1);
    let mut tracks = Vec::new();
    for engine in engines.iter().filter(|engine| !engine.intervals().is_empty()).step_by(every) {
        let mut steps = Vec::with_capacity(engine.intervals().len());
        let mut before: Option<Day> = None;
        for interval in engine.intervals() {
            let (start, end) = interval.days();
            if start < outlook.first_day() {
                continue;
            }
            let seen = Observed {
                days: end - start,
                exposure_hours: outlook.exposure(start, end),
                hours: interval.hours(),
                noise: interval.source().noise(),
            };
            steps.push((before.map_or(0, |before| start - before), seen));
            before = Some(end);
        }
        tracks.push(Track { steps });
    }
    tracks
}
