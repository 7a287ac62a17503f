//! Accuracy of every reference model and of whole runs on the public car-part histories, with the
//! backtest's own table: `cargo run -p demand --example accuracy -- 27,33,39 [PATHS] [SEED]`.

#[path = "../tests/support/carparts.rs"]
mod carparts;
#[path = "../tests/support/reference.rs"]
mod reference;

use std::collections::BTreeMap;
use std::time::Instant;

use carparts::{FileScores, Forecast, histories, of_paths, references, score};
use demand::{Request, forecast};

fn main() {
    let Some(text) = reference::reference_file("carparts/history.csv") else { return };
    let parts = carparts::read(&text);
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number = |place: usize, default: u64| {
        arguments.get(place).and_then(|text| text.parse().ok()).unwrap_or(default)
    };
    let origins = arguments.first().map_or("33,39", String::as_str);
    for origin in origins.split(',').filter_map(|origin| origin.parse::<usize>().ok()) {
        println!("from {origin} months\n{}", FileScores::HEADER);
        for (name, scores) in references(&parts, origin) {
            println!("{}", scores.row(name));
        }
        let request = Request { months: 12, paths: number(1, 1_000) as usize, seed: number(2, 1) };
        let started = Instant::now();
        let Ok(run) = forecast(&histories(&parts, origin), &request, &|_, _| {}) else { return };
        let took = started.elapsed();
        let forecasts: Vec<Forecast> = run.parts.iter().map(|part| of_paths(&part.paths)).collect();
        println!("{}\n{took:?}", score(&parts, &forecasts, origin).row("run"));
        let mut chosen: BTreeMap<String, usize> = BTreeMap::new();
        for part in &run.parts {
            let pattern = part.classification.pattern.name();
            *chosen.entry(format!("{pattern}: {:?}", part.shares.parts())).or_default() += 1;
        }
        for (shares, count) in chosen.iter().filter(|(_, count)| **count >= 20) {
            println!("{count:5} {shares}");
        }
        for line in &run.overall.models {
            let scores = line.scores;
            println!(
                "  {:30} pinball {:.4} cumulated {:.4} RMSSE {:.4} coverage {:.3}",
                line.model.name(),
                scores.pinball,
                scores.pinball_cumulated,
                scores.rmsse,
                scores.coverage_90
            );
        }
    }
}
