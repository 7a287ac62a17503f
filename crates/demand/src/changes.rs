//! What changed from one forecast to the next.
//!
//! Only months that both forecasts know whole are compared. Of the month in which the later one was
//! made each counts the days that were left on its own day, so that they differ without anything
//! having changed.

use crate::month::Month;

/// What is expected in a month, by where it comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MonthStreams {
    pub month: Month,
    pub planned: f64,
    pub on_finding: f64,
    pub unplanned: f64,
}

impl MonthStreams {
    /// All three together.
    pub fn mean(&self) -> f64 {
        self.planned + self.on_finding + self.unplanned
    }
}

/// One month in both forecasts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MonthChange {
    pub before: MonthStreams,
    pub now: MonthStreams,
}

impl MonthChange {
    fn by(&self) -> f64 {
        self.now.mean() - self.before.mean()
    }
}

/// Two forecasts of one part side by side, month by month.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Changes {
    pub months: Vec<MonthChange>,
}

/// A quantity as it is shown, with its unit.
pub type Shown<'a> = &'a dyn Fn(f64) -> String;

/// Less than that a month is no change: half a piece, or a fiftieth. Five hundred paths drawn anew
/// move a mean by as much (common practice, no source).
const STEADY: (f64, f64) = (0.5, 0.02);

/// Sets `now` beside `before`, in the order of `now`, whose first month is the one that runs.
pub fn changes(before: &[MonthStreams], now: &[MonthStreams]) -> Changes {
    let both = now.iter().skip(1).filter_map(|&now| {
        let before = *before.iter().find(|before| before.month == now.month)?;
        Some(MonthChange { before, now })
    });
    Changes { months: both.collect() }
}

impl Changes {
    /// What changed, in a sentence; `None` where the two have no whole month in common.
    pub fn says(&self, shown: Shown<'_>) -> Option<String> {
        let peak = self.months.iter().max_by(|a, b| a.by().abs().total_cmp(&b.by().abs()))?;
        let months = match self.months.len() {
            1 => "the month that both know whole".to_owned(),
            several => format!("the {several} months that both know whole"),
        };
        let whole = self.both(MonthStreams::mean);
        let streams = [
            ("planned work", self.both(|it| it.planned)),
            ("on findings", self.both(|it| it.on_finding)),
            ("unplanned", self.both(|it| it.unplanned)),
        ];
        let moved: Vec<String> = streams
            .iter()
            .filter(|(_, both)| differs(*both))
            .map(|(name, both)| format!("{name} {}", instead(*both, shown)))
            .collect();
        let at_peak = (peak.before.mean(), peak.now.mean());
        let shifted = differs(at_peak);
        let (head, why) = match (differs(whole), moved.as_slice()) {
            (true, []) => (instead(whole, shown), String::new()),
            (true, moved) => (instead(whole, shown), format!(": {}", moved.join(", "))),
            (false, []) if shifted => (as_before(whole, shown), ", at other times".to_owned()),
            (false, []) => (as_before(whole, shown), String::new()),
            (false, moved) => (as_before(whole, shown), format!(", but {}", moved.join(", "))),
        };
        let most = match shifted && self.months.len() > 1 {
            true => format!("; most in {}, {}", named(peak.now.month), instead(at_peak, shown)),
            false => String::new(),
        };
        Some(format!("{head} in {months}{why}{most}"))
    }

    fn sum(&self, of: impl Fn(&MonthChange) -> f64) -> f64 {
        self.months.iter().map(of).sum()
    }

    fn both(&self, stream: impl Fn(&MonthStreams) -> f64) -> (f64, f64) {
        (self.sum(|it| stream(&it.before)), self.sum(|it| stream(&it.now)))
    }
}

fn differs((before, now): (f64, f64)) -> bool {
    let by = (now - before).abs();
    by >= STEADY.0 && by >= STEADY.1 * before.max(now)
}

fn named(month: Month) -> String {
    month.first_day().map_or_else(|| month.to_string(), |first| first.format("%b %Y").to_string())
}

fn as_before((_, now): (f64, f64), shown: Shown<'_>) -> String {
    format!("{} as before", shown(now))
}

fn instead((before, now): (f64, f64), shown: Shown<'_>) -> String {
    format!("{} instead of {}", shown(now), shown(before))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Months from May 2026 on.
    fn streams(months: &[(f64, f64, f64)]) -> Vec<MonthStreams> {
        let first = Month::new(2026, 5).unwrap();
        let one = |(ahead, &(planned, on_finding, unplanned))| MonthStreams {
            month: first.plus(ahead as i32),
            planned,
            on_finding,
            unplanned,
        };
        months.iter().enumerate().map(one).collect()
    }

    fn says(before: &[(f64, f64, f64)], now: &[(f64, f64, f64)]) -> Option<String> {
        changes(&streams(before), &streams(now)).says(&|quantity| format!("{quantity:.0}"))
    }

    #[test]
    fn a_change_is_said_by_stream_and_by_the_month_that_moved_most() {
        let before = [(9.0, 0.0, 0.0), (4.0, 1.0, 2.0), (6.0, 1.0, 2.0)];
        let now = [(1.0, 0.0, 0.0), (4.0, 1.0, 2.0), (12.0, 2.0, 2.0)];
        assert_eq!(
            says(&before, &now).unwrap(),
            "23 instead of 16 in the 2 months that both know whole: planned work 16 instead of 10, \
             on findings 3 instead of 2; most in Jul 2026, 16 instead of 9"
        );
    }

    #[test]
    fn the_month_that_runs_and_what_a_draw_moves_are_no_change() {
        let before = [(9.0, 0.0, 0.0), (40.0, 1.0, 2.0), (6.0, 1.0, 2.0)];
        let now = [(1.0, 0.0, 0.0), (40.4, 1.0, 2.0), (6.4, 0.8, 2.1)];
        let steady = "53 as before in the 2 months that both know whole";
        assert_eq!(says(&before, &now[..]).unwrap(), steady);
    }

    #[test]
    fn work_that_only_moves_from_month_to_month_is_said_to_move() {
        let before = [(0.0, 0.0, 0.0), (8.0, 0.0, 0.0), (2.0, 0.0, 0.0)];
        let now = [(0.0, 0.0, 0.0), (3.0, 0.0, 0.0), (7.0, 0.0, 0.0)];
        let moved = says(&before, &now).unwrap();
        assert!(moved.contains("10 as before") && moved.contains("at other times"), "{moved}");
        let swapped = says(&before, &[before[0], (0.0, 0.0, 8.0), before[2]]).unwrap();
        let but = "but planned work 2 instead of 10, unplanned 8 instead of 0";
        assert!(swapped.contains(but), "{swapped}");
    }

    #[test]
    fn forecasts_without_a_month_in_common_have_no_change_to_tell() {
        let later: Vec<_> = streams(&[(1.0, 0.0, 0.0); 4]).split_off(2);
        assert_eq!(changes(&streams(&[(1.0, 0.0, 0.0); 2]), &later), Changes::default());
        assert_eq!(says(&[], &[(1.0, 0.0, 0.0); 3]), None);
        assert_eq!(says(&[(1.0, 0.0, 0.0)], &[(1.0, 0.0, 0.0)]), None);
    }
}
