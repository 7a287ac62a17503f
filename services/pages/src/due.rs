//! A task that falls due, in words and as a tide strip.
//!
//! The text always says what the strip shows, governing limb first.

use chrono::NaiveDate;
use fleet::hours::Hours;
use fleet::run::GoverningLimb;

use crate::chart::tide::{Ahead, Strip, Tide};
use crate::figures::{HoursStyle, count, day, hours, percent, span};
use crate::form::Mark;
use crate::outlook::AheadHours;

/// What a due run says of one task on one engine.
#[derive(Clone, Debug)]
pub struct DueFacts {
    pub governing: GoverningLimb,
    /// Day on which the first limb is reached: eight times in ten from `early` to `late`.
    pub early_on: Option<NaiveDate>,
    pub due_on: Option<NaiveDate>,
    pub late_on: Option<NaiveDate>,
    pub months_on: Option<NaiveDate>,
    /// Seconds to the hours limit on the day of the run, below zero where overrun.
    pub hours_left_seconds: Option<i64>,
    /// Hours from the engine's last record to the limit.
    pub left_of_record: Option<f64>,
    pub days_left: Option<i64>,
    /// The hours limb's length.
    pub hours_length: Option<Hours>,
    /// From when the interval counts.
    pub counts_from: Option<NaiveDate>,
    /// Share of the governing limb that is used.
    pub used: f64,
    /// Where the interval's figures come from.
    pub source: String,
}

/// The days that matter to a list.
#[derive(Clone, Copy, Debug)]
pub struct Days {
    pub today: NaiveDate,
    /// The date that the reader picked.
    pub by: NaiveDate,
    pub style: HoursStyle,
}

/// One task in words and as a strip.
#[derive(Clone, Debug)]
pub struct DueShown {
    pub mark: Option<Mark>,
    pub strip: Strip,
    pub sentence: String,
    pub aside: String,
    pub urgency: Urgency,
}

/// Worst first.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Urgency {
    pub over: bool,
    /// Probability that it falls due by the picked date.
    pub chance: f64,
    pub used: f64,
}

/// A decision is due where one in five engines would be late.
const CHANCE_WORTH_SHOWING: f64 = 0.2;

impl Urgency {
    pub fn needs_decision(&self) -> bool {
        self.over || self.chance >= CHANCE_WORTH_SHOWING
    }
}

impl DueFacts {
    /// When it was last done is not on record: neither due nor overdue.
    pub fn is_unknown(&self) -> bool {
        self.governing == GoverningLimb::Unknown
    }

    pub fn is_over(&self) -> bool {
        self.hours_left_seconds.is_some_and(|left| left < 0)
            || self.days_left.is_some_and(|left| left < 0)
    }

    /// Probability that it falls due by `by`; `ahead`: the engine's hours to that day.
    fn chance(&self, by: NaiveDate, ahead: Option<&AheadHours>) -> f64 {
        if self.is_unknown() {
            return 0.0;
        }
        if self.is_over() || self.months_on.is_some_and(|on| on <= by) {
            return 1.0;
        }
        match (self.left_of_record, ahead) {
            (Some(left), Some(ahead)) => ahead.by_end.probability_of_at_least(left),
            _ => 0.0,
        }
    }

    /// The task as it is shown.
    pub fn show(&self, days: Days, ahead: Option<&AheadHours>) -> DueShown {
        let chance = self.chance(days.by, ahead);
        let (sentence, aside) = (self.sentence(days), self.aside(days, chance));
        DueShown {
            mark: self.mark(days, chance),
            strip: self.tide(days, ahead).draw(&format!("{sentence}; {aside}")),
            sentence,
            aside,
            urgency: Urgency { over: self.is_over(), chance, used: self.used },
        }
    }

    fn mark(&self, days: Days, chance: f64) -> Option<Mark> {
        if self.is_over() {
            return Some(Mark::stop("over"));
        }
        let ahead = (days.by - days.today).num_days();
        (chance >= 0.5 && ahead >= 0)
            .then(|| Mark::soon(format!("by {}", day(days.by, days.today))))
    }

    fn sentence(&self, days: Days) -> String {
        let on = |d: NaiveDate| day(d, days.today);
        let limit = self.hours_length.map(|length| hours(length.seconds(), days.style));
        match self.governing {
            GoverningLimb::Unknown => "when it was last done is not on record".to_owned(),
            GoverningLimb::Hours if self.hours_over(days).is_some() => {
                self.hours_over(days).unwrap_or_default()
            }
            GoverningLimb::Hours => {
                let limit = limit.unwrap_or_else(|| "hours".to_owned());
                match self.due_on {
                    Some(due) => format!("{limit} limit reached about {}", on(due)),
                    None => format!("{limit} limit not reached within the forecast"),
                }
            }
            GoverningLimb::Months => match (self.months_on, self.is_over()) {
                (Some(due), true) => format!("over by the calendar since {}", on(due)),
                (Some(due), false) if self.hours_left_seconds.is_some() => {
                    format!("by the calendar on {}, before the hours", on(due))
                }
                (Some(due), false) => format!("by the calendar on {}", on(due)),
                (None, _) => "by the calendar".to_owned(),
            },
        }
    }

    /// `12 h over the 100 h limit`
    fn hours_over(&self, days: Days) -> Option<String> {
        let over = self.hours_left_seconds.filter(|left| *left < 0)?.unsigned_abs();
        let limit = self.hours_length.map(|length| hours(length.seconds(), days.style) + " ");
        Some(format!("{} over the {}limit", hours(over, days.style), limit.unwrap_or_default()))
    }

    /// The other limb, where both are over.
    fn also_over(&self, days: Days) -> Option<String> {
        match self.governing {
            GoverningLimb::Hours => {
                let since = self.months_on.filter(|_| self.days_left.is_some_and(|left| left < 0));
                since.map(|since| format!("by the calendar since {}", day(since, days.today)))
            }
            GoverningLimb::Months => self.hours_over(days),
            GoverningLimb::Unknown => None,
        }
    }

    fn aside(&self, days: Days, chance: f64) -> String {
        let on = |d: NaiveDate| day(d, days.today);
        let mut parts = Vec::new();
        parts.extend(self.also_over(days).map(|over| format!("also {over}")));
        if let (GoverningLimb::Hours, Some(early), Some(late), false) =
            (self.governing, self.early_on, self.late_on, self.is_over())
        {
            parts.push(format!("80 %: {}", span(early, late, days.today)));
        }
        match self.hours_left_seconds {
            Some(left) if left >= 0 => {
                parts.push(format!("{} left", hours(left.unsigned_abs(), days.style)));
            }
            _ => {}
        }
        match self.days_left {
            Some(left) if left >= 0 => {
                parts.push(format!("{} left", count(left as usize, "day", "days")));
            }
            _ => {}
        }
        if chance > 0.0 && chance < 1.0 {
            parts.push(format!("{} by {}", percent(chance), on(days.by)));
        }
        if !self.source.is_empty() {
            parts.push(self.source.clone());
        }
        parts.join(" · ")
    }

    fn tide(&self, days: Days, ahead: Option<&AheadHours>) -> Tide {
        let length = self.hours_length.map(Hours::as_decimal).filter(|&length| length > 0.0);
        let left = self.hours_left_seconds.map(|left| left as f64 / 3600.0);
        let level = match (left, length) {
            (Some(left), Some(length)) => Some(1.0 - left / length),
            (Some(_), None) if self.governing == GoverningLimb::Hours => Some(self.used),
            _ => None,
        };
        let share = |hours: f64| length.map(|length| hours / length);
        let ahead = level.zip(ahead).and_then(|(level, ahead)| {
            let at = |p| share(ahead.quantile(p)).map(|more| level + more);
            Some(Ahead { low: at(0.1)?, median: at(0.5)?, high: at(0.9)? })
        });
        let calendar = self.months_on.map(|on| match self.counts_from {
            Some(from) => {
                let whole = (on - from).num_days().max(1) as f64;
                ((days.today - from).num_days() as f64 / whole).max(0.0)
            }
            None if self.governing == GoverningLimb::Months => self.used,
            None => f64::from(u8::from(on <= days.today)),
        });
        Tide { level, ahead, calendar }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(m: u32, d: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, m, d).unwrap()
    }

    fn days() -> Days {
        Days { today: date(7, 6), by: date(7, 12), style: HoursStyle::Clock }
    }

    fn gear_oil() -> DueFacts {
        DueFacts {
            governing: GoverningLimb::Hours,
            early_on: Some(date(7, 7)),
            due_on: Some(date(7, 9)),
            late_on: Some(date(7, 13)),
            months_on: Some(date(9, 20)),
            hours_left_seconds: Some(12_600),
            left_of_record: Some(3.5),
            days_left: Some(76),
            hours_length: Some(Hours::from_whole_hours(50)),
            counts_from: Some(date(5, 20)),
            used: 0.93,
            source: "maker: p. 45".into(),
        }
    }

    /// Some 4.5 h more by the picked day, give or take one.
    fn ahead() -> AheadHours {
        let hours = serde_json::json!({
            "mean": 4.5, "variance": 1.0, "at_zero": 0.0, "floor": 0.0,
            "low": {"weight": 0.0, "shape": 1.0, "scale": 0.0},
            "high": {"weight": 1.0, "shape": 20.25, "scale": 0.222_222},
        });
        let hours: usage::HoursDistribution =
            serde_json::from_value(hours).expect("a distribution");
        AheadHours { hours, by_end: hours, passed: 0.0, own_share: 0.5 }
    }

    #[test]
    fn the_governing_limb_comes_first_and_the_band_with_it() {
        let shown = gear_oil().show(days(), Some(&ahead()));
        assert_eq!(shown.sentence, "50 h limit reached about Thu 9 Jul");
        assert_eq!(
            shown.aside,
            "80 %: 7 to 13 Jul · 3:30 h left · 76 days left · 84 % by Sun 12 Jul · \
             maker: p. 45"
        );
        assert_eq!(shown.mark, Some(Mark::soon("by Sun 12 Jul")));
    }

    #[test]
    fn overrun_hours_are_over_and_certain() {
        let over = DueFacts { hours_left_seconds: Some(-21_600), ..gear_oil() };
        let shown = over.show(days(), None);
        assert_eq!(shown.sentence, "6 h over the 50 h limit");
        assert_eq!(shown.mark, Some(Mark::stop("over")));
        assert!(shown.urgency.over && shown.urgency.chance == 1.0);
        assert!(shown.strip.wide.contains("f-over"));
    }

    #[test]
    fn of_two_limits_that_are_over_both_are_named() {
        let both = |governing| DueFacts {
            governing,
            hours_left_seconds: Some(-21_600),
            months_on: Some(date(6, 26)),
            days_left: Some(-10),
            ..gear_oil()
        };
        let by_hours = both(GoverningLimb::Hours).show(days(), None);
        assert_eq!(by_hours.sentence, "6 h over the 50 h limit");
        assert!(by_hours.aside.starts_with("also by the calendar since Fri 26 Jun"));
        let by_months = both(GoverningLimb::Months).show(days(), None);
        assert_eq!(by_months.sentence, "over by the calendar since Fri 26 Jun");
        assert!(by_months.aside.starts_with("also 6 h over the 50 h limit"));
    }

    #[test]
    fn the_calendar_governs_when_it_is_first() {
        let calendar = DueFacts {
            governing: GoverningLimb::Months,
            months_on: Some(date(7, 10)),
            days_left: Some(4),
            ..gear_oil()
        };
        let shown = calendar.show(days(), None);
        assert_eq!(shown.sentence, "by the calendar on Fri 10 Jul, before the hours");
        assert_eq!(shown.urgency.chance, 1.0);
    }

    #[test]
    fn unknown_is_not_overdue() {
        let unknown = DueFacts {
            governing: GoverningLimb::Unknown,
            hours_left_seconds: None,
            days_left: None,
            months_on: None,
            ..gear_oil()
        };
        let shown = unknown.show(days(), None);
        assert!(!shown.urgency.over && shown.mark.is_none() && shown.urgency.chance == 0.0);
        assert!(!shown.strip.wide.contains("f-certain"));
    }

    #[test]
    fn the_chance_is_that_of_running_what_is_left() {
        let chance = |left| {
            let facts = DueFacts { left_of_record: Some(left), ..gear_oil() };
            facts.chance(days().by, Some(&ahead()))
        };
        let chances: Vec<f64> = (0..20).map(|half| chance(f64::from(half) / 2.0)).collect();
        assert!(chances.windows(2).all(|pair| pair[0] >= pair[1]), "{chances:?}");
        assert!(chances[0] == 1.0 && (0.4..0.6).contains(&chances[9]) && chances[19] < 0.001);
    }
}
