//! What the tests of plans share: the public instances, the outside checker, runs by work.
#![allow(dead_code, clippy::unwrap_used, reason = "each test file uses its part, in tests only")]

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering};

use planning::{
    After, Bay, Effort, Hinge, Instance, Kit, Mode, Plan, Pool, Progress, Receipt, Skill, Solution,
    Visit, Watch, solve,
};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

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

/// A small instance of every kind of rule, from a seed.
pub fn small(seed: u64) -> Instance {
    let mut draw = ChaCha8Rng::seed_from_u64(seed);
    let days = draw.random_range(6..11_usize);
    let open: Vec<u8> = (0..days).map(|_| u8::from(draw.random_range(0..5) > 0)).collect();
    let weeks: Vec<usize> = (0..days).map(|day| day / 5).collect();
    let skill = |draw: &mut ChaCha8Rng, id: &str| Skill {
        id: id.into(),
        day_minutes: (0..days).map(|_| draw.random_range(0..160)).collect(),
        week_minutes: (0..=(days - 1) / 5).map(|_| draw.random_range(60..350)).collect(),
        week_overtime: (0..=(days - 1) / 5).map(|_| draw.random_range(0..60)).collect(),
        overtime_cost: draw.random_range(0..30),
    };
    let skills = vec![skill(&mut draw, "mechanic"), skill(&mut draw, "technician")];
    let bays = vec![Bay {
        id: "bench".into(),
        count: (0..days).map(|_| draw.random_range(0..4)).collect(),
    }];
    let receipt = |draw: &mut ChaCha8Rng| Receipt {
        day: draw.random_range(0..days as i64),
        quantity: draw.random_range(0..3),
    };
    let kits =
        vec![Kit { id: "seal".into(), receipts: vec![receipt(&mut draw), receipt(&mut draw)] }];
    let pools = vec![Pool {
        id: "bay boats".into(),
        fleet: vec![6; days],
        minimum: (0..days).map(|_| draw.random_range(3..7)).collect(),
        shortfall_cost: draw.random_range(0..900),
        out_cost: (0..days).map(|_| draw.random_range(0..200)).collect(),
    }];
    let count = draw.random_range(3..8);
    let visits = (0..count).map(|number| small_visit(&mut draw, number, days)).collect();
    Instance { name: format!("small-{seed}"), days, open, weeks, skills, bays, kits, pools, visits }
}

fn small_visit(draw: &mut ChaCha8Rng, number: usize, days: usize) -> Visit {
    let modes = (0..draw.random_range(1..3))
        .map(|mode| {
            let length = draw.random_range(1..3_usize);
            let skill = if draw.random_range(0..2) == 0 { "mechanic" } else { "technician" };
            let minutes = BTreeMap::from([(
                skill.to_owned(),
                (0..length).map(|_| draw.random_range(0..110)).collect(),
            )]);
            let kits = BTreeMap::from([("seal".to_owned(), draw.random_range(0..2))]);
            Mode {
                id: format!("m{mode}"),
                minutes,
                bay: "bench".into(),
                length,
                kits,
                cost: draw.random_range(0..900),
                out: draw.random_range(0..4) > 0,
            }
        })
        .collect();
    // Every third visit is of the engine before it, and half of those wait for it.
    let follows = number % 3 == 2;
    let after = match follows && draw.random_range(0..2) == 0 {
        true => vec![After { visit: format!("v{}", number - 1), gap: draw.random_range(0..4) }],
        false => Vec::new(),
    };
    Visit {
        id: format!("v{number}"),
        engine: format!("e{}", if follows { number - 1 } else { number }),
        pool: "bay boats".into(),
        release: draw.random_range(0..4),
        deadline: (draw.random_range(0..2) == 0).then(|| draw.random_range(2..days as i64 + 2)),
        modes,
        hinges: vec![Hinge {
            day: draw.random_range(0..days as i64),
            before: draw.random_range(0..80),
            after: draw.random_range(0..80),
        }],
        unplanned_cost: draw.random_range(0..4_000),
        published_day: (draw.random_range(0..3) == 0).then(|| draw.random_range(0..days as i64)),
        move_cost: draw.random_range(0..300),
        locked: false,
        after,
    }
}
