//! Laws that hold for any lives, on drawn ones with heavy ties, zero ages and every censoring.

#![allow(clippy::unwrap_used, reason = "a test that cannot unwrap has failed")]

use life::{
    Life, LifeEnd, PartSummary, Weibull, compare_groups, estimate_interval_survival, fit_weibull,
    summarise,
};
use proptest::prelude::*;

/// Ages from a few values, so that ends meet, zero among them.
fn life() -> impl Strategy<Value = Life> {
    (0_u8..4, 0_u32..12, 1_u32..12).prop_map(|(kind, lower, more)| {
        let (lower, more) = (f64::from(lower), f64::from(more));
        match kind {
            0 => Life::in_service(lower * 25.0),
            1 => Life::failed_at(more * 25.0),
            2 => Life::failed_between(lower * 25.0, (lower + more) * 25.0),
            _ => Life::failed_between(0.0, more * 25.0),
        }
        .unwrap()
    })
}

fn lives() -> impl Strategy<Value = Vec<Life>> {
    prop::collection::vec(life(), 0..40)
}

fn check(summary: &PartSummary) -> Result<(), TestCaseError> {
    let mut before = 1.0;
    for (_, survival) in &summary.survival {
        prop_assert!((0.0..=before).contains(survival), "{:?}", summary.survival);
        before = *survival;
    }
    match &summary.law {
        Ok(fit) => {
            let (shape, scale) = (fit.weibull.shape(), fit.weibull.scale());
            prop_assert!(shape.is_finite() && scale.is_finite() && fit.log_likelihood.is_finite());
            for (bound, value, sign) in [
                (fit.shape_low, shape, -1.0),
                (fit.shape_high, shape, 1.0),
                (fit.scale_low, scale, -1.0),
                (fit.scale_high, scale, 1.0),
            ] {
                if let Some(bound) = bound {
                    prop_assert!(bound.is_finite() && sign * (bound - value) > 0.0, "{fit:?}");
                }
            }
        }
        Err(range) => {
            let ends = [range.low, range.high];
            prop_assert!(ends.iter().flatten().all(|end| end.is_finite() && *end > 0.0));
            if let (Some(low), Some(high)) = (range.low, range.high) {
                prop_assert!(low <= high, "{range:?}");
            }
        }
    }
    Ok(())
}

/// The log-likelihood written out from the law, with no transformation.
fn plain_log_likelihood(lives: &[Life], law: &Weibull) -> f64 {
    let (shape, scale) = (law.shape(), law.scale());
    lives
        .iter()
        .map(|life| match life.end() {
            LifeEnd::InService { age } => law.survival(age).ln(),
            LifeEnd::Failed { age } => {
                (shape / scale * (age / scale).powf(shape - 1.0) * law.survival(age)).ln()
            }
            LifeEnd::FailedBetween { after, by } => (law.survival(after) - law.survival(by)).ln(),
        })
        .sum()
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_lives_give_an_answer_without_nan(lives in lives()) {
        check(&summarise(&lives))?;
    }

    #[test]
    fn any_two_groups_compare_or_say_why_not(one in lives(), other in lives()) {
        if let Ok(found) = compare_groups(&[one, other]) {
            prop_assert!(found.statistic.is_finite() && found.statistic >= 0.0);
            prop_assert!((0.0..=1.0).contains(&found.p));
            prop_assert!(found.groups.iter().map(|group| group.excess).sum::<f64>().abs() < 1e-6);
        }
    }

    #[test]
    fn the_unit_of_age_does_not_matter(lives in lives(), unit in 1e-6_f64..1e6) {
        let scaled: Vec<Life> = lives
            .iter()
            .map(|l| Life::from_bounds(l.lower() * unit, l.upper().map(|u| u * unit)).unwrap())
            .collect();
        if let (Ok(here), Ok(there)) = (fit_weibull(&lives), fit_weibull(&scaled)) {
            prop_assert!((there.weibull.shape() / here.weibull.shape() - 1.0).abs() < 1e-6);
            prop_assert!((there.weibull.scale() / here.weibull.scale() / unit - 1.0).abs() < 1e-6);
        }
    }

    /// The fit against its own likelihood written plainly: no neighbour is likelier, and at each
    /// bound of the shape the best that can be had is as far below as it should be.
    #[test]
    fn no_law_nearby_is_likelier(lives in lives()) {
        let Ok(fit) = fit_weibull(&lives) else { return Ok(()) };
        let at = |law: &Weibull| plain_log_likelihood(&lives, law);
        let best = at(&fit.weibull);
        prop_assert!((best - fit.log_likelihood).abs() < 1e-8 * (1.0 + best.abs()));
        let (shape, scale) = (fit.weibull.shape(), fit.weibull.scale());
        for (a, b) in [(1.001, 1.0), (0.999, 1.0), (1.0, 1.001), (1.0, 0.999)] {
            let near = at(&Weibull::new(shape * a, scale * b).unwrap());
            prop_assert!(near <= best + 1e-9, "{near} above {best}");
        }
        for law in [fit.at_shape_low, fit.at_shape_high].into_iter().flatten() {
            let fallen = at(&law);
            if fallen.is_finite() {
                prop_assert!((best - fallen - 1.920729).abs() < 1e-5, "fell {}", best - fallen);
            }
        }
    }

    /// At a bound of the scale, the likeliest shape found by halving and comparing.
    #[test]
    fn at_a_bound_of_the_scale_the_best_is_as_far_below(lives in lives()) {
        let Ok(fit) = fit_weibull(&lives) else { return Ok(()) };
        let best = plain_log_likelihood(&lives, &fit.weibull);
        for scale in [fit.scale_low, fit.scale_high].into_iter().flatten() {
            let at = |log_shape: f64| {
                let law = Weibull::new(log_shape.exp(), scale);
                law.map_or(f64::NEG_INFINITY, |law| plain_log_likelihood(&lives, &law))
            };
            // Plain powers and differences hold within a factor of 20 of the fitted shape.
            let middle = fit.weibull.shape().ln();
            let (mut low, mut high) = (middle - 3.0, middle + 3.0);
            for _ in 0..200 {
                let (a, b) = (low + (high - low) / 3.0, high - (high - low) / 3.0);
                if at(a) < at(b) { low = a } else { high = b }
            }
            let inside = (low - middle).abs() < 2.9;
            let fallen = best - at(low);
            if inside && fallen.is_finite() {
                prop_assert!((fallen - 1.920729).abs() < 1e-5, "fell {fallen} at {scale}: {fit:?}");
            }
        }
    }

    /// Gentleman and Geyer (1994): at the answer no cell would gain by more mass.
    #[test]
    fn turnbulls_masses_meet_the_gradient_condition(lives in lives()) {
        let curve = estimate_interval_survival(&lives);
        // Whether all of (after, upto], or the single age where both are the same, is possible.
        let holds = |life: &Life, after: f64, upto: f64| {
            let beyond = |age: f64| if after == upto { after > age } else { after >= age };
            match life.end() {
                LifeEnd::Failed { age } => after == age && upto == age,
                LifeEnd::InService { age } => beyond(age),
                LifeEnd::FailedBetween { after, by } => beyond(after) && upto <= by,
            }
        };
        let probability = |life: &Life| -> f64 {
            curve.cells.iter()
                .filter(|cell| holds(life, cell.after, cell.upto.unwrap_or(f64::INFINITY)))
                .map(|cell| cell.mass)
                .sum()
        };
        let of_lives: Vec<f64> = lives.iter().map(probability).collect();
        // Any single age or gap between neighbouring ages as a candidate.
        let mut ages: Vec<f64> =
            lives.iter().flat_map(|l| [Some(l.lower()), l.upper()]).flatten().collect();
        ages.extend([0.0, f64::INFINITY]);
        ages.sort_by(f64::total_cmp);
        ages.dedup();
        for pair in ages.windows(2) {
            for (after, upto) in [(pair[0], pair[1]), (pair[1], pair[1])] {
                let gain: f64 = lives.iter().zip(&of_lives)
                    .filter(|(life, _)| holds(life, after, upto))
                    .map(|(_, probability)| 1.0 / probability)
                    .sum();
                prop_assert!(gain <= lives.len() as f64 * (1.0 + 1e-6), "{gain} {after} {upto}");
            }
        }
    }
}
