//! Failures in use: what they take is unplanned demand, and they start an interval anew, so that
//! planned work comes later.
//!
//! Their rate goes by the hours run and by how far the interval has gone, so they follow the season
//! and the engines' ages, which the months of a bare history don't tell.

use std::collections::HashMap;

use fleet::id::TaskId;
use rand::Rng;
use rand_distr::{Distribution, Gamma};

use super::past_steps::{Did, PastStep};
use super::shares::{CLASSES, Gone};

/// Hours run that a task's own mean rate counts for in each class (common practice, no source).
const STRENGTH_HOURS: f64 = 500.0;

/// How often a task fails in use.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Failing {
    /// Failures an hour run, by the class of the limb that has gone farther.
    pub rates: [f64; CLASSES],
    /// Failures that they rest on.
    pub failed: f64,
}

impl Failing {
    /// How far the true rate may lie from the one seen, as a factor: the gamma law that so many
    /// failures leave it.
    pub fn leans(&self, random: &mut impl Rng) -> f64 {
        let shape = self.failed + 1.0;
        Gamma::new(shape, 1.0 / shape).map_or(1.0, |law| law.sample(random))
    }
}

/// Failures in use of each task that has failed at least once.
pub fn failing(steps: &[PastStep]) -> HashMap<TaskId, Failing> {
    #[derive(Clone, Copy, Default)]
    struct Sum {
        failed: f64,
        ran: f64,
    }
    let mut sums: HashMap<TaskId, [Sum; CLASSES]> = HashMap::new();
    for step in steps {
        let sum = &mut sums.entry(step.task).or_default()[class(step.gone)];
        sum.failed += f64::from(u8::from(step.did == Did::Failed));
        sum.ran += step.ran;
    }
    let failing = sums.into_iter().filter_map(|(task, sums)| {
        let (failed, ran) =
            sums.iter().fold((0.0, 0.0), |(failed, ran), sum| (failed + sum.failed, ran + sum.ran));
        (failed > 0.0 && ran > 0.0).then(|| {
            let mean = failed / ran;
            let rate = |sum: Sum| (sum.failed + STRENGTH_HOURS * mean) / (sum.ran + STRENGTH_HOURS);
            (task, Failing { rates: sums.map(rate), failed })
        })
    });
    failing.collect()
}

/// The class whose rate holds.
pub const fn class(gone: Gone) -> usize {
    gone.farther()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::planned::habits::Running;

    #[test]
    fn a_part_that_fails_late_has_a_rising_rate_and_one_that_never_failed_has_none() {
        let (worn, sound) = (TaskId::fresh(), TaskId::fresh());
        let step = |task, share: f64, did| PastStep {
            task,
            running: Running::Repeating,
            gone: Gone::of(Some(share), None),
            ashore: false,
            ran: 20.0,
            did,
        };
        let mut steps = vec![step(sound, 0.9, Did::Done); 50];
        for number in 0..100 {
            steps.push(step(worn, 0.2, Did::Nothing));
            steps.push(step(worn, 1.2, if number % 10 == 0 { Did::Failed } else { Did::Nothing }));
        }
        let failing = failing(&steps);
        let worn = failing[&worn].rates;
        assert!(worn[0] < 0.0015 && worn[6] > 0.004, "{worn:?}");
        assert!(!failing.contains_key(&sound));
    }
}
