//! How the yard bought its parts: a fixed order point, deliveries late now and then.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, LogNormal};

use crate::catalogue::{MODELS, PARTS, Part};
use crate::history::History;

/// A part as it has a number: the model's own, or one for all.
pub struct Stocked {
    pub number: String,
    pub name: String,
    pub part: &'static Part,
    pub model: Option<usize>,
}

/// One line ordered and, where it has come, delivered.
pub struct Bought {
    pub order: String,
    pub part: usize,
    pub quantity: u32,
    pub ordered_on: NaiveDate,
    pub expected_on: NaiveDate,
    pub received_on: Option<NaiveDate>,
}

/// What is on the shelf at the end, and how it came there.
pub struct Supply {
    pub parts: Vec<Stocked>,
    pub bought: Vec<Bought>,
    pub on_hand: Vec<u32>,
}

/// Every part of the catalogue with its numbers.
pub fn stocked() -> Vec<Stocked> {
    let mut all = Vec::new();
    for part in &PARTS {
        if !part.number.contains("{}") {
            let number = part.number.to_owned();
            all.push(Stocked { number, name: part.name.to_owned(), part, model: None });
            continue;
        }
        for (at, model) in MODELS.iter().enumerate() {
            all.push(Stocked {
                number: part.number.replace("{}", model.parts),
                name: format!("{}, {} {}", part.name, model.maker, model.name),
                part,
                model: Some(at),
            });
        }
    }
    all
}

/// Buys for the work that was done: when less than a month's use is left, two months' more.
pub fn buy(seed: u64, history: &History) -> Supply {
    let parts = stocked();
    let place: BTreeMap<&str, usize> =
        parts.iter().enumerate().map(|(at, part)| (part.number.as_str(), at)).collect();
    let mut used: BTreeMap<NaiveDate, Vec<(usize, u32)>> = BTreeMap::new();
    let mut yearly = vec![0_f64; parts.len()];
    let years = (history.until - history.from).num_days().max(1) as f64 / 365.25;
    for service in &history.services {
        for (number, quantity) in &service.parts {
            let Some(at) = place.get(number.as_str()) else { continue };
            used.entry(service.day).or_default().push((*at, *quantity));
            yearly[*at] += f64::from(*quantity) / years;
        }
    }
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    random.set_stream(3);
    let mut on_hand: Vec<u32> =
        yearly.iter().zip(&parts).map(|(use_, part)| packs(use_ / 4.0, part.part.pack)).collect();
    let mut bought: Vec<Bought> = Vec::new();
    let mut open: Vec<usize> = Vec::new();
    for day in history.from.iter_days().take_while(|day| *day <= history.until) {
        open.retain(|at| {
            let line = &mut bought[*at];
            let arrived = line.received_on.is_some_and(|on| on <= day);
            if arrived {
                on_hand[line.part] += line.quantity;
            }
            !arrived
        });
        for (at, quantity) in used.get(&day).into_iter().flatten() {
            on_hand[*at] = on_hand[*at].saturating_sub(*quantity);
        }
        for (at, part) in parts.iter().enumerate() {
            let low = yearly[at] / 12.0;
            let waiting = open.iter().any(|line| bought[*line].part == at);
            if f64::from(on_hand[at]) > low || waiting || yearly[at] == 0.0 {
                continue;
            }
            open.push(bought.len());
            bought.push(order(&mut random, at, part, packs(yearly[at] / 6.0, part.part.pack), day));
        }
    }
    for line in &mut bought {
        line.received_on = line.received_on.filter(|on| *on <= history.until);
    }
    Supply { parts, bought, on_hand }
}

fn packs(wanted: f64, pack: u32) -> u32 {
    ((wanted / f64::from(pack)).ceil().max(1.0) as u32) * pack
}

fn order(
    random: &mut ChaCha8Rng,
    at: usize,
    stocked: &Stocked,
    quantity: u32,
    day: NaiveDate,
) -> Bought {
    let spread = 0.35;
    let late = LogNormal::new(0.0, spread).map_or(1.0, |law| law.sample(random));
    // One delivery in twenty-five waits for the factory.
    let stuck = if random.random::<f64>() < 0.04 { 2.5 } else { 1.0 };
    let days = |factor: f64| {
        Days::new((f64::from(stocked.part.lead_days) * factor).round().max(1.0) as u64)
    };
    Bought {
        // Lines of one supplier and day go on one order.
        order: format!("{}-{}", ["CM", "DC", "FO"][stocked.part.supplier], day.format("%y%m%d")),
        part: at,
        quantity,
        ordered_on: day,
        expected_on: day.checked_add_days(days(1.0)).unwrap_or(day),
        received_on: day.checked_add_days(days(late * stuck)),
    }
}
