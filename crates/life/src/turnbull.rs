//! Survival without a model, where lives are known only to intervals.
//!
//! Invariant: masses are not negative and add up to 1; a cell without mass is not listed. Between
//! the ends of a cell the curve is not determined by the data, and says so.

use crate::lives::{Life, LifeEnd, tally};

/// Mass that the data put somewhere in `(after, upto]`; `after == upto` is an exact age, no
/// `upto` is "later than anything seen".
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MassCell {
    pub after: f64,
    pub upto: Option<f64>,
    pub mass: f64,
}

/// A non-parametric survival curve from censored lives of any kind.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct IntervalCurve {
    /// Where the mass sits, ages rising.
    pub cells: Vec<MassCell>,
    /// `(age, share surviving beyond it)` where the data determine it: at the end of every cell,
    /// or, where each part was looked at once, at every age of looking.
    pub survival: Vec<(f64, f64)>,
    pub log_likelihood: f64,
}

impl IntervalCurve {
    /// Share surviving beyond `age`; `None` inside a cell, where the data do not determine it.
    pub fn survival_at(&self, age: f64) -> Option<f64> {
        let ended = self.cells.partition_point(|cell| cell.upto.is_some_and(|upto| upto <= age));
        if self.cells.get(ended).is_some_and(|cell| cell.after < age) {
            return None;
        }
        Some((1.0 - self.cells[..ended].iter().map(|cell| cell.mass).sum::<f64>()).max(0.0))
    }
}

/// The non-parametric maximum likelihood estimate of survival. Failures lie in `(lower, upper]`.
/// Empty in, empty out.
///
/// Mass can sit only in the innermost intervals (Turnbull 1976, J. Royal Statistical Society B
/// 38:290-295). Where each part was looked at once it is the isotonic regression of the share
/// found failed (Ayer and others 1955, Ann. Math. Statistics 26:641-647), which is exact.
/// Otherwise steps of EM and of the iterative convex minorant alternate (Wellner and Zhan 1997,
/// JASA 92:945-959) until the gradient shows that no more than 1e-12 of the log-likelihood per
/// life is left to gain, or steps have stopped moving. EM alone was dropped: with heavy censoring
/// it stops far from the answer. `O(n + cells)` a step on distinct lives.
pub fn estimate_interval_survival(lives: &[Life]) -> IntervalCurve {
    if lives.is_empty() {
        return IntervalCurve::default();
    }
    looked_at_once(lives).unwrap_or_else(|| Search::new(lives).solve())
}

/// Isotonic regression where no life is exact or bounded on both sides; `None` elsewhere.
fn looked_at_once(lives: &[Life]) -> Option<IntervalCurve> {
    let mut looks: Vec<(f64, f64, f64)> = Vec::new(); // age, failed, looked at
    for (life, count) in tally(lives) {
        match life.end() {
            LifeEnd::InService { age: 0.0 } => {}
            LifeEnd::InService { age } => looks.push((age, 0.0, count)),
            LifeEnd::FailedBetween { after: 0.0, by } => looks.push((by, count, count)),
            LifeEnd::FailedBetween { .. } | LifeEnd::Failed { .. } => return None,
        }
    }
    looks.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let merged: Vec<(f64, f64, f64)> = looks
        .chunk_by(|a, b| a.0 == b.0)
        .map(|same| {
            let (failed, seen) = same.iter().fold((0.0, 0.0), |s, l| (s.0 + l.1, s.1 + l.2));
            (same[0].0, failed, seen)
        })
        .collect();
    let shares: Vec<f64> = merged.iter().map(|(_, failed, seen)| failed / seen).collect();
    let counts: Vec<f64> = merged.iter().map(|(_, _, seen)| *seen).collect();
    let failed_by = rising(&shares, &counts);

    let mut curve = IntervalCurve::default();
    let (mut after, mut reached) = (0.0, 0.0);
    for ((age, failed, seen), share) in merged.into_iter().zip(failed_by) {
        if share > reached {
            curve.cells.push(MassCell { after, upto: Some(age), mass: share - reached });
            reached = share;
        }
        after = age;
        curve.survival.push((age, 1.0 - share));
        // x ln x is 0 where nobody failed, or nobody was sound.
        let part = |count: f64, share: f64| if count > 0.0 { count * share.ln() } else { 0.0 };
        curve.log_likelihood += part(failed, share) + part(seen - failed, 1.0 - share);
    }
    if reached < 1.0 {
        curve.cells.push(MassCell { after, upto: None, mass: 1.0 - reached });
    }
    Some(curve)
}

/// The rising sequence nearest to `values` by weighted least squares: neighbours that fall are
/// pooled.
fn rising(values: &[f64], weights: &[f64]) -> Vec<f64> {
    let mut blocks: Vec<(f64, f64, usize)> = Vec::with_capacity(values.len()); // Σwv, Σw, length
    for (value, weight) in values.iter().zip(weights) {
        blocks.push((value * weight, *weight, 1));
        while let [.., before, last] = blocks.as_slice() {
            if before.0 * last.1 < last.0 * before.1 {
                break;
            }
            let pooled = (before.0 + last.0, before.1 + last.1, before.2 + last.2);
            blocks.truncate(blocks.len() - 2);
            blocks.push(pooled);
        }
    }
    blocks.into_iter().flat_map(|(sum, weight, length)| vec![sum / weight; length]).collect()
}

/// Ends of intervals in the order in which they close and open: at one age an exact life opens,
/// then intervals close, then those open that begin after it.
#[derive(Clone, Copy, PartialEq, PartialOrd)]
enum End {
    OpensAt = 0,
    Closes = 1,
    OpensAfter = 2,
}

/// The search for the masses of the innermost intervals.
struct Search {
    cells: Vec<(f64, f64)>,
    /// First cell, one past the last cell, count: what each distinct life covers.
    spans: Vec<(usize, usize, f64)>,
    count: f64,
}

impl Search {
    fn new(lives: &[Life]) -> Self {
        let ends: Vec<_> = tally(lives)
            .into_iter()
            .map(|(life, count)| {
                let (opens, closes) = match life.end() {
                    LifeEnd::InService { age } => ((age, End::OpensAfter), f64::INFINITY),
                    LifeEnd::Failed { age } => ((age, End::OpensAt), age),
                    LifeEnd::FailedBetween { after, by } => ((after, End::OpensAfter), by),
                };
                (opens, (closes, End::Closes), count)
            })
            .collect();
        let mut points: Vec<(f64, End)> =
            ends.iter().flat_map(|(opens, closes, _)| [*opens, *closes]).collect();
        points.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then((a.1 as u8).cmp(&(b.1 as u8))));
        points.dedup();
        let innermost: Vec<[(f64, End); 2]> = points
            .windows(2)
            .filter(|pair| pair[0].1 != End::Closes && pair[1].1 == End::Closes)
            .map(|pair| [pair[0], pair[1]])
            .collect();
        let spans = ends
            .into_iter()
            .map(|(opens, closes, count)| {
                let first = innermost.partition_point(|cell| cell[0] < opens);
                let past = innermost.partition_point(|cell| cell[1] <= closes);
                (first, past, count)
            })
            .collect();
        let cells = innermost.into_iter().map(|[opens, closes]| (opens.0, closes.0)).collect();
        Self { cells, spans, count: lives.len() as f64 }
    }

    /// Masses before each cell, and all of it at the end, from the masses.
    fn cumulate(masses: &[f64]) -> Vec<f64> {
        let mut before = Vec::with_capacity(masses.len() + 1);
        before.push(0.0);
        let mut sum = 0.0;
        for mass in masses {
            sum += mass;
            before.push(sum);
        }
        before
    }

    fn log_likelihood(&self, before: &[f64]) -> f64 {
        self.spans.iter().map(|&(first, past, n)| n * (before[past] - before[first]).ln()).sum()
    }

    /// For each cell the derivative of the log-likelihood by its mass; at the answer none is
    /// above the number of lives (Gentleman and Geyer 1994, Biometrika 81:618-623).
    fn gradient(&self, before: &[f64]) -> Vec<f64> {
        let mut change = vec![0.0; self.cells.len() + 1];
        for &(first, past, count) in &self.spans {
            let share = count / (before[past] - before[first]);
            change[first] += share;
            change[past] -= share;
        }
        let mut sum = 0.0;
        change.pop();
        for value in &mut change {
            sum += *value;
            *value = sum;
        }
        change
    }

    fn solve(&self) -> IntervalCurve {
        let cells = self.cells.len();
        let mut masses = vec![1.0 / cells as f64; cells];
        let mut still = 0;
        for _ in 0..20_000 {
            let gradient = self.gradient(&Self::cumulate(&masses));
            let gain = gradient.iter().copied().fold(0.0, f64::max) / self.count - 1.0;
            if gain <= 1e-12 {
                break;
            }
            let mut next: Vec<f64> =
                masses.iter().zip(&gradient).map(|(mass, g)| mass * g / self.count).collect();
            self.step_to_minorant(&mut next);
            let moved = next.iter().zip(&masses).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            masses = next;
            still = if moved < 1e-13 { still + 1 } else { 0 };
            if still > 5 {
                break;
            }
        }
        self.curve(&masses)
    }

    /// One step of the iterative convex minorant, halved until the likelihood rises; none where
    /// it does not.
    fn step_to_minorant(&self, masses: &mut [f64]) {
        let cells = masses.len();
        let before = Self::cumulate(masses);
        let total = before[cells];
        let (mut slope, mut curvature) = (vec![0.0; cells + 1], vec![0.0; cells + 1]);
        for &(first, past, count) in &self.spans {
            let probability = before[past] - before[first];
            let (share, bend) = (count / probability, count / (probability * probability));
            slope[past] += share;
            slope[first] -= share;
            curvature[past] += bend;
            curvature[first] += bend;
        }
        // Every cell but the last ends where some life's interval ends, so `curvature` is above 0.
        let targets: Vec<f64> = (1..cells).map(|k| before[k] + slope[k] / curvature[k]).collect();
        let wanted = rising(&targets, &curvature[1..cells]);
        let reached = self.log_likelihood(&before);
        let mut share = 1.0;
        while share > 1e-4 {
            let mut next = before.clone();
            for (k, target) in wanted.iter().enumerate() {
                next[k + 1] += share * (target.clamp(0.0, total) - before[k + 1]);
            }
            if self.log_likelihood(&next) > reached {
                for (k, mass) in masses.iter_mut().enumerate() {
                    *mass = (next[k + 1] - next[k]).max(0.0);
                }
                return;
            }
            share *= 0.5;
        }
    }

    fn curve(&self, masses: &[f64]) -> IntervalCurve {
        // Crumbs that rounding leaves in empty cells are no mass.
        let kept = |mass: f64| if mass > 1e-9 { mass } else { 0.0 };
        let total: f64 = masses.iter().copied().map(kept).sum();
        let mut curve = IntervalCurve {
            log_likelihood: self.log_likelihood(&Self::cumulate(masses)),
            ..IntervalCurve::default()
        };
        let mut failed = 0.0;
        for (&(after, upto), mass) in self.cells.iter().zip(masses) {
            let mass = kept(*mass) / total;
            if mass > 0.0 {
                let upto = upto.is_finite().then_some(upto);
                failed += mass;
                curve.cells.push(MassCell { after, upto, mass });
                if let Some(age) = upto {
                    curve.survival.push((age, (1.0 - failed).max(0.0)));
                }
            }
        }
        // With no mass left the last value is 0, whatever the sum's rounding.
        if let (Some(last), Some(cell)) = (curve.survival.last_mut(), curve.cells.last())
            && cell.upto.is_some()
        {
            last.1 = 0.0;
        }
        curve
    }
}
