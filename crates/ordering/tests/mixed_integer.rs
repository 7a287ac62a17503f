//! Lot sizes against a mixed-integer solver.
#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use ordering::LotProblem;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Twelve periods, some without demand, order and holding costs that differ by period.
fn random_problem(random: &mut ChaCha8Rng) -> LotProblem {
    let periods = random.random_range(4..13_usize);
    let demand = (0..periods)
        .map(|_| if random.random_bool(0.3) { 0 } else { random.random_range(1..90_u64) })
        .collect();
    let mut costs =
        |most: u32| (0..periods).map(|_| f64::from(random.random_range(0..most))).collect();
    let (setup, holding) = (costs(220), costs(5));
    LotProblem::new(demand, setup, holding).unwrap()
}

/// HiGHS (Huangfu and Hall, 2018, Mathematical Programming Computation 10, 119-142) on the model of
/// `support/lot_sizes.py`, which knows nothing of ordering only when nothing is left.
#[test]
fn lots_cost_what_a_mixed_integer_solver_proves() {
    let there = Command::new("python3").args(["-c", "import highspy, numpy"]).output();
    if !there.is_ok_and(|output| output.status.success()) {
        eprintln!(
            "NOT HELD AGAINST A MIXED-INTEGER SOLVER: python3 with highspy and numpy is not installed"
        );
        return;
    }
    let mut random = ChaCha8Rng::seed_from_u64(11);
    let problems: Vec<LotProblem> = (0..60).map(|_| random_problem(&mut random)).collect();
    let asked: Vec<serde_json::Value> = problems
        .iter()
        .map(
            |it| serde_json::json!({"demand": it.demand, "setup": it.setup, "holding": it.holding}),
        )
        .collect();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/support/lot_sizes.py");
    let out = std::env::temp_dir().join(format!("lot-sizes-{}.json", std::process::id()));
    let mut solver = Command::new("python3")
        .arg(script)
        .arg(&out)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let question = serde_json::to_vec(&asked).unwrap();
    solver.stdin.take().unwrap().write_all(&question).unwrap();
    assert!(solver.wait().unwrap().success());
    let proven: Vec<f64> = serde_json::from_slice(&std::fs::read(&out).unwrap()).unwrap();
    std::fs::remove_file(&out).unwrap();
    assert_eq!(proven.len(), problems.len());
    for (problem, proven) in problems.iter().zip(proven) {
        let plan = problem.cheapest();
        assert!((plan.cost - proven).abs() < 1e-5, "{problem:?}: {} {proven}", plan.cost);
    }
}
