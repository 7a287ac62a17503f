//! The table of gaps: each public instance, so many seconds, the plan and the bound it ends with.
//!
//! `cargo bench -p planning --bench gaps -- [SECONDS] [INSTANCE ...]`; 60 seconds and all instances
//! unless said otherwise. Meant for a machine with nothing else to do.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use std::time::Instant;

use planning::{Effort, Instance, Watch, solve};

const ALL: [&str; 10] =
    ["S", "R-S", "X-technician", "X-parts", "X-pool", "M", "R-M", "R-L", "L", "XL"];

fn main() {
    let given: Vec<String> =
        std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let seconds = given.iter().find_map(|word| word.parse::<f64>().ok()).unwrap_or(60.0);
    let named: Vec<&str> =
        given.iter().filter(|word| word.parse::<f64>().is_err()).map(String::as_str).collect();
    println!("instance      objective        bound      gap  best known  first bound within 1 %");
    for name in ALL.into_iter().filter(|name| named.is_empty() || named.contains(name)) {
        row(name, seconds);
    }
}

fn data() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data/planner")
}

fn row(name: &str, seconds: f64) {
    let file = std::fs::File::open(data().join(format!("instances/{name}.json.gz")))
        .expect("the instance is there");
    let mut text = Vec::new();
    flate2::read::GzDecoder::new(file).read_to_end(&mut text).expect("it is compressed");
    let instance = Instance::from_json(&text).expect("it keeps the rules");
    let optima = std::fs::read(data().join("optima.json")).expect("the optima are there");
    let optima: serde_json::Value = serde_json::from_slice(&optima).expect("they are JSON");
    let known = optima["proven"][name]
        .as_i64()
        .or_else(|| optima["best_known"][name]["objective"].as_i64());
    let began = Instant::now();
    let mut narrow = None;
    let effort = Effort { seed: 1, work: None, gap: 0.0 };
    let mut watch = Watch {
        spent: &|| began.elapsed().as_secs_f64() / seconds,
        cancelled: &AtomicBool::new(false),
        report: &mut |progress| {
            if narrow.is_none() && progress.gap.is_some_and(|gap| gap <= 0.01) {
                narrow = Some(began.elapsed().as_secs_f64());
            }
        },
    };
    let plan = solve(&instance, None, &effort, &mut watch).expect("it keeps the rules").plan;
    let known = known.map_or_else(String::new, |known| {
        format!("{:+.3} %", 100.0 * (plan.objective - known) as f64 / known as f64)
    });
    println!(
        "{name:<12} {:>10} {:>12} {:>7.3} %  {known:>10}  {}",
        plan.objective,
        plan.bound.unwrap_or(i64::MIN),
        100.0 * plan.gap.unwrap_or(f64::INFINITY),
        narrow.map_or_else(|| "-".to_owned(), |seconds| format!("{seconds:.1} s")),
    );
}
