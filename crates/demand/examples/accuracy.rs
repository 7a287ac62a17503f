//! Accuracy of every reference model and of a whole run on the public car-part histories:
//! `cargo run -p demand --example accuracy -- 33,39 [paths=400]`.

use std::time::Instant;

use demand::models::croston::{Demands, croston, croston_corrected, teunter_syntetos_babai};
use demand::models::{aggregation, plain, smoothing};
use demand::{
    CountDistribution, History, Month, PartForecast, Request, SCORED_LEVELS, dispersion_ratio,
    forecast,
};
#[path = "../tests/support/carparts.rs"]
mod carparts;
#[path = "../tests/support/reference.rs"]
mod reference;
use carparts::{FileScores, Forecast};

fn from_run(part: &PartForecast) -> Forecast {
    let paths = &part.paths;
    let mut f = Forecast::default();
    for ahead in 0..12 {
        f.mean.push(paths.mean(ahead));
        let mut row = [0.0; 4];
        paths.quantiles(ahead, &SCORED_LEVELS, &mut row);
        f.quantiles.push(row);
    }
    paths.cumulated_quantiles(3, &SCORED_LEVELS, &mut f.cumulated_3);
    paths.cumulated_quantiles(6, &SCORED_LEVELS, &mut f.cumulated_6);
    f
}

fn arg(name: &str, default: usize) -> usize {
    let prefix = format!("{name}=");
    std::env::args()
        .find_map(|a| a.strip_prefix(&prefix).and_then(|v| v.parse().ok()))
        .unwrap_or(default)
}

fn around(mean: Vec<f64>, ratio: f64) -> Forecast {
    let mut f = Forecast { mean, ..Forecast::default() };
    for &m in &f.mean {
        let mut q = [0.0; 4];
        CountDistribution::new(m.max(0.0), ratio).quantiles(&SCORED_LEVELS, &mut q);
        f.quantiles.push(q);
    }
    let s3: f64 = f.mean[..3].iter().sum();
    let s6: f64 = f.mean[..6].iter().sum();
    CountDistribution::new(s3.max(0.0), ratio).quantiles(&SCORED_LEVELS, &mut f.cumulated_3);
    CountDistribution::new(s6.max(0.0), ratio).quantiles(&SCORED_LEVELS, &mut f.cumulated_6);
    f
}

fn references(parts: &[(String, Vec<f64>)], origin: usize) {
    for model in ["SES0.1", "IMAPA", "TSB", "ADIDA", "MA6", "mean", "SBA", "Croston", "SN"] {
        let forecasts: Vec<Forecast> = parts
            .iter()
            .map(|(_, q)| {
                let h = &q[..origin];
                let d = Demands::of(h);
                let flat = |v: f64| vec![v; 12];
                let mean = match model {
                    "SES0.1" => flat(smoothing::smooth(h, 0.1)),
                    "IMAPA" => flat(aggregation::multiple_aggregation(h, &d)),
                    "ADIDA" => flat(aggregation::aggregate_disaggregate(h, &d)),
                    "TSB" => flat(teunter_syntetos_babai(h, &d.sizes, 0.2)),
                    "MA6" => flat(plain::moving_average(h, 6).unwrap_or(0.0)),
                    "mean" => flat(plain::historic_average(h).unwrap_or(0.0)),
                    "SBA" => flat(croston_corrected(&d)),
                    "Croston" => flat(croston(&d, 0.1)),
                    _ => plain::seasonal_naive(h, 12, 12).into_iter().flatten().collect(),
                };
                around(mean, dispersion_ratio(h))
            })
            .collect();
        println!("{}", carparts::score(parts, &forecasts, origin).row(model));
    }
}

fn main() {
    let Some(text) = reference::reference_file("carparts/history.csv") else { return };
    let parts = carparts::read(&text);
    let origins = std::env::args().nth(1).unwrap_or_else(|| "33,39".to_owned());
    for origin in origins.split(',').filter_map(|origin| origin.parse::<usize>().ok()) {
        println!("T={origin}\n{}", FileScores::HEADER);
        if arg("ref", 1) == 1 {
            references(&parts, origin);
        }
        let first = Month::new(1998, 1).unwrap_or_else(|| unreachable!("a month"));
        let histories: Vec<History> = parts
            .iter()
            .map(|(part, q)| History {
                part: part.clone(),
                family: None,
                first,
                quantities: q[..origin].to_vec(),
            })
            .collect();
        let request = Request { months: 12, paths: arg("paths", 400), seed: arg("seed", 1) as u64 };
        let started = Instant::now();
        let run = match forecast(&histories, &request, &|_, _| {}) {
            Ok(run) => run,
            Err(error) => {
                println!("{error}");
                return;
            }
        };
        let took = started.elapsed();
        let forecasts: Vec<Forecast> = run.parts.iter().map(from_run).collect();
        println!("{}", carparts::score(&parts, &forecasts, origin).row("run"));
        let mut reasons = std::collections::BTreeMap::new();
        for part in &run.parts {
            *reasons
                .entry((
                    part.classification.pattern.name(),
                    part.model.name(),
                    format!("{:?}", part.shares.parts()),
                ))
                .or_insert(0) += 1;
        }
        println!("{took:?}");
        let mut r: Vec<_> = reasons.iter().map(|(k, v)| (*v, k)).collect();
        r.sort_by(|a, b| b.0.cmp(&a.0));
        for (n, k) in r.iter().take(arg("top", 8)) {
            println!("{n} {k:?}");
        }
        if arg("models", 1) == 1 {
            for m in &run.overall.models {
                println!(
                    "   {:30} pin {:.4} cum {:.4} rmsse {:.4} bias {:?} cov {:.3}",
                    m.model.name(),
                    m.scores.pinball,
                    m.scores.pinball_cumulated,
                    m.scores.rmsse,
                    m.scores.bias.map(|b| (b * 100.0).round()),
                    m.scores.coverage_90
                );
            }
            println!("   chosen {:?}", run.overall.chosen);
        }
    }
}
