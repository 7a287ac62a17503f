//! Exponential smoothing with trend and season.
//!
//! Holt (1957), reprinted in Int. J. of Forecasting 20, 5-10 (2004); Winters (1960), Management
//! Science 6, 324-342; in the error-correction form of Hyndman, Koehler, Ord and Snyder (2008),
//! Forecasting with Exponential Smoothing, Springer, ch. 2. Fitted by damped Gauss-Newton steps
//! over smoothing weights and start state together: the errors are linear in the start state, so
//! few steps suffice, where a simplex search runs for a thousand.

use std::f64::consts::LN_2;

/// How season and level combine.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SeasonForm {
    /// Season added; any history.
    Additive,
    /// Season multiplied; histories without a zero only.
    Multiplicative,
}

/// Which level the season is corrected from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SeasonCorrection {
    /// The level expected before the month was seen (Hyndman and others 2008).
    Expected,
    /// The level just updated (Winters 1960).
    Updated,
}

/// Smoothing weights. The trend's weight acts on the error itself: it is α·β* of texts that smooth
/// the change of level with β*.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weights {
    pub level: f64,
    pub trend: f64,
    pub season: f64,
    /// Share of the trend that is left after a month; 1 without damping.
    pub damping: f64,
}

/// Level, trend and season at one moment. `seasons[0]` belongs to the next month.
#[derive(Clone, Debug, PartialEq)]
pub struct State {
    pub level: f64,
    pub trend: f64,
    pub seasons: Vec<f64>,
}

/// What a pass over a history leaves.
#[derive(Clone, Debug, PartialEq)]
pub struct Pass {
    /// One-step forecasts, month by month.
    pub fitted: Vec<f64>,
    /// State after the last month.
    pub end: State,
    /// `n·ln Σe²`, with multiplicative season plus `2·Σ ln|f|`: smaller is better.
    pub objective: f64,
}

/// Below this a divisor is not divided by.
const SMALLEST_DIVISOR: f64 = 1e-10;
/// Sum of squared errors of a perfect fit, so that its logarithm stays finite.
const SMALLEST_SQUARES: f64 = 1e-8;

/// Runs the recursion over `quantities` from `start`.
///
/// ```text
/// q = l + φ·b; f = q + s or q·s; e = y − f or (y − f)/f
/// l' = q + α·e or q·(1 + α·e); b' = φ·b + β·e or φ·b + β·q·e; s' = s + γ·e or s·(1 + γ·e)
/// ```
pub fn run(
    quantities: &[f64],
    form: SeasonForm,
    correction: SeasonCorrection,
    weights: Weights,
    start: &State,
) -> Pass {
    let mut state = start.clone();
    let mut fitted = Vec::with_capacity(quantities.len());
    let (mut squares, mut logs) = (0.0, 0.0);
    let season = state.seasons.len();
    for (index, &quantity) in quantities.iter().enumerate() {
        let place = index % season;
        let expected = state.level + weights.damping * state.trend;
        let old = state.seasons[place];
        let (forecast, error, unit, season_unit) = match form {
            SeasonForm::Additive => {
                let forecast = expected + old;
                (forecast, quantity - forecast, 1.0, 1.0)
            }
            SeasonForm::Multiplicative => {
                let forecast = expected * old;
                let divisor = if forecast.abs() < SMALLEST_DIVISOR {
                    forecast + SMALLEST_DIVISOR
                } else {
                    forecast
                };
                logs += divisor.abs().ln();
                (forecast, (quantity - forecast) / divisor, expected, old)
            }
        };
        state.level = expected + weights.level * error * unit;
        state.trend = weights.damping * state.trend + weights.trend * error * unit;
        let season_error = match (correction, form) {
            (SeasonCorrection::Expected, _) => error,
            (SeasonCorrection::Updated, SeasonForm::Additive) => error * (1.0 - weights.level),
            (SeasonCorrection::Updated, SeasonForm::Multiplicative) => {
                error * (1.0 - weights.level) / (1.0 + weights.level * error)
            }
        };
        state.seasons[place] = old + weights.season * season_error * season_unit;
        squares += error * error;
        fitted.push(forecast);
    }
    let count = quantities.len();
    state.seasons.rotate_left(count % season);
    let squares = if squares == 0.0 { SMALLEST_SQUARES } else { squares };
    let objective = count as f64 * squares.ln() + 2.0 * logs;
    Pass { fitted, end: state, objective }
}

/// Expected quantities of the next `months` months; may be negative where a trend falls below 0.
///
/// Damped trend: `φ + φ² + … + φʰ` (Gardner and McKenzie 1985, Management Science 31, 1237-1246).
pub fn forecast(form: SeasonForm, damping: f64, state: &State, months: usize) -> Vec<f64> {
    let (mut share, mut trends) = (1.0, 0.0);
    (0..months)
        .map(|ahead| {
            share *= damping;
            trends += share;
            let level = state.level + trends * state.trend;
            let season = state.seasons[ahead % state.seasons.len()];
            match form {
                SeasonForm::Additive => level + season,
                SeasonForm::Multiplicative => level * season,
            }
        })
        .collect()
}

/// A fitted model.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    pub form: SeasonForm,
    pub weights: Weights,
    pub start: State,
    pub objective: f64,
    /// Akaike's criterion with its correction for short histories.
    pub aicc: f64,
    pub end: State,
}

/// Months in a season.
const SEASON: usize = 12;
/// Parameters: α, β, γ, φ, level, trend, eleven seasons; the twelfth follows from their sum.
const WIDTH: usize = 17;
const LEVEL: usize = 4;
const TREND: usize = 5;
const SEASONS: usize = 6;

type Row = [f64; WIDTH];

/// Bounds of α, β, γ and φ; the start state is free.
const LOWER: [f64; 4] = [1e-4, 1e-4, 1e-4, 0.8];
const UPPER: [f64; 4] = [0.9999, 0.016_763, 0.983_237, 0.98];
/// Where the searches start: α, β, γ, φ. The first leads to the best valley most often.
const STARTS: [[f64; 4]; 6] = [
    [0.1, 0.001_766_3, 0.05, 0.95],
    [0.001, 0.000_2, 0.001, 0.9],
    [0.3, 0.01, 0.4, 0.95],
    [0.01, 0.000_2, 0.9, 0.9],
    [0.7, 0.01, 0.05, 0.85],
    [0.9, 0.001, 0.9, 0.97],
];

/// How hard to search.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Effort {
    /// Places to start from, at most six.
    pub starts: usize,
    /// Steps from each, at most.
    pub steps: usize,
    /// Relative gain below which a step was the last.
    pub gain: f64,
}

impl Effort {
    /// To the bottom of the deepest valley found.
    pub const THOROUGH: Self = Self { starts: 6, steps: 200, gain: 1e-9 };
    /// Enough for forecasts of whole quantities.
    pub const QUICK: Self = Self { starts: 1, steps: 12, gain: 2e-3 };
}

/// Fits season form `form` to monthly `quantities`, damped or not.
///
/// `None` under 24 months, for a history that never changes, and for multiplicative season where
/// a month is zero.
pub fn fit_form(
    quantities: &[f64],
    form: SeasonForm,
    damped: Damping,
    effort: Effort,
) -> Option<Fit> {
    let constant = quantities.windows(2).all(|pair| pair[0] == pair[1]);
    let zeros = quantities.iter().any(|&quantity| quantity <= 0.0);
    if quantities.len() < 2 * SEASON || constant || (form == SeasonForm::Multiplicative && zeros) {
        return None;
    }
    let mut best: Option<Search<'_>> = None;
    for first in STARTS.iter().take(effort.starts.max(1)) {
        let mut search = Search::new(quantities, form, damped, first);
        search.descend(effort);
        if best.as_ref().is_none_or(|best| search.squares < best.squares) {
            best = Some(search);
        }
    }
    best.and_then(Search::finish)
}

/// The better, by corrected Akaike criterion, of damped and undamped trend.
pub fn fit(quantities: &[f64], form: SeasonForm, effort: Effort) -> Option<Fit> {
    let damped = fit_form(quantities, form, Damping::Damped, effort);
    let undamped = fit_form(quantities, form, Damping::Undamped, effort);
    match (damped, undamped) {
        (Some(damped), Some(undamped)) => {
            Some(if damped.aicc < undamped.aicc { damped } else { undamped })
        }
        (damped, undamped) => damped.or(undamped),
    }
}

/// Whether a trend fades.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Damping {
    Damped,
    Undamped,
}

/// One descent: the parameters, what they give, and which of them may move.
struct Search<'a> {
    quantities: &'a [f64],
    form: SeasonForm,
    damped: Damping,
    point: Row,
    /// Sum of squared residuals whose logarithm times n is the objective.
    squares: f64,
}

/// Normal equations at a point.
struct Slope {
    squares: f64,
    matrix: [Row; WIDTH],
    gradient: Row,
}

impl<'a> Search<'a> {
    fn new(quantities: &'a [f64], form: SeasonForm, damped: Damping, first: &[f64; 4]) -> Self {
        let mut point = [0.0; WIDTH];
        point[..4].copy_from_slice(first);
        if damped == Damping::Undamped {
            point[3] = 1.0;
        }
        let mean = quantities.iter().sum::<f64>() / quantities.len() as f64;
        point[LEVEL] = quantities[..SEASON].iter().sum::<f64>() / SEASON as f64;
        if form == SeasonForm::Multiplicative {
            point[LEVEL] = point[LEVEL].max(mean * 0.1);
        }
        for place in 0..SEASON - 1 {
            let months = quantities.iter().skip(place).step_by(SEASON);
            let count = months.clone().count() as f64;
            let average = months.sum::<f64>() / count;
            point[SEASONS + place] = match form {
                SeasonForm::Additive => average - mean,
                SeasonForm::Multiplicative => (average / mean).clamp(0.05, 3.0),
            };
        }
        if form == SeasonForm::Multiplicative {
            // The twelve sum to 12; the last must not fall below zero by what rounding left over.
            let sum: f64 = point[SEASONS..].iter().sum();
            if sum > 11.95 {
                point[SEASONS..].iter_mut().for_each(|season| *season *= 11.95 / sum);
            }
        }
        let mut search = Self { quantities, form, damped, point, squares: f64::INFINITY };
        search.squares = search.evaluate(&search.point);
        search
    }

    /// The start state a point stands for.
    fn start(&self, point: &Row) -> State {
        let mut seasons = point[SEASONS..].to_vec();
        let sum: f64 = seasons.iter().sum();
        seasons.push(match self.form {
            SeasonForm::Additive => -sum,
            SeasonForm::Multiplicative => SEASON as f64 - sum,
        });
        State { level: point[LEVEL], trend: point[TREND], seasons }
    }

    fn last_season(&self, point: &Row) -> f64 {
        let sum: f64 = point[SEASONS..].iter().sum();
        match self.form {
            SeasonForm::Additive => -sum,
            SeasonForm::Multiplicative => SEASON as f64 - sum,
        }
    }

    /// Sum of squared residuals; infinite outside what a multiplicative season allows.
    fn evaluate(&self, point: &Row) -> f64 {
        let mut seasons = [0.0; SEASON];
        seasons[..SEASON - 1].copy_from_slice(&point[SEASONS..]);
        seasons[SEASON - 1] = self.last_season(point);
        let [alpha, beta, gamma, phi] = [point[0], point[1], point[2], point[3]];
        let (mut level, mut trend, mut squares) = (point[LEVEL], point[TREND], 0.0);
        if self.form == SeasonForm::Additive {
            for year in self.quantities.chunks(SEASON) {
                for (&quantity, season) in year.iter().zip(&mut seasons) {
                    let expected = level + phi * trend;
                    let error = quantity - expected - *season;
                    level = expected + alpha * error;
                    trend = phi * trend + beta * error;
                    *season += gamma * error;
                    squares += error * error;
                }
            }
            return squares;
        }
        if seasons.iter().any(|&season| season < 0.0) {
            return f64::INFINITY;
        }
        let mut product = LogProduct::new();
        for year in self.quantities.chunks(SEASON) {
            for (&quantity, season) in year.iter().zip(&mut seasons) {
                let expected = level + phi * trend;
                let forecast = expected * *season;
                if forecast <= SMALLEST_DIVISOR {
                    return f64::INFINITY;
                }
                let error = (quantity - forecast) / forecast;
                product.take(forecast);
                level = expected * (1.0 + alpha * error);
                trend = phi * trend + beta * expected * error;
                *season *= 1.0 + gamma * error;
                squares += error * error;
            }
        }
        squares * (2.0 * product.ln() / self.quantities.len() as f64).exp()
    }

    /// Residuals' derivatives, carried along with the recursion, gathered as normal equations.
    ///
    /// With multiplicative season the residual is `e·G`, G the geometric mean of the forecasts:
    /// n times the logarithm of its sum of squares is the objective.
    fn slope(&self) -> Slope {
        let point = &self.point;
        let multiplicative = self.form == SeasonForm::Multiplicative;
        let [alpha, beta, gamma, phi] = [point[0], point[1], point[2], point[3]];
        let mut seasons = [0.0; SEASON];
        seasons[..SEASON - 1].copy_from_slice(&point[SEASONS..]);
        seasons[SEASON - 1] = self.last_season(point);
        let (mut level, mut trend) = (point[LEVEL], point[TREND]);
        let (mut d_level, mut d_trend) = ([0.0; WIDTH], [0.0; WIDTH]);
        d_level[LEVEL] = 1.0;
        d_trend[TREND] = 1.0;
        let mut d_seasons = [[0.0; WIDTH]; SEASON];
        for place in 0..SEASON - 1 {
            d_seasons[place][SEASONS + place] = 1.0;
            d_seasons[SEASON - 1][SEASONS + place] = -1.0;
        }
        let mut rows = Vec::with_capacity(if multiplicative { self.quantities.len() } else { 0 });
        let mut slope =
            Slope { squares: 0.0, matrix: [[0.0; WIDTH]; WIDTH], gradient: [0.0; WIDTH] };
        let mut d_logs = [0.0; WIDTH];
        for (index, &quantity) in self.quantities.iter().enumerate() {
            let place = index % SEASON;
            let season = seasons[place];
            let d_season = &mut d_seasons[place];
            let expected = level + phi * trend;
            let mut d_expected = [0.0; WIDTH];
            for k in 0..WIDTH {
                d_expected[k] = d_level[k] + phi * d_trend[k];
            }
            d_expected[3] += trend;
            let mut d_error = [0.0; WIDTH];
            let error;
            if multiplicative {
                let forecast = expected * season;
                error = (quantity - forecast) / forecast;
                let factor = -(1.0 + error) / forecast;
                for k in 0..WIDTH {
                    let d_forecast = d_expected[k] * season + expected * d_season[k];
                    d_error[k] = factor * d_forecast;
                    d_logs[k] += d_forecast / forecast;
                    d_level[k] =
                        d_expected[k] * (1.0 + alpha * error) + expected * alpha * d_error[k];
                    d_trend[k] =
                        phi * d_trend[k] + beta * (d_expected[k] * error + expected * d_error[k]);
                    d_season[k] = d_season[k] * (1.0 + gamma * error) + season * gamma * d_error[k];
                }
                d_level[0] += expected * error;
                d_trend[1] += expected * error;
                d_season[2] += season * error;
                d_trend[3] += trend;
                level = expected * (1.0 + alpha * error);
                trend = phi * trend + beta * expected * error;
                seasons[place] = season * (1.0 + gamma * error);
                rows.push((error, d_error));
            } else {
                error = quantity - expected - season;
                for k in 0..WIDTH {
                    d_error[k] = -d_expected[k] - d_season[k];
                    d_level[k] = d_expected[k] + alpha * d_error[k];
                    d_trend[k] = phi * d_trend[k] + beta * d_error[k];
                    d_season[k] += gamma * d_error[k];
                }
                d_level[0] += error;
                d_trend[1] += error;
                d_season[2] += error;
                d_trend[3] += trend;
                level = expected + alpha * error;
                trend = phi * trend + beta * error;
                seasons[place] = season + gamma * error;
                slope.gather(error, &d_error);
            }
        }
        let count = self.quantities.len() as f64;
        for (error, mut d_error) in rows {
            // Scaled by G throughout, which changes neither the step nor the comparison.
            for k in 0..WIDTH {
                d_error[k] += error * d_logs[k] / count;
            }
            slope.gather(error, &d_error);
        }
        slope
    }

    /// Steps downhill until a step gains too little.
    fn descend(&mut self, effort: Effort) {
        let mut damping = 1e-3;
        for _ in 0..effort.steps {
            if !self.squares.is_finite() || self.squares <= SMALLEST_SQUARES {
                return;
            }
            let slope = self.slope();
            let free = self.free(&slope.gradient);
            let before = self.squares;
            for _ in 0..8 {
                let Some(step) = slope.solve(&free, damping) else {
                    damping *= 10.0;
                    continue;
                };
                let mut next = self.point;
                for k in 0..WIDTH {
                    next[k] -= step[k];
                }
                self.clamp(&mut next);
                let squares = self.evaluate(&next);
                if squares < self.squares {
                    self.point = next;
                    self.squares = squares;
                    damping = (damping * 0.1).max(1e-9);
                    break;
                }
                damping *= 8.0;
            }
            if before - self.squares <= effort.gain * before {
                return;
            }
        }
    }

    /// Which parameters may move: none held at a bound the gradient pushes against.
    fn free(&self, gradient: &Row) -> [bool; WIDTH] {
        let mut free = [true; WIDTH];
        for k in 0..4 {
            let low = self.point[k] <= LOWER[k] && gradient[k] > 0.0;
            let high = self.point[k] >= UPPER[k] && gradient[k] < 0.0;
            free[k] = !low && !high;
        }
        free[3] &= self.damped == Damping::Damped;
        free
    }

    fn clamp(&self, point: &mut Row) {
        for k in 0..3 {
            point[k] = point[k].clamp(LOWER[k], UPPER[k]);
        }
        if self.damped == Damping::Damped {
            point[3] = point[3].clamp(LOWER[3], UPPER[3]);
        }
    }

    fn finish(self) -> Option<Fit> {
        let weights = Weights {
            level: self.point[0],
            trend: self.point[1],
            season: self.point[2],
            damping: self.point[3],
        };
        let start = self.start(&self.point);
        let pass = run(self.quantities, self.form, SeasonCorrection::Expected, weights, &start);
        let finite = pass.objective.is_finite()
            && pass.end.level.is_finite()
            && pass.end.trend.is_finite()
            && pass.end.seasons.iter().all(|season| season.is_finite());
        let parameters = if self.damped == Damping::Damped { 18.0 } else { 17.0 };
        let spare = self.quantities.len() as f64 - parameters - 1.0;
        (finite && spare > 0.0).then(|| Fit {
            form: self.form,
            weights,
            start,
            objective: pass.objective,
            aicc: pass.objective + 2.0 * parameters + 2.0 * parameters * (parameters + 1.0) / spare,
            end: pass.end,
        })
    }
}

impl Slope {
    fn gather(&mut self, error: f64, derivatives: &Row) {
        self.squares += error * error;
        for k in 0..WIDTH {
            let derivative = derivatives[k];
            self.gradient[k] += error * derivative;
            let row = &mut self.matrix[k];
            for j in 0..WIDTH {
                row[j] += derivative * derivatives[j];
            }
        }
    }

    /// `(JᵀJ + damping·diag JᵀJ)⁻¹ Jᵀe` over the free parameters, by Cholesky; `None` where the
    /// matrix is not positive.
    fn solve(&self, free: &[bool; WIDTH], damping: f64) -> Option<Row> {
        let mut root = self.matrix;
        let mut step = self.gradient;
        for k in 0..WIDTH {
            if !free[k] {
                step[k] = 0.0;
                root[k] = [0.0; WIDTH];
                root.iter_mut().for_each(|row| row[k] = 0.0);
                root[k][k] = 1.0;
            } else {
                root[k][k] += damping * root[k][k] + 1e-12;
            }
        }
        for k in 0..WIDTH {
            for j in 0..=k {
                let sum: f64 = (0..j).map(|i| root[k][i] * root[j][i]).sum();
                let value = root[k][j] - sum;
                if j == k {
                    if value <= 0.0 || !value.is_finite() {
                        return None;
                    }
                    root[k][k] = value.sqrt();
                } else {
                    root[k][j] = value / root[j][j];
                }
            }
            let sum: f64 = (0..k).map(|i| root[k][i] * step[i]).sum();
            step[k] = (step[k] - sum) / root[k][k];
        }
        for k in (0..WIDTH).rev() {
            let sum: f64 = (k + 1..WIDTH).map(|i| root[i][k] * step[i]).sum();
            step[k] = (step[k] - sum) / root[k][k];
        }
        Some(step)
    }
}

/// A running product kept as mantissa and exponent: one logarithm at the end instead of one a
/// month.
struct LogProduct {
    mantissa: f64,
    exponent: i64,
}

impl LogProduct {
    fn new() -> Self {
        Self { mantissa: 1.0, exponent: 0 }
    }

    fn take(&mut self, factor: f64) {
        self.mantissa *= factor;
        if !(1e-100..1e100).contains(&self.mantissa) {
            let shift = self.mantissa.log2().floor();
            self.mantissa /= shift.exp2();
            self.exponent += shift as i64;
        }
    }

    fn ln(&self) -> f64 {
        self.mantissa.ln() + self.exponent as f64 * LN_2
    }
}

#[cfg(test)]
mod tests {
    use super::{SeasonCorrection, SeasonForm, State, Weights, forecast, run};

    fn close(ours: &[f64], printed: &[f64], tolerance: f64) {
        assert_eq!(ours.len(), printed.len());
        for (our, print) in ours.iter().zip(printed) {
            assert!((our - print).abs() <= tolerance, "{ours:?} {printed:?}");
        }
    }

    const QUARTERS: [f64; 6] = [12.0, 22.0, 14.0, 25.0, 17.0, 26.0];

    fn start() -> State {
        State { level: 10.0, trend: 1.0, seasons: vec![-5.0, 5.0] }
    }

    /// Constructed instance, season of two; end state and forecasts by statsmodels' ETSModel
    /// (its trend weight 0.1 = 0.5 × 0.2). Hyndman and others (2008).
    #[test]
    fn additive_season_from_the_expected_level_is_as_computed_elsewhere() {
        let weights = Weights { level: 0.5, trend: 0.1, season: 0.4, damping: 1.0 };
        let pass =
            run(&QUARTERS, SeasonForm::Additive, SeasonCorrection::Expected, weights, &start());
        close(&pass.fitted, &[6.0, 20.6, 15.44, 24.476, 17.6504, 27.85416], 1e-8);
        close(&[pass.end.level, pass.end.trend], &[21.15748, 1.397944], 1e-8);
        close(&pass.end.seasons, &[-3.43616, 5.027936], 1e-8);
        let ahead = forecast(SeasonForm::Additive, 1.0, &pass.end, 4);
        close(&ahead, &[19.119264, 28.981304, 21.915152, 31.777192], 1e-8);
    }

    /// The same instance by Winters (1960); figures by R 4.2.2 `HoltWinters`.
    #[test]
    fn additive_season_from_the_updated_level_is_as_r_computes_it() {
        let weights = Weights { level: 0.5, trend: 0.1, season: 0.4, damping: 1.0 };
        let pass =
            run(&QUARTERS, SeasonForm::Additive, SeasonCorrection::Updated, weights, &start());
        close(&pass.fitted, &[6.0, 20.6, 14.24, 24.916, 17.5544, 28.09096], 1e-8);
        close(&[pass.end.level, pass.end.trend], &[21.74868, 1.459864], 1e-8);
        close(&pass.end.seasons, &[-3.95888, 4.878608], 1e-8);
        let ahead = forecast(SeasonForm::Additive, 1.0, &pass.end, 4);
        close(&ahead, &[19.249664, 29.547016, 22.169392, 32.466744], 1e-8);
    }
}
