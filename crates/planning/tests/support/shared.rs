//! What the tests of plans share: the public instances, the outside checker, runs by work.
#![allow(dead_code, clippy::unwrap_used, reason = "each test file uses its part, in tests only")]

use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering};

use planning::{Effort, Instance, Plan, Progress, Solution, Watch, solve};

pub fn data() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data/planner")
}

/// A public instance by name; `micro` is the worked example.
pub fn instance(name: &str) -> Instance {
    let micro = data().join("micro.json");
    if name == "micro" {
        return Instance::from_json(&std::fs::read(micro).unwrap()).unwrap();
    }
    let file = std::fs::File::open(data().join(format!("instances/{name}.json.gz"))).unwrap();
    let mut text = Vec::new();
    flate2::read::GzDecoder::new(file).read_to_end(&mut text).unwrap();
    Instance::from_json(&text).unwrap()
}

/// The objective that `optima.json` says is proven.
pub fn proven(name: &str) -> i64 {
    optima()["proven"][name].as_i64().unwrap()
}

/// The best objective that `optima.json` knows.
pub fn best_known(name: &str) -> i64 {
    let optima = optima();
    let proven = optima["proven"][name].as_i64();
    proven.unwrap_or_else(|| optima["best_known"][name]["objective"].as_i64().unwrap())
}

fn optima() -> serde_json::Value {
    serde_json::from_slice(&std::fs::read(data().join("optima.json")).unwrap()).unwrap()
}

pub type Report<'a> = Box<dyn FnMut(&Progress, &AtomicBool) + 'a>;

/// No clock, no cancelling.
pub fn watch_of_work() -> Report<'static> {
    Box::new(|_, _| ())
}

/// Cancels when something is reported for the third time.
pub fn watch_that_cancels() -> Report<'static> {
    let mut reports = 0;
    Box::new(move |_, cancelled| {
        reports += 1;
        cancelled.store(reports >= 3, Ordering::Relaxed);
    })
}

pub fn solved(instance: &Instance, work: u64, seed: u64) -> Solution {
    solved_from(instance, None, work, seed, watch_of_work())
}

pub fn solved_from(
    instance: &Instance,
    start: Option<&Plan>,
    work: u64,
    seed: u64,
    mut report: Report,
) -> Solution {
    let cancelled = AtomicBool::new(false);
    let mut watch = Watch {
        spent: &|| 0.0,
        cancelled: &cancelled,
        report: &mut |progress| report(progress, &cancelled),
    };
    let effort = Effort { seed, work: Some(work), gap: 0.0 };
    solve(instance, start, &effort, &mut watch).unwrap()
}

pub fn progress_of(instance: &Instance, work: u64) -> Vec<Progress> {
    let mut seen = Vec::new();
    let report: Report = Box::new(|progress, _| seen.push(*progress));
    solved_from(instance, None, work, 1, report);
    seen
}

/// Judges a plan with `check.py --reasons`, which shares nothing with this crate, and with this
/// crate's own evaluation.
pub fn checked(instance: &Instance, plan: &Plan) {
    let evaluation = planning::evaluate(instance, plan).unwrap();
    assert_eq!(evaluation.objective, plan.objective);
    assert_eq!(evaluation.overtime, plan.overtime);
    assert_eq!(evaluation.shortfalls, plan.shortfalls);
    let mut instance_file = tempfile::NamedTempFile::new().unwrap();
    let mut plan_file = tempfile::NamedTempFile::new().unwrap();
    instance_file.write_all(&serde_json::to_vec(instance).unwrap()).unwrap();
    plan_file.write_all(&serde_json::to_vec(plan).unwrap()).unwrap();
    let checker = data().join("check.py");
    let run = Command::new("python3")
        .arg(checker)
        .arg(instance_file.path())
        .arg(plan_file.path())
        .arg("--reasons")
        .output();
    match run {
        Ok(output) => {
            let said = String::from_utf8_lossy(&output.stdout).into_owned()
                + &String::from_utf8_lossy(&output.stderr);
            assert!(output.status.success(), "the checker refuses the plan: {said}");
        }
        Err(_) => eprintln!(
            "NOT CHECKED FROM OUTSIDE: python3 is not installed, so check.py did not judge this plan"
        ),
    }
}
