//! Whatever the history, an answer that can be used or a refusal that names the rule.

use demand::{
    DemandError, History, Model, Month, PartForecast, QUANTILE_LEVELS, QUANTITY_MAX, Request, Run,
    forecast,
};
use proptest::prelude::{Strategy, prop, prop_assert, prop_oneof, proptest};

fn ending_together(quantities: Vec<Vec<f64>>) -> Vec<History> {
    let last = Month::new(2025, 6).expect("a month");
    let of = |(part, quantities): (usize, Vec<f64>)| History {
        part: format!("P{part}"),
        family: (part % 2 == 0).then(|| "even".to_owned()),
        first: last.plus(1 - quantities.len() as i32),
        quantities,
    };
    quantities.into_iter().enumerate().map(of).collect()
}

fn run(quantities: Vec<Vec<f64>>) -> Result<Run, DemandError> {
    let request = Request { months: 7, paths: 60, seed: 3 };
    forecast(&ending_together(quantities), &request, &|_, _| {})
}

/// Never NaN, never negative, quantiles in order, whole where the history is.
fn is_usable(part: &PartForecast, history: &[f64]) -> Result<(), String> {
    let whole = history.iter().all(|quantity| quantity.fract() == 0.0);
    let mut row = [0.0; QUANTILE_LEVELS.len()];
    for ahead in 0..7 {
        part.paths.quantiles(ahead, &QUANTILE_LEVELS, &mut row);
        let usable = row.is_sorted()
            && row.iter().all(|quantile| quantile.is_finite() && *quantile >= 0.0)
            && (!whole || row.iter().all(|quantile| quantile.fract() == 0.0));
        if !usable {
            return Err(format!("{history:?}: {row:?} by {:?}", part.model));
        }
    }
    let mean = part.paths.cumulated_mean(7);
    if mean.is_finite() && mean >= 0.0 { Ok(()) } else { Err(format!("mean {mean}")) }
}

#[test]
fn odd_histories_get_a_usable_answer() {
    let histories = vec![
        vec![3.0],
        vec![0.0],
        vec![0.0; 60],
        vec![5.0; 60],
        vec![0.25; 30],
        [vec![0.0; 47], vec![QUANTITY_MAX]].concat(),
        [vec![QUANTITY_MAX], vec![0.0; 47]].concat(),
        (0..480).map(|month| f64::from(month % 12)).collect(),
        (0..60).map(|month| if month % 9 == 0 { 0.1 } else { 0.0 }).collect(),
        (0..60).map(|month| 1000.0 - 16.0 * f64::from(month)).collect(),
        (0..60).map(|month| 1e-9 * f64::from(month)).collect(),
    ];
    let run = run(histories.clone()).unwrap();
    for (part, history) in run.parts.iter().zip(&histories) {
        is_usable(part, history).unwrap();
        assert!(part.reason.len() > 20, "{}", part.reason);
    }
    assert_eq!(run.parts[2].paths.cumulated_mean(7), 0.0);
}

#[test]
fn no_history_gives_no_forecast_and_no_fault() {
    assert_eq!(run(Vec::new()).unwrap().parts.len(), 0);
}

#[test]
fn broken_histories_are_refused_by_rule() {
    let rule = |quantities: Vec<Vec<f64>>| run(quantities).map_err(|error| error.rule()).err();
    assert_eq!(rule(vec![vec![0.0]]), None);
    assert_eq!(rule(vec![vec![-0.1]]), Some("quantity-negative-or-not-a-number"));
    assert_eq!(rule(vec![vec![f64::NAN]]), Some("quantity-negative-or-not-a-number"));
    assert_eq!(rule(vec![vec![f64::INFINITY]]), Some("quantity-negative-or-not-a-number"));
    assert_eq!(rule(vec![vec![QUANTITY_MAX]]), None);
    assert_eq!(rule(vec![vec![QUANTITY_MAX * 1.01]]), Some("quantity-too-large"));
    assert_eq!(rule(vec![Vec::new()]), Some("history-empty"));
    assert_eq!(rule(vec![vec![1.0; 1_200]]), None);
    assert_eq!(rule(vec![vec![1.0; 1_201]]), Some("history-too-long"));
}

#[test]
fn a_request_out_of_range_is_refused_on_both_sides() {
    let histories = ending_together(vec![vec![1.0, 2.0]]);
    let rule = |months: usize, paths: usize| {
        let request = Request { months, paths, seed: 1 };
        forecast(&histories, &request, &|_, _| {}).map_err(|error| error.rule()).err()
    };
    assert_eq!((rule(1, 20), rule(60, 5_000)), (None, None));
    assert_eq!((rule(0, 20), rule(61, 20)), (Some("months-ahead"), Some("months-ahead")));
    assert_eq!((rule(1, 19), rule(1, 5_001)), (Some("sample-paths"), Some("sample-paths")));
}

#[test]
fn parts_twice_and_histories_that_end_apart_are_refused() {
    let mut histories = ending_together(vec![vec![1.0, 2.0], vec![3.0]]);
    let rule = |histories: &[History]| {
        let request = Request::default();
        forecast(histories, &request, &|_, _| {}).map_err(|error| error.rule()).err()
    };
    assert_eq!(rule(&histories), None);
    histories[1].first = histories[1].first.plus(1);
    assert_eq!(rule(&histories), Some("histories-end-together"));
    histories[1].first = histories[1].first.plus(-1);
    histories[1].part = histories[0].part.clone();
    assert_eq!(rule(&histories), Some("part-twice"));
}

/// Demand of forty parts over four years, by a small recurrence: no draw of a generator is needed.
fn forty_parts() -> Vec<Vec<f64>> {
    let quantity = |part: usize, month: usize| -> f64 {
        let mixed = (part * 7_919 + month * 104_729 + part * month * 31) % 97;
        if mixed < 10 + part { (1 + mixed % 4) as f64 } else { 0.0 }
    };
    (0..40).map(|part| (0..48).map(|month| quantity(part, month)).collect()).collect()
}

#[test]
fn threads_and_repetition_change_nothing() {
    let again = || run(forty_parts()).unwrap();
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap().install(again);
    let three = rayon::ThreadPoolBuilder::new().num_threads(3).build().unwrap().install(again);
    assert_eq!(one, three);
    assert!(one.parts[39].scores.iter().any(|line| line.model == Model::AcrossParts));
    assert_eq!(one.parts[39].scores[0].model, Model::SeasonalNaive);
}

/// A model that saw a month after its origin would answer differently when only that month moves.
#[test]
fn the_backtest_does_not_see_the_months_it_scores() {
    let mut moved = forty_parts();
    for quantities in &mut moved {
        // The months that the newest origin is scored on, all the same, in another order.
        quantities[42..].reverse();
    }
    let (first, second) = (run(forty_parts()).unwrap(), run(moved).unwrap());
    let mean_error = |run: &Run, part: usize| {
        let naive = run.parts[part].scores.iter().find(|line| line.model == Model::Empirical);
        naive.map(|line| line.scores.bias)
    };
    // The empirical model's forecast and the months' sum are unchanged, so its bias is.
    for part in 0..40 {
        assert_eq!(mean_error(&first, part), mean_error(&second, part), "{part}");
    }
}

fn quantity() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => prop::sample::select(vec![0.0]),
        3 => (1_u32..30).prop_map(f64::from),
        1 => 0.0..50.0_f64,
        1 => (0.0..12.0_f64).prop_map(|power| 10_f64.powf(power)),
    ]
}

proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig { cases: 24, failure_persistence: None, ..Default::default() })]
    #[test]
    fn any_history_gets_a_usable_answer(
        histories in prop::collection::vec(prop::collection::vec(quantity(), 1..50), 1..12)
    ) {
        let run = run(histories.clone()).unwrap();
        for (part, history) in run.parts.iter().zip(&histories) {
            let usable = is_usable(part, history);
            prop_assert!(usable.is_ok(), "{:?}", usable);
        }
    }
}
