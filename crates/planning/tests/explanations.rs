//! Why a visit stands where it does, what would help one left out, and plans side by side.
#![allow(clippy::unwrap_used, reason = "a test may panic, helpers included")]

#[path = "support/shared.rs"]
mod support;

use planning::{
    Change, Plan, PlannedVisit, Receipt, ShortageKind, Unit, UnplannedVisit, compare, evaluate,
    moves_of, reliefs_of, shadow_prices,
};
use rstest::rstest;
use support::{instance, solved};

/// The worked example's optimum (`tests/data/planner/README.md`'s source works it out by hand).
fn micro_plan() -> Plan {
    Plan::from_json(&std::fs::read(support::data().join("micro-plan.json")).unwrap()).unwrap()
}

/// Hand-worked: B alone, beside A on 2-3 and C on 0. Day 2: hinge 150, hire 100, the pool one short
/// 900; day 1 as it is: hinge 300, hire 100, move 50. Day 0, beside C: 140 minutes where 130 are,
/// and again one short.
#[rstest]
#[case::where_it_stands(1, 0, &[])]
#[case::beside_the_other(0, 450 + 100 + 50 + 900 - 450, &["skill:technician"])]
#[case::published_day(2, 150 + 100 + 900 - 450, &[])]
#[case::after_it(3, 400 + 50 + 900 - 450, &[])]
fn a_move_costs_what_the_example_says(
    #[case] day: i64,
    #[case] change: i64,
    #[case] blocked: &[&str],
) {
    let moves = moves_of(&instance("micro"), &micro_plan(), "B").unwrap();
    let opening = moves.openings.iter().find(|opening| opening.day == day).unwrap();
    assert_eq!(opening.change, change);
    assert_eq!(opening.blocked_by, blocked);
    assert_eq!(moves.now.map(|now| now.day), Some(1));
}

/// 1,800 in the worked example: left out 1,000 and no overtime, instead of 450 and 200.
#[test]
fn leaving_a_visit_out_costs_what_the_example_says() {
    let moves = moves_of(&instance("micro"), &micro_plan(), "B").unwrap();
    assert_eq!(moves.leaving_out, Some(1_800 - 1_450));
}

/// Every free opening of every visit of a real plan, made and counted from scratch.
#[test]
fn a_move_costs_exactly_what_it_is_said_to() {
    let instance = instance("R-S");
    let plan = solved(&instance, 150_000, 1).plan;
    let mut made = 0;
    for visit in instance.visits.iter().step_by(5) {
        let moves = moves_of(&instance, &plan, &visit.id).unwrap();
        for opening in moves.openings {
            let mut moved = plan.clone();
            moved.unplanned.retain(|left| left.visit != visit.id);
            moved.visits.retain(|planned| planned.visit != visit.id);
            moved.visits.push(PlannedVisit {
                visit: visit.id.clone(),
                mode: opening.mode,
                day: opening.day,
            });
            match evaluate(&instance, &moved) {
                Ok(counted) => {
                    assert_eq!(opening.blocked_by, Vec::<String>::new());
                    assert_eq!(counted.objective, plan.objective + opening.change);
                    made += 1;
                }
                Err(_) => assert_ne!(opening.blocked_by, Vec::<String>::new()),
            }
        }
    }
    assert!(made > 50);
}

#[test]
fn a_late_kit_is_named_with_the_days_it_is_late() {
    let mut late = instance("micro");
    late.kits[0].receipts = vec![Receipt { day: 3, quantity: 1 }];
    late.visits[0].modes.pop();
    late.visits[1].release = 9;
    late.visits[2].release = 9;
    let plan = solved(&late, 10_000, 1).plan;
    let ways = reliefs_of(&late, &plan, "A").unwrap();
    // Days 2-3 are the last that end by the deadline; the kit comes on day 3.
    assert_eq!(
        ways[0].changes,
        [Change::Pieces { kit: "seal".into(), pieces: 1, by: 2, earlier: Some(1) }]
    );
    assert_eq!(ways[0].sentence, "1 piece of kit seal 1 day earlier, by day 2");
    assert_eq!(
        (plan.shortages[0].kind, plan.shortages[0].id.as_str()),
        (ShortageKind::Kit, "seal")
    );
}

#[test]
fn missing_hands_are_named_in_minutes() {
    let mut short = instance("micro");
    short.visits.truncate(1);
    short.visits[0].modes.remove(0);
    short.skills[0].day_minutes = vec![40, 30, 45, 20, 0];
    let plan = solved(&short, 10_000, 1).plan;
    let ways = reliefs_of(&short, &plan, "A").unwrap();
    let day_two = Change::DayMinutes { skill: "technician".into(), day: 2, minutes: 25 };
    assert_eq!(ways[0].changes, [day_two]);
    assert_eq!(plan.shortages[0].missing, 25);
}

/// A relief is a promise: with exactly these changes made, the visit fits.
#[rstest]
#[case::too_few_hands("X-technician")]
#[case::kits_that_never_come("X-parts")]
fn with_its_relief_a_visit_fits(#[case] name: &str) {
    let instance = instance(name);
    let plan = solved(&instance, 400_000, 1).plan;
    assert!(!plan.unplanned.is_empty());
    for UnplannedVisit { visit, .. } in &plan.unplanned {
        for way in reliefs_of(&instance, &plan, visit).unwrap() {
            let mut relieved = instance.clone();
            let index = relieved.visits.iter().position(|known| known.id == *visit).unwrap();
            if way.changes.iter().any(|change| matches!(change, Change::OtherVisit { .. })) {
                continue;
            }
            for change in &way.changes {
                grant(&mut relieved, index, change);
            }
            let mut added = plan.clone();
            added.unplanned.retain(|left| left.visit != *visit);
            added.visits.push(PlannedVisit {
                visit: visit.clone(),
                mode: way.mode.clone(),
                day: way.day,
            });
            assert_eq!(evaluate(&relieved, &added).map(|_| ()), Ok(()), "{}", way.sentence);
        }
    }
}

fn grant(instance: &mut planning::Instance, visit: usize, change: &Change) {
    match change {
        Change::DayMinutes { skill, day, minutes } => {
            let skill = instance.skills.iter_mut().find(|known| known.id == *skill).unwrap();
            skill.day_minutes[*day as usize] += minutes;
        }
        Change::WeekMinutes { skill, week, minutes, .. } => {
            let skill = instance.skills.iter_mut().find(|known| known.id == *skill).unwrap();
            skill.week_minutes[*week] += minutes;
        }
        Change::Place { bay, from, to } => {
            let bay = instance.bays.iter_mut().find(|known| known.id == *bay).unwrap();
            bay.count[*from as usize..=*to as usize].iter_mut().for_each(|count| *count += 1);
        }
        Change::Pieces { kit, pieces, by, .. } => {
            let kit = instance.kits.iter_mut().find(|known| known.id == *kit).unwrap();
            kit.receipts.push(Receipt { day: *by, quantity: *pieces });
        }
        Change::Deadline { days } => {
            let deadline = &mut instance.visits[visit].deadline;
            *deadline = deadline.map(|last| last + days);
        }
        Change::Engines { .. } | Change::OtherVisit { .. } => {}
    }
}

#[test]
fn a_pool_below_its_minimum_is_named_with_its_days() {
    let plan = solved(&instance("X-pool"), 60_000, 1).plan;
    let short = plan.shortages.iter().filter(|shortage| shortage.kind == ShortageKind::Pool);
    let pools: Vec<&str> = short.map(|shortage| shortage.id.as_str()).collect();
    let mut below: Vec<&str> =
        plan.shortfalls.iter().map(|shortfall| shortfall.pool.as_str()).collect();
    below.dedup();
    assert_eq!(pools, below);
}

/// A price is what a unit more saves in the relaxed problem, so it can't exceed what leaving the
/// dearest visit out costs, and hands that are never short have none.
#[test]
fn shadow_prices_are_of_what_is_short() {
    let mut roomy = instance("micro");
    let solution = solved(&roomy, 20_000, 1);
    let prices = shadow_prices(&roomy, &solution.certificate);
    assert!(prices.iter().all(|price| price.cents > 0 && price.to >= price.from));
    roomy.skills[0].day_minutes = vec![10_000; 5];
    roomy.skills[0].week_minutes = vec![10_000];
    let solution = solved(&roomy, 20_000, 1);
    let prices = shadow_prices(&roomy, &solution.certificate);
    assert!(prices.iter().all(|price| price.unit != Unit::Hour));
}

#[test]
fn what_if_one_more_mechanic_is_shown_as_a_difference() {
    let before_instance = instance("X-technician");
    let before = solved(&before_instance, 300_000, 1).plan;
    let mut after_instance = before_instance.clone();
    for skill in &mut after_instance.skills {
        skill.day_minutes.iter_mut().for_each(|minutes| *minutes *= 2);
        skill.week_minutes.iter_mut().for_each(|minutes| *minutes *= 2);
    }
    let report = support::watch_of_work();
    let after = support::solved_from(&after_instance, Some(&before), 300_000, 1, report).plan;
    let difference = compare(&before, &after);
    assert_eq!(difference.objective, after.objective - before.objective);
    assert!(difference.objective < 0);
    assert_eq!(
        difference.gained.len(),
        before.unplanned.len() - after.unplanned.len() + difference.lost.len()
    );
    for shift in &difference.shifted {
        let at = |plan: &Plan| {
            plan.visits
                .iter()
                .find(|planned| planned.visit == shift.visit)
                .map(|planned| planned.day)
        };
        assert_eq!((at(&before), at(&after)), (Some(shift.from.1), Some(shift.to.1)));
    }
    assert_eq!(compare(&before, &before), planning::Difference::default());
}

/// Ways differ in kind: none asks for all that another asks for and more.
#[test]
fn no_way_asks_for_more_than_another_of_its_kind() {
    let instance = instance("X-parts");
    let plan = solved(&instance, 200_000, 1).plan;
    let kind = |change: &Change| std::mem::discriminant(change);
    for UnplannedVisit { visit, .. } in &plan.unplanned {
        let ways = reliefs_of(&instance, &plan, visit).unwrap();
        assert!(!ways.is_empty());
        for (at, way) in ways.iter().enumerate() {
            for other in &ways[at + 1..] {
                let within = way
                    .changes
                    .iter()
                    .all(|change| other.changes.iter().any(|more| kind(more) == kind(change)));
                assert!(
                    !within || way.changes.is_empty(),
                    "{} or {}",
                    way.sentence,
                    other.sentence
                );
            }
        }
    }
}
