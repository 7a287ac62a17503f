//! What a part's position must cover, on each sample path.
//!
//! An order placed now arrives after a lead time `L`; what is ordered at the next review arrives at
//! `L + R`. Between the two the position decides. What it must cover until a day is the demand
//! until then, plus what expires unused until then, plus what is on order but not due by then: so
//! stock that goes bad and deliveries that come too late are never counted as help.

use chrono::NaiveDate;
use fleet::terms::LeadTime;

use crate::horizon::Horizon;
use crate::samples::{Samples, Tally};

/// So many of a part on the shelf that are good until a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ShelfLot {
    pub quantity: u32,
    /// Last good day; `None` where it does not age.
    pub expires_on: Option<NaiveDate>,
}

/// So many of a part that are on order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Arrival {
    pub quantity: u32,
    /// `None`: within the lead time.
    pub due_on: Option<NaiveDate>,
}

/// What there is of a part.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Supply {
    pub lots: Vec<ShelfLot>,
    pub reserved: u32,
    pub arrivals: Vec<Arrival>,
}

/// [`Supply`] counted from a day.
#[derive(Clone, Debug)]
pub(crate) struct Counted {
    /// Good on that day.
    pub on_hand: u64,
    pub expired: u64,
    pub reserved: u64,
    pub on_order: u64,
    /// Days until the lot is bad, and what has gone bad by then if nothing is used; days rising.
    expiries: Vec<(i64, u64)>,
    /// Days until due, and quantity; days rising.
    due: Vec<(i64, u32)>,
}

/// What a position must cover under one supplier's terms.
pub(crate) struct Requirement {
    pub position: i64,
    /// Until an order placed now arrives.
    pub at_arrival: Samples,
    /// Until an order placed at the next review would arrive.
    pub at_next: Samples,
    /// Mean demand between the two; 0 without a review, when both are the same day.
    pub between: f64,
    /// 0 where the shelf is watched every day.
    pub review_days: i64,
    issue_size: u32,
}

impl Supply {
    pub(crate) fn count(&self, on: NaiveDate) -> Counted {
        let mut good: Vec<(Option<NaiveDate>, u64)> = Vec::new();
        let mut expired = 0;
        for lot in &self.lots {
            match lot.expires_on {
                Some(day) if day < on => expired += u64::from(lot.quantity),
                day => good.push((day, u64::from(lot.quantity))),
            }
        }
        let on_hand = good.iter().map(|(_, quantity)| quantity).sum();
        let mut expiries: Vec<(i64, u64)> = good
            .iter()
            .filter_map(|(day, quantity)| {
                Some(((day.as_ref()?.to_owned() - on).num_days() + 1, *quantity))
            })
            .collect();
        expiries.sort_unstable();
        let mut sum = 0;
        for (_, quantity) in &mut expiries {
            sum += *quantity;
            *quantity = sum;
        }
        let mut due: Vec<(i64, u32)> = self
            .arrivals
            .iter()
            .map(|arrival| {
                let days = arrival.due_on.map_or(0, |day| (day - on).num_days().max(0));
                (days, arrival.quantity)
            })
            .collect();
        due.sort_unstable();
        let on_order = due.iter().map(|(_, quantity)| u64::from(*quantity)).sum();
        Counted { on_hand, expired, reserved: u64::from(self.reserved), on_order, expiries, due }
    }
}

impl Counted {
    /// Units on order that come only after `days`, and units that go bad by then if nothing is used.
    pub fn not_there_by(&self, days: i64) -> (u64, u64) {
        let late = self.due.iter().filter(|(due, _)| *due > days);
        let bad = self.expiries.iter().take_while(|(day, _)| *day <= days).map(|it| it.1);
        (late.map(|(_, quantity)| u64::from(*quantity)).sum(), bad.max().unwrap_or(0))
    }

    /// On hand, less what is reserved, plus what is on order. Below zero where more is reserved
    /// than there is.
    pub fn position(&self) -> i64 {
        let have = i64::try_from(self.on_hand + self.on_order).unwrap_or(i64::MAX);
        have.saturating_sub(i64::try_from(self.reserved).unwrap_or(i64::MAX))
    }

    /// On order, but not there by a day.
    fn late(&self, day: i64) -> u32 {
        let later = self.due.iter().rev().take_while(|(due, _)| *due > day);
        later.fold(0, |sum, (_, quantity)| sum.saturating_add(*quantity))
    }

    /// Gone bad unused by a day on a path. What expires first is used first, for reserved jobs too.
    pub fn wasted(&self, horizon: &Horizon<'_>, path: usize, day: i64) -> u32 {
        let mut wasted = 0_u64;
        for (bad_from, quantity) in self.expiries.iter().take_while(|(bad, _)| *bad <= day) {
            let used = u64::from(horizon.until(path, *bad_from)) + self.reserved;
            wasted = wasted.max(quantity.saturating_sub(used));
        }
        u32::try_from(wasted).unwrap_or(u32::MAX)
    }

    /// The chances of what the position must cover until `day` on a path, deliveries due after
    /// `counted_until` not being of help; each is given to `take`.
    pub fn chances_required(
        &self,
        horizon: &Horizon<'_>,
        path: usize,
        day: i64,
        counted_until: i64,
        mut take: impl FnMut(u32, f64),
    ) {
        let late = self.late(counted_until);
        let wasted = if self.expiries.is_empty() { 0 } else { self.wasted(horizon, path, day) };
        let sure = late.saturating_add(wasted);
        horizon.chances_until(path, day, |units, chance| take(units.saturating_add(sure), chance));
    }

    /// The distribution of what the position must cover until a day.
    pub fn required(&self, horizon: &Horizon<'_>, day: i64) -> Samples {
        let mut tally = Tally::default();
        for path in 0..horizon.paths() {
            self.chances_required(horizon, path, day, day, |units, chance| {
                tally.add(units, chance)
            });
        }
        tally.finish()
    }
}

impl Requirement {
    pub fn measure(
        horizon: &Horizon<'_>,
        supply: &Counted,
        lead: LeadTime,
        review_days: u32,
        receiving_days: u32,
    ) -> Self {
        let review = i64::from(review_days);
        let paths = horizon.paths();
        let (mut at_arrival, mut at_next) = (Tally::default(), Tally::default());
        let mut between = 0.0;
        for path in 0..paths {
            let arrival = horizon.lead_days(path, lead) + i64::from(receiving_days);
            let next = arrival + review;
            // The same deliveries count on both days: only then is what is newly short the difference.
            let add = |tally: &mut Tally, day| {
                supply.chances_required(horizon, path, day, next, |units, chance| {
                    tally.add(units, chance);
                });
            };
            add(&mut at_arrival, arrival);
            if review > 0 {
                add(&mut at_next, next);
                between += horizon.mean_until(path, next) - horizon.mean_until(path, arrival);
            }
        }
        let at_arrival = at_arrival.finish();
        let (at_next, between) = if review > 0 {
            (at_next.finish(), between / paths as f64)
        } else {
            (at_arrival.clone(), 0.0)
        };
        let position = supply.position();
        let issue_size = horizon.issue_size();
        Self { position, at_arrival, at_next, between, review_days: review, issue_size }
    }

    /// Share of the demand between arrival and next arrival that `level` serves at once.
    ///
    /// ```text
    /// 1 - (E[(X₂ - S)⁺] - E[(X₁ - S)⁺]) / E[D₂ - D₁]
    /// ```
    ///
    /// New back orders over demand: Hadley and Whitin (1963), Analysis of Inventory Systems, ch. 5.
    /// Without a review the next issue of `g` units stands for the demand, `X₂ = X₁ + g`: for single
    /// units that is `P(X₁ <= S - 1)`, ch. 4. Demand there is none of is always served.
    pub fn fill_rate(&self, level: i64) -> f64 {
        let at_arrival = self.at_arrival.shortage(level);
        if self.review_days == 0 {
            if self.at_arrival.largest() == 0 {
                return 1.0;
            }
            let issue = f64::from(self.issue_size);
            let new = self.at_arrival.shortage(level - i64::from(self.issue_size)) - at_arrival;
            return (1.0 - new / issue).clamp(0.0, 1.0);
        }
        if self.between <= 0.0 {
            return 1.0;
        }
        let new = self.at_next.shortage(level) - at_arrival;
        (1.0 - new / self.between).clamp(0.0, 1.0)
    }

    /// Smallest level that serves at least `target` of the demand at once.
    pub fn level_for_fill_rate(&self, target: f64) -> i64 {
        let largest = self.at_next.largest().saturating_add(self.issue_size);
        let (mut low, mut high) = (0, i64::from(largest));
        while low < high {
            let middle = low + (high - low) / 2;
            if self.fill_rate(middle) >= target - 1e-9 { high = middle } else { low = middle + 1 }
        }
        low
    }

    /// Smallest level that suffices in a share `target` of cycles.
    pub fn level_for_cycle_service(&self, target: f64) -> i64 {
        i64::from(self.at_next.quantile(target))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::paths::DemandPaths;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    #[test]
    fn what_expires_is_lost_only_where_it_is_not_used_before() {
        // One path of two a month, one of none.
        let values = [vec![2; 12], vec![0; 12]].concat();
        let demand = DemandPaths::new(day("2026-01-01"), 12, values).expect("paths");
        let horizon = Horizon::new(&demand, day("2026-01-01"), 1, &[], 1, 1).expect("covered");
        let lot = |quantity, until: &str| ShelfLot { quantity, expires_on: Some(day(until)) };
        let supply = Supply {
            lots: vec![lot(5, "2026-02-28"), lot(3, "2026-03-31"), lot(9, "2025-12-31")],
            ..Supply::default()
        };
        let counted = supply.count(day("2026-01-01"));
        assert_eq!((counted.on_hand, counted.expired, counted.position()), (8, 9, 8));
        let wasted = |path, until: &str| {
            counted.wasted(&horizon, path, (day(until) - day("2026-01-01")).num_days())
        };
        // Four used by the end of February: one of five goes bad; two of the next three are used.
        assert_eq!(
            [wasted(0, "2026-02-28"), wasted(0, "2026-03-01"), wasted(0, "2026-04-01")],
            [0, 1, 2]
        );
        assert_eq!([wasted(1, "2026-03-01"), wasted(1, "2026-04-01")], [5, 8]);
        let kept = Supply { reserved: 4, ..supply }.count(day("2026-01-01"));
        assert_eq!(kept.wasted(&horizon, 1, 59), 1);
        assert_eq!(kept.position(), 4);
    }

    #[test]
    fn a_delivery_that_comes_later_does_not_help_before() {
        let demand = DemandPaths::new(day("2026-01-01"), 12, vec![0; 12]).expect("paths");
        let horizon = Horizon::new(&demand, day("2026-01-01"), 1, &[], 1, 1).expect("covered");
        let arrival =
            |quantity, due_on: Option<&str>| Arrival { quantity, due_on: due_on.map(day) };
        let supply = Supply {
            arrivals: vec![
                arrival(4, Some("2026-02-01")),
                arrival(1, None),
                arrival(2, Some("2025-12-01")),
            ],
            ..Supply::default()
        };
        let counted = supply.count(day("2026-01-01"));
        assert_eq!(counted.position(), 7);
        assert_eq!([30, 31].map(|day| counted.required(&horizon, day).largest()), [4, 0]);
    }
}
