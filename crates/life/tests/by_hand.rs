//! Worked by hand, and special cases that must agree.

#![allow(clippy::unwrap_used, reason = "a test that cannot unwrap has failed")]

use life::fit::NoFit;
use life::replacement::{Advice, IntervalProposal, RunReason, cost_rate};
use life::retirement::{Outlook, PoolRecord, RetirementPrices, SeasonRecord, weigh_engine};
use life::sentence;
use life::{
    Life, LifeError, RepairHistory, ReplacementCosts, Weibull, bound_mean_life, compare_groups,
    estimate_interval_survival, estimate_survival, estimate_trend, find_replacement_age,
    fit_weibull, summarise,
};
use rstest::rstest;

fn failed(ages: &[f64]) -> Vec<Life> {
    ages.iter().map(|age| Life::failed_at(*age).unwrap()).collect()
}

fn in_service(ages: &[f64]) -> Vec<Life> {
    ages.iter().map(|age| Life::in_service(*age).unwrap()).collect()
}

fn between(bounds: &[(f64, f64)]) -> Vec<Life> {
    bounds.iter().map(|(after, by)| Life::failed_between(*after, *by).unwrap()).collect()
}

fn assert_close(found: f64, wanted: f64, tolerance: f64) {
    assert!((found - wanted).abs() <= tolerance, "{found}, wanted {wanted}");
}

/// Kaplan and Meier (1958), J. American Statistical Association 53:457-481, the method on eight
/// lives: 2, 3, 3+, 5, 6, 6, 8+, 9, by fractions (and R survival 3.5-3, lifelines 0.30.3).
#[test]
fn survival_of_eight_lives_is_as_by_fractions() {
    let lives = [failed(&[2.0, 3.0, 5.0, 6.0, 6.0, 9.0]), in_service(&[3.0, 8.0])].concat();
    let curve = estimate_survival(&lives).unwrap();
    let ages: Vec<f64> = curve.steps.iter().map(|step| step.age).collect();
    assert_eq!(ages, [2.0, 3.0, 5.0, 6.0, 9.0]);
    let wanted = [7.0 / 8.0, 3.0 / 4.0, 3.0 / 5.0, 3.0 / 10.0, 0.0];
    let errors = [0.116926793, 0.153093109, 0.181659021, 0.175356779, 0.0];
    for ((step, survival), error) in curve.steps.iter().zip(wanted).zip(errors) {
        assert_close(step.survival, survival, 1e-12);
        assert_close(step.standard_error, error, 5e-10);
    }
    assert_eq!(curve.median(), Some(6.0));
    assert_close(curve.mean_to(9.0).unwrap(), 5.875, 1e-12);
    assert_eq!(curve.survival_at(3.0), Some(curve.steps[1].survival));
    assert_eq!(curve.survival_at(1.0), Some(1.0));
}

#[test]
fn beyond_the_last_age_survival_is_unknown_unless_nothing_is_left() {
    let open = estimate_survival(&[failed(&[2.0]), in_service(&[4.0])].concat()).unwrap();
    assert_eq!((open.survival_at(4.0), open.survival_at(4.1)), (Some(0.5), None));
    let closed = estimate_survival(&failed(&[2.0])).unwrap();
    assert_eq!(closed.survival_at(100.0), Some(0.0));
}

/// Cox and Lewis (1966), Statistical Analysis of Series of Events, ch. 3, and Crow (1974), worked
/// by hand on four failures each.
#[test]
fn trend_of_four_failures_is_as_by_hand() {
    let watched = RepairHistory::new(vec![120.0, 400.0, 650.0, 900.0], Some(1000.0)).unwrap();
    let trend = estimate_trend(&watched);
    assert_close(trend.laplace.unwrap(), 0.121243557, 5e-10);
    assert_close(trend.chi_square, 2.0 * 3.572697700, 1e-9);
    assert_close(trend.shape.unwrap(), 1.119602143, 5e-10);
    assert_close(trend.scale.unwrap(), 289.904805, 5e-7);
    assert_close(1.0 / trend.mtbf_at_end.unwrap(), 0.00447840857, 5e-12);
    let stopped = RepairHistory::new(vec![100.0, 150.0, 500.0, 1000.0], None).unwrap();
    let trend = estimate_trend(&stopped);
    assert_close(trend.laplace.unwrap(), -1.5, 1e-14);
    assert_close(trend.shape.unwrap(), 0.817519064, 5e-10);
    assert_close(trend.scale.unwrap(), 183.464632, 5e-7);
    assert_close(1.0 / trend.mtbf_at_end.unwrap(), 0.00327007626, 5e-12);
}

#[test]
fn a_history_too_short_for_a_figure_has_none() {
    let one = estimate_trend(&RepairHistory::new(vec![10.0], None).unwrap());
    assert_eq!((one.laplace, one.shape, one.shape_low, one.mtbf_at_end), (None, None, None, None));
    let watched = estimate_trend(&RepairHistory::new(vec![10.0], Some(20.0)).unwrap());
    assert_close(watched.shape.unwrap(), 1.0 / 2_f64.ln(), 1e-14);
    assert_eq!(watched.shape_unbiased, None);
    let at_the_end = estimate_trend(&RepairHistory::new(vec![20.0, 20.0], Some(20.0)).unwrap());
    assert_eq!((at_the_end.shape, at_the_end.scale), (None, None));
    assert!(at_the_end.laplace.unwrap() > 0.0);
}

#[rstest]
#[case::none(vec![], None, "repairs-no-events")]
#[case::at_zero(vec![0.0, 1.0], None, "repair-at-zero")]
#[case::falling(vec![2.0, 1.0], None, "repairs-fall")]
#[case::past_the_end(vec![2.0, 3.0], Some(2.5), "observed-too-short")]
#[case::no_number(vec![f64::NAN], None, "age-out-of-range")]
#[case::endless(vec![1.0], Some(f64::INFINITY), "age-out-of-range")]
fn a_broken_history_is_refused_by_name(
    #[case] ages: Vec<f64>,
    #[case] observed_to: Option<f64>,
    #[case] rule: &str,
) {
    assert_eq!(RepairHistory::new(ages, observed_to).unwrap_err().rule(), rule);
}

#[rstest]
#[case::negative(-1.0, None, "age-out-of-range")]
#[case::reversed(5.0, Some(4.0), "life-bounds-reversed")]
#[case::zero_life(0.0, Some(0.0), "life-of-zero")]
#[case::endless(1.0, Some(f64::INFINITY), "age-out-of-range")]
fn a_broken_life_is_refused_by_name(
    #[case] lower: f64,
    #[case] upper: Option<f64>,
    #[case] rule: &str,
) {
    assert_eq!(Life::from_bounds(lower, upper).unwrap_err().rule(), rule);
}

/// The same file with every age known to a hair must give what exact ages give.
#[test]
fn intervals_that_close_in_agree_with_exact_ages() {
    let ages = [31.0, 44.0, 52.0, 60.0, 75.0, 90.0, 118.0];
    let sound = in_service(&[40.0, 100.0]);
    let exact = fit_weibull(&[failed(&ages), sound.clone()].concat()).unwrap();
    let narrow: Vec<(f64, f64)> = ages.iter().map(|age| (age - 1e-7, age + 1e-7)).collect();
    let close = fit_weibull(&[between(&narrow), sound].concat()).unwrap();
    for (a, b) in [
        (exact.weibull.shape(), close.weibull.shape()),
        (exact.weibull.scale(), close.weibull.scale()),
        (exact.shape_low.unwrap(), close.shape_low.unwrap()),
        (exact.shape_high.unwrap(), close.shape_high.unwrap()),
        (exact.scale_low.unwrap(), close.scale_low.unwrap()),
        (exact.scale_high.unwrap(), close.scale_high.unwrap()),
    ] {
        assert_close(b / a, 1.0, 1e-8);
    }
}

/// With the shape at 1 and exact lives the scale's estimate is hours per failure, and the range
/// for no failure is hours / −ln 0.05 (NIST/SEMATECH e-Handbook, section 8.4.5.1).
#[test]
fn without_failures_the_least_mean_life_rests_on_the_hours_run() {
    let lives = in_service(&[100.0; 30]);
    let range = bound_mean_life(&lives, NoFit::TooFewFailures { failures: 0 });
    // Shape 1: 3000 / 2.9957 = 1001.4. A steep shape allows less: at 4, 100 · (30 / 2.9957)^(1/4)
    // · Γ(1.25).
    let steep = 100.0 * (30.0_f64 / 2.995732273553991).powf(0.25) * 0.906402477055477;
    assert_close(range.low.unwrap(), steep, 1e-9 * steep);
    assert_eq!(range.high, None);
}

#[test]
fn under_five_failures_there_is_a_range_and_from_five_a_figure() {
    let sound = in_service(&[50.0, 120.0, 300.0]);
    let four = summarise(&[failed(&[80.0, 100.0, 140.0, 150.0]), sound.clone()].concat());
    let range = four.law.unwrap_err();
    assert!(range.low.unwrap() < range.high.unwrap());
    assert!(range.reason.to_string().starts_with("4 failures in 7 lives: fewer than 5"));
    let five = summarise(&[failed(&[80.0, 100.0, 140.0, 150.0, 200.0]), sound].concat());
    assert!(five.law.is_ok());
}

#[rstest]
#[case::nothing_ran(in_service(&[0.0, 0.0]), NoFit::TooFewFailures { failures: 0 }, false, false)]
#[case::one_in_service(in_service(&[7.0]), NoFit::TooFewFailures { failures: 0 }, true, false)]
#[case::one_failed(failed(&[7.0]), NoFit::TooFewFailures { failures: 1 }, true, true)]
#[case::all_at_one_age(failed(&[7.0; 9]), NoFit::OneAge, true, true)]
#[case::all_left(between(&[(0.0, 9.0); 6]), NoFit::NoneSeenSound, false, true)]
#[case::two_left(between(&[(0.0, 9.0), (0.0, 4.0)]), NoFit::TooFewFailures { failures: 2 }, false, true)]
#[case::one_wide_interval(between(&[(5.0, 9.0); 6]), NoFit::OneAge, true, true)]
#[case::all_bad_looks_after_all_sound(
    [between(&[(0.0, 9.0); 6]), in_service(&[8.0, 9.0])].concat(), NoFit::OneAge, true, true)]
#[case::young_ones_bad_old_ones_sound(
    [between(&[(0.0, 4.0); 6]), in_service(&[8.0; 6])].concat(), NoFit::NoPeak, true, true)]
fn lives_that_carry_no_law_give_a_range_and_its_cause(
    #[case] lives: Vec<Life>,
    #[case] cause: NoFit,
    #[case] bounded_below: bool,
    #[case] bounded_above: bool,
) {
    let summary = summarise(&lives);
    let range = summary.law.unwrap_err();
    assert_eq!(range.reason.cause, cause);
    assert_eq!((range.low.is_some(), range.high.is_some()), (bounded_below, bounded_above));
}

/// Nothing but looks: the range for all found bad at the first look. Shape 1 gives the largest
/// mean: (1 − e^(−9/θ))^6 = 0.05.
#[test]
fn with_none_seen_sound_the_greatest_mean_life_is_bounded() {
    let lives = between(&[(0.0, 9.0); 6]);
    let range = bound_mean_life(&lives, NoFit::NoneSeenSound);
    let exponential = -9.0 / (-(0.05_f64.powf(1.0 / 6.0))).ln_1p();
    assert_close(range.high.unwrap() / exponential, 1.0, 1e-9);
}

/// Turnbull (1976): on exact and right-censored lives his estimate is Kaplan and Meier's.
#[test]
fn turnbull_without_intervals_is_kaplan_meier() {
    let lives = [failed(&[2.0, 3.0, 5.0, 6.0, 6.0, 9.0]), in_service(&[3.0, 8.0])].concat();
    let curve = estimate_survival(&lives).unwrap();
    let other = estimate_interval_survival(&lives);
    assert_eq!(curve.steps.len(), other.survival.len());
    for (step, (age, survival)) in curve.steps.iter().zip(other.survival) {
        assert_eq!(step.age, age);
        assert_close(step.survival, survival, 1e-9);
    }
}

/// An interval is open below: (4, 6] and an exact 4 share no age, (3, 4] and it do.
#[test]
fn an_interval_does_not_hold_its_lower_end() {
    let apart = estimate_interval_survival(&[failed(&[4.0]), between(&[(4.0, 6.0)])].concat());
    assert_eq!(apart.survival, [(4.0, 0.5), (6.0, 0.0)]);
    let together = estimate_interval_survival(&[failed(&[4.0]), between(&[(3.0, 4.0)])].concat());
    assert_eq!(together.survival, [(4.0, 0.0)]);
    assert_eq!(apart.survival_at(5.0), None);
    assert_eq!(apart.survival_at(4.0), Some(0.5));
}

#[test]
fn groups_of_like_lives_do_not_differ_and_swapping_them_changes_nothing() {
    let one = [failed(&[3.0, 5.0, 9.0, 14.0]), in_service(&[7.0])].concat();
    let same = compare_groups(&[one.clone(), one.clone()]).unwrap();
    assert_close(same.statistic, 0.0, 1e-12);
    assert_close(same.p, 1.0, 1e-12);
    let other = [failed(&[2.0, 2.0, 4.0]), in_service(&[4.0])].concat();
    let there = compare_groups(&[one.clone(), other.clone()]).unwrap();
    let back = compare_groups(&[other, one]).unwrap();
    assert_close(there.statistic, back.statistic, 1e-12);
}

#[test]
fn groups_never_at_risk_together_are_not_compared() {
    let young = in_service(&[1.0, 2.0]);
    let old = [failed(&[5.0, 6.0]), in_service(&[8.0])].concat();
    assert_eq!(
        compare_groups(&[young.clone(), old.clone()]).unwrap_err(),
        LifeError::NothingToCompare
    );
    // Beside a third group the two that meet are compared, and the young ones add no freedom.
    let third = failed(&[5.5, 7.0]);
    let three = compare_groups(&[young, old.clone(), third.clone()]).unwrap();
    let two = compare_groups(&[old, third]).unwrap();
    assert_eq!((three.degrees_of_freedom, two.degrees_of_freedom), (1, 1));
    assert_close(three.statistic, two.statistic, 1e-12);
    assert_eq!(compare_groups(&[failed(&[1.0])]).unwrap_err().rule(), "comparison-one-group");
}

/// The integral in the cost rate, by Simpson's rule on 20 000 panels, and the optimum by looking
/// at every age of a fine grid: a computation that shares no formula with the one under test.
#[test]
fn the_cheapest_age_survives_a_slow_search() {
    let law = Weibull::new(2.3, 240.0).unwrap();
    let costs = ReplacementCosts::new(40.0, 260.0).unwrap();
    let slow = |age: f64| {
        let panels = 20_000;
        let step = age / f64::from(panels);
        let weight = |k: i32| match k {
            0 => 1.0,
            k if k == panels => 1.0,
            k if k % 2 == 1 => 4.0,
            _ => 2.0,
        };
        let survival = |t: f64| (-(t / 240.0).powf(2.3)).exp();
        let sum: f64 = (0..=panels).map(|k| weight(k) * survival(step * f64::from(k))).sum();
        (40.0 * survival(age) + 260.0 * (1.0 - survival(age))) / (sum * step / 3.0)
    };
    assert_close(cost_rate(&law, &costs, 130.0).unwrap(), slow(130.0), 1e-12);
    let Advice::ReplaceAt(best) = find_replacement_age(&law, &costs).unwrap().advice else {
        panic!("wear and a dear failure must give an age");
    };
    assert!(slow(best.age) < slow(best.age * 1.01) && slow(best.age) < slow(best.age * 0.99));
    assert_close(slow(best.hardly_matters_from) / slow(best.age), 1.05, 1e-9);
    assert_close(slow(best.hardly_matters_to.unwrap()) / slow(best.age), 1.05, 1e-9);
}

#[rstest]
#[case::no_wear(0.9, 5.0, RunReason::HazardNotRising)]
#[case::cheap_failure(3.0, 1.0, RunReason::FailureNotDearer)]
#[case::little_wear_cheap_failure(1.2, 2.0, RunReason::NothingSaved)]
fn running_to_failure_has_its_reason(
    #[case] shape: f64,
    #[case] failure: f64,
    #[case] reason: RunReason,
) {
    let law = Weibull::new(shape, 100.0).unwrap();
    let found = find_replacement_age(&law, &ReplacementCosts::new(1.0, failure).unwrap()).unwrap();
    assert_eq!(found.advice, Advice::RunToFailure(reason));
    assert_eq!(found.propose(50.0), IntervalProposal::RunToFailure(reason));
}

#[test]
fn an_interval_where_it_hardly_matters_is_kept() {
    let law = Weibull::new(2.5, 1000.0).unwrap();
    let found = find_replacement_age(&law, &ReplacementCosts::new(1.0, 5.0).unwrap()).unwrap();
    let Advice::ReplaceAt(best) = found.advice else { panic!("{found:?}") };
    let (from, to) = (best.hardly_matters_from, best.hardly_matters_to.unwrap());
    assert_eq!(found.propose(best.age), IntervalProposal::Keep);
    assert_eq!(found.propose(from * 1.001), IntervalProposal::Keep);
    assert_eq!(found.propose(from * 0.999), IntervalProposal::Lengthen { to: best.age });
    assert_eq!(found.propose(to * 0.999), IntervalProposal::Keep);
    assert_eq!(found.propose(to * 1.001), IntervalProposal::Shorten { to: best.age });
}

#[test]
fn a_manager_is_told_in_a_sentence() {
    let ages = [110.0, 150.0, 165.0, 190.0, 210.0, 230.0, 260.0, 280.0, 330.0];
    let lives = [failed(&ages), in_service(&[100.0; 40])].concat();
    let summary = summarise(&lives);
    let law = summary.law.as_ref().unwrap().weibull;
    let costs = ReplacementCosts::new(60.0, 400.0).unwrap();
    let found = find_replacement_age(&law, &costs).unwrap();
    let said = sentence::describe_replacement("impellers in salt", &summary, Some(&found), "h");
    assert!(
        said.starts_with("impellers in salt: 9 failures in 49 lives; replacing at ")
            && said.ends_with(" h it hardly matters"),
        "{said}"
    );
    let few = summarise(&[failed(&[110.0]), in_service(&[90.0; 11])].concat());
    let said = sentence::describe_replacement("seals", &few, None, "h");
    assert!(said.starts_with("seals: 1 failure in 12 lives; too few for a figure"), "{said}");
}

#[rstest]
#[case(183.4, "180")]
#[case(0.123, "0.1")]
#[case(4.26, "4.3")]
#[case(99.6, "100")]
#[case(1234.0, "1200")]
fn ages_are_said_in_two_figures(#[case] age: f64, #[case] said: &str) {
    assert_eq!(sentence::round_age(age), said);
}

fn prices() -> RetirementPrices {
    RetirementPrices {
        day_lost: 60.0,
        new_engine: 2400.0,
        new_engine_resale: 600.0,
        seasons_of_use: 6.0,
        resale_now: 300.0,
        resale_after_season: 200.0,
        young_rate_share: 0.4,
        donor_parts: 350.0,
    }
}

fn season(repairs: u32) -> SeasonRecord {
    SeasonRecord {
        ran_hours: 200.0,
        repairs,
        repair_money: 110.0 * f64::from(repairs),
        days_lost: 3.0 * f64::from(repairs),
    }
}

/// Gelman and others (2013), Bayesian Data Analysis, sec. 2.6: prior Gamma(2, 1000 h), 3 failures
/// in 4000 h, next 1000 h: mean 1, 5 % and 95 % points 0 and 3; here the 10 and 90 % points of
/// the same law, 0 and 2 (P(0) = 0.40, P(<= 1) = 0.74, P(<= 2) = 0.90).
#[test]
fn a_seasons_repairs_are_negative_binomial() {
    let pool = PoolRecord {
        engines: 3,
        ran_hours: 1_000_000.0 - 0.25e6,
        repairs: 1500 - 1, // and the half that is added
        money_per_repair: 100.0,
        days_per_repair: 0.0,
        rate_shape: 2.0,
    };
    let own = SeasonRecord { ran_hours: 4000.0, repairs: 3, repair_money: 300.0, days_lost: 0.0 };
    let view = weigh_engine(&[own], &pool, 1000.0, &prices()).unwrap();
    // The pool's rate is 0.0019993 per hour, so the prior is Gamma(2, 1000.3 h).
    assert_close(view.keep.repairs, 1.0, 1e-3);
    assert_close(view.keep.mean, 100.0 + 100.0 * view.keep.repairs, 1e-9);
    assert_eq!((view.keep.low, view.keep.high), (100.0, 100.0 + 200.0));
}

#[test]
fn a_worn_out_engine_and_a_sound_one_are_told_apart() {
    let engines: Vec<Vec<SeasonRecord>> =
        (0..12).map(|k| vec![season(k % 3), season((k + 1) % 3)]).collect();
    let pool = PoolRecord::from_engines(&engines).unwrap();
    let bad = [season(4), season(9), season(14)];
    let view = weigh_engine(&bad, &pool, 200.0, &prices()).unwrap();
    assert_eq!(view.outlook, Outlook::NewLooksCheaper, "{}", view.reason);
    assert!(view.worth_more_as_donor);
    assert_eq!((view.money_so_far, view.days_lost_so_far), (27.0 * 110.0, 81.0));
    let sound = [season(0), season(0), season(0), season(0)];
    let dear = RetirementPrices { new_engine: 9000.0, ..prices() };
    let view = weigh_engine(&sound, &pool, 200.0, &dear).unwrap();
    assert_eq!(view.outlook, Outlook::KeepingLooksCheaper, "{}", view.reason);
    assert!(!view.worth_more_as_donor);
}

#[test]
fn an_engine_without_a_past_is_its_pools() {
    let pool = PoolRecord::from_engines(&[]).unwrap();
    let view = weigh_engine(&[], &pool, 100.0, &prices()).unwrap();
    assert!(view.keep.mean.is_finite() && view.new.mean.is_finite());
    let refused = weigh_engine(&[], &pool, f64::NAN, &prices()).unwrap_err();
    assert_eq!(refused.rule(), "amount-out-of-range");
}
