//! The pool's curve: hours a day of the pool's average engine, by season, year and month.
//!
//! ```text
//! f(d) = exp( s(day of year) + y(year) + m(month) ) · w(weekday)
//! s  periodic cubic spline, second differences ~ N(0, σs²)      the season, which repeats
//! y  ~ N(0, σy²) a calendar year, m ~ N(0, σm²) a calendar month   weather, fashion: it does not
//! ```
//!
//! Hours of engine e over an interval have mean μ = λₑ Σ f(d) and variance (φ + κμ)·μ; λₑ is gamma
//! over the pool with mean 1. Fitted by penalised quasi-likelihood: Fisher scoring on the curve with
//! each λₑ profiled out, the variances σ² and that of λ by expectation-maximisation with weak
//! inverse-gamma priors. Breslow and Clayton (1993), J. Am. Stat. Assoc. 88, 9-25; Wood (2017),
//! Generalized Additive Models, 2nd ed., ch. 6.
//!
//! Years and months are in the model because a whole pool is surprised together: left out, an 80 %
//! band covers 60 to 70 %, since errors that engines share don't average out.

use crate::history::{Day, EngineHistory};
use crate::linear::{cholesky, inverse, times};
use crate::season::{Calendar, SPLINES};
use rayon::prelude::{ParallelIterator, ParallelSlice};
use serde::{Deserialize, Serialize};

/// A weak prior on a standard deviation: as if `weight` draws had shown `sd`.
struct Prior {
    sd: f64,
    weight: f64,
}
// From memory of what weather and fashion do to hire; together they weigh less than a season.
const MONTH_PRIOR: Prior = Prior { sd: 0.12, weight: 3.0 };
const YEAR_PRIOR: Prior = Prior { sd: 0.06, weight: 5.0 };
/// Years are few, so what moves months lends its strength to theirs: this share of a busy month's
/// standard deviation is added, in squares, to the prior's.
const YEAR_OF_MONTH: f64 = 1.0;
// Large: a season must be free to open within a fortnight. With several years the data decide.
const SEASON_PRIOR: Prior = Prior { sd: 0.8, weight: 10.0 };
const RATE_PRIOR: Prior = Prior { sd: 0.4, weight: 3.0 };
/// An engine's log hours a day before anything is known: a factor of 7 either way is one sigma.
const LEVEL_PRIOR_SD: f64 = 2.0;
/// Curves are fitted on the last ten years; what is older only counts as life hours.
pub(crate) const YEARS_FITTED: Day = 10;
/// A month is busy where its hours a day are at least this share of the year's mean. Busy and
/// quiet months have variances of their own: a mild December doubles its few hours, no July does.
const BUSY: f64 = 0.6;
/// Engines summed in one task; fixed, so that sums don't depend on the number of threads.
const ENGINES_PER_CHUNK: usize = 128;

/// A fitted curve with its uncertainty.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Curve {
    pub first_year: i32,
    pub first_month: i32,
    pub years: usize,
    pub months: usize,
    /// Splines, years, months.
    pub theta: Vec<f64>,
    /// Posterior covariance of `theta`, square, row-major.
    pub covariance: Vec<f64>,
    pub season_sd: f64,
    pub year_sd: f64,
    /// Of a quiet month, and of a busy one.
    pub month_sds: [f64; 2],
    /// Which months of the year are busy, from January.
    pub busy: [bool; 12],
    /// Mean 1 over a week.
    pub weekdays: [f64; 7],
}

/// One interval as the fit sees it.
#[derive(Clone, Copy)]
struct Row {
    start: u32,
    end: u32,
    hours: f64,
    noise: f64,
}

/// Overdispersion used while fitting the curve: variance (φ + κμ)·μ.
#[derive(Clone, Copy)]
struct Dispersion {
    phi: f64,
    kappa: f64,
}

impl Curve {
    pub fn unknowns(&self) -> usize {
        self.theta.len()
    }

    /// Columns of a day's year and month, where the fit has seen them.
    pub fn year_column(&self, year: i32) -> Option<usize> {
        let index = usize::try_from(year - self.first_year).ok()?;
        (index < self.years).then_some(SPLINES + index)
    }

    pub fn month_column(&self, month: i32) -> Option<usize> {
        let index = usize::try_from(month - self.first_month).ok()?;
        (index < self.months).then_some(SPLINES + self.years + index)
    }

    /// Standard deviation of the effect of a month, counted since year 0.
    pub fn month_sd(&self, month: i32) -> f64 {
        self.month_sds[usize::from(self.busy[month.rem_euclid(12) as usize])]
    }

    /// Sorts the months of the year into busy and quiet ones, by the season as it stands.
    fn sort_months(&mut self) {
        let mean_at = |spline: f64| self.theta[(spline as usize) % SPLINES].exp();
        let by_month: [f64; 12] =
            std::array::from_fn(|month| mean_at((month as f64 + 0.5) / 12.0 * SPLINES as f64));
        let mean = by_month.iter().sum::<f64>() / 12.0;
        self.busy = by_month.map(|hours| hours >= BUSY * mean);
    }

    /// Log of hours a day by season alone.
    pub fn season_log(&self, day: &crate::season::CalendarDay) -> f64 {
        let mut log = 0.0;
        for (offset, weight) in day.weights.iter().enumerate() {
            log += weight * self.theta[(day.first_spline + offset) % SPLINES];
        }
        log
    }
}

/// Fits the curve of one pool.
///
/// `O(iterations × (readings × s² + engines × p² + p³))` with s ≈ 10 columns touched by an interval
/// and p unknowns. An empty pool gives the prior: any level is possible.
pub(crate) fn fit_curve(engines: &[EngineHistory]) -> Curve {
    let last = engines.iter().flat_map(EngineHistory::intervals).map(|i| i.days().1).max();
    let Some(last) = last else { return prior_curve() };
    let oldest = last - YEARS_FITTED * 365;
    let first = engines
        .iter()
        .flat_map(EngineHistory::intervals)
        .map(|i| i.days().0)
        .filter(|&start| start >= oldest)
        .min();
    let Some(first) = first else { return prior_curve() };
    let calendar = Calendar::new(first, last);
    let rows: Vec<Vec<Row>> = engines
        .iter()
        .map(|engine| engine.intervals().iter().filter_map(|i| row(i, &calendar)).collect())
        .collect();
    Fitter::new(&calendar, &rows).run()
}

fn row(interval: &crate::UseInterval, calendar: &Calendar) -> Option<Row> {
    let (start, end) = interval.days();
    (start >= calendar.first).then(|| Row {
        start: (start - calendar.first) as u32,
        end: (end - calendar.first) as u32,
        hours: interval.hours(),
        noise: interval.source().noise(),
    })
}

fn prior_curve() -> Curve {
    let penalty = season_precision(SEASON_PRIOR.sd);
    Curve {
        first_year: 0,
        first_month: 0,
        years: 0,
        months: 0,
        theta: vec![0.0; SPLINES],
        covariance: inverse(&cholesky(&penalty, SPLINES), SPLINES),
        season_sd: SEASON_PRIOR.sd,
        year_sd: YEAR_PRIOR.sd,
        month_sds: [MONTH_PRIOR.sd; 2],
        busy: [true; 12],
        weekdays: [1.0; 7],
    }
}

/// Precision of the splines: cyclic second differences, and a weak hold on their mean.
fn season_precision(sd: f64) -> Vec<f64> {
    let mut precision = vec![0.0; SPLINES * SPLINES];
    let hold = 1.0 / (LEVEL_PRIOR_SD * SPLINES as f64).powi(2);
    precision.fill(hold);
    for k in 0..SPLINES {
        let columns = [(k + SPLINES - 1) % SPLINES, k, (k + 1) % SPLINES];
        let weights = [1.0, -2.0, 1.0];
        for (i, a) in columns.iter().zip(weights) {
            for (j, b) in columns.iter().zip(weights) {
                precision[i * SPLINES + j] += a * b / (sd * sd);
            }
        }
    }
    precision
}

/// Daily intensity and its running sums, split by spline.
struct Sums {
    /// Up to each day: hours, then one column a spline; row-major by day.
    running: Vec<f64>,
    /// First day of each month in the table, and the end.
    month_starts: Vec<u32>,
}
const STRIDE: usize = SPLINES + 1;

struct Fitter<'a> {
    calendar: &'a Calendar,
    rows: &'a [Vec<Row>],
    curve: Curve,
    dispersion: Dispersion,
    /// λ of each engine, and the variance of λ over the pool.
    rates: Vec<f64>,
    rate_variance: f64,
    month_of_day: Vec<u16>,
    month_starts: Vec<u32>,
    year_of_month: Vec<u16>,
}

/// What a sum over engines gives: information, score, and the sums behind the dispersion.
struct Totals {
    information: Vec<f64>,
    score: Vec<f64>,
    rates: Vec<f64>,
    rate_squares: f64,
    moments: [f64; 5],
}

impl<'a> Fitter<'a> {
    fn new(calendar: &'a Calendar, rows: &'a [Vec<Row>]) -> Self {
        let first = &calendar.days[0];
        let last = &calendar.days[calendar.days.len() - 1];
        let years = (last.year - first.year + 1) as usize;
        let months = (last.month - first.month + 1) as usize;
        let month_of_day: Vec<u16> =
            calendar.days.iter().map(|day| (day.month - first.month) as u16).collect();
        let mut month_starts: Vec<u32> = (0..months)
            .map(|month| month_of_day.partition_point(|&m| usize::from(m) < month) as u32)
            .collect();
        month_starts.push(calendar.days.len() as u32);
        let year_of_month =
            (0..months as i32).map(|m| ((first.month + m) / 12 - first.year) as u16).collect();
        let n = SPLINES + years + months;
        let curve = Curve {
            first_year: first.year,
            first_month: first.month,
            years,
            months,
            theta: vec![0.0; n],
            covariance: vec![0.0; n * n],
            season_sd: SEASON_PRIOR.sd,
            year_sd: YEAR_PRIOR.sd,
            month_sds: [MONTH_PRIOR.sd; 2],
            busy: [true; 12],
            weekdays: [1.0; 7],
        };
        let mut fitter = Self {
            calendar,
            rows,
            curve,
            dispersion: Dispersion { phi: 3.0, kappa: 0.1 },
            rates: vec![1.0; rows.len()],
            rate_variance: RATE_PRIOR.sd.powi(2),
            month_of_day,
            month_starts,
            year_of_month,
        };
        fitter.start_from_spread_hours();
        fitter
    }

    /// First guess of the season: each interval's hours spread evenly over its days.
    fn start_from_spread_hours(&mut self) {
        let days = self.calendar.days.len();
        let (mut hours, mut exposed) = (vec![0.0; days + 1], vec![0.0; days + 1]);
        for row in self.rows.iter().flatten() {
            let (start, end) = (row.start as usize, row.end as usize);
            let a_day = row.hours / (end - start) as f64;
            hours[start] += a_day;
            hours[end] -= a_day;
            exposed[start] += 1.0;
            exposed[end] -= 1.0;
        }
        let (mut by_spline, mut weight) = (vec![0.0; SPLINES], vec![0.0; SPLINES]);
        let (mut at, mut n) = (0.0, 0.0);
        for (day, (h, e)) in self.calendar.days.iter().zip(hours.iter().zip(&exposed)) {
            at += h;
            n += e;
            let spline = (day.first_spline + 1) % SPLINES;
            by_spline[spline] += at;
            weight[spline] += n;
        }
        let (all, all_weight): (f64, f64) = (by_spline.iter().sum(), weight.iter().sum());
        let level = (all + 1.0) / (all_weight + 1.0);
        for spline in 0..SPLINES {
            // Ten days at the pool's level keep the logarithm finite where nothing ran.
            let mean = (by_spline[spline].max(0.0) + 10.0 * level) / (weight[spline] + 10.0);
            self.curve.theta[spline] = mean.max(1e-4).ln();
        }
    }

    fn run(mut self) -> Curve {
        const ROUNDS: usize = 14;
        for round in 0..ROUNDS {
            let sums = self.sums();
            self.curve.sort_months();
            let totals = self.totals(&sums);
            self.update_dispersion(&totals);
            self.rate_variance = posterior_variance(
                &RATE_PRIOR,
                totals.rate_squares,
                self.rows.iter().filter(|rows| !rows.is_empty()).count() as f64,
            );
            self.rates.clone_from(&totals.rates);
            let moved = self.step(&totals);
            if round >= 2 {
                self.update_weekdays(&sums);
            }
            if moved < 2e-3 && round >= 4 {
                break;
            }
        }
        self.curve
    }

    fn sums(&self) -> Sums {
        let mut running = vec![0.0; (self.calendar.days.len() + 1) * STRIDE];
        let months_at = SPLINES + self.curve.years;
        for (index, day) in self.calendar.days.iter().enumerate() {
            let month = usize::from(self.month_of_day[index]);
            let block = self.curve.theta[SPLINES + usize::from(self.year_of_month[month])]
                + self.curve.theta[months_at + month];
            let hours = (self.curve.season_log(day) + block).min(4.0).exp()
                * self.curve.weekdays[day.weekday];
            let (before, after) = running.split_at_mut((index + 1) * STRIDE);
            let after = &mut after[..STRIDE];
            after.copy_from_slice(&before[index * STRIDE..]);
            after[0] += hours;
            for (offset, weight) in day.weights.iter().enumerate() {
                after[1 + (day.first_spline + offset) % SPLINES] += weight * hours;
            }
        }
        Sums { running, month_starts: self.month_starts.clone() }
    }

    /// Information and score of the curve, each engine's rate profiled out. In parallel by chunks
    /// of engines, added in order.
    fn totals(&self, sums: &Sums) -> Totals {
        let rated: Vec<(&Vec<Row>, f64)> =
            self.rows.iter().zip(self.rates.iter().copied()).collect();
        let parts: Vec<Totals> = rated
            .par_chunks(ENGINES_PER_CHUNK)
            .map(|chunk| {
                let mut part = self.empty_totals();
                let mut gradient = Gradient::default();
                let n = self.curve.unknowns();
                let mut profiled = vec![0.0; TOGETHER * n];
                for engines in chunk.chunks(TOGETHER) {
                    profiled.fill(0.0);
                    for ((rows, rate), out) in engines.iter().zip(profiled.chunks_exact_mut(n)) {
                        self.add_engine(rows, *rate, sums, &mut part, &mut gradient, out);
                    }
                    take_out(&mut part.information, &profiled, n);
                }
                part
            })
            .collect();
        let mut all = self.empty_totals();
        for part in parts {
            all.information.iter_mut().zip(&part.information).for_each(|(a, b)| *a += b);
            all.score.iter_mut().zip(&part.score).for_each(|(a, b)| *a += b);
            all.moments.iter_mut().zip(&part.moments).for_each(|(a, b)| *a += b);
            all.rate_squares += part.rate_squares;
            all.rates.extend(part.rates);
        }
        all
    }

    fn empty_totals(&self) -> Totals {
        let n = self.curve.unknowns();
        Totals {
            information: vec![0.0; n * n],
            score: vec![0.0; n],
            rates: Vec::new(),
            rate_squares: 0.0,
            moments: [0.0; 5],
        }
    }

    /// Adds an engine, but for what profiling its rate out takes from the information: the outer
    /// product of `profiled`, which is zero on entry, with itself.
    fn add_engine(
        &self,
        rows: &[Row],
        rate: f64,
        sums: &Sums,
        part: &mut Totals,
        gradient: &mut Gradient,
        profiled: &mut [f64],
    ) {
        if rows.is_empty() {
            part.rates.push(1.0);
            return;
        }
        let alpha = 1.0 / self.rate_variance;
        let Dispersion { phi, kappa } = self.dispersion;
        let exposure = |row: &Row| {
            (sums.running[row.end as usize * STRIDE] - sums.running[row.start as usize * STRIDE])
                .max(1e-9)
        };
        let variance = |row: &Row, s: f64| (phi + kappa * rate * s) * row.noise;
        let (mut own, mut seen) = (0.0, 0.0);
        gradient.exposures.clear();
        for row in rows {
            let s = exposure(row);
            let per_variance = 1.0 / variance(row, s);
            own += row.hours * per_variance;
            seen += s * per_variance;
            gradient.exposures.push((s, per_variance));
        }
        let rate_now = (alpha + own) / (alpha + seen);
        part.rates.push(rate_now);
        part.rate_squares += (rate_now - 1.0).powi(2) + rate_now / (alpha + seen);
        let n = self.curve.unknowns();
        for (at_row, row) in rows.iter().enumerate() {
            self.gradient(row, sums, gradient);
            let (s, per_variance) = gradient.exposures[at_row];
            let per_hour = 1.0 / s;
            let residual = (row.hours * per_hour - rate_now) * per_variance;
            let seen = rate_now * per_variance;
            let weight = seen * per_hour;
            for (at, (&i, &g)) in gradient.columns.iter().zip(&gradient.values).enumerate() {
                part.score[i] += residual * g;
                profiled[i] += seen * g;
                let scaled = weight * g;
                // Columns rise, so what comes before lies in the lower triangle.
                let target = &mut part.information[i * n..i * n + i + 1];
                for (&j, &h) in gradient.columns[..=at].iter().zip(&gradient.values) {
                    target[j] += scaled * h;
                }
            }
            let mean = (rate_now * s).max(1e-6);
            let scatter = (row.hours - mean).powi(2) / mean / row.noise;
            let w = 1.0 / (phi + kappa * mean).powi(2);
            let m = &mut part.moments;
            m[0] += w;
            m[1] += w * mean;
            m[2] += w * mean * mean;
            m[3] += w * scatter;
            m[4] += w * scatter * mean;
        }
        let scale = 1.0 / (alpha + own).sqrt();
        profiled.iter_mut().for_each(|value| *value *= scale);
    }

    /// Derivative of an interval's exposure by the columns it touches, columns rising.
    fn gradient(&self, row: &Row, sums: &Sums, gradient: &mut Gradient) {
        gradient.columns.clear();
        gradient.values.clear();
        let (start, end) = (row.start as usize, row.end as usize);
        let low = &sums.running[start * STRIDE..(start + 1) * STRIDE];
        let high = &sums.running[end * STRIDE..(end + 1) * STRIDE];
        let from = self.calendar.days[start].first_spline;
        let to = self.calendar.days[end - 1].first_spline;
        let long = end - start > 300;
        let touched = if long { SPLINES } else { (to + SPLINES - from) % SPLINES + 4 };
        // Splines go round the year: those past its end come first.
        let past = from + touched.min(SPLINES);
        for run in [0..past.saturating_sub(SPLINES), from..past.min(SPLINES)] {
            let ends = high[1..][run.clone()].iter().zip(&low[1..][run.clone()]);
            gradient.values.extend(ends.map(|(high, low)| high - low));
            gradient.columns.extend(run);
        }
        let (first, last) =
            (usize::from(self.month_of_day[start]), usize::from(self.month_of_day[end - 1]));
        let years_at = gradient.columns.len();
        let (first_year, last_year) = (self.year_of_month[first], self.year_of_month[last]);
        for year in first_year..=last_year {
            gradient.push(SPLINES + usize::from(year), 0.0);
        }
        let months_at = SPLINES + self.curve.years;
        for month in first..=last {
            let a = (sums.month_starts[month] as usize).max(start);
            let b = (sums.month_starts[month + 1] as usize).min(end);
            let part = sums.running[b * STRIDE] - sums.running[a * STRIDE];
            gradient.push(months_at + month, part);
            let year = usize::from(self.year_of_month[month] - first_year);
            gradient.values[years_at + year] += part;
        }
    }

    fn update_dispersion(&mut self, totals: &Totals) {
        let [w, wm, wmm, ws, wsm] = totals.moments;
        let determinant = w * wmm - wm * wm;
        let mut kappa = 0.05;
        if determinant > 1e-9 * w * wmm {
            kappa = (w * wsm - wm * ws) / determinant;
        }
        let kappa = kappa.clamp(0.0, 2.0);
        let phi = if w > 0.0 { (ws - kappa * wm) / w } else { 3.0 };
        self.dispersion = Dispersion { phi: phi.clamp(0.05, 50.0), kappa };
    }

    /// One step on the curve, with the variances of season, years and months re-estimated around
    /// it. Returns the largest move.
    fn step(&mut self, totals: &Totals) -> f64 {
        const INNER: usize = 5;
        let n = self.curve.unknowns();
        let mut information = totals.information.clone();
        for i in 0..n {
            for j in 0..i {
                information[j * n + i] = information[i * n + j];
            }
        }
        let mut right = times(&information, &self.curve.theta);
        right.iter_mut().zip(&totals.score).for_each(|(r, s)| *r += s);
        let mut theta = Vec::new();
        for _ in 0..INNER {
            let precision = self.prior_precision();
            let mut matrix = information.clone();
            matrix.iter_mut().zip(&precision).for_each(|(a, b)| *a += b);
            let covariance = inverse(&cholesky(&matrix, n), n);
            theta = times(&covariance, &right);
            self.update_variances(&theta, &covariance);
            self.curve.covariance = covariance;
        }
        let moved = theta
            .iter()
            .zip(&self.curve.theta)
            .map(|(new, old)| (new - old).abs())
            .fold(0.0, f64::max);
        let damping = if moved > 1.0 { 1.0 / moved } else { 1.0 };
        for (old, new) in self.curve.theta.iter_mut().zip(&theta) {
            *old = (*old + damping * (new - *old)).clamp(-12.0, 12.0);
        }
        moved
    }

    fn prior_precision(&self) -> Vec<f64> {
        let n = self.curve.unknowns();
        let season = season_precision(self.curve.season_sd);
        let mut precision = vec![0.0; n * n];
        for i in 0..SPLINES {
            precision[i * n..i * n + SPLINES]
                .copy_from_slice(&season[i * SPLINES..(i + 1) * SPLINES]);
        }
        for i in SPLINES..n {
            let sd = if i < SPLINES + self.curve.years {
                self.curve.year_sd
            } else {
                self.curve
                    .month_sd(self.curve.first_month + (i - SPLINES - self.curve.years) as i32)
            };
            precision[i * n + i] = 1.0 / (sd * sd);
        }
        precision
    }

    fn update_variances(&mut self, theta: &[f64], covariance: &[f64]) {
        let n = theta.len();
        let squares = |range: std::ops::Range<usize>| -> f64 {
            range.map(|i| theta[i] * theta[i] + covariance[i * n + i]).sum()
        };
        let months_at = SPLINES + self.curve.years;
        let years = squares(SPLINES..months_at);
        self.curve.year_sd = posterior_variance(&YEAR_PRIOR, years, self.curve.years as f64).sqrt();
        let (mut sums, mut counts) = ([0.0; 2], [0.0; 2]);
        for month in 0..self.curve.months {
            let calendar_month = (self.curve.first_month + month as i32).rem_euclid(12) as usize;
            let class = usize::from(self.curve.busy[calendar_month]);
            sums[class] += squares(months_at + month..months_at + month + 1);
            counts[class] += 1.0;
        }
        for class in 0..2 {
            self.curve.month_sds[class] =
                posterior_variance(&MONTH_PRIOR, sums[class], counts[class]).sqrt();
        }
        let lent = YEAR_OF_MONTH * self.curve.month_sds[1];
        let prior = Prior { sd: YEAR_PRIOR.sd.hypot(lent), weight: YEAR_PRIOR.weight };
        self.curve.year_sd = posterior_variance(&prior, years, self.curve.years as f64).sqrt();
        let mut bends = 0.0;
        for k in 0..SPLINES {
            let columns = [(k + SPLINES - 1) % SPLINES, k, (k + 1) % SPLINES];
            let weights = [1.0, -2.0, 1.0];
            let mut bend = 0.0;
            for (&i, a) in columns.iter().zip(weights) {
                bend += a * theta[i];
                for (&j, b) in columns.iter().zip(weights) {
                    bends += a * b * covariance[i * n + j];
                }
            }
            bends += bend * bend;
        }
        self.curve.season_sd =
            posterior_variance(&SEASON_PRIOR, bends, SPLINES as f64 - 1.0).sqrt();
    }

    /// Weekday factors, where enough intervals of a single day tell weekdays apart.
    fn update_weekdays(&mut self, sums: &Sums) {
        const DAYS_NEEDED: usize = 50; // of each weekday
        let (mut hours, mut expected, mut days) = ([0.0; 7], [0.0; 7], [0usize; 7]);
        for (rows, rate) in self.rows.iter().zip(&self.rates) {
            for row in rows.iter().filter(|row| row.end == row.start + 1) {
                let weekday = self.calendar.days[row.start as usize].weekday;
                let a = row.start as usize * STRIDE;
                hours[weekday] += row.hours;
                expected[weekday] += rate * (sums.running[a + STRIDE] - sums.running[a]);
                days[weekday] += 1;
            }
        }
        if days.iter().any(|&n| n < DAYS_NEEDED) {
            return;
        }
        let mut factors = [1.0; 7];
        for weekday in 0..7 {
            // Ten average days hold a factor towards what it was.
            let hold = 10.0 * expected[weekday] / days[weekday] as f64;
            factors[weekday] = self.curve.weekdays[weekday]
                * ((hours[weekday] + hold) / (expected[weekday] + hold)).clamp(0.05, 20.0);
        }
        let mean = factors.iter().sum::<f64>() / 7.0;
        self.curve.weekdays = factors.map(|factor| factor / mean);
    }
}

/// Engines whose rates are profiled out in one pass over the information.
const TOGETHER: usize = 4;

/// Takes the outer products of rows from the lower triangle of an `n × n` matrix.
fn take_out(matrix: &mut [f64], rows: &[f64], n: usize) {
    let (a, b, c, d) = (&rows[..n], &rows[n..2 * n], &rows[2 * n..3 * n], &rows[3 * n..4 * n]);
    for (i, target) in matrix.chunks_exact_mut(n).enumerate() {
        let own = [a[i], b[i], c[i], d[i]];
        if own == [0.0; TOGETHER] {
            continue;
        }
        let columns = a.iter().zip(b).zip(c).zip(d);
        for (slot, (((a, b), c), d)) in target[..=i].iter_mut().zip(columns) {
            *slot -= own[0] * a + own[1] * b + own[2] * c + own[3] * d;
        }
    }
}

#[derive(Default)]
struct Gradient {
    columns: Vec<usize>,
    values: Vec<f64>,
    /// Of an engine's rows: exposure, and one over their variance.
    exposures: Vec<(f64, f64)>,
}

impl Gradient {
    fn push(&mut self, column: usize, value: f64) {
        self.columns.push(column);
        self.values.push(value);
    }
}

/// Mean of `n` squares, held by the prior.
fn posterior_variance(prior: &Prior, squares: f64, n: f64) -> f64 {
    (prior.weight * prior.sd * prior.sd + squares) / (prior.weight + n)
}
