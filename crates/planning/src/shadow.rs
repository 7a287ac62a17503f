//! What one more hour, place, piece or boat would be worth.
//!
//! The prices of the bound, in money people think in. They are the gain of a little more of one
//! thing in the relaxed problem: a hint where to look, not a quote. Solve again to know.

use serde::Serialize;

use crate::certificate::Certificate;
use crate::instance::Instance;

/// What a shadow price is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Unit {
    /// An hour of a skill within a week.
    Hour,
    /// A place in a bay for a day.
    PlaceDay,
    /// A piece of a kit, in hand by a day.
    Piece,
    /// An engine in service on a day.
    EngineDay,
}

/// Cents that a unit more of something would save.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ShadowPrice {
    /// Id of the skill, bay, kit or pool.
    pub id: String,
    pub unit: Unit,
    /// First and last day it is for; for a kit, from when a piece more would have to be there.
    pub from: i64,
    pub to: i64,
    /// Cents, rounded down.
    pub cents: i64,
    /// Said where the price holds for small changes only, and why.
    pub warning: Option<String>,
}

/// The shadow prices above 0 that a certificate holds, dearest first within a kind of unit.
///
/// Hands are given by week (their dearest day), bays and pools by day, kits by receipt.
pub fn shadow_prices(instance: &Instance, certificate: &Certificate) -> Vec<ShadowPrice> {
    let mut prices = hours(instance, certificate);
    for (bay, days) in &certificate.bay_day {
        prices.extend(days.iter().enumerate().map(|(day, &price)| {
            let warning =
                "holds for one place: it cannot be had by the half, and the next is worth less";
            price_of(bay, Unit::PlaceDay, (day, day), price, Some(warning))
        }));
    }
    for (kit, rows) in &certificate.kit_receipt {
        for (at, &(day, _)) in rows.iter().enumerate() {
            // A piece in hand by a stretch relieves every stretch from there on.
            let worth = rows[at..].iter().map(|&(_, price)| price).sum();
            let end = rows.get(at + 1).map_or(instance.days as i64 - 1, |&(next, _)| next - 1);
            let warning = "holds for the next piece; a few more and nobody waits for one";
            prices.push(price_of(
                kit,
                Unit::Piece,
                (day as usize, end as usize),
                worth,
                Some(warning),
            ));
        }
    }
    for pool in &instance.pools {
        let Some(days) = certificate.pool_day.get(&pool.id) else { continue };
        for (day, &price) in days.iter().enumerate() {
            // One engine more is also a unit more of each cut of the day: rounding lost it half a one.
            let cuts = certificate.cuts.iter().filter(|cut| cut.pool == pool.id);
            let of_cuts = cuts.filter(|cut| cut.days.contains(&(day as i64))).map(|cut| cut.price);
            let price = price + of_cuts.sum::<i64>();
            // At the whole cost of a shortfall the minimum is broken anyway: the price is firm.
            let firm = price >= pool.shortfall_cost * 1000;
            let warning = (!firm).then_some("holds for one engine: with it the day may be free");
            prices.push(price_of(&pool.id, Unit::EngineDay, (day, day), price, warning));
        }
    }
    prices.retain(|price| price.cents > 0);
    prices.sort_by_key(|price| (price.unit as u8, std::cmp::Reverse(price.cents)));
    prices
}

fn hours(instance: &Instance, certificate: &Certificate) -> Vec<ShadowPrice> {
    let mut prices = Vec::new();
    for skill in &instance.skills {
        let (Some(days), Some(weeks)) =
            (certificate.skill_day.get(&skill.id), certificate.skill_week.get(&skill.id))
        else {
            continue;
        };
        for (week, &of_week) in weeks.iter().enumerate() {
            let mut within = (0..instance.days).filter(|&day| instance.weeks[day] == week);
            let Some(first) = within.next() else { continue };
            let last = within.next_back().unwrap_or(first);
            let dearest = days[first..=last].iter().max().copied().unwrap_or(0);
            let per_minute = of_week + dearest;
            let warning = if per_minute > skill.overtime_cost * 1000 {
                "dearer than overtime, which is used up here; holds for an hour or two"
            } else if dearest > 0 {
                "mostly the price of single full days: an hour helps on those, and only one or two"
            } else {
                "holds for small changes; a whole day more is worth less per hour"
            };
            prices.push(price_of(
                &skill.id,
                Unit::Hour,
                (first, last),
                per_minute * 60,
                Some(warning),
            ));
        }
    }
    prices
}

fn price_of(
    id: &str,
    unit: Unit,
    (from, to): (usize, usize),
    thousandths: i64,
    warning: Option<&str>,
) -> ShadowPrice {
    ShadowPrice {
        id: id.to_owned(),
        unit,
        from: from as i64,
        to: to as i64,
        cents: thousandths.div_euclid(1000),
        warning: warning.map(str::to_owned),
    }
}
