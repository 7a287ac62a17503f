//! Bounds, computed again from instance and prices by a second program that shares no code, and held
//! against proven optima.
#![allow(clippy::unwrap_used, reason = "a test may panic, helpers included")]

#[path = "support/shared.rs"]
mod support;

use std::process::Command;

use planning::{Certificate, Instance, PlannedVisit, Unit, shadow_prices};
use rstest::rstest;
use support::{best_known, instance, solved};

/// Runs `recompute_bound.py`; `None`, said loudly, where there is no Python.
fn recomputed(instance: &Instance, certificate: &Certificate, objective: i64) -> Option<i64> {
    let folder = tempfile::tempdir().unwrap();
    let (one, two) = (folder.path().join("instance.json"), folder.path().join("certificate.json"));
    std::fs::write(&one, serde_json::to_vec(instance).unwrap()).unwrap();
    std::fs::write(&two, serde_json::to_vec(certificate).unwrap()).unwrap();
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/support/recompute_bound.py");
    match Command::new("python3")
        .arg(script)
        .arg(&one)
        .arg(&two)
        .arg(objective.to_string())
        .output()
    {
        Ok(output) => {
            assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
            Some(String::from_utf8_lossy(&output.stdout).trim().parse().unwrap())
        }
        Err(_) => {
            eprintln!("BOUND NOT RECOMPUTED: python3 is not installed");
            None
        }
    }
}

#[rstest]
#[case::worked_example("micro", 10_000)]
#[case::early_prices("S", 45_000)]
#[case::mechanics_kept_whole("S", 130_000)]
#[case::both_skills_kept_whole("S", 1_000_000)]
#[case::a_chain_of_services_kept_whole("R-S", 600_000)]
#[case::kits_that_never_come("X-parts", 1_500_000)]
#[case::prices_by_minutes_alone("R-M", 200_000)]
fn the_bound_follows_from_the_certificate(#[case] name: &str, #[case] work: u64) {
    let instance = instance(name);
    let solution = solved(&instance, work, 1);
    let certificate = &solution.certificate;
    assert_eq!(solution.plan.bound, Some(certificate.bound));
    assert!(certificate.bound <= best_known(name));
    if let Some(bound) = recomputed(&instance, certificate, solution.plan.objective) {
        assert_eq!(bound, certificate.bound);
    }
}

/// Weeks too large to be kept whole keep their days whole: here all minutes are counted in quarters.
#[test]
fn a_bound_with_whole_days_follows_from_the_certificate() {
    let mut instance = instance("R-M");
    for skill in &mut instance.skills {
        let lists = [&mut skill.day_minutes, &mut skill.week_minutes, &mut skill.week_overtime];
        lists.into_iter().flatten().for_each(|minutes| *minutes *= 4);
    }
    let modes = instance.visits.iter_mut().flat_map(|visit| &mut visit.modes);
    modes.flat_map(|mode| mode.minutes.values_mut()).flatten().for_each(|minutes| *minutes *= 4);
    let solution = solved(&instance, 3_000_000, 1);
    let certificate = &solution.certificate;
    assert!(certificate.patterns.as_ref().is_some_and(|whole| !whole.whole_days.is_empty()));
    assert!(certificate.bound <= solution.plan.objective);
    if let Some(bound) = recomputed(&instance, certificate, solution.plan.objective) {
        assert_eq!(bound, certificate.bound);
    }
}

/// Small pools of a rotation are where halves of visits fit that whole ones do not.
#[test]
fn a_bound_with_cuts_follows_from_the_certificate() {
    let instance = instance("R-L");
    let solution = solved(&instance, 6_000_000, 1);
    let mut certificate = solution.certificate;
    assert!(!certificate.cuts.is_empty());
    assert!(certificate.bound <= best_known("R-L"));
    // An engine more on a day of a cut loosens the cut as well.
    let cut = certificate.cuts[0].clone();
    let of_cuts = certificate
        .cuts
        .iter()
        .filter(|other| other.pool == cut.pool && other.days.contains(&cut.days[0]));
    let day = cut.days[0] as usize;
    let price = certificate.pool_day[&cut.pool][day] + of_cuts.map(|cut| cut.price).sum::<i64>();
    let worth = shadow_prices(&instance, &certificate).into_iter().find(|worth| {
        (worth.unit, &worth.id, worth.from) == (Unit::EngineDay, &cut.pool, cut.days[0])
    });
    assert_eq!(worth.map(|worth| worth.cents), Some(price / 1000));
    let objective = solution.plan.objective;
    let Some(bound) = recomputed(&instance, &certificate, objective) else { return };
    assert_eq!(bound, certificate.bound);
    certificate.cuts.clear();
    assert!(recomputed(&instance, &certificate, objective) < Some(bound));
}

/// A cut is half the sum of rows that hold, rounded down: every plan keeps it, whatever it was found by.
#[test]
fn every_plan_keeps_the_cuts() {
    let instance = instance("R-L");
    let found: Vec<_> = [(2_000_000, 1), (6_000_000, 2), (6_000_000, 3)]
        .map(|(work, seed)| solved(&instance, work, seed))
        .into_iter()
        .collect();
    let cuts: Vec<_> = found.iter().flat_map(|one| &one.certificate.cuts).collect();
    assert!(cuts.len() > 20, "{}", cuts.len());
    let mut tight = 0;
    for (plan, cut) in found.iter().flat_map(|one| cuts.iter().map(move |cut| (&one.plan, cut))) {
        let pool = instance.pools.iter().find(|pool| pool.id == cut.pool).unwrap();
        let is_out = |visit: &PlannedVisit, day: i64| {
            let of = instance.visits.iter().find(|of| of.id == visit.visit).unwrap();
            let mode = of.modes.iter().find(|mode| mode.id == visit.mode).unwrap();
            let open = (visit.day..).filter(|&day| instance.open[day as usize] == 1);
            let last = open.take(mode.length).last().unwrap();
            of.pool == cut.pool && mode.out && (visit.day..=last).contains(&day)
        };
        let units = plan.visits.iter().map(|visit| {
            let out = cut.days.iter().filter(|&&day| is_out(visit, day)).count();
            (out + usize::from(cut.visits.contains(&visit.visit) && out > 0)) / 2
        });
        let of_day = |day: &i64| pool.fleet[*day as usize] - pool.minimum[*day as usize];
        let spare = cut.days.iter().map(of_day).sum::<i64>() + cut.visits.len() as i64;
        let short = plan
            .shortfalls
            .iter()
            .filter(|short| short.pool == cut.pool && cut.days.contains(&(short.day as i64)));
        let capacity = spare.div_euclid(2) + short.map(|short| short.engines).sum::<i64>();
        let units = units.sum::<usize>() as i64;
        assert!(units <= capacity, "{units} of {capacity}: {cut:?}");
        tight += usize::from(units == capacity);
    }
    assert!(tight > 0);
}

/// Small instances are proven by cases where prices alone leave a gap.
#[test]
fn a_bound_by_cases_follows_from_the_certificate() {
    let mut by_cases = 0;
    for seed in 100..140 {
        let instance = support::small(seed);
        let solution = solved(&instance, 400_000, 1);
        let (certificate, objective) = (&solution.certificate, solution.plan.objective);
        assert_eq!(solution.plan.bound, Some(certificate.bound));
        if certificate.tree.is_none() {
            continue;
        }
        by_cases += 1;
        if let Some(bound) = recomputed(&instance, certificate, objective) {
            assert_eq!(bound, certificate.bound, "seed {seed}");
        }
    }
    assert!(by_cases > 2, "{by_cases}");
}

/// The program's bound is the formula's at any prices: a certificate with other prices proves
/// another bound, and none may lie above the optimum.
#[test]
fn no_prices_prove_more_than_the_optimum() {
    let instance = instance("S");
    let mut certificate = solved(&instance, 400_000, 1).certificate;
    assert!(certificate.patterns.is_some());
    certificate.tree = None;
    for (at, prices) in certificate.skill_day.values_mut().enumerate() {
        prices.iter_mut().for_each(|price| *price = *price * 3 / 2 + 700 * at as i64);
    }
    if let Some(patterns) = &mut certificate.patterns {
        patterns.worth.values_mut().for_each(|worth| *worth = *worth * 9 / 10);
    }
    if let Some(bound) = recomputed(&instance, &certificate, i64::MAX) {
        assert!(bound <= support::proven("S"));
        assert_ne!(bound, certificate.bound);
    }
}

#[test]
fn a_written_certificate_reads_back_the_same() {
    let certificate = solved(&instance("S"), 300_000, 1).certificate;
    let text = serde_json::to_vec(&certificate).unwrap();
    assert_eq!(serde_json::from_slice::<Certificate>(&text).unwrap(), certificate);
}
