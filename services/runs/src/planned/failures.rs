//! Failures in use: what they take is unplanned demand, and they start an interval anew, so that
//! planned work comes later.
//!
//! Their rate goes by the hours run and by how far the interval has gone, so they follow the season
//! and the engines' ages, which the months of a bare history don't tell. Where a law of lives could
//! be fitted to what the task renews, the law says how the rate rises with age, and the yard's own
//! failures in each class correct it.

use std::collections::HashMap;

use fleet::id::{EngineId, TaskId};
use life::Weibull;
use rand::Rng;
use rand_distr::{Distribution, Gamma};

use super::past_steps::{Did, PastStep};
use super::shares::{CLASSES, Gone};

/// Hours run that a task's own mean rate counts for in each class (common practice, no source).
const STRENGTH_HOURS: f64 = 500.0;
/// Hours run that the law of lives counts for in each class (common practice, no source).
const LAW_STRENGTH_HOURS: f64 = 500.0;

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

/// What was seen of a task in one class.
#[derive(Clone, Copy, Debug, Default)]
struct Seen {
    failed: f64,
    ran: f64,
    /// The same where a law and the age at which to ask it are known.
    under_law: UnderLaw,
}

#[derive(Clone, Copy, Debug, Default)]
struct UnderLaw {
    failed: f64,
    ran: f64,
    /// Failures that the law expects.
    expected: f64,
}

impl UnderLaw {
    fn plus(self, other: Self) -> Self {
        Self {
            failed: self.failed + other.failed,
            ran: self.ran + other.ran,
            expected: self.expected + other.expected,
        }
    }
}

/// Failures in use of each task that has failed at least once; `law` knows how long what it renews
/// lasts on an engine, in hours run.
pub fn failing(
    steps: &[PastStep],
    law: impl Fn(EngineId, TaskId) -> Option<Weibull>,
) -> HashMap<TaskId, Failing> {
    let mut by_task: HashMap<TaskId, [Seen; CLASSES]> = HashMap::new();
    for step in steps {
        let seen = &mut by_task.entry(step.task).or_default()[class(step.gone)];
        let failed = f64::from(u8::from(step.did == Did::Failed));
        seen.failed += failed;
        seen.ran += step.ran;
        if let Some((age, law)) = step.age.zip(law(step.engine, step.task)) {
            let hazard = |age| law.cumulative_hazard(age);
            let expected = hazard(age + step.ran) - hazard(age);
            let one = UnderLaw { failed, ran: step.ran, expected };
            seen.under_law = seen.under_law.plus(one);
        }
    }
    let failing = by_task.into_iter().filter_map(|(task, seen)| Some((task, rates(&seen)?)));
    failing.collect()
}

fn rates(classes: &[Seen; CLASSES]) -> Option<Failing> {
    let (failed, ran) =
        classes.iter().fold((0.0, 0.0), |(failed, ran), it| (failed + it.failed, ran + it.ran));
    if failed == 0.0 || ran == 0.0 {
        return None;
    }
    let mean = failed / ran;
    let all = classes.iter().fold(UnderLaw::default(), |sum, it| sum.plus(it.under_law));
    // The law is asked for its shape; its height is the yard's own, drawn towards the law's as by
    // one failure.
    let height = (all.failed + 1.0) / (all.expected + 1.0);
    let rate = |seen: Seen| {
        let UnderLaw { ran, expected, .. } = seen.under_law;
        let (before, strength) = if ran > 0.0 && expected.is_finite() {
            (height * expected / ran, LAW_STRENGTH_HOURS)
        } else {
            (mean, STRENGTH_HOURS)
        };
        (seen.failed + strength * before) / (seen.ran + strength)
    };
    Some(Failing { rates: classes.map(rate), failed })
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
        let step = |task: TaskId, share: f64, did| PastStep {
            engine: EngineId(task.0),
            task,
            running: Running::Repeating,
            gone: Gone::of(Some(share), None),
            ashore: false,
            age: None,
            ran: 20.0,
            did,
        };
        let mut steps = vec![step(sound, 0.9, Did::Done); 50];
        for number in 0..100 {
            steps.push(step(worn, 0.2, Did::Nothing));
            steps.push(step(worn, 1.2, if number % 10 == 0 { Did::Failed } else { Did::Nothing }));
        }
        let failing = failing(&steps, |_, _| None);
        let worn = failing[&worn].rates;
        assert!(worn[0] < 0.0015 && worn[6] > 0.004, "{worn:?}");
        assert!(!failing.contains_key(&sound));
    }

    #[test]
    fn the_law_of_lives_says_how_the_rate_rises_where_the_yard_has_seen_little() {
        let task = TaskId::fresh();
        let step = |age: f64, did| PastStep {
            engine: EngineId(task.0),
            task,
            running: Running::Repeating,
            gone: Gone::of(Some(age / 100.0), None),
            ashore: false,
            age: Some(age),
            ran: 10.0,
            did,
        };
        // Two failures in 4,000 hours, both early: their own classes can't tell that it wears.
        let mut steps: Vec<PastStep> = (0..200).map(|_| step(20.0, Did::Nothing)).collect();
        steps.extend((0..200).map(|_| step(120.0, Did::Nothing)));
        steps[0].did = Did::Failed;
        steps[1].did = Did::Failed;
        let wears = Weibull::new(3.0, 400.0).unwrap();
        let with = failing(&steps, |_, _| Some(wears))[&task].rates;
        let without = failing(&steps, |_, _| None)[&task].rates;
        let (young, old) = (class(steps[0].gone), class(steps[399].gone));
        assert!(with[old] / with[young] > without[old] / without[young], "{with:?} {without:?}");
        // The law's hazard is (age/scale)² · 3/scale; its height is drawn to two failures seen where
        // it expects the sum below.
        let hazard = |age: f64| wears.cumulative_hazard(age + 10.0) - wears.cumulative_hazard(age);
        let height = 3.0 / (200.0 * (hazard(20.0) + hazard(120.0)) + 1.0);
        let before = height * hazard(120.0) / 10.0;
        let expected = LAW_STRENGTH_HOURS * before / (2_000.0 + LAW_STRENGTH_HOURS);
        assert!((with[old] - expected).abs() < 1e-12, "{} {expected}", with[old]);
    }
}
