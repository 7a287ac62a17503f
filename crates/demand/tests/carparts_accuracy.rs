//! Accuracy on 1,247 real car parts, against the best single reference model for each score.
//!
//! Data: R package `expsmooth` 2.3.0, set `carparts` (Hyndman, Koehler, Ord and Snyder 2008),
//! read where it lies. Reference: statsforecast 2.1.1's models, quantiles negative binomial around
//! the mean with the history's variance-to-mean ratio, at least 1. Nothing was tuned on the months
//! scored here.

#[path = "support/carparts.rs"]
mod carparts;
#[path = "support/reference.rs"]
mod reference;

use carparts::{FileScores, Forecast, references, run_on, score};

fn parts() -> Option<Vec<(String, Vec<f64>)>> {
    reference::reference_file("carparts/history.csv").map(|text| carparts::read(&text))
}

/// Lowest of a score over the reference models.
fn best(models: &[(&str, FileScores)], score: impl Fn(&FileScores) -> f64) -> f64 {
    models.iter().map(|(_, scores)| score(scores)).fold(f64::INFINITY, f64::min)
}

/// The figures published with the data for the reference models at 39 months, four digits.
#[test]
fn reference_models_score_as_published() {
    let Some(parts) = parts() else { return };
    let models = references(&parts, 39);
    let of = |name: &str| models.iter().find(|(model, _)| *model == name).expect("a model").1;
    let printed =
        [("SES 0.1", 0.7147, 0.4683), ("TSB", 0.7193, 0.4793), ("Croston", 0.8094, 0.6019)];
    for (name, rmsse, pinball) in printed {
        let scores = of(name);
        assert!((scores.rmsse - rmsse).abs() < 5e-5, "{name} {}", scores.rmsse);
        assert!((scores.pinball - pinball).abs() < 5e-5, "{name} {}", scores.pinball);
    }
    assert!((of("SES 0.1").cumulated_3 - 0.3665).abs() < 5e-5);
}

fn check_gates(origin: usize) {
    let Some(parts) = parts() else { return };
    let models = references(&parts, origin);
    let forecasts: Vec<Forecast> = run_on(&parts, origin);
    let ours = score(&parts, &forecasts, origin);
    eprintln!("{}\n{}", FileScores::HEADER, ours.row("ours"));
    let below = |name: &str, score: fn(&FileScores) -> f64, share: f64| {
        let (our, their) = (score(&ours), best(&models, score));
        assert!(our <= share * their, "{name} at {origin}: {our:.4} above {share} of {their:.4}");
    };
    below("scaled pinball", |scores| scores.pinball, 0.96);
    below("upper quantiles", |scores| scores.upper, 0.95);
    below("three months together", |scores| scores.cumulated_3, 0.90);
    below("six months together", |scores| scores.cumulated_6, 0.88);
    below("weighted RMSSE", |scores| scores.weighted_rmsse, 0.985);
    assert!(ours.bias.abs() <= 0.10, "bias {}", ours.bias);
    assert!(ours.below <= 0.9 && 0.9 <= ours.below_or_at, "{} {}", ours.below, ours.below_or_at);
}

#[test]
fn a_run_from_33_months_beats_every_reference_model() {
    check_gates(33);
}

#[test]
fn a_run_from_39_months_beats_every_reference_model() {
    check_gates(39);
}
