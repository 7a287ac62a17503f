//! The models of a single history.
//!
//! Invariant: a model sees one history and the season its family lends, and nothing else: no
//! clock, no neighbour, no seed.

pub mod aggregation;
pub mod croston;
pub mod holt_winters;
pub mod plain;
pub mod seasonal_counts;
pub mod smoothing;

use serde::{Deserialize, Serialize};

use crate::counts::dispersion_ratio;
use crate::history::{Grain, QUANTITY_MAX};
use crate::models::aggregation::{aggregate_disaggregate, multiple_aggregation};
use crate::models::croston::{
    CROSTON_WEIGHT, Demands, TSB_WEIGHT, croston, croston_corrected, croston_fitted,
    teunter_syntetos_babai,
};
use crate::models::holt_winters::{Effort, SeasonForm};
use crate::models::seasonal_counts::{Spread, seasonal_counts};
use crate::models::smoothing::{smooth, smooth_fitted};
use crate::predictive::{Counts, Predictive};
use crate::season::{Season, YEAR};

/// Every model a forecast can come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Model {
    SeasonalNaive,
    Naive,
    MovingAverage,
    SimpleSmoothing,
    FittedSmoothing,
    HoltWintersAdditive,
    HoltWintersMultiplicative,
    Croston,
    CrostonCorrected,
    CrostonFitted,
    TeunterSyntetosBabai,
    Adida,
    Imapa,
    PoissonSeason,
    NegativeBinomialSeason,
    Empirical,
    AcrossParts,
    Combination,
}

/// Models of one history, the benchmark first.
pub const SINGLE_MODELS: [Model; 16] = [
    Model::SeasonalNaive,
    Model::Naive,
    Model::MovingAverage,
    Model::SimpleSmoothing,
    Model::FittedSmoothing,
    Model::HoltWintersAdditive,
    Model::HoltWintersMultiplicative,
    Model::Croston,
    Model::CrostonCorrected,
    Model::CrostonFitted,
    Model::TeunterSyntetosBabai,
    Model::Adida,
    Model::Imapa,
    Model::PoissonSeason,
    Model::NegativeBinomialSeason,
    Model::Empirical,
];

/// Number of all models.
pub const MODELS: usize = SINGLE_MODELS.len() + 2;

impl Model {
    /// Place in tables of scores.
    pub const fn index(self) -> usize {
        self as usize
    }

    /// The model at `index`; `None` beyond the last.
    pub const fn at(index: usize) -> Option<Self> {
        match index {
            0..16 => Some(SINGLE_MODELS[index]),
            16 => Some(Self::AcrossParts),
            17 => Some(Self::Combination),
            _ => None,
        }
    }

    /// Name in files and on screens.
    pub const fn name(self) -> &'static str {
        match self {
            Self::SeasonalNaive => "seasonal naive",
            Self::Naive => "naive",
            Self::MovingAverage => "moving average",
            Self::SimpleSmoothing => "simple smoothing",
            Self::FittedSmoothing => "fitted smoothing",
            Self::HoltWintersAdditive => "Holt-Winters additive",
            Self::HoltWintersMultiplicative => "Holt-Winters multiplicative",
            Self::Croston => "Croston",
            Self::CrostonCorrected => "Croston bias-corrected",
            Self::CrostonFitted => "Croston fitted",
            Self::TeunterSyntetosBabai => "TSB",
            Self::Adida => "ADIDA",
            Self::Imapa => "IMAPA",
            Self::PoissonSeason => "Poisson with season",
            Self::NegativeBinomialSeason => "negative binomial with season",
            Self::Empirical => "empirical",
            Self::AcrossParts => "across parts",
            Self::Combination => "combination",
        }
    }
}

/// Weight of plain smoothing.
const SMOOTHING_WEIGHT: f64 = 0.1;
/// Months of the moving average.
const WINDOW: usize = 6;
/// Units a typical quantity is cut into where quantities are not whole.
const UNITS_A_SIZE: f64 = 20.0;

/// What is known of one part at an origin.
#[derive(Clone, Copy, Debug)]
pub struct Known<'a> {
    /// Quantities up to the origin; at least one.
    pub quantities: &'a [f64],
    /// Calendar place of the first quantity, 0 for January.
    pub first_of_year: usize,
    /// Season the part may borrow.
    pub borrowed: &'a Season,
    /// Pieces or fractions.
    pub grain: Grain,
}

/// One part's history, prepared once for all models.
pub struct Prepared<'a> {
    known: Known<'a>,
    demands: Demands,
    ratio: f64,
    unit: f64,
    months: usize,
}

impl<'a> Prepared<'a> {
    /// Prepares `known` for forecasts of `months`.
    pub fn new(known: Known<'a>, months: usize) -> Self {
        let demands = Demands::of(known.quantities);
        let unit = if known.grain == Grain::Whole || demands.sizes.is_empty() {
            1.0
        } else {
            demands.sizes.iter().sum::<f64>() / demands.sizes.len() as f64 / UNITS_A_SIZE
        };
        let ratio = dispersion_in_units(known.quantities, unit);
        Self { known, demands, ratio, unit, months }
    }

    /// Forecast of one of [`SINGLE_MODELS`]; `None` where the history is too short for it, or of
    /// a kind it is not made for.
    pub fn predict(&self, model: Model) -> Option<Predictive> {
        let quantities = self.known.quantities;
        let demands = &self.demands;
        let mean = match model {
            Model::SeasonalNaive => return self.seasonal_naive(),
            Model::HoltWintersAdditive => return self.holt_winters(SeasonForm::Additive),
            Model::HoltWintersMultiplicative => {
                return self.holt_winters(SeasonForm::Multiplicative);
            }
            Model::PoissonSeason => {
                return Some(seasonal_counts(&self.known, self.unit, Spread::Poisson, self.months));
            }
            Model::NegativeBinomialSeason => {
                let spread = Spread::NegativeBinomial;
                return Some(seasonal_counts(&self.known, self.unit, spread, self.months));
            }
            Model::Empirical => {
                let values = quantities.to_vec();
                return Some(Predictive::Empirical { values, months: self.months });
            }
            Model::AcrossParts | Model::Combination => return None,
            Model::Naive => plain::naive(quantities)?,
            Model::MovingAverage => plain::moving_average(quantities, WINDOW)?,
            Model::SimpleSmoothing => smooth(quantities, SMOOTHING_WEIGHT),
            Model::FittedSmoothing => smooth_fitted(quantities, 0.01, 0.99),
            Model::Croston => croston(demands, CROSTON_WEIGHT),
            Model::CrostonCorrected => croston_corrected(demands),
            Model::CrostonFitted => croston_fitted(demands),
            Model::TeunterSyntetosBabai => {
                teunter_syntetos_babai(quantities, &demands.sizes, TSB_WEIGHT)
            }
            Model::Adida => aggregate_disaggregate(quantities, demands),
            Model::Imapa => multiple_aggregation(quantities, demands),
        };
        Some(self.around(vec![mean; self.months]))
    }

    fn around(&self, mut means: Vec<f64>) -> Predictive {
        for mean in &mut means {
            *mean = mean.clamp(0.0, QUANTITY_MAX);
        }
        Predictive::Counts(Counts { means, ratio: self.ratio, level_shape: None, unit: self.unit })
    }

    fn seasonal_naive(&self) -> Option<Predictive> {
        let means = plain::seasonal_naive(self.known.quantities, YEAR, self.months);
        means.into_iter().collect::<Option<Vec<f64>>>().map(|means| self.around(means))
    }

    fn holt_winters(&self, form: SeasonForm) -> Option<Predictive> {
        let fit = holt_winters::fit(self.known.quantities, form, Effort::QUICK)?;
        let damping = fit.weights.damping;
        let means = holt_winters::forecast(form, damping, &fit.end, self.months);
        means.iter().all(|mean| mean.is_finite()).then(|| self.around(means))
    }
}

/// Variance-to-mean ratio in units, at least 1.
fn dispersion_in_units(quantities: &[f64], unit: f64) -> f64 {
    if unit == 1.0 {
        return dispersion_ratio(quantities);
    }
    let units: Vec<f64> = quantities.iter().map(|quantity| quantity / unit).collect();
    dispersion_ratio(&units)
}
