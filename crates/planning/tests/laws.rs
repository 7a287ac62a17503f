//! Laws that hold whatever the instance, and special cases whose answer others have proven.
#![allow(clippy::unwrap_used, reason = "a test may panic, helpers included")]

#[path = "support/shared.rs"]
mod support;

use std::collections::BTreeMap;
use std::io::Write;
use std::process::Command;

use planning::{Bay, Hinge, Instance, Mode, Pool, Skill, Visit, evaluate};
use proptest::prelude::{ProptestConfig, Strategy, any};
use proptest::{prop_assert, prop_assert_eq, proptest};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rstest::rstest;
use support::{checked, instance, small, solved};

/// HiGHS (Huangfu and Hall, 2018, Mathematical Programming Computation 10, 119-142) on the
/// time-indexed model of `solve_ref.py`.
#[test]
fn small_plans_cost_what_a_mixed_integer_solver_proves() {
    let reference = support::data().join("solve_ref.py");
    let there = Command::new("python3").args(["-c", "import highspy, numpy"]).output();
    if !there.is_ok_and(|output| output.status.success()) {
        eprintln!(
            "NOT HELD AGAINST A MIXED-INTEGER SOLVER: python3 with highspy and numpy is not installed"
        );
        return;
    }
    let mut left_out = 0;
    for seed in 0..20 {
        let instance = small(seed);
        let folder = tempfile::tempdir().unwrap();
        let (file, out) = (folder.path().join("instance.json"), folder.path().join("plan.json"));
        std::fs::File::create(&file)
            .unwrap()
            .write_all(&serde_json::to_vec(&instance).unwrap())
            .unwrap();
        let run = Command::new("python3")
            .arg(&reference)
            .arg(&file)
            .args(["60", "highs"])
            .arg(&out)
            .arg("threads=1")
            .output()
            .unwrap();
        assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
        let proven: serde_json::Value =
            serde_json::from_slice(&std::fs::read(&out).unwrap()).unwrap();
        let plan = solved(&instance, 150_000, 1).plan;
        checked(&instance, &plan);
        assert_eq!(Some(plan.objective), proven["objective"].as_i64(), "seed {seed}");
        assert!(plan.bound.is_some_and(|bound| bound <= plan.objective));
        left_out += plan.unplanned.len();
    }
    assert!(left_out > 0, "some of them must be too tight");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn plans_hold_and_bounds_stay_below(seed in any::<u64>()) {
        let instance = small(seed);
        let plan = solved(&instance, 40_000, seed).plan;
        prop_assert_eq!(evaluate(&instance, &plan).map(|counted| counted.objective), Ok(plan.objective));
        prop_assert!(plan.bound.is_some_and(|bound| bound <= plan.objective));
    }

    /// What relieves never makes the optimum worse than the bound says: the bound of the relieved
    /// instance stays below the plan of the tight one.
    #[test]
    fn more_of_anything_never_raises_the_bound_above_the_tighter_plan(seed in any::<u64>(), kind in 0..4_usize) {
        let tight = small(seed);
        let mut roomy = tight.clone();
        match kind {
            0 => roomy.skills.iter_mut().for_each(|skill| {
                skill.day_minutes.iter_mut().for_each(|minutes| *minutes += 60);
                skill.week_minutes.iter_mut().for_each(|minutes| *minutes += 120);
            }),
            1 => roomy.bays[0].count.iter_mut().for_each(|count| *count += 1),
            2 => roomy.kits[0].receipts.iter_mut().for_each(|receipt| receipt.day = receipt.day.min(1)),
            _ => roomy.visits.iter_mut().for_each(|visit| visit.deadline = visit.deadline.map(|day| day + 2)),
        }
        let tight_plan = solved(&tight, 40_000, 1).plan;
        let roomy_plan = solved(&roomy, 40_000, 1).plan;
        prop_assert!(roomy_plan.bound <= Some(tight_plan.objective));
        // The tighter plan holds in the roomier world, so starting from it is never worse.
        let again = support::solved_from(&roomy, Some(&tight_plan), 20_000, 1, support::watch_of_work()).plan;
        prop_assert!(again.objective <= tight_plan.objective);
    }

    #[test]
    fn the_order_of_the_input_changes_nothing_but_ties(seed in any::<u64>(), turn in 1..6_usize) {
        let instance = small(seed);
        let mut turned = instance.clone();
        let by = turn % turned.visits.len();
        turned.visits.rotate_left(by);
        turned.skills.reverse();
        let (one, two) = (solved(&instance, 120_000, 1).plan, solved(&turned, 120_000, 1).plan);
        prop_assert_eq!(one.objective, two.objective);
    }

    /// The capacity-only special case: equal days of one skill, every job done. A plan within `d`
    /// days exists for certain where longest-processing-time-first needs no more (Graham, 1969, SIAM
    /// J. Appl. Math. 17, 416-429: at most 4/3 − 1/(3m) of the optimum), and by list scheduling
    /// where the sum of all minutes over `m` plus the longest fits (Graham, 1966, Bell System Tech.
    /// J. 45, 1563-1581). Days are the machines, their minutes the makespan.
    #[test]
    fn everything_fits_where_grahams_bounds_say_so(minutes in jobs(), days in 2..6_usize) {
        let (sum, longest) = (minutes.iter().sum::<i64>(), minutes.iter().max().copied().unwrap_or(0));
        let machines = days as i64;
        let by_list = sum / machines + longest;
        let mut loads = vec![0_i64; days];
        let mut sorted = minutes.clone();
        sorted.sort_unstable_by(|a, b| b.cmp(a));
        for job in sorted {
            loads.sort_unstable();
            loads[0] += job;
        }
        let by_longest_first = loads.into_iter().max().unwrap_or(0);
        for makespan in [by_list, by_longest_first] {
            let instance = days_as_machines(&minutes, days, makespan);
            let plan = solved(&instance, 40_000, 1).plan;
            prop_assert_eq!(plan.unplanned.len(), 0);
        }
        // Shorter than Graham's guarantee allows the optimum to be, something stays undone.
        let impossible = (3 * machines * by_longest_first - 1) / (4 * machines - 1);
        let instance = days_as_machines(&minutes, days, impossible);
        prop_assert!(!solved(&instance, 20_000, 1).plan.unplanned.is_empty());
    }
}

fn jobs() -> impl Strategy<Value = Vec<i64>> {
    proptest::collection::vec(1..100_i64, 3..12)
}

/// Jobs on identical days of one skill; leaving one out costs what nothing else does.
fn days_as_machines(minutes: &[i64], days: usize, makespan: i64) -> Instance {
    let visits = minutes
        .iter()
        .enumerate()
        .map(|(number, &minutes)| one_day(number, minutes, &[]))
        .collect();
    Instance {
        name: "machines".into(),
        days,
        open: vec![1; days],
        weeks: vec![0; days],
        skills: vec![Skill {
            id: "technician".into(),
            day_minutes: vec![makespan; days],
            week_minutes: vec![makespan * days as i64],
            week_overtime: vec![0],
            overtime_cost: 0,
        }],
        bays: vec![Bay { id: "bench".into(), count: vec![minutes.len() as i64; days] }],
        kits: Vec::new(),
        pools: vec![Pool {
            id: "pool".into(),
            fleet: vec![100; days],
            minimum: vec![0; days],
            ..Pool::default()
        }],
        visits,
    }
}

/// A visit of a day whose cost by day is given by hinges.
fn one_day(number: usize, minutes: i64, hinges: &[Hinge]) -> Visit {
    let mode = Mode {
        id: "service".into(),
        minutes: BTreeMap::from([("technician".to_owned(), vec![minutes])]),
        bay: "bench".into(),
        length: 1,
        kits: BTreeMap::new(),
        cost: 0,
        out: true,
    };
    Visit {
        id: format!("v{number}"),
        engine: format!("e{number}"),
        pool: "pool".into(),
        modes: vec![mode],
        hinges: hinges.to_vec(),
        unplanned_cost: 1_000_000,
        ..Visit::default()
    }
}

/// The assignment special case: as many visits as days, one place a day. Optimum by the Hungarian
/// method (Kuhn, 1955, Naval Research Logistics Quarterly 2, 83-97), from a library.
#[rstest]
#[case(1)]
#[case(2)]
#[case(3)]
fn one_visit_a_day_is_an_assignment(#[case] seed: u64) {
    let mut draw = ChaCha8Rng::seed_from_u64(seed);
    let days = 12;
    let hinge = |draw: &mut ChaCha8Rng| Hinge {
        day: draw.random_range(0..12),
        before: draw.random_range(0..900),
        after: draw.random_range(0..900),
    };
    let visits: Vec<Visit> =
        (0..days).map(|number| one_day(number, 1, &[hinge(&mut draw), hinge(&mut draw)])).collect();
    let mut instance = days_as_machines(&vec![1; days], days, 1);
    let costs: Vec<i64> = visits
        .iter()
        .flat_map(|visit| {
            (0..days as i64).map(|day| visit.hinges.iter().map(|hinge| hinge.cost(day)).sum())
        })
        .collect();
    instance.visits = visits;
    let matrix = pathfinding::matrix::Matrix::from_vec(days, days, costs).unwrap();
    let (optimum, _) = pathfinding::kuhn_munkres::kuhn_munkres_min(&matrix);
    let plan = solved(&instance, 400_000, 1).plan;
    checked(&instance, &plan);
    assert_eq!(plan.objective, optimum);
    // Assignment has no gap: its relaxation is whole.
    assert!(plan.bound.is_some_and(|bound| optimum - bound <= optimum / 500));
}

/// The bin-packing special case: days are bins. Fewer bins than the lower bound L2 (Martello and
/// Toth, 1990, Discrete Applied Mathematics 28, 59-70) can never hold everything; with the optimum
/// of the example, found by first-fit decreasing meeting L2, everything is planned.
#[rstest]
#[case::halves_and_more(&[60, 55, 51, 51, 40, 30, 20, 20, 10], 100)]
#[case::three_to_a_bin(&[35, 34, 33, 33, 33, 32, 31, 30, 30], 100)]
#[case::no_two_together(&[51, 52, 53, 54, 60, 70], 100)]
fn bins_hold_what_martello_and_toth_allow(#[case] sizes: &[i64], #[case] bin: i64) {
    let least = martello_toth_l2(sizes, bin);
    let first_fit = first_fit_decreasing(sizes, bin);
    assert_eq!(least, first_fit, "the example is meant to be one where both meet");
    let enough = days_as_machines(sizes, first_fit, bin);
    assert_eq!(solved(&enough, 200_000, 1).plan.unplanned.len(), 0);
    let too_few = days_as_machines(sizes, least - 1, bin);
    let plan = solved(&too_few, 60_000, 1).plan;
    checked(&too_few, &plan);
    assert!(!plan.unplanned.is_empty());
}

/// `L2 = max over 0 ≤ K ≤ C/2 of |J1| + |J2| + max(0, ⌈(Σ J3 − (|J2|·C − Σ J2)) / C⌉)` with J1 the items
/// above C − K, J2 those above C/2 up to C − K, J3 those from K to C/2.
fn martello_toth_l2(sizes: &[i64], bin: i64) -> usize {
    let bound = |limit: i64| {
        let (mut first, mut second, mut second_sum, mut third_sum) = (0, 0, 0, 0);
        for &size in sizes {
            if size > bin - limit {
                first += 1;
            } else if 2 * size > bin {
                second += 1;
                second_sum += size;
            } else if size >= limit {
                third_sum += size;
            }
        }
        let spill = third_sum - (second * bin - second_sum);
        (first + second + (spill.max(0) + bin - 1) / bin) as usize
    };
    (0..=bin / 2).map(bound).max().unwrap_or(0)
}

fn first_fit_decreasing(sizes: &[i64], bin: i64) -> usize {
    let mut sorted = sizes.to_vec();
    sorted.sort_unstable_by(|a, b| b.cmp(a));
    let mut bins: Vec<i64> = Vec::new();
    for size in sorted {
        match bins.iter_mut().find(|used| **used + size <= bin) {
            Some(used) => *used += size,
            None => bins.push(size),
        }
    }
    bins.len()
}

#[test]
fn an_earlier_receipt_is_used() {
    let late = instance("X-parts");
    let mut early = late.clone();
    for kit in &mut early.kits {
        kit.receipts.iter_mut().for_each(|receipt| receipt.day = (receipt.day - 45).max(0));
    }
    let before = solved(&late, 300_000, 1).plan;
    let after =
        support::solved_from(&early, Some(&before), 300_000, 1, support::watch_of_work()).plan;
    assert!(after.objective < before.objective);
    assert!(after.bound <= Some(before.objective));
}
