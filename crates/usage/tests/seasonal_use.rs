//! The usage model against real seasonal use, and against simulated fleets of known truth.
//!
//! Real: hire hours of 290 bicycles of Healthy Ride, Pittsburgh Bike Share, published by the Western
//! Pennsylvania Regional Data Center ("Healthy Ride Trip Data", 2015 Q4 to 2018 Q2). Its licence is
//! not confirmed, so it is never copied here: it is looked for in `$SLACKWATER_REFERENCE`, or in
//! `shared/reference` beside the checkout, and the test says loudly that it did not run without it.
//!
//! Bounds are those set for this data before the model was made. All units of an origin share their
//! weather, so four origins are few independent tests: coverage is judged over the four together.

#[path = "seasonal_use/protocol.rs"]
mod protocol;
#[path = "seasonal_use/simulated.rs"]
mod simulated;

use chrono::NaiveDate;
use protocol::{HORIZONS, Scored, Summary, Unit, cut, fnv1a, forecast, gaps, summary};
use simulated::Setting;
use std::collections::BTreeMap;
use std::fs::read_to_string;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

fn date(text: &str) -> NaiveDate {
    text.parse().expect("the test gives a valid one")
}

/// The protocol's own check values.
#[test]
fn gaps_between_readings_are_the_protocols() {
    assert_eq!(fnv1a("b70000"), 0xbdc9_301c_293b_7c76);
    assert_eq!(fnv1a("pool1-001"), 0xf532_5775_6d46_7828);
    let first = |unit| gaps(unit, 1).take(8).collect::<Vec<_>>();
    assert_eq!(first("b70000"), [20, 45, 8, 15, 5, 4, 14, 35]);
    assert_eq!(first("pool1-001"), [14, 35, 20, 10, 30, 9, 17, 20]);
}

/// Bounds of one horizon.
struct Bounds {
    of_straight: f64,
    of_last_year: f64,
    pinball: f64,
}

const COVER: [RangeInclusive<f64>; 3] = [43.0..=57.0, 75.0..=85.0, 89.0..=98.0];

#[test]
fn real_seasonal_use_is_forecast_within_the_bounds() {
    let Some(units) = real_units() else { return };
    let origins = ["2017-04-01", "2017-07-01", "2017-10-01", "2018-01-01"];
    let mut all: Vec<Scored> = Vec::new();
    for origin in origins {
        let case = cut(&units, date(origin), date("2018-07-01"), 1);
        if origin == "2017-04-01" {
            let readings: usize = case.histories.iter().map(|h| h.intervals().len()).sum();
            assert_eq!((readings, case.targets.len()), (5_420, 695), "as the protocol says");
        }
        all.extend(forecast(&case));
    }
    let bounds = [
        Bounds { of_straight: 0.70, of_last_year: 0.88, pinball: 0.46 },
        Bounds { of_straight: 0.45, of_last_year: 0.80, pinball: 0.46 },
        Bounds { of_straight: 0.39, of_last_year: 0.81, pinball: 0.46 },
    ];
    for (days, bounds) in HORIZONS.into_iter().zip(bounds) {
        let scores = summary(all.iter().filter(|s| s.days == days));
        println!("all origins, {days} days: {scores:.3?}");
        assert!(scores.ratio_straight <= bounds.of_straight, "{days} days: {scores:?}");
        assert!(scores.ratio_last_year <= bounds.of_last_year, "{days} days: {scores:?}");
        assert!(scores.pinball_ratio_last_year <= bounds.pinball, "{days} days: {scores:?}");
        assert!(scores.mean_error_pct.abs() <= 10.0, "{days} days: {scores:?}");
        for (covered, bound) in scores.cover.iter().zip(&COVER) {
            assert!(bound.contains(covered), "{days} days: {scores:?}");
        }
        // In high season nothing beats the straight line by much; it must not lose to it either.
        let july = summary(all.iter().filter(|s| s.days == days && s.origin == date("2017-07-01")));
        println!("July alone, {days} days: {july:.3?}");
        assert!(july.ratio_straight <= 1.02, "July, {days} days: {july:?}");
    }
}

fn real_units() -> Option<Vec<Unit>> {
    let folder = reference().join("seasonal-usage");
    if !folder.join("daily.csv").is_file() {
        let bar = "!".repeat(78);
        println!(
            "{bar}\nNOT RUN: no seasonal use data at {}; set SLACKWATER_REFERENCE\n{bar}",
            folder.display()
        );
        return None;
    }
    Some(read_units(&folder))
}

fn reference() -> PathBuf {
    std::env::var_os("SLACKWATER_REFERENCE").map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/reference"),
        PathBuf::from,
    )
}

fn read_units(folder: &Path) -> Vec<Unit> {
    let mut days: BTreeMap<String, BTreeMap<NaiveDate, f64>> = BTreeMap::new();
    for line in read_to_string(folder.join("daily.csv"))
        .expect("the test gives a valid one")
        .lines()
        .skip(1)
    {
        let fields: Vec<&str> = line.split(',').collect();
        let of_unit = days.entry(fields[0].to_owned()).or_default();
        of_unit.insert(date(fields[2]), fields[3].parse().expect("the test gives a valid one"));
    }
    let file = read_to_string(folder.join("units.csv")).expect("the test gives a valid one");
    let mut units: Vec<Unit> = file
        .lines()
        .skip(1)
        .map(|line| {
            let fields: Vec<&str> = line.split(',').collect();
            Unit {
                name: fields[0].to_owned(),
                pool: fields[1].to_owned(),
                first: date(fields[2]),
                end: fields[3].parse().ok(),
                use_by_day: days.remove(fields[0]).unwrap_or_default(),
            }
        })
        .collect();
    units.sort_by(|a, b| a.name.cmp(&b.name));
    units
}

/// Fleets drawn from the model itself, four fleets of three pools and four origins a setting.
fn simulated_scores(setting: &Setting) -> Vec<(u64, Summary)> {
    let origins = ["2018-01-01", "2018-03-01", "2018-05-01", "2018-07-01"];
    let mut all: Vec<Scored> = Vec::new();
    for seed in 101..105 {
        let units = simulated::fleet(setting, seed);
        for origin in origins {
            all.extend(forecast(&cut(&units, date(origin), date("2019-01-01"), seed)));
        }
    }
    HORIZONS.map(|days| (days, summary(all.iter().filter(|s| s.days == days)))).into()
}

#[test]
fn without_common_surprises_bands_hold_what_they_say() {
    let setting = Setting { year_sd: 0.0, month_sd: 0.0, unit_year_cv: 0.0 };
    assert_bands_hold(&simulated_scores(&setting));
}

#[test]
fn with_good_and_bad_years_bands_hold_and_last_year_is_beaten() {
    let setting = Setting { year_sd: 0.15, month_sd: 0.0, unit_year_cv: 0.0 };
    let scores = simulated_scores(&setting);
    assert_bands_hold(&scores);
    assert!(scores[1].1.ratio_last_year <= 0.75, "{scores:?}");
}

#[test]
fn with_surprises_of_months_and_of_units_bands_hold() {
    let setting = Setting { year_sd: 0.15, month_sd: 0.2, unit_year_cv: 0.2 };
    assert_bands_hold(&simulated_scores(&setting));
}

fn assert_bands_hold(scores: &[(u64, Summary)]) {
    for (days, scores) in scores {
        println!("{days} days: {scores:.3?}");
        assert!((75.0..=87.0).contains(&scores.cover[1]), "{days} days: {scores:?}");
    }
}
