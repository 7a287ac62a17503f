//! Kit or loose parts: whichever is cheaper for what is needed.

use fleet::terms::Terms;

use crate::buying::Buying;
use crate::error::OrderingError;

/// A part of a kit, with what is needed of it.
#[derive(Clone, Debug, PartialEq)]
pub struct KitPart {
    /// Units in one kit.
    pub in_kit: u32,
    /// Units needed beyond what is there.
    pub needed: u64,
    /// How it is sold loose; `None` where it comes in the kit only.
    pub loose: Option<Terms>,
    /// Share of a unit's loose price that a unit left over is worth: 1 where it will surely be used,
    /// 0 where it never will.
    pub worth_left_over: f64,
}

/// What to buy.
#[derive(Clone, Debug, PartialEq)]
pub struct KitChoice {
    pub kits: u64,
    /// Loose units of each part.
    pub loose: Vec<u64>,
    /// What it costs, in minor units.
    pub money_minor: i64,
    /// Units of each part beyond what is needed.
    pub left_over: Vec<u64>,
}

/// The cheapest way to cover the needs with kits, loose parts or both, what is left over counted at
/// its worth. All prices in one currency and for one day. Every number of kits up to what all needs
/// can use is tried, so the answer is exact; among equals the fewest kits win. `None` where a part
/// that comes in no kit and is not sold loose is needed.
///
/// # Errors
/// A part of which a kit holds none, or a worth that is not a share.
pub fn kit_or_loose(
    kit: &Terms,
    parts: &[KitPart],
    on: chrono::NaiveDate,
) -> Result<Option<KitChoice>, OrderingError> {
    for (line, part) in parts.iter().enumerate() {
        if part.in_kit == 0 {
            return Err(OrderingError::KitLineEmpty { line });
        }
        crate::error::share("worth of what is left over", part.worth_left_over)?;
    }
    let most = parts.iter().map(|part| part.needed.div_ceil(u64::from(part.in_kit))).max();
    let buying = Buying::on(kit, on);
    let mut best: Option<(f64, KitChoice)> = None;
    for wanted in 0..=most.unwrap_or(0) {
        // Numbers that can't be bought are the next that can, which is tried anyway.
        if buying.round_up(wanted) != wanted && wanted != most.unwrap_or(0) {
            continue;
        }
        let Some((cost, choice)) = with_kits(buying.round_up(wanted), &buying, parts, on) else {
            continue;
        };
        if best.as_ref().is_none_or(|(least, _)| cost < *least) {
            best = Some((cost, choice));
        }
    }
    Ok(best.map(|(_, choice)| choice))
}

/// Money less the worth of what is left over, for a number of kits.
fn with_kits(
    kits: u64,
    kit: &Buying<'_>,
    parts: &[KitPart],
    on: chrono::NaiveDate,
) -> Option<(f64, KitChoice)> {
    let mut money_minor = kit.money_minor(kits);
    let mut worth = 0.0;
    let (mut loose, mut left_over) = (Vec::new(), Vec::new());
    for part in parts {
        let from_kits = kits.saturating_mul(u64::from(part.in_kit));
        let still = part.needed.saturating_sub(from_kits);
        let buying = part.loose.as_ref().map(|terms| Buying::on(terms, on));
        let bought = match (&buying, still) {
            (_, 0) => 0,
            (Some(buying), still) => buying.cheapest_covering(still),
            (None, _) => return None,
        };
        let left = from_kits + bought - part.needed.min(from_kits + bought);
        if let Some(buying) = &buying {
            money_minor = money_minor.saturating_add(buying.money_minor(bought));
            let first = buying.first();
            let each = buying.money_minor(first) as f64 / first as f64;
            worth += left as f64 * each * part.worth_left_over;
        }
        loose.push(bought);
        left_over.push(left);
    }
    Some((money_minor as f64 - worth, KitChoice { kits, loose, money_minor, left_over }))
}

#[cfg(test)]
mod tests {
    use fleet::terms::LeadTime;
    use fleet::{Currency, Money};

    use super::*;

    fn terms(minor: i64) -> Terms {
        Terms::plain(Money::new(minor, Currency::EUR), LeadTime::fixed(7))
    }

    fn part(in_kit: u32, needed: u64, price: Option<i64>) -> KitPart {
        KitPart { in_kit, needed, loose: price.map(terms), worth_left_over: 0.0 }
    }

    fn choose(kit: i64, parts: &[KitPart]) -> Option<KitChoice> {
        let on = "2026-11-25".parse().expect("a date");
        kit_or_loose(&terms(kit), parts, on).expect("a kit")
    }

    #[test]
    fn a_kit_for_what_is_needed_together_and_loose_parts_for_the_rest() {
        // Ten reseals need all; six of the seals alone are needed besides.
        let parts = [part(2, 26, Some(600)), part(1, 10, Some(450)), part(1, 10, Some(300))];
        let choice = choose(1_500, &parts).expect("all can be bought");
        assert_eq!((choice.kits, choice.loose.as_slice()), (10, &[6, 0, 0][..]));
        assert_eq!(choice.money_minor, 10 * 1_500 + 6 * 600);
        // Dearer than its parts, the kit stays on the supplier's shelf.
        let choice = choose(2_000, &parts).expect("all can be bought");
        assert_eq!((choice.kits, choice.money_minor), (0, 26 * 600 + 10 * 450 + 10 * 300));
    }

    #[test]
    fn a_part_that_comes_in_the_kit_only_forces_kits() {
        let parts = [part(1, 3, None), part(2, 1, Some(10))];
        let choice = choose(5_000, &parts).expect("by kits");
        assert_eq!((choice.kits, choice.left_over), (3, vec![0, 5]));
    }

    #[test]
    fn what_will_be_used_anyway_speaks_for_the_kit() {
        let parts = |worth_left_over| {
            [KitPart { worth_left_over, ..part(4, 1, Some(500)) }, part(1, 1, Some(400))]
        };
        assert_eq!(choose(1_000, &parts(0.0)).map(|choice| choice.kits), Some(0));
        assert_eq!(choose(1_000, &parts(0.9)).map(|choice| choice.kits), Some(1));
    }

    #[test]
    fn nothing_needed_buys_nothing() {
        let choice = choose(1_000, &[part(1, 0, None)]).expect("nothing");
        assert_eq!((choice.kits, choice.money_minor), (0, 0));
    }
}
