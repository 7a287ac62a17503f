//! Plans of the public instances, judged by a checker that shares nothing with this crate, and by
//! objectives that mixed-integer solvers have proven (`tests/data/planner/README.md`).
#![allow(clippy::unwrap_used, reason = "a test may panic, helpers included")]

#[path = "support/shared.rs"]
mod support;

use planning::{Instance, Plan};
use rstest::rstest;
use support::{best_known, checked, instance, proven, solved};

/// `optima.json`: proven by HiGHS 1.16 or CP-SAT 9.15.
#[rstest]
#[case::worked_example("micro", 20_000)]
#[case::winter_of_twenty("S", 10_000_000)]
#[case::season_of_forty("R-S", 8_000_000)]
#[case::pools_that_cannot_be_kept("X-pool", 3_000_000)]
fn a_proven_optimum_is_met(#[case] name: &str, #[case] work: u64) {
    let instance = instance(name);
    let plan = solved(&instance, work, 1).plan;
    checked(&instance, &plan);
    assert_eq!(plan.objective, proven(name));
}

#[rstest]
#[case::winter_of_two_hundred("M")]
#[case::season_of_a_hundred_and_fifty("R-M")]
#[case::too_few_hands("X-technician")]
#[case::kits_that_never_come("X-parts")]
fn an_early_plan_holds_with_its_reasons_and_its_bound(#[case] name: &str) {
    let instance = instance(name);
    let plan = solved(&instance, 300_000, 7).plan;
    checked(&instance, &plan);
    assert!(plan.bound.is_some_and(|bound| bound <= plan.objective));
}

/// A rotation of many short stays is searched by moves that may use more than there is: nothing of
/// that may be left in its plan, and it costs no more than the best that `optima.json` knows.
#[test]
fn a_plan_that_was_searched_loosely_holds_and_is_no_dearer_than_the_best_known() {
    let instance = instance("R-L");
    let (one, two) = (solved(&instance, 30_000_000, 2), solved(&instance, 30_000_000, 2));
    checked(&instance, &one.plan);
    assert!(one.plan.objective <= best_known("R-L"), "{}", one.plan.objective);
    assert_eq!(one.plan, two.plan);
}

#[test]
fn a_run_is_the_same_for_the_same_seed_and_work() {
    let instance = instance("X-parts");
    let (one, two) = (solved(&instance, 200_000, 3), solved(&instance, 200_000, 3));
    assert_eq!(one.plan, two.plan);
    assert_eq!(one.certificate, two.certificate);
    assert_eq!(one.work, two.work);
}

#[test]
fn threads_do_not_change_a_run() {
    let instance = instance("R-S");
    let pool = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| solved(&instance, 150_000, 5).plan)
    };
    assert_eq!(pool(1), pool(3));
}

#[test]
fn a_plan_to_start_from_is_never_made_worse() {
    let instance = instance("M");
    let first = solved(&instance, 400_000, 1).plan;
    let watch = support::watch_of_work();
    let again = support::solved_from(&instance, Some(&first), 100_000, 2, watch).plan;
    assert!(again.objective <= first.objective);
    checked(&instance, &again);
}

#[test]
fn a_plan_of_another_instance_is_used_as_far_as_it_fits() {
    let mut changed = instance("M");
    let first = solved(&changed, 300_000, 1).plan;
    // An engine is gone, a kit comes three weeks later, a day in February is closed.
    changed.visits.retain(|visit| visit.engine != "e17");
    changed.kits[0].receipts[1].day += 21;
    changed.open[100] = 0;
    let watch = support::watch_of_work();
    let again = support::solved_from(&changed, Some(&first), 100_000, 1, watch).plan;
    checked(&changed, &again);
}

#[test]
fn a_plan_that_is_locked_is_returned_as_it_is() {
    let mut locked = instance("S");
    let plan = solved(&locked, 200_000, 1).plan;
    for planned in &plan.visits {
        let visit = locked.visits.iter_mut().find(|visit| visit.id == planned.visit).unwrap();
        visit.modes.retain(|mode| mode.id == planned.mode);
        visit.published_day = Some(planned.day);
        visit.locked = true;
    }
    let again = solved(&locked, 50_000, 9).plan;
    assert_eq!(again.visits, plan.visits);
    assert_eq!(again.objective, plan.objective);
    checked(&locked, &again);
}

#[test]
fn an_instance_with_nothing_to_do_is_planned_at_once() {
    let mut idle = instance("micro");
    idle.visits.clear();
    let plan = solved(&idle, 10_000, 1).plan;
    assert_eq!((plan.objective, plan.bound), (0, Some(0)));
    checked(&idle, &plan);
}

#[test]
fn a_run_that_is_cancelled_returns_what_it_has() {
    let instance = instance("M");
    let watch = support::watch_that_cancels();
    let solution = support::solved_from(&instance, None, 100_000_000, 1, watch);
    assert_eq!(solution.stop, planning::Stop::Cancelled);
    assert!(solution.work < 1_000_000);
    checked(&instance, &solution.plan);
}

#[test]
fn progress_never_gets_worse() {
    let instance = instance("X-technician");
    let seen = support::progress_of(&instance, 400_000);
    assert!(seen.len() > 3);
    for pair in seen.windows(2) {
        assert!(pair[1].objective <= pair[0].objective);
        assert!(pair[1].bound >= pair[0].bound);
        assert!(pair[1].work >= pair[0].work);
    }
}

/// The search keeps its cost move by move and sets it back where it takes one back; the plan's is
/// reckoned anew at the end.
#[rstest]
#[case::winter("M")]
#[case::season("R-M")]
#[case::too_few_hands("X-technician")]
fn what_is_reported_is_what_the_plan_costs(#[case] name: &str) {
    let instance = instance(name);
    let mut last = None;
    let report: support::Report = Box::new(|progress, _| last = Some(progress.objective));
    let plan = support::solved_from(&instance, None, 1_000_000, 1, report).plan;
    assert_eq!(last, Some(plan.objective));
}

#[test]
fn a_written_plan_reads_back_the_same() {
    let instance = instance("X-parts");
    let plan = solved(&instance, 60_000, 1).plan;
    let text = serde_json::to_vec(&plan).unwrap();
    assert_eq!(Plan::from_json(&text), Ok(plan));
    let text = serde_json::to_vec(&instance).unwrap();
    assert_eq!(Instance::from_json(&text), Ok(instance));
}
