//! What the user knows of an engine's days ahead: booked hires, a month ashore, the hire window.
//!
//! Plans replace the forecast on their days; on all others it stands.

use crate::UsageError;
use crate::history::{Day, check_date, day_of};
use crate::outlook::Outlook;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// One thing known about an engine's days from `from` up to, not including, `to`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Plan {
    /// Stands ashore: runs no hour.
    Parked { from: NaiveDate, to: NaiveDate },
    /// Runs these hours in all, and none besides: hire hours × running factor, with what is not
    /// sure about them as a standard deviation.
    Booked { from: NaiveDate, to: NaiveDate, hours: f64, hours_sd: f64 },
    /// May be hired on these days. Where any such window is given, days in none of them are parked.
    HireWindow { from: NaiveDate, to: NaiveDate },
}

/// Checked plans of one engine.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct EnginePlans {
    /// Days on which the forecast doesn't stand: disjoint, in order.
    replaced: Vec<(Day, Day)>,
    booked: Vec<(Day, Day, f64, f64)>,
}

/// Beyond every date that is accepted.
const EVER: Day = 1_000_000;

impl EnginePlans {
    pub fn new(plans: &[Plan]) -> Result<Self, UsageError> {
        let (mut replaced, mut windows, mut booked) = (Vec::new(), Vec::new(), Vec::new());
        for plan in plans {
            match *plan {
                Plan::Parked { from, to } => replaced.push(days(from, to)?),
                Plan::HireWindow { from, to } => windows.push(days(from, to)?),
                Plan::Booked { from, to, hours, hours_sd } => {
                    let (start, end) = days(from, to)?;
                    for given in [hours, hours_sd] {
                        if !given.is_finite() || given < 0.0 {
                            return Err(UsageError::PlanHours { given });
                        }
                    }
                    if hours > 24.0 * f64::from(end - start) {
                        let days = i64::from(end - start);
                        return Err(UsageError::FasterThanTime { start: from, days, hours });
                    }
                    replaced.push((start, end));
                    booked.push((start, end, hours, hours_sd * hours_sd));
                }
            }
        }
        if !windows.is_empty() {
            replaced.extend(outside(&union(windows)));
        }
        Ok(Self { replaced: union(replaced), booked })
    }

    /// Of the pool's hours over a span (`whole`), those on days without a plan; booked hours there,
    /// and their variance.
    pub(crate) fn between(
        &self,
        outlook: &Outlook,
        from: Day,
        to: Day,
        whole: f64,
    ) -> (f64, f64, f64) {
        let mut kept = whole;
        let passed = self.replaced.partition_point(|span| span.1 <= from);
        for &(start, end) in self.replaced[passed..].iter().take_while(|span| span.0 < to) {
            let (a, b) = (start.max(from), end.min(to));
            if a < b {
                kept -= outlook.exposure(a, b);
            }
        }
        let (mut booked, mut variance) = (0.0, 0.0);
        for &(start, end, hours, hours_var) in &self.booked {
            let days = end.min(to) - start.max(from);
            if days > 0 {
                let share = f64::from(days) / f64::from(end - start);
                booked += share * hours;
                variance += share * hours_var;
            }
        }
        (kept.max(0.0), booked, variance)
    }
}

fn days(from: NaiveDate, to: NaiveDate) -> Result<(Day, Day), UsageError> {
    check_date(from)?;
    check_date(to)?;
    if from >= to {
        return Err(UsageError::NoDays { start: from, end: to });
    }
    Ok((day_of(from), day_of(to)))
}

/// Spans merged where they touch, in order.
fn union(mut spans: Vec<(Day, Day)>) -> Vec<(Day, Day)> {
    spans.sort_unstable();
    let mut merged: Vec<(Day, Day)> = Vec::with_capacity(spans.len());
    for (start, end) in spans {
        match merged.last_mut() {
            Some(last) if start <= last.1 => last.1 = last.1.max(end),
            _ => merged.push((start, end)),
        }
    }
    merged
}

/// What lies between disjoint spans in order, before and after them.
fn outside(spans: &[(Day, Day)]) -> Vec<(Day, Day)> {
    let mut gaps = Vec::with_capacity(spans.len() + 1);
    let mut at = 0;
    for &(start, end) in spans {
        gaps.push((at, start));
        at = end;
    }
    gaps.push((at, EVER));
    gaps
}
