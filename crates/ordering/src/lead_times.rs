//! Lead times learned from orders and receipts.
//!
//! A delivery that is still open says that it takes longer than it has waited: such cases count as
//! censored (Kaplan and Meier (1958), J. Am. Stat. Assoc. 53:457-481), so a supplier who is late now
//! does not look quick because only his prompt deliveries are in. Few deliveries say little about
//! the worst in twenty: what is learned is blended with what the terms state, each stated figure
//! counting as much as five deliveries.

use chrono::{Datelike, NaiveDate};
use fleet::terms::{LeadTime, LeadTimes};

/// One line of an order, or a part of it that came apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Delivery {
    pub ordered_on: NaiveDate,
    /// `None` while it is awaited.
    pub received_on: Option<NaiveDate>,
}

/// What was learned of a supplier.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LearnedLeadTimes {
    pub lead: LeadTimes,
    /// Deliveries received, in all and by the month of the order, January first.
    pub received: usize,
    pub received_by_month: [usize; 12],
    /// Deliveries awaited.
    pub open: usize,
}

/// How many deliveries a stated lead time is worth (common practice, no source).
const STATED_WEIGHT: f64 = 5.0;
/// A month speaks for itself from so many deliveries on.
const MONTH_LEAST: usize = 5;
const WORST: f64 = 0.95;

/// Learns a supplier's lead times by `today`. `stated` is what the terms say. Receipts dated before
/// their order count as the same day.
pub fn learn_lead_times(
    deliveries: &[Delivery],
    stated: LeadTime,
    today: NaiveDate,
) -> LearnedLeadTimes {
    let known = |delivery: &&Delivery| delivery.ordered_on <= today;
    let all: Vec<Delivery> = deliveries.iter().filter(known).copied().collect();
    let usual = blend(&all, stated, today);
    let mut by_month = [None; 12];
    let mut received_by_month = [0; 12];
    for month in 0..12 {
        let of_month: Vec<Delivery> = all
            .iter()
            .filter(|delivery| delivery.ordered_on.month0() as usize == month)
            .copied()
            .collect();
        received_by_month[month] = received(&of_month);
        if received_by_month[month] >= MONTH_LEAST {
            by_month[month] = Some(blend(&of_month, usual, today));
        }
    }
    let received = received(&all);
    LearnedLeadTimes {
        lead: LeadTimes { usual, by_month },
        received,
        received_by_month,
        open: all.len() - received,
    }
}

fn received(deliveries: &[Delivery]) -> usize {
    deliveries.iter().filter(|delivery| delivery.received_on.is_some()).count()
}

fn blend(deliveries: &[Delivery], stated: LeadTime, today: NaiveDate) -> LeadTime {
    let waits = waits(deliveries, today);
    let count = received(deliveries) as f64;
    if count < 1.0 {
        return stated;
    }
    let mix = |learned: u32, stated: u32| {
        let sum = f64::from(learned) * count + f64::from(stated) * STATED_WEIGHT;
        (sum / (count + STATED_WEIGHT)).round() as u32
    };
    let median_days = mix(quantile(&waits, 0.5), stated.median_days);
    let worst_days = mix(quantile(&waits, WORST), stated.worst_days).max(median_days);
    LeadTime { median_days, worst_days }
}

/// Days waited, and whether the delivery came; rising, those that came first.
fn waits(deliveries: &[Delivery], today: NaiveDate) -> Vec<(u32, bool)> {
    let mut waits: Vec<(u32, bool)> = deliveries
        .iter()
        .map(|delivery| {
            let came = delivery.received_on.filter(|day| *day <= today);
            let until = came.unwrap_or(today);
            let days = u32::try_from((until - delivery.ordered_on).num_days()).unwrap_or(0);
            (days, came.is_some())
        })
        .collect();
    waits.sort_by_key(|(days, came)| (*days, !came));
    waits
}

/// Smallest number of days by which a share of deliveries has come, by the product-limit estimate;
/// the longest wait seen where the share is not reached.
fn quantile(waits: &[(u32, bool)], share: f64) -> u32 {
    let mut at_risk = waits.len() as f64;
    let mut open = 1.0;
    for (days, came) in waits {
        if *came {
            open *= (at_risk - 1.0) / at_risk;
            if 1.0 - open >= share - 1e-9 {
                return *days;
            }
        }
        at_risk -= 1.0;
    }
    waits.last().map_or(0, |(days, _)| *days)
}

#[cfg(test)]
mod tests {
    use chrono::Days;

    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    fn delivery(ordered_on: &str, days: Option<u64>) -> Delivery {
        let ordered_on = day(ordered_on);
        Delivery { ordered_on, received_on: days.map(|days| ordered_on + Days::new(days)) }
    }

    const STATED: LeadTime = LeadTime { median_days: 10, worst_days: 20 };

    #[test]
    fn without_a_delivery_the_stated_time_stands() {
        let learned = learn_lead_times(&[], STATED, day("2026-11-25"));
        assert_eq!((learned.lead.usual, learned.received, learned.open), (STATED, 0, 0));
    }

    #[test]
    fn many_deliveries_outweigh_what_is_stated() {
        // 95 of a hundred come after 30 days, five after 60: worst in twenty is 30 just so.
        let all: Vec<Delivery> = (0..100)
            .map(|place| delivery("2026-03-01", Some(if place < 95 { 30 } else { 60 })))
            .collect();
        let learned = learn_lead_times(&all, STATED, day("2026-11-25"));
        let march = learned.lead.by_month[2].expect("a hundred deliveries");
        assert_eq!(learned.lead.usual, LeadTime { median_days: 29, worst_days: 30 });
        assert_eq!(march.median_days, 30);
        assert_eq!(learned.lead.by_month[3], None);
        assert_eq!(learned.lead.on(day("2026-04-01")), learned.lead.usual);
    }

    #[test]
    fn an_order_that_is_still_awaited_makes_a_supplier_slower() {
        let quick = delivery("2026-09-01", Some(10));
        let mut all = vec![quick; 8];
        let before = learn_lead_times(&all, STATED, day("2026-11-25")).lead.usual;
        all.extend([delivery("2026-09-01", None); 4]);
        let after = learn_lead_times(&all, STATED, day("2026-11-25"));
        assert_eq!((after.received, after.open), (8, 4));
        assert!(after.lead.usual.worst_days > before.worst_days + 20);
        assert_eq!(after.lead.usual.median_days, before.median_days);
    }

    #[test]
    fn what_was_not_known_on_a_day_is_not_used() {
        let all = [delivery("2026-09-01", Some(40)), delivery("2026-12-01", Some(1))];
        let learned = learn_lead_times(&all, STATED, day("2026-09-11"));
        assert_eq!((learned.received, learned.open), (1, 0));
        assert_eq!(learn_lead_times(&all[1..], STATED, day("2026-09-11")).received, 0);
    }
}
