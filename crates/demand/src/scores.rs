//! How good a forecast was, once the months have come.
//!
//! Errors are scaled by the history's own mean step from month to month, so that parts of any
//! size can be put side by side: Hyndman and Koehler (2006), Int. J. of Forecasting 22, 679-688;
//! squared form and scaled pinball loss as in Makridakis, Spiliotis and Assimakopoulos (2022),
//! Int. J. of Forecasting 38, 1346-1364 and 1365-1385.

use serde::{Deserialize, Serialize};

use crate::predictive::{CUMULATED, Outlook};

/// Probabilities whose pinball loss is scored.
pub const SCORED_LEVELS: [f64; 4] = [0.5, 0.8, 0.9, 0.95];

/// Pinball loss of `forecast` as the `level` quantile of what turned out to be `actual`.
pub fn pinball(level: f64, actual: f64, forecast: f64) -> f64 {
    let error = actual - forecast;
    if error >= 0.0 { level * error } else { (level - 1.0) * error }
}

/// What the errors of one part are divided by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    /// Mean absolute difference of consecutive months.
    pub step: f64,
    /// Mean squared difference of consecutive months.
    pub step_squared: f64,
}

impl Scale {
    /// Scale of a history; `None` where it never changes, or has one month.
    pub fn of(quantities: &[f64]) -> Option<Self> {
        let count = quantities.len().checked_sub(1).filter(|&count| count > 0)? as f64;
        let steps = quantities.windows(2).map(|pair| (pair[1] - pair[0]).abs());
        let (sum, squares) =
            steps.fold((0.0, 0.0), |(sum, squares), step| (sum + step, squares + step * step));
        (sum > 0.0).then(|| Self { step: sum / count, step_squared: squares / count })
    }
}

/// Scores of one model, of one part or the mean over parts.
///
/// `rmsse`, `mase`, `pinball` and `pinball_cumulated` are scaled and unit-free, smaller is
/// better; `bias` is (forecast − actual) / actual over the months scored; `coverage_90` the share
/// of months at or below the 90 % quantile, `below_90` the share strictly below: right when 0.9
/// lies between.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Scores {
    pub rmsse: f64,
    pub mase: f64,
    pub pinball: f64,
    /// Pinball of the sum of the first months, divided by their number.
    pub pinball_cumulated: f64,
    /// `None` where nothing was asked for in the months scored.
    pub bias: Option<f64>,
    pub coverage_90: f64,
    pub below_90: f64,
    /// Months scored.
    pub months: usize,
}

/// Sums from which [`Scores`] follow; adds up over origins and over parts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tally {
    origins: f64,
    months: f64,
    root_squares: f64,
    absolute: f64,
    pinball: f64,
    cumulated: f64,
    cumulated_origins: f64,
    forecast: f64,
    actual: f64,
    covered: f64,
    below: f64,
    /// What models are compared by: [`Tally::loss`] times origins.
    compared: f64,
}

/// Share of a typical size added to the scale when models are compared: with one or two demands so
/// far the mean step is tiny, and such parts alone would decide.
const STEADYING: f64 = 0.1;

impl Tally {
    /// Scores `outlook`, made at the end of `known`, against the months that followed.
    pub fn take(&mut self, outlook: &Outlook, known: &[f64], scale: Scale, actual: &[f64]) {
        let months = actual.len() as f64;
        let (mut squares, mut absolute, mut loss) = (0.0, 0.0, 0.0);
        for ((&quantity, mean), quantiles) in actual.iter().zip(&outlook.means).zip(&outlook.months)
        {
            squares += (quantity - mean) * (quantity - mean);
            absolute += (quantity - mean).abs();
            loss += mean_pinball(quantity, quantiles);
            self.forecast += mean;
            self.covered += f64::from(u8::from(quantity <= quantiles[2]));
            self.below += f64::from(u8::from(quantity < quantiles[2]));
        }
        loss /= months;
        self.actual += actual.iter().sum::<f64>();
        self.origins += 1.0;
        self.months += months;
        self.root_squares += (squares / months / scale.step_squared).sqrt();
        self.absolute += absolute / months / scale.step;
        self.pinball += loss / scale.step;
        let steady = scale.step + STEADYING * mean_size(known);
        let (mut cumulated, mut lengths) = (0.0, 0.0);
        for (length, quantiles) in CUMULATED.into_iter().zip(&outlook.cumulated) {
            let Some(quantiles) = quantiles else { continue };
            if length <= actual.len() {
                let sum = actual[..length].iter().sum();
                cumulated += mean_pinball(sum, quantiles) / length as f64;
                lengths += 1.0;
            }
        }
        if lengths > 0.0 {
            cumulated /= lengths;
            self.cumulated += cumulated / scale.step;
            self.cumulated_origins += 1.0;
            loss = f64::midpoint(loss, cumulated);
        }
        self.compared += loss / steady;
    }

    /// Adds another's sums.
    pub fn add(&mut self, other: &Self) {
        self.origins += other.origins;
        self.months += other.months;
        self.root_squares += other.root_squares;
        self.absolute += other.absolute;
        self.pinball += other.pinball;
        self.cumulated += other.cumulated;
        self.cumulated_origins += other.cumulated_origins;
        self.forecast += other.forecast;
        self.actual += other.actual;
        self.covered += other.covered;
        self.below += other.below;
        self.compared += other.compared;
    }

    /// Number of forecasts scored.
    pub const fn origins(&self) -> f64 {
        self.origins
    }

    /// Mean of monthly and cumulated pinball loss over a steadied scale: what models are compared
    /// by. `None` where nothing was scored.
    pub fn loss(&self) -> Option<f64> {
        (self.origins > 0.0).then(|| self.compared / self.origins)
    }

    /// The scores; `None` where nothing was scored.
    pub fn scores(&self) -> Option<Scores> {
        (self.origins > 0.0).then(|| Scores {
            rmsse: self.root_squares / self.origins,
            mase: self.absolute / self.origins,
            pinball: self.pinball / self.origins,
            pinball_cumulated: self.cumulated / self.cumulated_origins.max(1.0),
            bias: (self.actual > 0.0).then(|| (self.forecast - self.actual) / self.actual),
            coverage_90: self.covered / self.months,
            below_90: self.below / self.months,
            months: self.months as usize,
        })
    }
}

fn mean_pinball(actual: f64, quantiles: &[f64; 4]) -> f64 {
    let pairs = SCORED_LEVELS.iter().zip(quantiles);
    pairs.map(|(level, quantile)| pinball(*level, actual, *quantile)).sum::<f64>() / 4.0
}

fn mean_size(known: &[f64]) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for &quantity in known.iter().filter(|quantity| **quantity > 0.0) {
        sum += quantity;
        count += 1.0;
    }
    if count > 0.0 { sum / count } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::{Scale, pinball};

    /// Worked example: history 0,2,0,0,1 gives steps 2,2,0,1; actual 3, mean 1, 90 % quantile 2.
    /// Constructed by hand from the cited definitions.
    #[test]
    fn the_worked_example_is_reproduced() {
        let scale = Scale::of(&[0.0, 2.0, 0.0, 0.0, 1.0]).unwrap();
        assert_eq!((scale.step, scale.step_squared), (1.25, 2.25));
        let rmsse = ((3.0_f64 - 1.0).powi(2) / scale.step_squared).sqrt();
        assert!((rmsse - 1.3333).abs() < 5e-5);
        assert!((pinball(0.9, 3.0, 2.0) / scale.step - 0.72).abs() < 1e-12);
        assert!((pinball(0.9, 15.0, 17.0) - 0.2).abs() < 1e-12);
    }

    #[test]
    fn a_history_that_never_changes_has_no_scale() {
        assert_eq!(Scale::of(&[3.0, 3.0, 3.0]), None);
        assert_eq!(Scale::of(&[3.0]), None);
        assert_eq!(Scale::of(&[]), None);
    }
}
