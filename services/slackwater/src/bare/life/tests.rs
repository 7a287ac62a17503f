use std::path::PathBuf;

use serde_json::{Value, json};

use super::{LifeReport, read_lives, read_repairs};

fn published(name: &str) -> Vec<u8> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../crates/life/tests/data");
    std::fs::read(folder.join(name)).unwrap()
}

fn report(file: &[u8]) -> Value {
    serde_json::to_value(LifeReport::new(&read_lives(file).unwrap())).unwrap()
}

fn assert_close(found: &Value, wanted: f64, relative: f64) {
    let found = found.as_f64().unwrap();
    assert!((found / wanted - 1.0).abs() <= relative, "{found}, wanted {wanted}");
}

/// Freireich et al. (1963), as tabled by Gehan (1965), Biometrika 52:203-223; figures by R
/// survival 3.5-3.
#[test]
fn a_file_with_groups_is_reported_by_group_and_compared() {
    let report = report(&published("freireich1963.csv"));
    let part = &report["parts"][0];
    assert_eq!(
        (&part["part"], &part["group"], &part["n"], &part["failures"], &part["method"]),
        (&json!("leukaemia"), &json!("6-MP"), &json!(21), &json!(9), &json!("kaplan_meier"))
    );
    for (key, wanted) in [
        ("shape", 1.35373447),
        ("shape_low", 0.723675001),
        ("shape_high", 2.20367649),
        ("scale", 33.7651516),
        ("scale_low", 21.8478415),
        ("scale_high", 76.8637448),
        ("confidence", 0.95),
    ] {
        assert_close(&part["weibull"][key], wanted, 1e-6);
    }
    assert_eq!(part["survival"][0]["age"], json!(6.0));
    assert_close(&part["survival"][0]["value"], 18.0 / 21.0, 1e-12);
    assert_close(&part["mean_life"], 30.9471208, 1e-6);
    assert_eq!(part["range_only"], Value::Null);
    let rank = &report["log_rank"][0];
    assert_close(&rank["statistic"], 16.792941, 1e-7);
    assert_eq!(rank["degrees_of_freedom"], json!(1));
    assert_close(&rank["p"], 4.16880911e-05, 1e-6);
}

/// NIST/SEMATECH e-Handbook, section 8.2.3.4, by the plain shape.
#[test]
fn a_file_of_repairs_is_reported_by_system() {
    let report = read_repairs(published("nist-repairs.csv").as_slice()).unwrap();
    let report = serde_json::to_value(report).unwrap();
    let system = &report["systems"][0];
    assert_eq!((&system["system"], &system["n"]), (&json!("unit"), &json!(10)));
    for (key, wanted) in [
        ("laplace", -1.32694918),
        ("p", 0.184525493),
        ("shape", 0.537228866),
        ("shape_unbiased", 0.483505979),
        ("scale", 20.6389303),
        ("shape_low", 0.257622123),
        ("shape_high", 0.917844958),
        ("mtbf_at_end", 1.0 / 0.00358152577),
    ] {
        assert_close(&system[key], wanted, 1e-7);
    }
}

#[test]
fn few_failures_give_a_range_and_no_group_gives_null() {
    let report = report(b"part;lower;upper\nseal;12,5;12,5\nseal;1:30;\nhub;0;\nseal;0;4\n");
    let seal = &report["parts"][0];
    assert_eq!((&seal["group"], &seal["weibull"]), (&Value::Null, &Value::Null));
    assert_eq!(seal["method"], json!("turnbull"));
    let range = &seal["range_only"];
    assert!(range["low"].as_f64().unwrap() < range["high"].as_f64().unwrap());
    assert!(range["reason"].as_str().unwrap().starts_with("2 failures in 3 lives"));
    let hub = &report["parts"][1];
    assert_eq!(hub["range_only"]["low"], Value::Null);
    assert_eq!(hub["survival"], json!([]));
    assert_eq!(report["log_rank"], json!([]));
}

#[test]
fn groups_that_never_met_are_listed_without_figures() {
    let report = report(b"part,lower,upper,group\np,1,,x\np,2,,x\np,5,5,y\np,6,6,y\np,9,9,\n");
    assert_eq!(report["parts"].as_array().unwrap().len(), 3);
    assert_eq!(
        report["log_rank"],
        json!([{"part": "p", "statistic": null, "degrees_of_freedom": 0, "p": null}])
    );
}

#[test]
fn every_bad_life_is_listed_by_line_and_rule() {
    let file = b"part,lower,upper\np,5,4\np,0,0\np,-1,\np,,3\np,inf,\np,3,3\n";
    let faults = read_lives(file.as_slice()).err().unwrap();
    let listed: Vec<(u64, &str)> =
        faults.faults().iter().map(|fault| (fault.line, fault.column.as_str())).collect();
    assert_eq!(listed, [(2, "upper"), (3, "upper"), (4, "lower"), (5, "lower"), (6, "lower")]);
    assert_eq!(faults.faults()[0].rule, "life-bounds-reversed");
    assert_eq!(faults.faults()[1].rule, "life-of-zero");
}

#[test]
fn a_bad_history_is_listed_by_line_and_rule() {
    let file = b"system,event,age,observed_to\nA,2,50,\nA,1,10,\nB,1,5,4\nC,1,5,9\nC,3,6,9\n\
        D,1,5,9\nD,2,3,\nE,1,0,\nF,1,3,9\nF,2,4,8\n";
    let faults = read_repairs(file.as_slice()).err().unwrap();
    let listed: Vec<(u64, &str)> =
        faults.faults().iter().map(|fault| (fault.line, fault.rule)).collect();
    let wanted = [
        (4, "observed-too-short"),
        (6, "event-out-of-order"),
        (8, "repairs-fall"),
        (9, "repair-at-zero"),
        (11, "observed-to-differs"),
    ];
    assert_eq!(listed, wanted);
}

/// The order of rows is the file's business: events are taken by their number.
#[test]
fn events_may_stand_in_any_order() {
    let sorted = b"system,event,age\nA,1,10\nA,2,50\nA,3,90\n";
    let mixed = b"system,event,age\nA,3,90\nA,1,10\nA,2,50\n";
    let report = |file: &[u8]| serde_json::to_value(read_repairs(file).unwrap()).unwrap();
    assert_eq!(report(sorted), report(mixed));
}
