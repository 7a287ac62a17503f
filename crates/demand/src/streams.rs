//! The two streams that follow from planned work: what tasks use, and what is found on the way.
//!
//! All tasks are run through the horizon together, path by path: an engine's next due month is
//! drawn from its due distribution and renewed by its interval; each occurrence uses its parts and
//! opens its accesses; each opening shows each finding with a probability that is itself drawn
//! once a path from what was seen so far. So parts of one kit move together, and not knowing a
//! probability widens the sum over many engines (beta-binomial; Skellam 1948, J. Royal Statistical
//! Society B 10, 257-261). The third stream is a [`crate::forecast()`] of what is left of history.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Beta, Distribution};
use serde::{Deserialize, Serialize};
use statrs::function::beta::ln_beta;
use statrs::function::factorial::ln_binomial;

use crate::error::DemandError;
use crate::forecast::Request;
use crate::month::Month;
use crate::paths::SamplePaths;

/// A task of one engine, and when it falls due.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlannedTask {
    /// Probability that the next due falls in each month ahead; what is missing to 1 lies beyond.
    pub due: Vec<f64>,
    /// Probability of each number of months from one due to the next: `repeats[0]` is one month.
    /// Empty: not repeated inside the horizon; what is missing to 1 lies beyond.
    pub repeats: Vec<f64>,
    /// Places of the parts used, and how many.
    pub parts: Vec<(usize, f64)>,
    /// Places of the accesses opened, in whatever list [`FindingRate::access`] counts in.
    pub accesses: Vec<usize>,
}

/// A finding behind an access, and the part it then takes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FindingRate {
    pub access: usize,
    /// Place of the part.
    pub part: usize,
    pub quantity: f64,
    /// Times the access was opened so far, and times the finding was there.
    pub opened: u32,
    pub found: u32,
    /// What findings of its kind suggest before any opening; see [`Prior::of_kind`].
    pub prior: Prior,
}

/// A beta law of a probability.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Prior {
    pub yes: f64,
    pub no: f64,
}

impl Prior {
    /// Jeffreys' prior: says nothing.
    pub const NONE: Self = Self { yes: 0.5, no: 0.5 };

    /// The law of probabilities of a kind, from `(opened, found)` of several; [`Self::NONE`] where
    /// there are too few, or they differ no more than chance makes them.
    ///
    /// By the moments of the shares (Kleinman 1973, J. American Statistical Association 68, 46-54).
    pub fn of_kind(counts: &[(u32, u32)]) -> Self {
        let known: Vec<(f64, f64)> = counts
            .iter()
            .filter(|(opened, _)| *opened > 0)
            .map(|&(opened, found)| (f64::from(opened), f64::from(found.min(opened))))
            .collect();
        let opened: f64 = known.iter().map(|(opened, _)| opened).sum();
        if known.len() < 3 || opened < 20.0 {
            return Self::NONE;
        }
        let mean = (known.iter().map(|(_, found)| found).sum::<f64>() + 0.5) / (opened + 1.0);
        let chance = mean * (1.0 - mean);
        let squares: f64 =
            known.iter().map(|(n, found)| n * (found / n - mean).powi(2)).sum::<f64>();
        let spare = known.len() as f64 - 1.0;
        let weights = opened - known.iter().map(|(n, _)| n * n).sum::<f64>() / opened;
        // Share of the variance that lies between kinds, bounded: few counts can't pin it down.
        let between =
            ((squares - spare * chance) / (chance * (weights - spare).max(1.0))).clamp(0.01, 0.5);
        let strength = 1.0 / between - 1.0;
        Self { yes: mean * strength, no: (1.0 - mean) * strength }
    }
}

/// Probability of `found` findings in `openings`, after `seen` of `opened` under `prior`.
///
/// ```text
/// P(k) = C(n, k) · B(k + a, n − k + b) / B(a, b);  a = yes + seen, b = no + opened − seen
/// ```
///
/// 0 where more are found than opened.
pub fn finding_probability(
    prior: Prior,
    (opened, seen): (u32, u32),
    openings: u32,
    found: u32,
) -> f64 {
    if found > openings || seen > opened {
        return 0.0;
    }
    let (a, b) = (prior.yes + f64::from(seen), prior.no + f64::from(opened - seen));
    let (n, k) = (f64::from(openings), f64::from(found));
    (ln_binomial(openings.into(), found.into()) + ln_beta(k + a, n - k + b) - ln_beta(a, b)).exp()
}

/// Paths of one part by stream, all of one shape: path n of each happens together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Streams {
    pub planned: SamplePaths,
    pub on_finding: SamplePaths,
    pub unplanned: SamplePaths,
}

/// How much of a month's expected quantity comes from where.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MonthExplained {
    pub month: Month,
    pub planned: f64,
    pub on_finding: f64,
    pub unplanned: f64,
}

impl Streams {
    /// All three together.
    pub fn total(&self) -> SamplePaths {
        let mut total = self.planned.clone();
        total.add(&self.on_finding);
        total.add(&self.unplanned);
        total
    }

    /// Expected quantities by month and stream; `first` is the first month ahead.
    pub fn explain(&self, first: Month) -> Vec<MonthExplained> {
        (0..self.planned.months())
            .map(|ahead| MonthExplained {
                month: first.plus(ahead as i32),
                planned: self.planned.mean(ahead),
                on_finding: self.on_finding.mean(ahead),
                unplanned: self.unplanned.mean(ahead),
            })
            .collect()
    }
}

/// How a month's expected quantity moved between two runs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MonthChange {
    pub month: Month,
    pub before: MonthExplained,
    pub now: MonthExplained,
}

/// Months that both runs forecast, side by side.
pub fn changes(before: &[MonthExplained], now: &[MonthExplained]) -> Vec<MonthChange> {
    now.iter()
        .filter_map(|&now| {
            let before = *before.iter().find(|before| before.month == now.month)?;
            Some(MonthChange { month: now.month, before, now })
        })
        .collect()
}

/// Paths of the planned and the on-finding stream of each of `parts` parts, in that order.
///
/// Cost: tasks × paths × occurrences. Draws hang on seed and path alone.
///
/// # Errors
/// A probability outside 0 to 1, or a due distribution above 1 in all; a place that is not there.
pub fn simulate_tasks(
    tasks: &[PlannedTask],
    findings: &[FindingRate],
    parts: usize,
    request: &Request,
) -> Result<Vec<(SamplePaths, SamplePaths)>, DemandError> {
    request.check()?;
    check(tasks, findings, parts)?;
    let size = request.months * request.paths;
    let mut planned = vec![vec![0.0_f32; size]; parts];
    let mut found = vec![vec![0.0_f32; size]; parts];
    let accesses = findings.iter().map(|finding| finding.access + 1).max().unwrap_or(0);
    let mut behind: Vec<Vec<usize>> = vec![Vec::new(); accesses];
    for (place, finding) in findings.iter().enumerate() {
        behind[finding.access].push(place);
    }
    for path in 0..request.paths {
        let mut random = ChaCha8Rng::seed_from_u64(request.seed);
        random.set_stream((1 << 41) + path as u64);
        let probabilities: Vec<f64> =
            findings.iter().map(|finding| draw_probability(finding, &mut random)).collect();
        for task in tasks {
            let mut month = draw_month(&task.due, &mut random);
            while let Some(ahead) = month.filter(|&ahead| ahead < request.months) {
                let place = path * request.months + ahead;
                for &(part, quantity) in &task.parts {
                    planned[part][place] += quantity as f32;
                }
                let opened = task.accesses.iter().filter_map(|&access| behind.get(access));
                for &finding in opened.flatten() {
                    if random.random::<f64>() < probabilities[finding] {
                        let FindingRate { part, quantity, .. } = findings[finding];
                        found[part][place] += quantity as f32;
                    }
                }
                month = draw_month(&task.repeats, &mut random).map(|gap| ahead + gap + 1);
            }
        }
    }
    let pairs = planned.into_iter().zip(found);
    let of = |values| SamplePaths::new(request.months, values);
    Ok(pairs.map(|(planned, found)| (of(planned), of(found))).collect())
}

/// A month by its probabilities; `None`: beyond them.
fn draw_month(probabilities: &[f64], random: &mut ChaCha8Rng) -> Option<usize> {
    let mut left: f64 = random.random();
    probabilities.iter().position(|probability| {
        left -= probability;
        left < 0.0
    })
}

fn draw_probability(finding: &FindingRate, random: &mut ChaCha8Rng) -> f64 {
    let yes = finding.prior.yes + f64::from(finding.found);
    let no = finding.prior.no + f64::from(finding.opened - finding.found);
    // The shapes are above 0 by the check; a law that can't be built is its mean.
    Beta::new(yes, no).map_or(yes / (yes + no), |law| law.sample(random))
}

fn check(tasks: &[PlannedTask], findings: &[FindingRate], parts: usize) -> Result<(), DemandError> {
    let refuse = |what: &str, given| Err(DemandError::Probability { what: what.to_owned(), given });
    let missing = |part| DemandError::Place { what: "part", given: part, count: parts };
    let bad = |quantity: f64| !quantity.is_finite() || quantity < 0.0;
    for task in tasks {
        for (what, law) in [("due month", &task.due), ("repeat", &task.repeats)] {
            if let Some(&given) = law.iter().find(|given| !(0.0..=1.0).contains(*given)) {
                return refuse(what, given);
            }
            let sum: f64 = law.iter().sum();
            if sum > 1.0 + 1e-6 {
                return refuse(what, sum);
            }
        }
        for &(part, quantity) in &task.parts {
            if part >= parts {
                return Err(missing(part));
            }
            if bad(quantity) {
                return Err(DemandError::TaskQuantity { given: quantity });
            }
        }
    }
    for finding in findings {
        if finding.part >= parts {
            return Err(missing(finding.part));
        }
        if bad(finding.quantity) {
            return Err(DemandError::TaskQuantity { given: finding.quantity });
        }
        if finding.found > finding.opened {
            return refuse("finding", f64::from(finding.found) / f64::from(finding.opened.max(1)));
        }
        for shape in [finding.prior.yes, finding.prior.no] {
            if !shape.is_finite() || shape <= 0.0 {
                return refuse("prior of a finding", shape);
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::{FindingRate, PlannedTask, Prior, changes, finding_probability, simulate_tasks};
    use crate::forecast::Request;

    /// Constructed instance, figures by scipy's `betabinom` and quadrature: prior Beta(0.5, 0.5),
    /// 2 of 20 seen, next 5. Skellam (1948).
    #[test]
    fn findings_in_five_openings_are_as_computed_elsewhere() {
        let printed =
            [0.561125644, 0.311736469, 0.101495595, 0.022279521, 0.003141984, 0.000220788];
        for (found, printed) in printed.into_iter().enumerate() {
            let our = finding_probability(Prior::NONE, (20, 2), 5, found as u32);
            assert!((our - printed).abs() < 1e-9, "{found}: {our} {printed}");
        }
    }

    /// Prior Beta(1, 1), 1 of 4 seen, next 2: 10/21, 8/21, 3/21 exactly.
    #[test]
    fn a_uniform_prior_gives_the_exact_fractions() {
        let uniform = Prior { yes: 1.0, no: 1.0 };
        for (found, over_21) in [10.0, 8.0, 3.0].into_iter().enumerate() {
            let our = finding_probability(uniform, (4, 1), 2, found as u32);
            assert!((our - over_21 / 21.0).abs() < 1e-12, "{found}: {our}");
        }
    }

    fn request(months: usize) -> Request {
        Request { months, paths: 4_000, seed: 7 }
    }

    /// Five gearcases surely opened next month: the number of worn seals is the beta-binomial of
    /// the first test. Four standard errors of 4,000 paths.
    #[test]
    fn simulated_findings_follow_the_closed_form() {
        let task = PlannedTask { due: vec![1.0], accesses: vec![0], ..PlannedTask::default() };
        let finding = FindingRate {
            access: 0,
            part: 0,
            quantity: 1.0,
            opened: 20,
            found: 2,
            prior: Prior::NONE,
        };
        let streams = simulate_tasks(&vec![task; 5], &[finding], 1, &request(1)).unwrap();
        let (planned, found) = &streams[0];
        assert!(planned.values().iter().all(|value| *value == 0.0));
        for count in 0..=5_u32 {
            let share =
                found.values().iter().filter(|v| **v == count as f32).count() as f64 / 4_000.0;
            let exact = finding_probability(Prior::NONE, (20, 2), 5, count);
            let error = (exact * (1.0 - exact) / 4_000.0).sqrt();
            assert!((share - exact).abs() < 4.0 * error + 1e-3, "{count}: {share} {exact}");
        }
    }

    /// Due in month 0 or 1 with equal chance, then every two months: months 0, 2, 4 or 1, 3, 5.
    #[test]
    fn renewals_inside_the_horizon_are_included() {
        let task = PlannedTask {
            due: vec![0.5, 0.5],
            repeats: vec![0.0, 1.0],
            parts: vec![(0, 2.0)],
            accesses: Vec::new(),
        };
        let streams = simulate_tasks(&[task], &[], 1, &request(6)).unwrap();
        assert!(streams[0].0.sums(6).iter().all(|sum| *sum == 6.0));
        assert!((streams[0].0.mean(4) - 1.0).abs() < 0.1);
    }

    #[test]
    fn a_due_distribution_above_one_and_a_finding_above_its_openings_are_refused() {
        let rule = |task: PlannedTask, finding: FindingRate| {
            let streams = simulate_tasks(&[task], &[finding], 1, &request(2));
            streams.map(|streams| streams.len()).map_err(|error| error.rule())
        };
        let task = |due: &[f64]| PlannedTask { due: due.to_vec(), ..PlannedTask::default() };
        let finding = |part, found| FindingRate {
            access: 0,
            part,
            quantity: 1.0,
            opened: 3,
            found,
            prior: Prior::NONE,
        };
        assert_eq!(rule(task(&[0.5, 0.5]), finding(0, 3)), Ok(1));
        assert_eq!(rule(task(&[0.5, 0.6]), finding(0, 3)), Err("probability-range"));
        assert_eq!(rule(task(&[-0.1]), finding(0, 3)), Err("probability-range"));
        assert_eq!(rule(task(&[0.5]), finding(0, 4)), Err("probability-range"));
        assert_eq!(rule(task(&[0.5]), finding(1, 3)), Err("place-missing"));
    }

    #[test]
    fn kinds_that_differ_little_give_a_strong_prior_and_few_give_none() {
        let even = Prior::of_kind(&[(100, 10), (120, 12), (80, 8), (90, 9)]);
        assert!(even.yes / (even.yes + even.no) > 0.09 && even.yes + even.no > 50.0, "{even:?}");
        let uneven = Prior::of_kind(&[(100, 1), (120, 60), (80, 2), (90, 50)]);
        assert!(uneven.yes + uneven.no < 5.0, "{uneven:?}");
        assert_eq!(Prior::of_kind(&[(4, 1)]), Prior::NONE);
    }

    #[test]
    fn only_months_of_both_runs_are_compared() {
        let month = |text: &str| text.parse().unwrap();
        let explained = |text: &str, planned| super::MonthExplained {
            month: month(text),
            planned,
            on_finding: 0.0,
            unplanned: 0.0,
        };
        let before = [explained("2026-01", 1.0), explained("2026-02", 2.0)];
        let now = [explained("2026-02", 3.0), explained("2026-03", 4.0)];
        let changed = changes(&before, &now);
        assert_eq!(changed.len(), 1);
        assert_eq!((changed[0].before.planned, changed[0].now.planned), (2.0, 3.0));
    }
}
