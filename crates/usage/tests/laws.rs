//! What must hold whatever the figures: order, narrowing, odd histories.

use chrono::{Days, NaiveDate};
use proptest::prelude::{Just, ProptestConfig, Strategy, prop_assert, proptest};
use usage::{
    EngineHistory, EnginePlans, HoursDistribution, LifeReading, Limits, Outlook, Plan, PoolModel,
    Source, UseInterval,
};

fn day(number: u64) -> NaiveDate {
    NaiveDate::from_ymd_opt(2023, 1, 1).expect("the test gives a valid one") + Days::new(number)
}

/// Hours of `days` days from day `start`, by a northern summer season.
fn summer_hours(start: u64, days: u64, rate: f64) -> f64 {
    (start..start + days)
        .map(|d| rate * (1.2 * (std::f64::consts::TAU * (d as f64 - 200.0) / 365.25).cos()).exp())
        .sum()
}

/// A pool of `engines` over three years, read every three weeks or so.
fn pool(engines: usize) -> Vec<EngineHistory> {
    (0..engines)
        .map(|engine| {
            let rate = 0.4 + 0.1 * (engine % 7) as f64;
            let gap = 17 + (engine % 9) as u64;
            let intervals = (0..1080 / gap).map(|i| {
                // Bumps that are the same on every run, up and down by a fifth.
                let bump = 1.0 + 0.2 * ((engine as u64 * 7 + i * 13) % 5) as f64 / 2.0 - 0.2;
                let hours = summer_hours(i * gap, gap, rate) * bump;
                interval(i * gap, (i + 1) * gap, hours)
            });
            EngineHistory::new(intervals.collect()).expect("the test gives a valid one")
        })
        .collect()
}

fn interval(start: u64, end: u64, hours: f64) -> UseInterval {
    UseInterval::new(day(start), day(end), hours, Source::Measured)
        .expect("the test gives a valid one")
}

fn limits(hours_left: f64) -> Limits {
    Limits { hours_left: Some(hours_left), months_limb_on: None }
}

fn fitted() -> (Outlook, Vec<usage::EnginePosterior>) {
    use std::sync::OnceLock;
    static FIT: OnceLock<(Outlook, Vec<usage::EnginePosterior>)> = OnceLock::new();
    FIT.get_or_init(|| {
        let fit = PoolModel::fit(&pool(20), day(1080));
        (fit.outlook, fit.posteriors)
    })
    .clone()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn more_hours_and_tighter_intervals_are_never_due_later(
        engine in 0usize..20, left in 0.5f64..900.0, more in 0.0f64..100.0, by in 1080u64..1800,
    ) {
        let (outlook, posteriors) = fitted();
        let ahead =
            outlook.engine_ahead(&posteriors[engine], day(1080), day(by), &EnginePlans::default());
        let due = ahead.due(&limits(left)).expect("the test gives a valid one");
        let sooner = ahead.due(&limits(left - more)).expect("the test gives a valid one");
        for (sooner, due) in [(sooner.q10, due.q10), (sooner.q50, due.q50), (sooner.q90, due.q90)] {
            prop_assert!(due.is_none_or(|due| sooner.is_some_and(|sooner| sooner <= due)));
        }
        prop_assert!(sooner.probability_by >= due.probability_by - 1e-12);
    }

    #[test]
    fn dates_never_cross_and_agree_with_their_probability(
        engine in 0usize..20, left in 1.0f64..600.0,
    ) {
        let (outlook, posteriors) = fitted();
        let none = EnginePlans::default();
        let ahead = outlook.engine_ahead(&posteriors[engine], day(1080), day(1100), &none);
        let due = ahead.due(&limits(left)).expect("the test gives a valid one");
        let dates = [due.q10, due.q50, due.q90].map(Option::unwrap);
        prop_assert!(dates[0] <= dates[1] && dates[1] <= dates[2]);
        for (date, level) in dates.into_iter().zip([0.1, 0.5, 0.9]) {
            let by = |date| {
                let ahead = outlook.engine_ahead(&posteriors[engine], day(1080), date, &none);
                ahead.due(&limits(left)).expect("the test gives a valid one").probability_by
            };
            // Dates lie between days of a table; in a winter without hours a week moves little.
            let (before, after) = (by(date - Days::new(8)), by(date + Days::new(8)));
            prop_assert!(before <= level + 0.02 && level <= after + 0.02, "{before} {level} {after}");
        }
    }

    #[test]
    fn a_table_laid_out_for_some_hours_answers_them_as_a_whole_one(
        engine in 0usize..20, most in 1.0f64..900.0, share in 0.0f64..=1.0,
    ) {
        let (outlook, posteriors) = fitted();
        let (posterior, none) = (&posteriors[engine], EnginePlans::default());
        let whole = outlook.engine_ahead(posterior, day(1080), day(1200), &none);
        let short = outlook.engine_ahead_for(posterior, day(1080), day(1200), &none, most);
        for left in [share * most, most] {
            let dates = |ahead: &usage::EngineAhead| {
                ahead.due(&limits(left)).map(|due| [due.q10, due.q50, due.q90])
            };
            prop_assert!(dates(&short) == dates(&whole), "{left} of {most}");
        }
    }

    #[test]
    fn an_expected_reading_narrows_the_band_or_keeps_it(engine in 0usize..20, days in 5u64..40) {
        let (outlook, posteriors) = fitted();
        let none = EnginePlans::default();
        let before = posteriors[engine];
        let known = before.known_to().expect("the test gives a valid one");
        let read_on = known + Days::new(days);
        let expected = outlook.hours(&before, known, read_on, &none).hours.mean();
        let mut after = before;
        let reading = UseInterval::new(known, read_on, expected, Source::Measured).expect("the test gives a valid one");
        outlook.observe(&mut after, &reading).expect("the test gives a valid one");
        let width = |posterior| {
            let hours = outlook.hours(posterior, read_on, day(1400), &none).hours;
            hours.quantile(0.9) - hours.quantile(0.1)
        };
        let (wide, narrow) = (width(&before), width(&after));
        prop_assert!(narrow <= wide * 1.005, "{narrow} {wide}");
    }

    #[test]
    fn any_history_has_an_answer(history in histories(), hours in 1.0f64..500.0) {
        let fit = PoolModel::fit(&history, day(1200));
        let none = EnginePlans::default();
        for posterior in &fit.posteriors {
            let forecast = fit.outlook.hours(posterior, day(1200), day(1400), &none);
            assert_sound(&forecast.hours);
            prop_assert!((0.0..=1.0).contains(&forecast.own_share));
            let ahead = fit.outlook.engine_ahead(posterior, day(1200), day(1300), &none);
            let due = ahead.due(&limits(hours)).expect("the test gives a valid one");
            prop_assert!((0.0..=1.0).contains(&due.probability_by));
        }
    }
}

fn assert_sound(hours: &HoursDistribution) {
    assert!(hours.mean().is_finite() && hours.mean() >= 0.0);
    assert!(hours.variance().is_finite() && hours.variance() >= 0.0);
    let levels = [0.0, 0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975, 1.0];
    let quantiles = levels.map(|p| hours.quantile(p));
    assert!(quantiles.iter().all(|q| q.is_finite() && *q >= 0.0), "{quantiles:?}");
    assert!(quantiles.windows(2).all(|pair| pair[0] <= pair[1]), "{quantiles:?}");
}

/// Small fleets of odd histories: empty, all zero, at the rate of time itself, years apart.
fn histories() -> impl Strategy<Value = Vec<EngineHistory>> {
    let steps = proptest::collection::vec((1u64..400, 0u64..300, 0.0f64..1.0), 0..6);
    let scale = proptest::sample::select(vec![0.0, 0.001, 1.0, 24.0]);
    proptest::collection::vec((steps, scale), 0..4).prop_flat_map(|engines| {
        Just(
            engines
                .into_iter()
                .map(|(steps, scale)| {
                    let mut at = 0;
                    let intervals = steps.into_iter().map(|(days, gap, share)| {
                        let start = at + gap;
                        at = start + days;
                        interval(start, at, share * scale * days as f64)
                    });
                    EngineHistory::new(intervals.collect()).expect("the test gives a valid one")
                })
                .collect(),
        )
    })
}

#[test]
fn a_new_engine_is_answered_by_its_pool_and_an_odd_one_keeps_its_own_rate() {
    let mut engines = pool(20);
    let odd = (0..50).map(|i| interval(i * 20, (i + 1) * 20, 4.0 * summer_hours(i * 20, 20, 0.7)));
    engines.push(EngineHistory::new(odd.collect()).expect("the test gives a valid one"));
    engines.push(EngineHistory::default());
    let fit = PoolModel::fit(&engines, day(1080));
    let none = EnginePlans::default();
    let ahead =
        |engine: usize| fit.outlook.hours(&fit.posteriors[engine], day(1080), day(1280), &none);
    let (odd, new) = (ahead(20), ahead(21));
    let truth = summer_hours(1080, 200, 0.7);
    assert_eq!(new.own_share, 0.0);
    assert!(odd.own_share > 0.8, "{}", odd.own_share);
    assert!((2.8..5.2).contains(&(odd.hours.mean() / truth)), "{}", odd.hours.mean() / truth);
    assert!((0.6..1.6).contains(&(new.hours.mean() / truth)), "{}", new.hours.mean() / truth);
}

#[test]
fn the_season_of_the_southern_hemisphere_is_found_where_it_is() {
    let turned: Vec<EngineHistory> = (0..15)
        .map(|engine| {
            let gap = 15 + engine % 7;
            let intervals = (0..1080 / gap)
                .map(|i| interval(i * gap, (i + 1) * gap, summer_hours(i * gap + 182, gap, 0.7)));
            EngineHistory::new(intervals.collect()).expect("the test gives a valid one")
        })
        .collect();
    let season = PoolModel::fit(&turned, day(1080)).model.season();
    let busiest = (0..365)
        .max_by(|&a, &b| season[a].total_cmp(&season[b]))
        .expect("the test gives a valid one");
    let away = (busiest as i64 - 18).rem_euclid(365).min((18 - busiest as i64).rem_euclid(365));
    assert!(away <= 20, "busiest on day {busiest}");
}

#[test]
fn use_all_year_round_has_no_season() {
    let steady: Vec<EngineHistory> = (0..15)
        .map(|engine| {
            let gap = 15 + engine % 7;
            let intervals = (0..1080 / gap).map(|i| {
                interval(i * gap, (i + 1) * gap, gap as f64 * (1.0 + (i % 3) as f64 / 10.0))
            });
            EngineHistory::new(intervals.collect()).expect("the test gives a valid one")
        })
        .collect();
    let season = PoolModel::fit(&steady, day(1080)).model.season();
    let (low, high) = season.iter().fold((f64::MAX, 0.0f64), |(l, h), &x| (l.min(x), h.max(x)));
    assert!(high / low < 1.2, "{low} {high}");
}

#[test]
fn a_meter_dead_since_july_widens_the_band() {
    let (outlook, posteriors) = fitted();
    let alive = posteriors[3];
    let mut engines = pool(20);
    let dead = engines.swap_remove(3).known_on(day(900));
    let dead = outlook.posterior(&dead);
    let none = EnginePlans::default();
    let relative = |posterior| {
        let hours = outlook.hours(posterior, day(1080), day(1260), &none).hours;
        (hours.quantile(0.9) - hours.quantile(0.1)) / hours.mean()
    };
    assert!(relative(&dead) >= relative(&alive));
    // Hours since the last reading are part of what is forecast for a due date.
    let due = |posterior| {
        let ahead = outlook.engine_ahead(posterior, day(1080), day(1090), &none);
        ahead
            .due(&limits(60.0))
            .expect("the test gives a valid one")
            .q50
            .expect("the test gives a valid one")
    };
    assert!(due(&dead) < due(&alive));
}

#[test]
fn an_estimated_reading_moves_the_rate_less() {
    let (outlook, _) = fitted();
    let moved = |source| {
        let mut posterior = outlook.new_engine();
        let reading = UseInterval::new(day(540), day(570), 140.0, source)
            .expect("the test gives a valid one");
        outlook.observe(&mut posterior, &reading).expect("the test gives a valid one");
        posterior.rate() - 1.0
    };
    let (measured, estimated) = (moved(Source::Measured), moved(Source::Estimated));
    assert!(0.0 < estimated && estimated < measured, "{estimated} {measured}");
}

#[test]
fn plans_replace_the_forecast_on_their_days() {
    let (outlook, posteriors) = fitted();
    let hours = |plans: &[Plan]| {
        let plans = EnginePlans::new(plans).expect("the test gives a valid one");
        outlook.hours(&posteriors[0], day(1250), day(1310), &plans).hours
    };
    let free = hours(&[]).mean();
    let parked = hours(&[Plan::Parked { from: day(1250), to: day(1280) }]).mean();
    assert!(parked < 0.65 * free && parked > 0.3 * free, "{parked} {free}");
    let ashore = hours(&[Plan::Parked { from: day(1200), to: day(1400) }]);
    assert_eq!((ashore.mean(), ashore.quantile(0.99)), (0.0, 0.0));
    let booked = Plan::Booked { from: day(1250), to: day(1310), hours: 40.0, hours_sd: 0.0 };
    let sure = hours(&[booked]);
    assert_eq!((sure.mean(), sure.quantile(0.1), sure.quantile(0.9)), (40.0, 40.0, 40.0));
    let half = hours(&[Plan::HireWindow { from: day(1280), to: day(1310) }]).mean();
    assert!((parked - half).abs() < 1e-6 * free);
}

#[test]
fn a_gap_between_readings_is_filled_from_both_sides() {
    let (outlook, _) = fitted();
    let rest = |rate: f64, skip: std::ops::Range<u64>| {
        let kept = (0..50).filter(|i| !skip.contains(i));
        let intervals =
            kept.map(|i| interval(i * 20, (i + 1) * 20, summer_hours(i * 20, 20, rate)));
        EngineHistory::new(intervals.collect()).expect("the test gives a valid one")
    };
    let truth = summer_hours(500, 80, 1.4);
    let around = outlook.posterior_around(&rest(1.4, 25..29), day(500), day(580));
    let filled = outlook.hours(&around, day(500), day(580), &EnginePlans::default()).hours;
    assert!((filled.mean() / truth - 1.0).abs() < 0.25, "{} {truth}", filled.mean());
    // From after the gap alone, too.
    let after = outlook.posterior_around(&rest(1.4, 0..29), day(500), day(580));
    assert!(after.rate() > 1.2, "{}", after.rate());
}

#[test]
fn readings_of_one_day_make_no_interval_and_the_last_counts() {
    let at =
        |number, life_hours| LifeReading { on: day(number), life_hours, source: Source::Measured };
    let history =
        EngineHistory::between_readings(&[at(0, 5.0), at(0, 6.0), at(10, 26.0), at(10, 26.0)])
            .expect("the test gives a valid one");
    assert_eq!(history.intervals().len(), 1);
    assert_eq!(history.total_hours(), 20.0);
    let one = EngineHistory::between_readings(&[at(3, 5.0)]).expect("the test gives a valid one");
    assert!(one.intervals().is_empty());
}

#[test]
fn broken_rules_are_named() {
    let rule = |start, end, hours| {
        UseInterval::new(day(start), day(end), hours, Source::Measured).err().map(|e| e.rule())
    };
    assert_eq!(rule(5, 5, 0.0), Some("interval-without-days"));
    assert_eq!(rule(5, 6, 24.0), None);
    assert_eq!(rule(5, 6, 24.1), Some("use-faster-than-time"));
    assert_eq!(rule(5, 6, -0.1), Some("hours-not-a-number"));
    assert_eq!(rule(5, 6, f64::NAN), Some("hours-not-a-number"));
    let twice = EngineHistory::new(vec![interval(0, 10, 1.0), interval(9, 20, 1.0)]);
    assert_eq!(twice.unwrap_err().rule(), "intervals-overlap");
    let falls = [7.0, 6.0].into_iter().zip([0, 9]).map(|(life_hours, number)| LifeReading {
        on: day(number),
        life_hours,
        source: Source::Measured,
    });
    let falls = EngineHistory::between_readings(&falls.collect::<Vec<_>>());
    assert_eq!(falls.unwrap_err().rule(), "reading-falls");
    let long_ago = NaiveDate::from_ymd_opt(1899, 12, 31).expect("the test gives a valid one");
    let early = UseInterval::new(long_ago, day(0), 1.0, Source::Measured);
    assert_eq!(early.unwrap_err().rule(), "date-out-of-range");
}

#[test]
fn a_stored_model_answers_as_the_fitted_one() {
    let fit = PoolModel::fit(&pool(8), day(1080));
    let text = serde_json::to_string(&(&fit.model, &fit.posteriors[2]))
        .expect("the test gives a valid one");
    let (model, posterior): (PoolModel, usage::EnginePosterior) =
        serde_json::from_str(&text).expect("the test gives a valid one");
    let none = EnginePlans::default();
    let stored = model.outlook().hours(&posterior, day(1080), day(1260), &none);
    let fresh = fit.outlook.hours(&fit.posteriors[2], day(1080), day(1260), &none);
    assert!((stored.hours.mean() - fresh.hours.mean()).abs() < 1e-9);
}

#[test]
fn one_reading_taken_in_is_the_same_as_a_longer_history() {
    let engines = pool(8);
    let fit = PoolModel::fit(&engines, day(1080));
    let all = engines[5].intervals();
    let (last, before) = all.split_last().expect("the test gives a valid one");
    let mut posterior = fit
        .outlook
        .posterior(&EngineHistory::new(before.to_vec()).expect("the test gives a valid one"));
    fit.outlook.observe(&mut posterior, last).expect("the test gives a valid one");
    assert_eq!(posterior, fit.posteriors[5]);
    assert_eq!(fit.outlook.observe(&mut posterior, last).unwrap_err().rule(), "intervals-overlap");
}

proptest! {
    #[test]
    fn a_pool_cut_in_any_order_of_engines_fits_alike(turn in 1usize..8) {
        let mut engines = pool(8);
        let straight = PoolModel::fit(&engines, day(1080)).model.season();
        engines.rotate_left(turn);
        let turned = PoolModel::fit(&engines, day(1080)).model.season();
        for (a, b) in straight.iter().zip(&turned) {
            prop_assert!((a / b - 1.0).abs() < 1e-3);
        }
    }
}

#[test]
fn a_pool_of_one_reading_has_a_wide_answer_on_every_side_of_it() {
    let engine = EngineHistory::new(vec![interval(400, 431, 3.5)]).expect("in order");
    let fit = PoolModel::fit(std::slice::from_ref(&engine), day(431));
    let none = EnginePlans::default();
    for (from, to) in [(460, 490), (100, 130), (5, 20)] {
        let around = fit.outlook.posterior_around(&engine, day(from), day(to));
        let hours = fit.outlook.hours(&around, day(from), day(to), &none).hours;
        assert!(hours.mean() > 0.1 && hours.quantile(0.5) > 0.0, "{from}: {hours:?}");
        assert!(hours.quantile(0.9) > 3.0 * hours.quantile(0.5), "{from}: {hours:?}");
    }
}
