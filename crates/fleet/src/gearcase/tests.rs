use rstest::rstest;

use super::{
    HoldKind, HoldReadings, HoldResult, HoldTest, expected_gauge_kpa, leak_flow_ml_per_min,
};
use crate::service::TestOutcome;

/// Thompson and Taylor (2008), NIST SP 811, app. B: 1 psi in kPa.
const PSI: f64 = 6.894757293168362;
const ATMOSPHERE: f64 = 101.325;

fn assert_close(found: f64, wanted: f64, tolerance: f64) {
    assert!((found - wanted).abs() <= tolerance, "{found}, wanted {wanted}");
}

fn hold() -> HoldReadings {
    HoldReadings {
        kind: HoldKind::Pressure,
        gauge_start_kpa: 69.0,
        gauge_end_kpa: 69.0,
        temperatures_c: Some((20.0, 20.0)),
        ambient_kpa: ATMOSPHERE,
        hold_s: 300.0,
        gauge_division_kpa: 0.5,
        limit_kpa: Some(0.0),
        shafts_turned: true,
    }
}

fn judge(readings: HoldReadings) -> HoldResult {
    HoldTest::new(readings).unwrap().judge()
}

/// Gay-Lussac's law with the standard atmosphere and 273.15 K of NIST SP 811 (2008); six decimals
/// as computed.
#[rstest]
#[case::ten_psi_cooling(68.947573, (20.0, 15.0), (ATMOSPHERE, ATMOSPHERE), 66.043384)]
#[case::ten_psi_warming(68.947573, (15.0, 20.0), (ATMOSPHERE, ATMOSPHERE), 71.902155)]
#[case::hundred(100.0, (20.0, 15.0), (ATMOSPHERE, ATMOSPHERE), 96.566178)]
#[case::hundred_with_falling_glass(100.0, (20.0, 15.0), (ATMOSPHERE, 100.325), 97.566178)]
#[case::hundred_from_sun_to_cellar(100.0, (35.0, 5.0), (ATMOSPHERE, ATMOSPHERE), 80.399968)]
#[case::vacuum_cooling(-60.0, (20.0, 15.0), (ATMOSPHERE, ATMOSPHERE), -60.704844)]
#[case::vacuum_warming(-60.0, (15.0, 25.0), (ATMOSPHERE, ATMOSPHERE), -58.565851)]
#[case::glass_alone(100.0, (20.0, 20.0), (ATMOSPHERE, 100.0), 101.325)]
fn a_closed_case_follows_the_gas_law(
    #[case] start: f64,
    #[case] temperatures: (f64, f64),
    #[case] ambient: (f64, f64),
    #[case] wanted: f64,
) {
    assert_close(expected_gauge_kpa(start, temperatures, ambient), wanted, 1e-6);
}

/// Worked by hand from the ideal gas at constant volume: what one degree moves the gauge.
#[rstest]
#[case::at_10_psi(10.0, 0.084)]
#[case::at_14_2_psi(14.2, 0.099)]
#[case::at_7_25_psi(7.25, 0.075)]
fn a_degree_moves_the_gauge(#[case] gauge_psi: f64, #[case] psi_per_degree: f64) {
    let at = |c| expected_gauge_kpa(gauge_psi * PSI, (20.0, c), (ATMOSPHERE, ATMOSPHERE)) / PSI;
    assert_close(at(21.0) - at(20.0), psi_per_degree, 0.0005);
}

#[test]
fn a_case_pumped_warm_and_read_cold_falls_without_a_leak() {
    // By hand: 10 psi at 30 °C, read at 15 °C, falls 1.22 psi; 1 psi is 12 °C at 20 °C.
    let end = expected_gauge_kpa(10.0 * PSI, (30.0, 15.0), (ATMOSPHERE, ATMOSPHERE)) / PSI;
    assert_close(10.0 - end, 1.22, 0.005);
    let degree = expected_gauge_kpa(10.0 * PSI, (20.0, 21.0), (ATMOSPHERE, ATMOSPHERE));
    assert_close(PSI / (degree - 10.0 * PSI), 12.0, 0.2);
    // The barometer moving by 10 hPa shifts a long test by 0.145 psi.
    let glass = expected_gauge_kpa(10.0 * PSI, (20.0, 20.0), (ATMOSPHERE, ATMOSPHERE - 1.0));
    assert_close((glass - 10.0 * PSI) / PSI, 0.145, 0.0005);
}

#[test]
fn the_same_drop_is_a_smaller_leak_in_a_smaller_case() {
    // By hand: 300 mL in all, 1 psi in 10 min, is 2.0 mL a minute.
    let flow = leak_flow_ml_per_min(300.0, PSI, ATMOSPHERE, 600.0).unwrap();
    assert_close(flow, 2.0, 0.05);
    assert_eq!(leak_flow_ml_per_min(300.0, PSI, ATMOSPHERE, 0.0), None);
}

#[test]
fn the_uncertainty_is_the_root_of_four_squares() {
    // By hand, equal temperatures: two times 0.25, two times 0.5 · 170.325 / 293.15.
    let result = judge(hold());
    let by_hand = (2.0 * 0.25_f64.powi(2) + 2.0 * (0.5 * 170.325_f64 / 293.15).powi(2)).sqrt();
    assert_close(result.uncertainty_kpa, by_hand, 1e-12);
    assert_close(result.seen_from_kpa, 0.5 + by_hand, 1e-12);
}

/// The last value on one side of each line, and the first on the other.
#[rstest]
#[case::held(hold(), TestOutcome::Pass)]
#[case::not_turned(HoldReadings { shafts_turned: false, ..hold() }, TestOutcome::StaticOnly)]
#[case::just_seen(HoldReadings { gauge_end_kpa: 69.0 - 1.04, ..hold() }, TestOutcome::Pass)]
#[case::seen(HoldReadings { gauge_end_kpa: 69.0 - 1.05, ..hold() }, TestOutcome::Fail)]
#[case::fail_though_not_turned(
    HoldReadings { gauge_end_kpa: 60.0, shafts_turned: false, ..hold() }, TestOutcome::Fail)]
#[case::three_degrees(
    HoldReadings { temperatures_c: Some((20.1, 23.1)), gauge_end_kpa: 70.7, ..hold() },
    TestOutcome::Pass)]
#[case::more_than_three_degrees(
    HoldReadings { temperatures_c: Some((20.0, 16.9)), gauge_end_kpa: 60.0, ..hold() },
    TestOutcome::Inconclusive)]
#[case::coarse_gauge(
    HoldReadings { gauge_division_kpa: 3.5, gauge_end_kpa: 60.0, ..hold() },
    TestOutcome::Inconclusive)]
#[case::within_limit(
    HoldReadings { limit_kpa: Some(7.0), gauge_end_kpa: 69.0 - 6.4, ..hold() }, TestOutcome::Pass)]
#[case::about_the_limit(
    HoldReadings { limit_kpa: Some(7.0), gauge_end_kpa: 69.0 - 6.5, ..hold() },
    TestOutcome::Inconclusive)]
#[case::about_the_limit_from_above(
    HoldReadings { limit_kpa: Some(7.0), gauge_end_kpa: 69.0 - 7.5, ..hold() },
    TestOutcome::Inconclusive)]
#[case::beyond_the_limit(
    HoldReadings { limit_kpa: Some(7.0), gauge_end_kpa: 69.0 - 7.6, ..hold() }, TestOutcome::Fail)]
#[case::about_the_limit_not_turned(
    HoldReadings { limit_kpa: Some(7.0), gauge_end_kpa: 62.5, shafts_turned: false, ..hold() },
    TestOutcome::Inconclusive)]
#[case::no_figure_of_the_maker(
    HoldReadings { limit_kpa: None, ..hold() }, TestOutcome::Inconclusive)]
#[case::no_figure_of_the_maker_and_a_leak(
    HoldReadings { limit_kpa: None, gauge_end_kpa: 60.0, ..hold() }, TestOutcome::Fail)]
#[case::no_temperatures_on_a_fine_gauge(
    HoldReadings { temperatures_c: None, gauge_division_kpa: 0.2, ..hold() }, TestOutcome::Pass)]
#[case::no_temperatures_at_low_pressure(
    HoldReadings { temperatures_c: None, gauge_start_kpa: 30.0, gauge_end_kpa: 30.0, ..hold() },
    TestOutcome::Inconclusive)]
fn a_hold_is_judged_in_order(#[case] readings: HoldReadings, #[case] wanted: TestOutcome) {
    let result = judge(readings);
    assert_eq!(result.outcome, wanted, "{result:?}");
    assert!(!result.reason.is_empty());
}

#[test]
fn a_leak_is_above_zero_under_pressure_and_under_vacuum() {
    let pressure = judge(HoldReadings { gauge_end_kpa: 66.0, ..hold() });
    assert_close(pressure.raw_drop_kpa, 3.0, 1e-12);
    assert_close(pressure.corrected_drop_kpa, 3.0, 1e-12);
    let vacuum = HoldReadings {
        kind: HoldKind::Vacuum,
        gauge_start_kpa: -60.0,
        gauge_end_kpa: -57.0,
        ..hold()
    };
    let vacuum = judge(vacuum);
    assert_close(vacuum.raw_drop_kpa, 3.0, 1e-12);
    assert_close(vacuum.corrected_drop_kpa, 3.0, 1e-12);
    assert_eq!(vacuum.outcome, TestOutcome::Fail);
}

#[test]
fn cooling_explains_a_fall_under_pressure_and_hides_one_under_vacuum() {
    let cooled = HoldReadings { temperatures_c: Some((20.0, 18.0)), ..hold() };
    let pressure = judge(HoldReadings { gauge_end_kpa: 67.84, ..cooled });
    assert_close(pressure.raw_drop_kpa, 1.16, 1e-12);
    assert_close(pressure.corrected_drop_kpa, 0.0, 0.005);
    assert_eq!(pressure.outcome, TestOutcome::Pass);
    let vacuum = HoldReadings {
        kind: HoldKind::Vacuum,
        gauge_start_kpa: -60.0,
        gauge_end_kpa: -60.0,
        ..cooled
    };
    // By hand: 41.325 · 2 / 293.15 kPa of vacuum should have been gained.
    assert_close(judge(vacuum).corrected_drop_kpa, 41.325 * 2.0 / 293.15, 1e-9);
}

#[rstest]
#[case::pressure_from_nothing(HoldReadings { gauge_start_kpa: 0.0, ..hold() }, "gearcase-wrong-side")]
#[case::vacuum_above_zero(HoldReadings { kind: HoldKind::Vacuum, ..hold() }, "gearcase-wrong-side")]
#[case::below_full_vacuum(
    HoldReadings { kind: HoldKind::Vacuum, gauge_start_kpa: -101.325, ..hold() },
    "gearcase-below-vacuum")]
#[case::no_air(HoldReadings { ambient_kpa: 0.0, ..hold() }, "gearcase-not-possible")]
#[case::no_hold(HoldReadings { hold_s: 0.0, ..hold() }, "gearcase-not-possible")]
#[case::no_division(HoldReadings { gauge_division_kpa: 0.0, ..hold() }, "gearcase-not-possible")]
#[case::limit_below_zero(HoldReadings { limit_kpa: Some(-0.1), ..hold() }, "gearcase-not-possible")]
#[case::no_number(HoldReadings { gauge_end_kpa: f64::NAN, ..hold() }, "gearcase-not-possible")]
#[case::too_cold(
    HoldReadings { temperatures_c: Some((20.0, -274.0)), ..hold() }, "gearcase-temperature")]
fn readings_that_cannot_be_are_refused_by_name(#[case] readings: HoldReadings, #[case] rule: &str) {
    assert_eq!(HoldTest::new(readings).unwrap_err().rule(), rule);
}
