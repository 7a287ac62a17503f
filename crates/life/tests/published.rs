//! Against published data sets; their sources stand in `tests/data/README.md`.

#![allow(clippy::unwrap_used, reason = "a test that cannot unwrap has failed")]

use std::collections::BTreeMap;
use std::path::PathBuf;

use life::replacement::Advice;
use life::{
    Life, Method, RepairHistory, ReplacementCosts, Weibull, compare_groups,
    estimate_interval_survival, estimate_survival, estimate_trend, find_replacement_age,
    fit_weibull, summarise,
};
use rstest::rstest;
use serde_json::Value;

fn data(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name)
}

fn expected(name: &str) -> Value {
    let text = std::fs::read_to_string(data(&format!("{name}.expected.json"))).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// Lives by group, in the file's order of lives.
fn lives(name: &str) -> BTreeMap<String, Vec<Life>> {
    let mut reader = csv::Reader::from_path(data(&format!("{name}.csv"))).unwrap();
    let mut groups: BTreeMap<String, Vec<Life>> = BTreeMap::new();
    for row in reader.records() {
        let row = row.unwrap();
        let lower = row[1].parse().unwrap();
        let upper = (!row[2].is_empty()).then(|| row[2].parse().unwrap());
        let group = row.get(3).unwrap_or_default().to_owned();
        groups.entry(group).or_default().push(Life::from_bounds(lower, upper).unwrap());
    }
    groups
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

fn assert_relative(what: &str, found: f64, wanted: &Value, tolerance: f64) {
    let wanted = number(wanted);
    let error = (found / wanted - 1.0).abs();
    assert!(error <= tolerance, "{what}: {found}, wanted {wanted}, off by {error:e}");
}

#[rstest]
#[case::right_censored("freireich1963")]
#[case::all_failed("lieblein-zelen1956")]
#[case::stopped_together("nist-8413")]
#[case::interval_censored("cosmesis1985")]
#[case::all_kinds("simulated-mixed")]
#[case::looked_at_once("turbine-wheels1982")]
#[case::looked_at_together("part-cracks1982")]
fn weibull_and_survival_are_as_published(#[case] name: &str) {
    let expected = expected(name);
    let groups = lives(name);
    for result in expected["results"].as_array().unwrap() {
        let group = result.get("group").and_then(Value::as_str).unwrap_or_default();
        let lives = &groups[group];
        let summary = summarise(lives);
        assert_eq!(summary.lives as u64, result["n"].as_u64().unwrap());
        assert_eq!(summary.failures as u64, result["failures"].as_u64().unwrap());

        // The files print nine digits; they were confirmed to 1e-6 and these hold to better.
        let fit = summary.law.as_ref().unwrap();
        let wanted = &result["weibull"];
        assert_relative("shape", fit.weibull.shape(), &wanted["shape"], 1e-7);
        assert_relative("scale", fit.weibull.scale(), &wanted["scale"], 1e-7);
        for (key, bound) in [
            ("shape_low", fit.shape_low),
            ("shape_high", fit.shape_high),
            ("scale_low", fit.scale_low),
            ("scale_high", fit.scale_high),
        ] {
            assert_relative(key, bound.unwrap(), &wanted[key], 1e-6);
        }
        assert_relative("log-likelihood", fit.log_likelihood, &result["weibull_loglik"], 1e-8);
        let mean = summary.mean_life().unwrap();
        assert_relative("mean life", mean, &result["weibull_mean_life"], 1e-7);

        if let Some(steps) = result.get("survival").and_then(Value::as_array) {
            assert_eq!(summary.method.name(), result["method"].as_str().unwrap());
            assert_eq!(summary.survival.len(), steps.len(), "{:?}", summary.survival);
            for (found, step) in summary.survival.iter().zip(steps) {
                assert_eq!(found.0, number(&step["age"]));
                let wanted = number(&step["value"]);
                assert!((found.1 - wanted).abs() < 2e-9, "{found:?}, wanted {wanted}");
            }
        }
    }
}

#[rstest]
#[case("cosmesis1985")]
#[case("turbine-wheels1982")]
#[case("part-cracks1982")]
fn turnbulls_masses_and_likelihood_are_as_published(#[case] name: &str) {
    let groups = lives(name);
    for result in expected(name)["results"].as_array().unwrap() {
        let group = result.get("group").and_then(Value::as_str).unwrap_or_default();
        let curve = estimate_interval_survival(&groups[group]);
        assert_relative("log-likelihood", curve.log_likelihood, &result["turnbull_loglik"], 1e-8);
        let Some(cells) = result.get("mass").and_then(Value::as_array) else { continue };
        assert_eq!(curve.cells.len(), cells.len());
        for (found, wanted) in curve.cells.iter().zip(cells) {
            assert_eq!(found.after, number(&wanted["after"]));
            assert_eq!(found.upto, wanted["upto"].as_f64());
            assert!((found.mass - number(&wanted["mass"])).abs() < 2e-9);
        }
    }
}

#[test]
fn remission_differs_between_freireichs_groups_as_published() {
    let groups = lives("freireich1963");
    let wanted = expected("freireich1963");
    let found = compare_groups(&[groups["6-MP"].clone(), groups["placebo"].clone()]).unwrap();
    assert_relative("statistic", found.statistic, &wanted["log_rank"]["chi2"], 1e-8);
    assert_relative("p", found.p, &wanted["log_rank"]["p"], 1e-8);
    assert_eq!(found.degrees_of_freedom, 1);
    for (group, wanted) in found.groups.iter().zip(wanted["log_rank"]["groups"].as_array().unwrap())
    {
        assert_eq!(group.failures as u64, wanted["observed"].as_u64().unwrap());
        let expected = group.failures as f64 - group.excess;
        assert_relative("expected", expected, &wanted["expected"], 1e-8);
    }
    for kind in ["median", "restricted_mean"] {
        for entry in wanted[kind].as_array().unwrap() {
            let curve = estimate_survival(&groups[entry["group"].as_str().unwrap()]).unwrap();
            let found = match entry.get("upto") {
                Some(upto) => curve.mean_to(number(upto)).unwrap(),
                None => curve.median().unwrap(),
            };
            assert_relative(kind, found, &entry["value"], 1e-8);
        }
    }
}

/// Fay and Shaw (2010), J. Statistical Software 36(2), their example with Sun's scores in the
/// permutation form: Z = -2.6684, p = 0.007622 (from memory, confirmed by this computation). The
/// excess is from a second one: EM over all cells between distinct ages, 20 000 steps, and the
/// scores from its masses.
#[test]
fn retraction_differs_between_treatments_as_published() {
    let groups = lives("cosmesis1985");
    let found = compare_groups(&[groups["RT"].clone(), groups["RT+CT"].clone()]).unwrap();
    assert!((found.groups[0].excess + 9.14184616934).abs() < 1e-8, "{:?}", found.groups);
    assert!((found.statistic.sqrt() - 2.6684).abs() < 1e-4, "{}", found.statistic);
    assert!((found.p - 0.007622).abs() < 2e-6, "{}", found.p);
}

fn history(name: &str) -> RepairHistory {
    let mut reader = csv::Reader::from_path(data(&format!("{name}.csv"))).unwrap();
    let (mut ages, mut observed_to) = (Vec::new(), None);
    for row in reader.records() {
        let row = row.unwrap();
        ages.push(row[2].parse().unwrap());
        observed_to = row.get(3).map(|value| value.parse().unwrap());
    }
    RepairHistory::new(ages, observed_to).unwrap()
}

fn assert_trend(trend: &life::Trend, wanted: &Value) {
    assert_eq!(trend.failures as u64, wanted["n"].as_u64().unwrap());
    assert_eq!(trend.observed_to, number(&wanted["total"]));
    assert_eq!(trend.failure_truncated, wanted["failure_truncated"].as_bool().unwrap());
    assert_eq!(trend.degrees_of_freedom as u64, wanted["mil_hdbk_189_df"].as_u64().unwrap());
    for (key, found) in [
        ("laplace_u", trend.laplace.unwrap()),
        ("laplace_p_two_sided", trend.p.unwrap()),
        ("mil_hdbk_189_chi2", trend.chi_square),
        ("shape", trend.shape.unwrap()),
        ("shape_low", trend.shape_low.unwrap()),
        ("shape_high", trend.shape_high.unwrap()),
        ("shape_unbiased", trend.shape_unbiased.unwrap()),
        ("scale", trend.scale.unwrap()),
        ("rocof_at_end", 1.0 / trend.mtbf_at_end.unwrap()),
    ] {
        assert_relative(key, found, &wanted[key], 1e-8);
    }
}

#[rstest]
#[case("proschan1963-7912")]
#[case("halfbeak")]
#[case("nist-repairs")]
#[case("mil-hdbk-189-1981")]
fn trend_of_repaired_units_is_as_published(#[case] name: &str) {
    assert_trend(&estimate_trend(&history(name)), &expected(name)["result"]);
}

/// The same file, as if watching had stopped with the last failure.
#[test]
fn trend_depends_on_when_watching_stopped() {
    let mut reader = csv::Reader::from_path(data("nist-repairs.csv")).unwrap();
    let ages = reader.records().map(|row| row.unwrap()[2].parse().unwrap()).collect();
    let trend = estimate_trend(&RepairHistory::new(ages, None).unwrap());
    assert_trend(&trend, &expected("nist-repairs")["same_data_failure_truncated_at_1478"]);
}

/// NIST/SEMATECH e-Handbook, section 8.4.5.2: the handbook's MTBF at the end uses the corrected
/// shape, 1500 / (10 · 0.483506) = 310.234.
#[test]
fn both_conventions_of_the_last_mtbf_are_told_apart() {
    let trend = estimate_trend(&history("nist-repairs"));
    assert!((trend.mtbf_at_end_unbiased.unwrap() - 310.234).abs() < 5e-4);
    assert!((trend.mtbf_at_end.unwrap() - 279.2).abs() < 0.05);
}

/// Barlow and Hunter (1960); expected values by root-finding and by minimisation.
#[test]
fn the_age_that_costs_least_is_as_computed_elsewhere() {
    for case in expected("age-replacement")["cases"].as_array().unwrap() {
        let law = Weibull::new(number(&case["shape"]), number(&case["scale"])).unwrap();
        let costs =
            ReplacementCosts::new(number(&case["cost_planned"]), number(&case["cost_failure"]))
                .unwrap();
        let found = find_replacement_age(&law, &costs).unwrap();
        assert_relative("cost rate", found.cost_rate(), &case["cost_rate"], 1e-8);
        if let Some(rate) = case.get("run_to_failure_rate") {
            assert_relative("run to failure", found.run_to_failure_rate, rate, 1e-8);
        }
        match found.advice {
            Advice::ReplaceAt(best) => {
                assert_relative("optimum", best.age, &case["optimum_age"], 1e-8);
            }
            Advice::RunToFailure(_) => assert!(case["optimum_age"].is_null(), "{case}"),
        }
    }
}

/// NIST/SEMATECH e-Handbook, section 8.4.1.3, as printed: shape 1.7208, scale 606.5280, minus
/// log-likelihood 75.135, mean 540.737.
#[test]
fn the_handbooks_own_digits_are_met() {
    let fit = fit_weibull(&lives("nist-8413")[""]).unwrap();
    assert!((fit.weibull.shape() - 1.7208).abs() < 5e-5);
    assert!((fit.weibull.scale() - 606.528).abs() < 5e-4 + 5e-5);
    assert!((fit.log_likelihood + 75.135).abs() < 5e-4);
    assert!((fit.weibull.mean_life().unwrap() - 540.737).abs() < 5e-4);
}

#[test]
fn a_method_is_chosen_by_what_is_known() {
    let exact = [Life::failed_at(3.0).unwrap(), Life::in_service(5.0).unwrap()];
    assert_eq!(summarise(&exact).method, Method::KaplanMeier);
    let looked = [Life::failed_between(0.0, 3.0).unwrap(), Life::in_service(5.0).unwrap()];
    assert_eq!(summarise(&looked).method, Method::Turnbull);
}
