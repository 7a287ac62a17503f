//! What the parts of a run take: reading, a first plan, a re-solve after one change, an explanation.
//!
//! `cargo bench -p planning --bench steps`

use std::io::Read;
use std::path::Path;
use std::sync::atomic::AtomicBool;

use planning::{Effort, Instance, Plan, Watch, moves_of, solve};

fn main() {
    divan::main();
}

fn text(name: &str) -> Vec<u8> {
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data/planner/instances");
    let file =
        std::fs::File::open(data.join(format!("{name}.json.gz"))).expect("the instance is there");
    let mut text = Vec::new();
    flate2::read::GzDecoder::new(file).read_to_end(&mut text).expect("it is compressed");
    text
}

fn worked(instance: &Instance, start: Option<&Plan>, work: u64) -> Plan {
    let mut watch =
        Watch { spent: &|| 0.0, cancelled: &AtomicBool::new(false), report: &mut |_| () };
    let effort = Effort { seed: 1, work: Some(work), gap: 0.0 };
    solve(instance, start, &effort, &mut watch).expect("it keeps the rules").plan
}

#[divan::bench(args = ["M", "L", "XL"], sample_count = 5)]
fn reading_and_checking(bencher: divan::Bencher, name: &str) {
    let text = text(name);
    bencher.bench(|| Instance::from_json(&text).expect("it keeps the rules"));
}

/// One round of both lanes: what is on the page within a second.
#[divan::bench(args = ["M", "L", "XL"], sample_count = 3, sample_size = 1)]
fn a_first_plan(bencher: divan::Bencher, name: &str) {
    let instance = Instance::from_json(&text(name)).expect("it keeps the rules");
    bencher.bench(|| worked(&instance, None, 40_000));
}

#[divan::bench(args = ["M", "L"], sample_count = 3, sample_size = 1)]
fn again_after_a_late_kit(bencher: divan::Bencher, name: &str) {
    let mut instance = Instance::from_json(&text(name)).expect("it keeps the rules");
    let plan = worked(&instance, None, 1_000_000);
    instance.kits[0].receipts[1].day += 14;
    bencher.bench(|| worked(&instance, Some(&plan), 300_000));
}

#[divan::bench(args = ["M", "L"], sample_count = 5)]
fn where_a_visit_might_stand(bencher: divan::Bencher, name: &str) {
    let instance = Instance::from_json(&text(name)).expect("it keeps the rules");
    let plan = worked(&instance, None, 100_000);
    bencher.bench(|| moves_of(&instance, &plan, "v1"));
}
