//! Due rules: from an interval and what was last done to the two limbs of the next due.
//!
//! Invariants: whichever limb comes first governs; a first interval replaces the repeating one;
//! nothing rolls forward by itself (next due counts from what was done, never from what should
//! have been); severity multiplies the hours limb, and the months limb only where the row says so;
//! what was last done at an unknown time is unknown, never overdue.
//!
//! Source of the rules: the structure that published maintenance charts share ("hours or months,
//! whichever comes first"; "twice as often" in severe use), e.g. the charts cited at the tests.

use std::collections::HashMap;
use std::hash::Hash;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::calendar::add_months;
use crate::hours::Hours;

/// Where a figure of the programme comes from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Source {
    /// The engine maker's manual: edition and page.
    Maker { cited: String },
    /// The yard's own decision.
    Yard { note: String },
    /// A shipped default: the maker's interval has not been entered.
    Default { basis: String },
}

impl Source {
    /// What a due list says of the figure.
    pub fn sentence(&self) -> String {
        match self {
            Self::Maker { cited } => format!("maker: {cited}"),
            Self::Yard { note } => format!("yard: {note}"),
            Self::Default { basis } => format!("maker interval not entered; default ({basis})"),
        }
    }
}

/// An interval with two limbs. At least one limb of the repeating interval is set.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Interval {
    pub hours: Option<Hours>,
    pub months: Option<u32>,
    pub first_hours: Option<Hours>,
    pub first_months: Option<u32>,
    /// Severe use shortens the months limb too; by default it shortens the hours limb only.
    pub severity_on_months: bool,
    pub source: Source,
}

/// What is known of the last time that a task was done on an engine.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum LastDone {
    /// On this day, at these life hours where somebody wrote them down.
    On { day: NaiveDate, life: Option<Hours> },
    /// Never yet: the engine was put into service new on this day and its record is whole.
    NeverSinceNew { in_service: NaiveDate },
    /// The record does not tell.
    Unknown,
}

/// The two limbs of the next due.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Limits {
    /// Life hours at which the hours limb is reached.
    pub hours_at: Option<Hours>,
    /// The hours limb's length, for the share of it that is used.
    pub hours_length: Option<Hours>,
    /// Day on which the months limb is reached.
    pub months_on: Option<NaiveDate>,
    /// From when the interval counts.
    pub counts_from: NaiveDate,
    /// A first interval, not the repeating one.
    pub first: bool,
}

/// The next due of one task on one engine.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum NextDue {
    Known(Limits),
    Unknown { reason: UnknownReason },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum UnknownReason {
    /// When it was last done is not on record.
    LastDoneUnknown,
    /// It is due by hours only, and at how many it was last done is not on record.
    HoursAtLastDoneUnknown,
}

impl UnknownReason {
    pub const fn sentence(self) -> &'static str {
        match self {
            Self::LastDoneUnknown => "when it was last done is not on record",
            Self::HoursAtLastDoneUnknown => "at how many hours it was last done is not on record",
        }
    }
}

/// The limb that governs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Limb {
    Hours,
    Months,
}

impl Limb {
    pub const fn name(self) -> &'static str {
        match self {
            Self::Hours => "hours",
            Self::Months => "months",
        }
    }
}

/// The next due from an interval, the severity of use (1 normal, 0.5 twice as often) and what was
/// last done. Severity must be above zero; the maker's figure itself is never changed.
///
/// A first interval applies only to an engine that never had the task since new; a limb that the
/// first interval does not name is then not in force. Where a service's hours are unknown, the
/// months limb stands alone.
pub fn next_due(interval: &Interval, severity: f64, last: LastDone) -> NextDue {
    assert!(severity > 0.0 && severity.is_finite(), "severity is checked where it is entered");
    let (counts_from, life, first) = match last {
        LastDone::Unknown => {
            return NextDue::Unknown { reason: UnknownReason::LastDoneUnknown };
        }
        LastDone::On { day, life } => (day, life, false),
        LastDone::NeverSinceNew { in_service } => {
            let first = interval.first_hours.is_some() || interval.first_months.is_some();
            (in_service, Some(Hours::ZERO), first)
        }
    };
    let (hours, months) = if first {
        (interval.first_hours, interval.first_months)
    } else {
        (interval.hours, interval.months)
    };
    let months = months.map(|months| {
        if interval.severity_on_months {
            ((f64::from(months) * severity).round() as u32).max(1)
        } else {
            months
        }
    });
    // A running-in figure is short already: severe use does not shorten it further.
    let hours_length = hours.map(|hours| if first { hours } else { hours.scaled(severity) });
    let hours_at = match (hours_length, life) {
        (Some(length), Some(life)) => Some(life.plus(length)),
        _ => None,
    };
    if hours_at.is_none() && months.is_none() {
        return NextDue::Unknown { reason: UnknownReason::HoursAtLastDoneUnknown };
    }
    NextDue::Known(Limits {
        hours_at,
        hours_length: hours_at.and(hours_length),
        months_on: months.map(|months| add_months(counts_from, months)),
        counts_from,
        first,
    })
}

/// Where a task stands today.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Margins {
    /// Hours left, below zero where overrun.
    pub hours_left: Option<f64>,
    /// Days left to the months limb, below zero where overrun.
    pub days_left: Option<i64>,
    /// Share of the hours limb that is used: 1 at the limit.
    pub hours_share: Option<f64>,
    /// Share of the months limb that is used: 1 at the limit.
    pub months_share: Option<f64>,
}

impl Limits {
    /// Both margins at `life` hours on `today`.
    pub fn margins(&self, life: Hours, today: NaiveDate) -> Margins {
        let hours_left = self.hours_at.map(|at| at.as_decimal() - life.as_decimal());
        let hours_share = hours_left
            .zip(self.hours_length)
            .map(|(left, length)| 1.0 - left / length.as_decimal());
        let days_left = self.months_on.map(|on| (on - today).num_days());
        let months_share = self.months_on.map(|on| {
            let length = (on - self.counts_from).num_days().max(1) as f64;
            (today - self.counts_from).num_days() as f64 / length
        });
        Margins { hours_left, days_left, hours_share, months_share }
    }
}

impl Margins {
    /// The larger share of the two limbs: above 1, it is overdue.
    pub fn share(&self) -> f64 {
        self.hours_share.unwrap_or(0.0).max(self.months_share.unwrap_or(0.0))
    }

    pub fn is_overdue(&self) -> bool {
        self.hours_left.is_some_and(|left| left < 0.0)
            || self.days_left.is_some_and(|left| left < 0)
    }
}

/// Which tasks a service of a task also settles: what it contains, and for a replacement its check.
///
/// `settles` names for each task the tasks that doing it settles directly; the answer follows the
/// chain. A loop in the table settles all that are on it, and ends.
pub fn settled_by<T: Copy + Eq + Hash>(done: T, settles: &HashMap<T, Vec<T>>) -> Vec<T> {
    let mut settled = vec![done];
    let mut next = 0;
    while next < settled.len() {
        for task in settles.get(&settled[next]).into_iter().flatten() {
            if !settled.contains(task) {
                settled.push(*task);
            }
        }
        next += 1;
    }
    settled
}

/// A first service whose date is not known, with what is known about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FirstServiceWanted<K> {
    pub engine: K,
    /// Life hours over the hours limb, the best guess at how far gone it is: an engine that has run
    /// three intervals more likely missed one than an engine that has run a tenth.
    pub intervals_run: Option<f64>,
    /// Months in service over the months limb.
    pub intervals_aged: Option<f64>,
}

/// Spreads first services whose last date is unknown over the coming weeks: engines that may be
/// furthest gone first, all tasks of an engine in one week, weeks as even as whole engines allow.
/// Engines of which nothing is known come first: they are the larger risk.
///
/// Answers with each engine's week, 0 for the first. `weeks` below 1 is taken as 1.
pub fn spread_first_services<K: Copy + Eq + Hash + Ord>(
    wanted: &[FirstServiceWanted<K>],
    weeks: u32,
) -> Vec<(K, u32)> {
    let mut worst: HashMap<K, f64> = HashMap::new();
    for row in wanted {
        let known = row
            .intervals_run
            .into_iter()
            .chain(row.intervals_aged)
            .fold(None, |most, x| Some(f64::max(most.unwrap_or(f64::MIN), x)));
        let gone = known.unwrap_or(f64::INFINITY);
        let entry = worst.entry(row.engine).or_insert(gone);
        *entry = entry.max(gone);
    }
    let mut engines: Vec<(K, f64)> = worst.into_iter().collect();
    engines.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    let count = engines.len().max(1);
    let weeks = weeks.max(1) as usize;
    engines
        .into_iter()
        .enumerate()
        .map(|(place, (engine, _))| (engine, (place * weeks / count) as u32))
        .collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rstest::rstest;

    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    fn whole(hours: u32) -> Hours {
        Hours::from_whole_hours(hours)
    }

    fn interval(hours: u32, months: u32) -> Interval {
        Interval {
            hours: (hours > 0).then(|| whole(hours)),
            months: (months > 0).then_some(months),
            first_hours: None,
            first_months: None,
            severity_on_months: false,
            source: Source::Yard { note: "test".into() },
        }
    }

    fn limits(interval: &Interval, severity: f64, last: LastDone) -> Limits {
        match next_due(interval, severity, last) {
            NextDue::Known(limits) => limits,
            NextDue::Unknown { reason } => panic!("{}", reason.sentence()),
        }
    }

    const NEW: &str = "2026-04-01";

    /// Suzuki, owner's manual of a 100 hp four-stroke, p. 35: gear oil replaced at 20 h or 1 month,
    /// then every 100 h or 12 months.
    #[test]
    fn a_first_interval_replaces_the_repeating_one() {
        let gear_oil =
            Interval { first_hours: Some(whole(20)), first_months: Some(1), ..interval(100, 12) };
        let first = limits(&gear_oil, 1.0, LastDone::NeverSinceNew { in_service: day(NEW) });
        assert_eq!((first.hours_at, first.months_on), (Some(whole(20)), Some(day("2026-05-01"))));
        assert!(first.first);
        let done = LastDone::On { day: day("2026-04-20"), life: Some(whole(18)) };
        let then = limits(&gear_oil, 1.0, done);
        assert_eq!((then.hours_at, then.months_on), (Some(whole(118)), Some(day("2027-04-20"))));
        assert!(!then.first);
    }

    /// Yamaha, owner's manual of a 4 hp two-stroke, p. 45: severe use, twice as often (a 50 h job at
    /// 25 h). The months limb stays, unless the row says otherwise (common practice, no source).
    #[rstest]
    #[case::normal(1.0, false, 150, "2027-04-01")]
    #[case::severe(0.5, false, 125, "2027-04-01")]
    #[case::severe_on_months_too(0.5, true, 125, "2026-10-01")]
    fn severe_use_halves_the_hours(
        #[case] severity: f64,
        #[case] severity_on_months: bool,
        #[case] hours_at: u32,
        #[case] months_on: &str,
    ) {
        let row = Interval { severity_on_months, ..interval(50, 12) };
        let done = LastDone::On { day: day(NEW), life: Some(whole(100)) };
        let next = limits(&row, severity, done);
        assert_eq!(next.hours_at, Some(whole(hours_at)));
        assert_eq!(next.months_on, Some(day(months_on)));
    }

    /// Tohatsu, 9.8 hp as an owner quotes the manual's p. 55: 100 h or 6 months.
    #[test]
    fn the_limb_that_comes_first_governs() {
        let row = interval(100, 6);
        let done = LastDone::On { day: day(NEW), life: Some(whole(0)) };
        let next = limits(&row, 1.0, done);
        let by_hours = next.margins(whole(101), day("2026-06-01"));
        assert!(by_hours.is_overdue() && by_hours.hours_share > by_hours.months_share);
        let by_months = next.margins(whole(10), day("2026-10-02"));
        assert!(by_months.is_overdue() && by_months.months_share > by_months.hours_share);
        let neither = next.margins(whole(100), day("2026-10-01"));
        assert!(!neither.is_overdue());
        assert!((neither.share() - 1.0).abs() < 1e-9);
    }

    #[test]
    fn what_is_unknown_is_never_overdue() {
        let unknown = next_due(&interval(100, 12), 1.0, LastDone::Unknown);
        assert_eq!(unknown, NextDue::Unknown { reason: UnknownReason::LastDoneUnknown });
        let no_hours = LastDone::On { day: day(NEW), life: None };
        assert_eq!(
            next_due(&interval(100, 0), 1.0, no_hours),
            NextDue::Unknown { reason: UnknownReason::HoursAtLastDoneUnknown }
        );
        let months_alone = limits(&interval(100, 12), 1.0, no_hours);
        assert_eq!(months_alone.hours_at, None);
        assert_eq!(months_alone.months_on, Some(day("2027-04-01")));
    }

    /// Suzuki, p. 35 as above: the pump is inspected at 200 h and its impeller replaced at 300 h; the
    /// replacement settles the inspection. Tohatsu, 75-115 hp, p. 67: the complete inspection at
    /// 300 h contains the smaller ones.
    #[test]
    fn a_replacement_settles_its_check_and_a_larger_service_what_it_contains() {
        let settles = HashMap::from([
            ("complete inspection", vec!["impeller: replace", "gear oil: change"]),
            ("impeller: replace", vec!["impeller: check"]),
            ("gear oil: change", vec!["gear oil: look"]),
            ("a", vec!["b"]),
            ("b", vec!["a"]),
        ]);
        assert_eq!(settled_by("impeller: check", &settles), ["impeller: check"]);
        assert_eq!(settled_by("impeller: replace", &settles).len(), 2);
        let all = settled_by("complete inspection", &settles);
        assert!(all.contains(&"impeller: check") && all.contains(&"gear oil: look"));
        assert_eq!(settled_by("a", &settles), ["a", "b"]);
    }

    #[test]
    fn a_yard_that_starts_from_nothing_gets_even_weeks_worst_first() {
        let wanted: Vec<FirstServiceWanted<u32>> = (0..10)
            .map(|engine| FirstServiceWanted {
                engine,
                intervals_run: (engine != 9).then_some(f64::from(engine)),
                intervals_aged: None,
            })
            .collect();
        let weeks = spread_first_services(&wanted, 5);
        let week_of = |engine| weeks.iter().find(|row| row.0 == engine).expect("in the list").1;
        assert_eq!(week_of(9), 0); // nothing known
        assert_eq!(week_of(8), 0);
        assert_eq!(week_of(0), 4);
        for week in 0..5 {
            assert_eq!(weeks.iter().filter(|row| row.1 == week).count(), 2);
        }
        assert!(spread_first_services::<u32>(&[], 0).is_empty());
    }

    proptest! {
        #[test]
        fn due_never_moves_earlier_with_a_longer_interval(
            hours in 1_u32..5_000, more in 0_u32..500, months in 1_u32..120, longer in 0_u32..24,
            done in 0_u32..10_000, severity in 0.1_f64..2.0,
        ) {
            let last = LastDone::On { day: day(NEW), life: Some(whole(done)) };
            let short = limits(&interval(hours, months), severity, last);
            let long = limits(&interval(hours + more, months + longer), severity, last);
            prop_assert!(short.hours_at <= long.hours_at);
            prop_assert!(short.months_on <= long.months_on);
        }

        #[test]
        fn more_hours_never_leave_more_margin(
            hours in 1_u32..5_000, life in 0_u32..10_000, more in 0_u32..500,
        ) {
            let last = LastDone::On { day: day(NEW), life: Some(whole(0)) };
            let next = limits(&interval(hours, 12), 1.0, last);
            let today = day("2026-06-01");
            let less = next.margins(whole(life + more), today).hours_left;
            prop_assert!(less <= next.margins(whole(life), today).hours_left);
        }
    }
}
