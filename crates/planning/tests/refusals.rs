//! Bad input: a clear refusal by path and rule, or a plan with reasons; never a panic.
#![allow(clippy::unwrap_used, reason = "a test may panic, helpers included")]

#[path = "support/shared.rs"]
mod support;

use planning::{After, Instance, Receipt};
use rstest::rstest;
use support::{checked, instance, solved};

type Change = fn(&mut Instance);

/// For each rule the first bad value.
#[rstest]
#[case::negative_minutes(|i: &mut Instance| { i.visits[0].modes[0].minutes.insert("technician".into(), vec![60, -1]); }, "negative", "visits[0].modes[0].minutes.technician[1]")]
#[case::negative_day(|i: &mut Instance| i.skills[0].day_minutes[3] = -1, "negative", "skills[0].day_minutes[3]")]
#[case::negative_receipt(|i: &mut Instance| i.kits[0].receipts[0].quantity = -1, "negative", "kits[0].receipts[0]")]
#[case::negative_overtime_price(|i: &mut Instance| i.skills[0].overtime_cost = -1, "negative", "skills[0].overtime_cost")]
#[case::unknown_kit(|i: &mut Instance| { i.visits[0].modes[0].kits.insert("seal-x".into(), 1); }, "unknown-id", "visits[0].modes[0].kits.seal-x")]
#[case::unknown_skill(|i: &mut Instance| { i.visits[1].modes[0].minutes.insert("diver".into(), vec![1]); }, "unknown-id", "visits[1].modes[0].minutes.diver")]
#[case::unknown_bay(|i: &mut Instance| i.visits[2].modes[0].bay = "roof".into(), "unknown-id", "visits[2].modes[0].bay")]
#[case::unknown_pool(|i: &mut Instance| i.visits[2].pool = "q".into(), "unknown-id", "visits[2].pool")]
#[case::unknown_visit(|i: &mut Instance| i.visits[2].after.push(After { visit: "Z".into(), gap: 1 }), "unknown-id", "visits[2].after[0].visit")]
#[case::no_days(|i: &mut Instance| i.days = 0, "no-days", "days")]
#[case::empty_calendar(|i: &mut Instance| i.open.clear(), "wrong-count", "open")]
#[case::short_weeks(|i: &mut Instance| { i.weeks.pop(); }, "wrong-count", "weeks")]
#[case::weeks_that_fall(|i: &mut Instance| i.weeks = vec![0, 0, 1, 0, 1], "weeks-fall", "weeks[3]")]
#[case::half_open(|i: &mut Instance| i.open[2] = 2, "open-or-closed", "open[2]")]
#[case::too_few_week_minutes(|i: &mut Instance| i.skills[0].week_minutes.clear(), "wrong-count", "skills[0].week_minutes")]
#[case::too_many_minutes_for_the_stay(|i: &mut Instance| { i.visits[1].modes[0].minutes.insert("technician".into(), vec![1, 1]); }, "wrong-count", "visits[1].modes[0].minutes.technician")]
#[case::no_mode(|i: &mut Instance| i.visits[1].modes.clear(), "no-mode", "visits[1].modes")]
#[case::no_length(|i: &mut Instance| { i.visits[1].modes[0].length = 0; i.visits[1].modes[0].minutes.clear(); }, "stay-length", "visits[1].modes[0].length")]
#[case::twice_the_same_visit(|i: &mut Instance| i.visits[2].id = "A".into(), "duplicate-id", "visits[2].id")]
#[case::twice_the_same_mode(|i: &mut Instance| i.visits[0].modes[1].id = "reseal".into(), "duplicate-id", "visits[0].modes[1].id")]
#[case::receipt_after_the_end(|i: &mut Instance| i.kits[0].receipts.push(Receipt { day: 5, quantity: 1 }), "outside-horizon", "kits[0].receipts[1]")]
#[case::waits_for_itself(|i: &mut Instance| i.visits[1].after.push(After { visit: "B".into(), gap: 1 }), "after-cycle", "visits[1].after")]
#[case::locked_without_a_day(|i: &mut Instance| i.visits[0].locked = true, "locked-unpublished", "visits[0].published_day")]
#[case::locked_on_a_closed_day(|i: &mut Instance| { i.visits[1].locked = true; i.visits[1].published_day = Some(4); }, "locked-impossible", "visits[1]")]
#[case::locked_before_its_release(|i: &mut Instance| { i.visits[1].locked = true; i.visits[1].release = 3; }, "locked-impossible", "visits[1]")]
#[case::more_money_than_there_is(|i: &mut Instance| i.visits[0].unplanned_cost = i64::MAX, "too-large", "visits[0].unplanned_cost")]
#[case::hinges_beyond_measure(|i: &mut Instance| i.visits[0].hinges[0].day = 1_000_000, "too-large", "visits[0].hinges[0]")]
fn what_has_no_meaning_is_refused(#[case] change: Change, #[case] rule: &str, #[case] path: &str) {
    let mut bad = instance("micro");
    change(&mut bad);
    let error = bad.validate().unwrap_err();
    assert_eq!((error.rule(), error.path()), (rule, path), "{error}");
}

#[test]
fn a_circle_names_who_waits_for_whom() {
    let mut bad = instance("micro");
    for (visit, ahead) in [(0, "B"), (1, "C"), (2, "A")] {
        bad.visits[visit].after.push(After { visit: ahead.into(), gap: 1 });
    }
    let error = bad.validate().unwrap_err();
    assert_eq!(error.rule(), "after-cycle");
    assert!(error.to_string().contains("A after B after C after A"), "{error}");
}

#[test]
fn locked_visits_that_collide_are_refused_by_resource() {
    let mut bad = instance("micro");
    for visit in [1, 2] {
        bad.visits[visit].locked = true;
        bad.visits[visit].published_day = Some(1);
    }
    let error = bad.validate().unwrap_err();
    assert_eq!(error.rule(), "locked-collide");
    assert!(error.to_string().contains("skill technician on day 1"), "{error}");
    bad.skills[0].day_minutes[1] = 140;
    assert_eq!(bad.validate(), Ok(()));
}

#[test]
fn locked_visits_may_change_their_mode_to_fit() {
    let mut tight = instance("micro");
    // The reseal needs the kit on day 2; locked on day 1 only the short service fits.
    tight.visits[0].locked = true;
    tight.visits[0].published_day = Some(1);
    let plan = solved(&tight, 10_000, 1).plan;
    checked(&tight, &plan);
    assert_eq!(plan.visits[0].mode, "service");
}

#[rstest]
#[case::not_json("{", "instance-unreadable")]
#[case::a_misspelt_field(r#"{"name": "x", "dayz": 3}"#, "instance-unreadable")]
#[case::half_a_cent(r#"{"name": "x", "days": 1.5}"#, "instance-unreadable")]
fn text_that_is_no_instance_is_refused(#[case] text: &str, #[case] rule: &str) {
    assert_eq!(Instance::from_json(text.as_bytes()).unwrap_err().rule(), rule);
}

#[test]
fn a_wrong_type_is_named_by_its_path() {
    let mut json = serde_json::to_value(instance("micro")).unwrap();
    json["visits"][1]["modes"][0]["minutes"]["technician"][0] = "seventy".into();
    let error = Instance::from_json(json.to_string().as_bytes()).unwrap_err();
    assert_eq!(error.path(), "visits[1].modes[0].minutes.technician[0]");
}

/// What merely cannot be done is left out with its reason.
#[rstest]
#[case::release_after_the_deadline(|i: &mut Instance| i.visits[0].release = 4, "dates")]
#[case::closed_all_the_time(|i: &mut Instance| i.open = vec![0; 5], "dates")]
#[case::nobody_works(|i: &mut Instance| i.skills[0].day_minutes = vec![0; 5], "skill:technician")]
#[case::no_contract_and_no_overtime(|i: &mut Instance| { i.skills[0].week_minutes[0] = 0; i.skills[0].week_overtime[0] = 0; }, "skill:technician")]
#[case::no_bench(|i: &mut Instance| i.bays[0].count = vec![0; 5], "bay:bench")]
#[case::kit_that_never_comes(|i: &mut Instance| { i.kits[0].receipts.clear(); i.visits[0].modes.pop(); }, "kit:seal")]
#[case::dearer_than_leaving_it(|i: &mut Instance| i.visits[0].unplanned_cost = 10, "cost")]
fn what_cannot_be_done_is_left_out_with_its_reason(#[case] change: Change, #[case] reason: &str) {
    let mut odd = instance("micro");
    change(&mut odd);
    let plan = solved(&odd, 20_000, 1).plan;
    checked(&odd, &plan);
    let left_out = plan.unplanned.iter().find(|unplanned| unplanned.visit == "A").unwrap();
    assert_eq!(left_out.reason, reason);
}

#[test]
fn ten_thousand_visits_of_one_engine_are_planned() {
    let mut many = instance("micro");
    let visit = many.visits[2].clone();
    many.visits = (0..10_000)
        .map(|number| planning::Visit { id: format!("v{number}"), ..visit.clone() })
        .collect();
    let plan = solved(&many, 50_000, 1).plan;
    // One engine can be there on three of the four days: 240 + 60 minutes hold four, a day one of 70.
    assert!(plan.visits.len() <= 4 && !plan.visits.is_empty());
    assert!(plan.bound.is_some_and(|bound| bound <= plan.objective));
    assert_eq!(planning::evaluate(&many, &plan).unwrap().objective, plan.objective);
}
