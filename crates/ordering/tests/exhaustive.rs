//! Clever answers against answers found by trying everything.

use ordering::marginal::{Ladder, Rung, allocate, curve, steps};
use ordering::{Addition, LotProblem, least_useless};
use proptest::prelude::*;

/// Least loss within a budget, by every combination of rungs.
fn best_loss(ladders: &[Ladder], budget: i64) -> f64 {
    let Some((first, rest)) = ladders.split_first() else { return 0.0 };
    let within = first.rungs.iter().filter(|rung| rung.money <= budget);
    within
        .map(|rung| rung.lost + best_loss(rest, budget - rung.money))
        .fold(f64::INFINITY, f64::min)
}

/// Ladders as spares have them: each unit keeps less than the one before, at one price.
fn concave() -> impl Strategy<Value = Vec<Ladder>> {
    let ladder =
        (1_i64..60, prop::collection::vec(1_u32..1_000, 1..6)).prop_map(|(price, mut kept)| {
            kept.sort_unstable_by(|a, b| b.cmp(a));
            let mut lost: f64 = kept.iter().map(|kept| f64::from(*kept)).sum();
            let mut rungs = vec![Rung { quantity: 0, money: 0, lost }];
            for (place, kept) in kept.iter().enumerate() {
                lost -= f64::from(*kept);
                let quantity = place as u64 + 1;
                rungs.push(Rung { quantity, money: price * quantity as i64, lost });
            }
            Ladder { rungs, supplier: 0 }
        });
    prop::collection::vec(ladder, 1..5)
}

/// Ladders with minimums and price breaks: any rising quantities, any money, any falling loss.
fn rough() -> impl Strategy<Value = Vec<Ladder>> {
    let ladder = prop::collection::vec((0_i64..90, 0_u32..400), 1..6).prop_map(|steps| {
        let mut lost: f64 = steps.iter().map(|(_, kept)| f64::from(*kept)).sum();
        let mut rungs = vec![Rung { quantity: 0, money: 0, lost }];
        let mut money = 0;
        for (place, (dearer, kept)) in steps.into_iter().enumerate() {
            money += dearer;
            lost -= f64::from(kept);
            rungs.push(Rung { quantity: place as u64 + 1, money, lost });
        }
        Ladder { rungs, supplier: 0 }
    });
    prop::collection::vec(ladder, 1..5)
}

/// Fewest set-up and holding costs, by every choice of ordering periods.
fn best_lots(problem: &LotProblem) -> f64 {
    let periods = problem.demand.len();
    let mut least = f64::INFINITY;
    for choice in 0..1_u32 << periods {
        let mut orders = vec![0; periods];
        let mut at = None;
        let mut covered = true;
        for (period, demand) in problem.demand.iter().enumerate() {
            if choice >> period & 1 == 1 {
                at = Some(period);
            }
            match at {
                Some(at) => orders[at] += demand,
                None => covered &= *demand == 0,
            }
        }
        if covered {
            least = least.min(problem.cost_of(&orders).unwrap_or(f64::INFINITY));
        }
    }
    least
}

proptest! {
    /// At every sum that the order of worth spends exactly, and at any other budget by the search.
    #[test]
    fn marginal_analysis_keeps_as_much_as_any_purchase(ladders in concave(), budget in 0_i64..600) {
        let all = steps(&ladders);
        for point in curve(&ladders, &all) {
            let best = best_loss(&ladders, point.money);
            prop_assert!((point.lost - best).abs() < 1e-9, "{} at {}", point.lost, point.money);
        }
        let bought = allocate(&ladders, &[], budget);
        prop_assert!(bought.money <= budget);
        prop_assert!((bought.lost - best_loss(&ladders, budget)).abs() < 1e-9);
    }

    #[test]
    fn minimums_and_breaks_are_searched_to_the_end(ladders in rough(), budget in 0_i64..400) {
        let bought = allocate(&ladders, &[], budget);
        prop_assert!(bought.money <= budget);
        prop_assert!((bought.lost - best_loss(&ladders, budget)).abs() < 1e-9);
    }

    #[test]
    fn freight_is_within_the_budget(ladders in rough(), budget in 0_i64..400, freight in 0_i64..120) {
        let bought = allocate(&ladders, &[freight], budget);
        let goods: i64 =
            ladders.iter().zip(&bought.rungs).map(|(ladder, rung)| ladder.rungs[*rung].money).sum();
        let anything = bought.rungs.iter().any(|rung| *rung > 0);
        prop_assert_eq!(bought.money, goods + if anything { freight } else { 0 });
        prop_assert!(bought.money <= budget);
    }

    #[test]
    fn lots_cost_as_little_as_any_choice_of_ordering_periods(
        rows in prop::collection::vec((0_u64..90, 0_u32..200, 0_u32..4), 1..10),
    ) {
        let demand = rows.iter().map(|row| row.0).collect();
        let setup = rows.iter().map(|row| f64::from(row.1)).collect();
        let holding = rows.iter().map(|row| f64::from(row.2)).collect();
        let problem = LotProblem::new(demand, setup, holding).expect("lengths");
        let plan = problem.cheapest();
        prop_assert!((plan.cost - best_lots(&problem)).abs() < 1e-9);
        prop_assert_eq!(problem.cost_of(&plan.orders), Some(plan.cost));
        prop_assert!(problem.silver_meal().cost >= plan.cost - 1e-9);
    }

    #[test]
    fn a_minimum_is_met_by_what_is_least_useless(
        rows in prop::collection::vec((1_i64..60, 0_u32..100), 0..10), gap in 1_i64..200,
    ) {
        // A line each, so that any of them can be taken.
        let candidates: Vec<Addition> = rows
            .iter()
            .enumerate()
            .map(|(line, (money, useless))| Addition {
                line,
                quantity: 1,
                money: *money,
                useless: f64::from(*useless),
            })
            .collect();
        let mut least: Option<f64> = None;
        for choice in 0..1_u32 << candidates.len() {
            let taken = || candidates.iter().enumerate().filter(|(place, _)| choice >> place & 1 == 1);
            if taken().map(|(_, addition)| addition.money).sum::<i64>() >= gap {
                let useless = taken().map(|(_, addition)| addition.useless).sum::<f64>();
                least = Some(least.map_or(useless, |least| least.min(useless)));
            }
        }
        let chosen = least_useless(&candidates, gap);
        prop_assert_eq!(chosen.is_some(), least.is_some());
        if let (Some(chosen), Some(least)) = (chosen, least) {
            let money: i64 = chosen.iter().map(|place| candidates[*place].money).sum();
            let useless: f64 = chosen.iter().map(|place| candidates[*place].useless).sum();
            prop_assert!(money >= gap);
            prop_assert!((useless - least).abs() < 1e-9);
        }
    }
}
