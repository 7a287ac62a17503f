//! Do groups live equally long?

use crate::error::LifeError;
use crate::lives::{Life, LifeEnd, count_failures};
use crate::probability::chi_square_above;
use crate::turnbull::{IntervalCurve, estimate_interval_survival};

/// A log-rank comparison between groups.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// Chi-square statistic.
    pub statistic: f64,
    pub degrees_of_freedom: usize,
    /// Probability of so large a statistic where all groups live equally long.
    pub p: f64,
    /// In the order given.
    pub groups: Vec<GroupComparison>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GroupComparison {
    pub lives: usize,
    pub failures: usize,
    /// Failures beyond what equal lives would have brought; the groups' sum is 0.
    pub excess: f64,
}

/// Log-rank test between `groups`, each a set of lives.
///
/// Exact and right-censored lives: Mantel and Haenszel's test with the hypergeometric variance,
/// no weights (Mantel 1966, Cancer Chemotherapy Reports 50:163-170). If any life is known only to
/// an interval: its generalisation with Sun's scores from the pooled curve (Sun 1996, Statistics
/// in Medicine 15:1387-1395) and the permutation variance, which holds where the groups were
/// looked at on like schedules (Fay and Shaw 2010, J. Statistical Software 36(2)).
///
/// Degrees of freedom are the rank of the variance: a group never at risk beside another adds
/// none. `O(n log n + ages · groups²)`.
pub fn compare_groups(groups: &[Vec<Life>]) -> Result<Comparison, LifeError> {
    let filled = groups.iter().filter(|lives| !lives.is_empty()).count();
    if filled < 2 {
        return Err(LifeError::OneGroup { groups: filled });
    }
    let interval = |life: &Life| matches!(life.end(), LifeEnd::FailedBetween { .. });
    if groups.iter().flatten().any(interval) {
        compare_intervals(groups, filled)
    } else {
        compare_exact(groups)
    }
}

fn compare_exact(groups: &[Vec<Life>]) -> Result<Comparison, LifeError> {
    let size = groups.len();
    let mut all: Vec<(f64, bool, usize)> = groups
        .iter()
        .enumerate()
        .flat_map(|(group, lives)| lives.iter().map(move |l| (l.lower(), l.has_failed(), group)))
        .collect();
    all.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let mut at_risk: Vec<f64> = groups.iter().map(|lives| lives.len() as f64).collect();
    let mut excess = vec![0.0; size];
    let mut variance = vec![vec![0.0; size]; size];
    for same_age in all.chunk_by(|a, b| a.0 == b.0) {
        let reached: f64 = at_risk.iter().sum();
        let failed = same_age.iter().filter(|(_, failed, _)| *failed).count() as f64;
        for (_, failed, group) in same_age {
            excess[*group] += f64::from(u8::from(*failed));
        }
        if failed > 0.0 {
            let spread =
                if reached > 1.0 { failed * (reached - failed) / (reached - 1.0) } else { 0.0 };
            for g in 0..size {
                let share = at_risk[g] / reached;
                excess[g] -= failed * share;
                variance[g][g] += spread * share;
                for h in 0..size {
                    variance[g][h] -= spread * share * at_risk[h] / reached;
                }
            }
        }
        for (_, _, group) in same_age {
            at_risk[*group] -= 1.0;
        }
    }
    let (statistic, rank) = quadratic_form(variance, excess.clone());
    finish(groups, &excess, statistic, rank)
}

fn compare_intervals(groups: &[Vec<Life>], filled: usize) -> Result<Comparison, LifeError> {
    let pooled: Vec<Life> = groups.iter().flatten().copied().collect();
    let scores = Scores::new(&estimate_interval_survival(&pooled));
    let of = |lives: &Vec<Life>| lives.iter().map(|l| scores.score(l)).collect::<Vec<f64>>();
    let by_group: Vec<Vec<f64>> = groups.iter().map(of).collect();
    let count = pooled.len() as f64;
    let mean = by_group.iter().flatten().sum::<f64>() / count;
    let spread: f64 = by_group.iter().flatten().map(|score| (score - mean).powi(2)).sum();
    let excess: Vec<f64> = by_group
        .iter()
        .map(|scores| scores.iter().map(|score| score - mean).sum::<f64>())
        .collect();
    // The inverse of a permutation's variance has this closed form.
    let between: f64 = excess
        .iter()
        .zip(groups)
        .filter(|(_, lives)| !lives.is_empty())
        .map(|(excess, lives)| excess * excess / lives.len() as f64)
        .sum();
    // Scores that differ by rounding only are one score: all lives say the same.
    let rank = if spread > 1e-18 * count { filled - 1 } else { 0 };
    finish(groups, &excess, (count - 1.0) * between / spread, rank)
}

fn finish(
    groups: &[Vec<Life>],
    excess: &[f64],
    statistic: f64,
    degrees_of_freedom: usize,
) -> Result<Comparison, LifeError> {
    if degrees_of_freedom == 0 || !statistic.is_finite() {
        return Err(LifeError::NothingToCompare);
    }
    let groups = groups
        .iter()
        .zip(excess)
        .map(|(lives, excess)| GroupComparison {
            lives: lives.len(),
            failures: count_failures(lives),
            excess: *excess,
        })
        .collect();
    let p = chi_square_above(statistic, degrees_of_freedom as f64);
    Ok(Comparison { statistic, degrees_of_freedom, p, groups })
}

/// Sun's scores: each life's share of "observed less expected failures" under the pooled curve.
/// For an exact or right-censored life it is 1 − Λ or −Λ, as in the log-rank test.
struct Scores {
    /// `(upto, survival beyond, cumulative hazard)` of each cell, ages rising.
    steps: Vec<(f64, f64, f64)>,
}

impl Scores {
    fn new(pooled: &IntervalCurve) -> Self {
        let (mut survival, mut hazard) = (1.0_f64, 0.0);
        let mut steps = Vec::with_capacity(pooled.cells.len());
        for cell in &pooled.cells {
            hazard += cell.mass / survival;
            survival = (survival - cell.mass).max(0.0);
            steps.push((cell.upto.unwrap_or(f64::INFINITY), survival, hazard));
        }
        Self { steps }
    }

    fn state(&self, cells_ended: usize) -> (f64, f64) {
        cells_ended.checked_sub(1).map_or((1.0, 0.0), |k| (self.steps[k].1, self.steps[k].2))
    }

    /// ```text
    /// (S(R) Λ(R) − S(L) Λ(L)) / (S(L) − S(R))    Λ(t) = Σ mass / S before it
    /// ```
    fn score(&self, life: &Life) -> f64 {
        let exact = life.upper() == Some(life.lower());
        let start = self.steps.partition_point(|(upto, _, _)| {
            if exact { *upto < life.lower() } else { *upto <= life.lower() }
        });
        let (sound, hazard) = self.state(start);
        let Some(upper) = life.upper() else { return -hazard };
        let end = self.steps.partition_point(|(upto, _, _)| *upto <= upper);
        let (left, hazard_end) = self.state(end);
        (left * hazard_end - sound * hazard) / (sound - left)
    }
}

/// `uᵀ V⁻ u` and the rank of `V`, by Cholesky with pivots: `V` is singular always (its rows add
/// up to 0), and more so where groups never meet.
fn quadratic_form(mut variance: Vec<Vec<f64>>, mut excess: Vec<f64>) -> (f64, usize) {
    let size = excess.len();
    let largest = (0..size).map(|g| variance[g][g]).fold(0.0, f64::max);
    let mut open: Vec<usize> = (0..size).collect();
    let (mut statistic, mut rank) = (0.0, 0);
    while let Some(place) = (0..open.len())
        .max_by(|a, b| variance[open[*a]][open[*a]].total_cmp(&variance[open[*b]][open[*b]]))
    {
        let pivot = open.swap_remove(place);
        let value = variance[pivot][pivot];
        if value <= 1e-10 * largest || value <= 0.0 {
            break;
        }
        statistic += excess[pivot] * excess[pivot] / value;
        rank += 1;
        let row = variance[pivot].clone();
        for &g in &open {
            let factor = row[g] / value;
            excess[g] -= factor * excess[pivot];
            for &h in &open {
                variance[g][h] -= factor * row[h];
            }
        }
    }
    (statistic, rank)
}
