//! Forecasts against statsforecast 2.1.1, model by model.
//!
//! The `part_*` series come from the R package `expsmooth` 2.3.0 (Hyndman, Koehler, Ord and Snyder
//! 2008) and are read where they lie, never copied; without them the tests say so, loudly.

#[path = "support/reference.rs"]
mod reference;

use std::collections::BTreeMap;

use demand::models::croston::{
    CROSTON_WEIGHT, Demands, TSB_WEIGHT, croston, croston_corrected, croston_fitted,
    teunter_syntetos_babai,
};
use demand::models::holt_winters::{
    Damping, Effort, SeasonCorrection, SeasonForm, State, Weights, fit_form, forecast, run,
};
use demand::models::{aggregation, plain, smoothing};
use reference::{lines, reference_file};

type Series = BTreeMap<String, Vec<f64>>;

fn series() -> Option<Series> {
    let text = reference_file("statsforecast/series.csv")?;
    let mut series = Series::new();
    for fields in lines(&text) {
        series.entry(fields[0].to_owned()).or_default().push(fields[2].parse().expect("a number"));
    }
    Some(series)
}

/// Our forecasts by the reference's name of the model; `None`: no forecast.
fn ours(model: &str, values: &[f64]) -> Vec<Option<f64>> {
    let demands = Demands::of(values);
    let flat = |value: Option<f64>| vec![value; 12];
    match model {
        "Naive" => flat(plain::naive(values)),
        "SeasonalNaive_12" => plain::seasonal_naive(values, 12, 12),
        "WindowAverage_6" => flat(plain::moving_average(values, 6)),
        "HistoricAverage" => flat(plain::historic_average(values)),
        "SES_0.1" => flat(Some(smoothing::smooth(values, 0.1))),
        "SES_0.3" => flat(Some(smoothing::smooth(values, 0.3))),
        "SES_optimized" => flat(Some(smoothing::smooth_fitted(values, 0.01, 0.99))),
        "CrostonClassic" => flat(Some(croston(&demands, CROSTON_WEIGHT))),
        "CrostonSBA" => flat(Some(croston_corrected(&demands))),
        "CrostonOptimized" => flat(Some(croston_fitted(&demands))),
        "TSB_0.2_0.2" => flat(Some(teunter_syntetos_babai(values, &demands.sizes, TSB_WEIGHT))),
        "ADIDA" => flat(Some(aggregation::aggregate_disaggregate(values, &demands))),
        "IMAPA" => flat(Some(aggregation::multiple_aggregation(values, &demands))),
        other => panic!("no model {other}"),
    }
}

/// The tie named in the reference's notes: the smoothing weight does not change the sum of squares
/// there, so the last bit of a sum decides, and either forecast is right.
const TIES: [(&str, &str); 1] = [("part_90365649", "CrostonOptimized")];

/// statsforecast 2.1.1; 53 series, 13 models, 12 months. Tolerance relative to max(1, value).
#[test]
fn every_model_without_a_fitted_season_agrees_with_the_reference_library() {
    let Some(series) = series() else { return };
    let text = reference_file("statsforecast/forecasts.csv").unwrap();
    let mut answers = BTreeMap::new();
    let mut compared = 0;
    for fields in lines(&text) {
        let (name, model) = (fields[0], fields[1]);
        if model.starts_with("HoltWinters") || TIES.contains(&(name, model)) {
            continue;
        }
        let answer = answers.entry((name, model)).or_insert_with(|| ours(model, &series[name]));
        let ahead: usize = fields[2].parse().expect("a number");
        let our = answer[ahead - 1];
        match (our, fields[3].parse::<f64>().ok()) {
            (Some(our), Some(their)) => {
                let off = (our - their).abs() / their.abs().max(1.0);
                assert!(off <= 1e-6, "{name} {model} {ahead}: {our} {their}");
            }
            (our, their) => assert_eq!(our, their, "{name} {model} {ahead}"),
        }
        compared += 1;
    }
    assert!(compared > 8_000, "{compared} forecasts compared");
}

struct Fitted {
    series: String,
    form: SeasonForm,
    damped: Damping,
    weights: Weights,
    start: State,
    objective: f64,
}

/// Fits with a season; those of constant series have none.
fn fitted() -> Option<Vec<Fitted>> {
    let text = reference_file("statsforecast/holt_winters.csv")?;
    let mut fits = Vec::new();
    for fields in lines(&text) {
        if !matches!(fields[2], "AAA" | "MAM") {
            continue;
        }
        let number = |index: usize| fields[index].parse::<f64>().ok();
        let damped = if fields[3] == "1" || fields[3].eq_ignore_ascii_case("true") {
            Damping::Damped
        } else {
            Damping::Undamped
        };
        fits.push(Fitted {
            series: fields[0].to_owned(),
            form: if fields[1] == "A" { SeasonForm::Additive } else { SeasonForm::Multiplicative },
            damped,
            weights: Weights {
                level: number(4).expect("a number"),
                trend: number(5).expect("a number"),
                season: number(6).expect("a number"),
                damping: number(7).unwrap_or(1.0),
            },
            start: State {
                level: number(11).expect("a number"),
                trend: number(12).expect("a number"),
                seasons: (13..25).rev().map(|index| number(index).expect("a number")).collect(),
            },
            objective: number(8).expect("a number"),
        });
    }
    Some(fits)
}

/// statsforecast 2.1.1's own parameters put through our recursion. Its damped forecast adds
/// φ, φ, φ², … where the textbook has φ, φ², φ³, …; that difference is put back here.
#[test]
fn the_season_recursion_agrees_with_the_reference_library() {
    let (Some(series), Some(fits)) = (series(), fitted()) else { return };
    let text = reference_file("statsforecast/forecasts.csv").unwrap();
    let mut theirs: BTreeMap<(&str, &str), Vec<f64>> = BTreeMap::new();
    for fields in lines(&text) {
        if let Ok(value) = fields[3].parse() {
            theirs.entry((fields[0], fields[1])).or_default().push(value);
        }
    }
    assert!(fits.len() >= 50, "{}", fits.len());
    for fit in &fits {
        let values = &series[&fit.series];
        let pass = run(values, fit.form, SeasonCorrection::Expected, fit.weights, &fit.start);
        // A perfect fit's residuals are rounding noise.
        if fit.series != "syn_trend_48" {
            let off = (pass.objective - fit.objective).abs() / fit.objective.abs().max(1.0);
            assert!(off <= 1e-9, "{}: {} {}", fit.series, pass.objective, fit.objective);
        }
        let phi = fit.weights.damping;
        let ours = forecast(fit.form, phi, &pass.end, 12);
        let model = match fit.form {
            SeasonForm::Additive => "HoltWinters_12_A",
            SeasonForm::Multiplicative => "HoltWinters_12_M",
        };
        let (mut share, mut textbook, mut quirk) = (1.0, 0.0, phi);
        for (ahead, (our, their)) in ours.iter().zip(&theirs[&(&*fit.series, model)]).enumerate() {
            share *= phi;
            textbook += share;
            let extra = (quirk - textbook) * pass.end.trend;
            let extra = match fit.form {
                SeasonForm::Additive => extra,
                SeasonForm::Multiplicative => extra * pass.end.seasons[ahead],
            };
            quirk += phi.powi(ahead as i32 + 1);
            let off = (our + extra - their).abs() / their.abs().max(1.0);
            assert!(off <= 1e-9, "{} {model} {ahead}: {our} {their}", fit.series);
        }
    }
}

/// statsforecast 2.1.1's search ends far from the optimum; ours must not end above it.
#[test]
fn fitted_seasons_have_no_worse_objective_than_the_reference_library() {
    let (Some(series), Some(fits)) = (series(), fitted()) else { return };
    let mut compared = 0;
    for fit in fits.iter().filter(|fit| fit.series != "syn_trend_48") {
        let values = &series[&fit.series];
        // Under two years we give no season: eleven of its months would be seen once.
        let Some(our) = fit_form(values, fit.form, fit.damped, Effort::THOROUGH) else {
            assert!(values.len() < 24, "{}", fit.series);
            continue;
        };
        assert!(
            our.objective <= fit.objective + 1e-4,
            "{} {:?} {:?}: {} above {}",
            fit.series,
            fit.form,
            fit.damped,
            our.objective,
            fit.objective
        );
        compared += 1;
    }
    assert!(compared >= 45, "{compared} fits compared");
}
