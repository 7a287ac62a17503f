//! A distribution of the months ahead: what a model of one history answers.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Gamma};

use crate::counts::CountDistribution;
use crate::paths::{SamplePaths, quantiles_of};

/// Months a cumulated score looks at.
pub const CUMULATED: [usize; 2] = [3, 6];

/// Distribution of the coming months of one part.
#[derive(Clone, Debug, PartialEq)]
pub enum Predictive {
    /// Whole units around expected quantities.
    Counts(Counts),
    /// Each month is one of the months seen, each as likely.
    Empirical { values: Vec<f64>, months: usize },
    /// Given futures.
    Paths(SamplePaths),
}

/// Negative binomial months with one variance-to-mean ratio, and a level that may be uncertain.
#[derive(Clone, Debug, PartialEq)]
pub struct Counts {
    /// Expected quantities, at least 0.
    pub means: Vec<f64>,
    /// Variance-to-mean ratio of a month when the level is known, in units, at least 1.
    pub ratio: f64,
    /// Shape of the gamma law of the level, shared by all months; `None`: known.
    pub level_shape: Option<f64>,
    /// What one counted unit stands for: 1 for pieces, a fraction of a litre for oil.
    pub unit: f64,
}

impl Counts {
    /// Distribution of a month or sum with expected quantity `mean`, in units.
    fn around(&self, mean: f64) -> CountDistribution {
        let mean = mean / self.unit;
        let uncertain = self.level_shape.map_or(0.0, |shape| mean / shape);
        CountDistribution::new(mean, self.ratio + uncertain)
    }
}

/// Scored quantiles and means of the first months ahead.
#[derive(Clone, Debug, PartialEq)]
pub struct Outlook {
    pub means: Vec<f64>,
    /// At [`crate::SCORED_LEVELS`], by month.
    pub months: Vec<[f64; 4]>,
    /// At the same levels, of the first [`CUMULATED`] months together; `None` beyond the horizon.
    pub cumulated: [Option<[f64; 4]>; 2],
}

const LEVELS: [f64; 4] = crate::scores::SCORED_LEVELS;

impl Predictive {
    /// Quantiles and means to be scored, of the first `months`. `random` is used only where the
    /// distribution of a sum has no closed form.
    pub fn outlook(&self, months: usize, random: &mut ChaCha8Rng) -> Outlook {
        match self {
            Self::Counts(counts) => counts_outlook(counts, months),
            Self::Paths(paths) => paths_outlook(paths, months),
            Self::Empirical { values, .. } => {
                let mut outlook = paths_outlook(&self.sample(100, random), months);
                // Closed where it can be: each month is the history itself.
                let mut quantiles = [0.0; 4];
                quantiles_of(&mut values.clone(), &LEVELS, &mut quantiles);
                let mean = values.iter().sum::<f64>() / values.len() as f64;
                outlook.months.fill(quantiles);
                outlook.means.fill(mean);
                outlook
            }
        }
    }

    /// Months ahead.
    pub fn months(&self) -> usize {
        match self {
            Self::Counts(counts) => counts.means.len(),
            Self::Empirical { months, .. } => *months,
            Self::Paths(paths) => paths.months(),
        }
    }

    /// Draws `count` paths. Given futures are passed on, the first ones again where there are
    /// fewer.
    pub fn sample(&self, count: usize, random: &mut ChaCha8Rng) -> SamplePaths {
        let months = self.months();
        let values = match self {
            Self::Counts(counts) => sample_counts(counts, count, random),
            Self::Empirical { values, .. } => (0..count * months)
                .map(|_| values[random.random_range(0..values.len())] as f32)
                .collect(),
            Self::Paths(paths) => {
                paths.values().iter().copied().cycle().take(count * months).collect()
            }
        };
        SamplePaths::new(months, values)
    }
}

fn counts_outlook(counts: &Counts, months: usize) -> Outlook {
    let months = months.min(counts.means.len());
    let mut quantiles = Vec::with_capacity(months);
    let mut row = [0.0; 4];
    for (ahead, &mean) in counts.means[..months].iter().enumerate() {
        // Most models expect the same of every month: one distribution for all.
        if ahead == 0 || mean != counts.means[ahead - 1] {
            counts.around(mean).quantiles(&LEVELS, &mut row);
            row.iter_mut().for_each(|quantile| *quantile *= counts.unit);
        }
        quantiles.push(row);
    }
    let cumulated = CUMULATED.map(|length| {
        (length <= months).then(|| {
            let mut row = [0.0; 4];
            let sum = counts.means[..length].iter().sum();
            counts.around(sum).quantiles(&LEVELS, &mut row);
            row.map(|quantile| quantile * counts.unit)
        })
    });
    Outlook { means: counts.means[..months].to_vec(), months: quantiles, cumulated }
}

fn paths_outlook(paths: &SamplePaths, months: usize) -> Outlook {
    let months = months.min(paths.months());
    let mut column = Vec::with_capacity(paths.count());
    let mut sums = vec![0.0; paths.count()];
    let mut outlook = Outlook {
        means: Vec::with_capacity(months),
        months: Vec::with_capacity(months),
        cumulated: [None; 2],
    };
    for ahead in 0..months {
        column.clear();
        column.extend(paths.paths().map(|path| f64::from(path[ahead])));
        for (sum, value) in sums.iter_mut().zip(&column) {
            *sum += value;
        }
        outlook.means.push(column.iter().sum::<f64>() / column.len() as f64);
        let mut row = [0.0; 4];
        quantiles_of(&mut column, &LEVELS, &mut row);
        outlook.months.push(row);
        if let Some(which) = CUMULATED.iter().position(|&length| length == ahead + 1) {
            quantiles_of(&mut sums.clone(), &LEVELS, &mut row);
            outlook.cumulated[which] = Some(row);
        }
    }
    outlook
}

/// Quantities below this share are read from one table per month.
const TABLE: usize = 512;

/// Draws by inverting the distribution function, with the level drawn once a path.
fn sample_counts(counts: &Counts, paths: usize, random: &mut ChaCha8Rng) -> Vec<f32> {
    let months = counts.means.len();
    let mut values = vec![0.0_f32; paths * months];
    // One table of evenly spread quantiles per month; a path takes them in random order. Where
    // the level is uncertain the table's order follows the level, so that months move together.
    let mut levels = [0.0; TABLE];
    for (index, level) in levels.iter_mut().enumerate() {
        *level = (index as f64 + 0.5) / TABLE as f64;
    }
    if let Some(shape) = counts.level_shape
        && let Ok(gamma) = Gamma::new(shape, 1.0 / shape)
    {
        for path in values.chunks_exact_mut(months) {
            let level = gamma.sample(random);
            for (value, mean) in path.iter_mut().zip(&counts.means) {
                let known = CountDistribution::new(level * mean / counts.unit, counts.ratio);
                *value = (known.draw(random) * counts.unit) as f32;
            }
        }
        return values;
    }
    let mut table = [0.0; TABLE];
    for ahead in 0..months {
        if ahead == 0 || counts.means[ahead] != counts.means[ahead - 1] {
            counts.around(counts.means[ahead]).quantiles(&levels, &mut table);
        }
        for path in 0..paths {
            let drawn = table[random.random_range(0..TABLE)];
            values[path * months + ahead] = (drawn * counts.unit) as f32;
        }
    }
    values
}
