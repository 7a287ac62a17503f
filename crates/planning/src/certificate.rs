//! The proof of a bound: prices from which anyone can compute it again in whole numbers.
//!
//! The schema stands at [`Certificate`]; the formula at the relaxation and, worked out a second time
//! without any of this code, in `tests/certificate.rs`.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::branching::{Branching, Split, SplitOn, restrict};
use crate::cuts::Cut;
use crate::instance::Instance;
use crate::model::Model;
use crate::patterns::{Kept, Whole, best_patterns};
use crate::relaxation::{Answer, Relaxation, Rows};

/// Prices that prove a bound, in thousandths of a cent.
///
/// Every list is per calendar day (0 on closed days, for hands and bays) or per accounting week;
/// kits list `[day, price]` per stretch that begins with a receipt (or on day 0): the price of a
/// piece taken by the end of that stretch, so a piece taken on a day pays the sum of the stretches
/// that end on or after that day.
///
/// ```text
/// bound = ⌊(Σ trees min(cost·1000 + priced use) − Σ price·capacity
///           − Σ weeks max(0, price − 1000·overtime cost)·overtime) / 1000⌋
/// ```
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Certificate {
    /// The instance's name.
    pub instance: String,
    /// Cents.
    pub bound: i64,
    /// By skill and day, a minute.
    pub skill_day: BTreeMap<String, Vec<i64>>,
    /// By skill and week, a minute.
    pub skill_week: BTreeMap<String, Vec<i64>>,
    /// By bay and day, a place.
    pub bay_day: BTreeMap<String, Vec<i64>>,
    /// By kit, a piece.
    pub kit_receipt: BTreeMap<String, Vec<(i64, i64)>>,
    /// By pool and day, an engine out.
    pub pool_day: BTreeMap<String, Vec<i64>>,
    /// Cuts that tighten the pools.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cuts: Vec<PoolCut>,
    /// Where skills are kept whole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub patterns: Option<Patterns>,
    /// Where the bound was raised by cases; the prices above are then those of the whole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tree: Option<Tree>,
}

/// The price of a unit of a cut: half the sum of "engines out" on some days of a pool and of "one place"
/// of some of its visits, rounded down, which every plan keeps.
///
/// A stay that is out of the pool on `k` of the days takes `⌊k / 2⌋` units, `⌊(k + 1) / 2⌋` where its visit
/// is listed; there are `⌊(Σ days (fleet − minimum) + visits listed) / 2⌋`, and one more for each engine
/// short on one of the days: a day's price and those of its cuts together are at most the shortfall cost.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PoolCut {
    pub pool: String,
    /// Days of the horizon, in order.
    pub days: Vec<i64>,
    /// The visits listed, all of the pool.
    pub visits: Vec<String>,
    /// Thousandths of a cent a unit.
    pub price: i64,
}

/// A bound by cases: each case has its own prices, together they are all plans.
///
/// A case's bound is computed as above with the choices that its answers leave (left out counts as
/// "no"; a visit that answers "yes" may not be left out), and rounded up, since plans cost whole
/// cents. The bound of the whole is the least of them, at most the plan's objective.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Tree {
    Split { visit: String, at: SplitAt, yes: Box<Tree>, no: Box<Tree> },
    Case(Box<Certificate>),
}

/// A question about a visit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SplitAt {
    /// Does it start on this day or later?
    From(i64),
    /// Is it done in this mode?
    Mode(String),
}

/// The part of a proof that keeps skills whole: their weeks, or their days, hold whole visits, not
/// minutes.
///
/// A mode of a visit without `after` belongs to the whole skill it needs most minutes of on one day,
/// to one whose weeks are whole before one whose days are (of equals, the last by skill id, then by
/// day); those are its main minutes. In the sums above a start of such a mode pays
/// no price for its main minutes, and where it then costs less than its visit's worth (followers'
/// best answers included) it costs the worth. Whole skills have no capacity terms; instead
///
/// ```text
/// − Σ whole skills, weeks max over sets (Σ gain − 1000·overtime cost·max(0, minutes − contract))
/// ```
///
/// over sets of starts that fit each day's minutes and the week's with overtime. The gain of a
/// start is worth − cost, where positive. Other minutes of a whole skill have a price per start: the
/// stay pays it instead of minutes × (day price + week price), and the skill's week may take those
/// minutes for that gain, each by itself.
///
/// Where a skill's days alone are whole, all minutes pay the week's price as well, the week's
/// capacity terms stay, and in place of the days' stands, for each of them, the most that a set which
/// fits the day's minutes gains.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Patterns {
    pub whole_skills: Vec<String>,
    /// Skills whose days alone are kept whole.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub whole_days: Vec<String>,
    /// By visit that a whole skill can do.
    pub worth: BTreeMap<String, i64>,
    /// Prices of other minutes of whole skills.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub secondary: Vec<Secondary>,
}

/// Prices of a mode's minutes of a whole skill that are not its main ones.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Secondary {
    pub visit: String,
    pub mode: String,
    pub skill: String,
    /// Which open day of the stay, from 0.
    pub at: usize,
    /// `[start day, price]`.
    pub starts: Vec<(i64, i64)>,
}

/// Prices by row and the bound they prove, with these skills kept whole.
#[derive(Clone, Debug)]
pub(crate) struct Proof {
    pub whole: Whole,
    pub cuts: Vec<Cut>,
    pub prices: Vec<i64>,
    pub bound: i64,
}

impl Tree {
    pub(crate) fn of(instance: &Instance, model: &Model, grown: &Branching, number: usize) -> Self {
        let part = &grown.parts[number];
        let Some((split, yes, no)) = part.split else {
            let proof = Proof {
                whole: grown.whole().clone(),
                cuts: grown.cuts().to_vec(),
                prices: part.prices.clone(),
                bound: part.bound,
            };
            return Self::Case(Box::new(Certificate::new(instance, model, &proof)));
        };
        let visit = split.visit as usize;
        let given = &instance.visits[visit];
        let at = match split.on {
            SplitOn::From(t) => SplitAt::From(model.open_days[t as usize] as i64),
            SplitOn::Mode(mode) => SplitAt::Mode(
                given.modes[(mode - model.visits[visit].modes.start) as usize].id.clone(),
            ),
        };
        Self::Split {
            visit: given.id.clone(),
            at,
            yes: Box::new(Self::of(instance, model, grown, yes)),
            no: Box::new(Self::of(instance, model, grown, no)),
        }
    }
}

impl Certificate {
    pub(crate) fn new(instance: &Instance, model: &Model, proof: &Proof) -> Self {
        let Proof { whole, cuts, prices, bound } = proof;
        let rows = Rows::of(model);
        let open = model.open();
        let by_day = |row: &[i64]| {
            let mut days = vec![0; model.days];
            model.open_days.iter().zip(row).for_each(|(&day, &price)| days[day] = price);
            days
        };
        let mut certificate =
            Self { instance: instance.name.clone(), bound: *bound, ..Self::default() };
        for (number, skill) in instance.skills.iter().enumerate() {
            certificate
                .skill_day
                .insert(skill.id.clone(), by_day(&prices[number * open..][..open]));
            let week = rows.week + number * model.weeks;
            certificate
                .skill_week
                .insert(skill.id.clone(), prices[week..week + model.weeks].to_vec());
        }
        for (number, bay) in instance.bays.iter().enumerate() {
            certificate
                .bay_day
                .insert(bay.id.clone(), by_day(&prices[rows.bay + number * open..][..open]));
        }
        for (kit, range) in instance.kits.iter().zip(&model.kit_rows) {
            let mut days: Vec<i64> =
                kit.receipts.iter().map(|receipt| receipt.day).chain([0]).collect();
            days.sort_unstable();
            days.dedup();
            let prices = range.clone().map(|row| prices[rows.kit + row as usize]);
            certificate.kit_receipt.insert(kit.id.clone(), days.into_iter().zip(prices).collect());
        }
        for (number, pool) in instance.pools.iter().enumerate() {
            let day = rows.pool + number * model.days;
            certificate.pool_day.insert(pool.id.clone(), prices[day..day + model.days].to_vec());
        }
        let cut_row = rows.len + whole.secondary;
        for (cut, &price) in cuts.iter().zip(&prices[cut_row..]).filter(|(_, price)| **price > 0) {
            certificate.cuts.push(PoolCut {
                pool: instance.pools[cut.pool as usize].id.clone(),
                days: cut.days.iter().map(|&day| i64::from(day)).collect(),
                visits: cut
                    .visits
                    .iter()
                    .map(|&visit| instance.visits[visit as usize].id.clone())
                    .collect(),
                price,
            });
        }
        if whole.any() {
            let named = |wanted: Kept| {
                let skills = instance.skills.iter().zip(&whole.skills);
                skills
                    .filter(|(_, kept)| **kept == wanted)
                    .map(|(skill, _)| skill.id.clone())
                    .collect()
            };
            let mut patterns = Patterns {
                whole_skills: named(Kept::Weeks),
                whole_days: named(Kept::Days),
                worth: BTreeMap::new(),
                secondary: secondary_of(instance, model, whole, &prices[rows.len..cut_row]),
            };
            for (number, visit) in instance.visits.iter().enumerate() {
                if model.visits[number].modes.clone().any(|mode| whole.primary(mode).is_some()) {
                    patterns.worth.insert(visit.id.clone(), prices[rows.visit + number]);
                }
            }
            certificate.patterns = Some(patterns);
        }
        certificate
    }
}

fn secondary_of(
    instance: &Instance,
    model: &Model,
    whole: &Whole,
    prices: &[i64],
) -> Vec<Secondary> {
    let mut list = Vec::new();
    for (number, visit) in instance.visits.iter().enumerate() {
        for (mode, named) in model.modes_of(number).iter().zip(&visit.modes) {
            for (at, used) in mode.uses.clone().zip(model.uses_of(mode)) {
                let Some(row) = whole.secondary_row(at) else { continue };
                let days =
                    &model.open_days[mode.first as usize..(mode.first + mode.starts) as usize];
                let starts =
                    days.iter().zip(&prices[row..]).map(|(&day, &price)| (day as i64, price));
                list.push(Secondary {
                    visit: visit.id.clone(),
                    mode: named.id.clone(),
                    skill: instance.skills[used.skill as usize].id.clone(),
                    at: used.offset as usize,
                    starts: starts.collect(),
                });
            }
        }
    }
    list
}

/// The bound that `prices` (thousandths of a cent, one per row) prove: whole cents, rounded down.
pub(crate) fn exact_bound(model: &Model, whole: &Whole, cuts: &[Cut], prices: &[i64]) -> i64 {
    exact_thousandths(model, (whole, cuts), &[], prices).div_euclid(1000) as i64
}

/// The same in thousandths of a cent, of the plans that give `answers`; beyond all measure where
/// there are none.
pub(crate) fn exact_thousandths(
    model: &Model,
    (whole, cuts): (&Whole, &[Cut]),
    answers: &[(Split, bool)],
    prices: &[i64],
) -> i128 {
    let mut relaxation = Relaxation::<i128>::new(model, whole.clone(), cuts.to_vec());
    restrict(&mut relaxation, answers);
    let rows = &relaxation.rows;
    let wide: Vec<i128> = prices.iter().map(|&price| i128::from(price)).collect();
    let mut answer = Answer::new(model);
    relaxation.answer(&wide, &mut answer);
    let weeks = best_patterns(model, whole, &mut answer.items);
    let mut total: i128 = answer.visits - weeks.gain;
    let capacities = rows.capacities(model);
    let in_patterns = |row: usize| match row {
        row if row < rows.week => whole.skills[row / model.open()] != Kept::Nothing,
        row if row < rows.bay => whole.skills[(row - rows.week) / model.weeks] == Kept::Weeks,
        _ => false,
    };
    for row in (0..rows.len).filter(|&row| !in_patterns(row)) {
        total -= wide[row] * i128::from(capacities[row]);
    }
    for (cut, &price) in cuts.iter().zip(&wide[relaxation.cut_row()..]) {
        total -= price * i128::from(cut.capacity(model));
    }
    for cell in 0..model.week_minutes.len() {
        let row = rows.week + cell;
        if !in_patterns(row) {
            let overtime = i128::from(model.overtime_cost[cell / model.weeks]) * 1000;
            total -= (wide[row] - overtime).max(0) * i128::from(model.week_overtime[cell]);
        }
    }
    total
}
