//! The due list as a run that is kept.

use fleet::due::{Limb, NextDue};
use fleet::id::RunRowId;
use fleet::run::GoverningLimb;
use serde_json::json;
use store::runs::DueRow;

use crate::due::{DueLine, due_list};
use crate::execute::{Computed, Task};
use crate::hours::{Basis, FleetHours};

pub fn compute(task: &Task) -> Computed {
    (task.progress)(100, "fitting the season");
    let fleet = FleetHours::fit(&task.snapshot, task.today);
    (task.progress)(600, "finding the due dates");
    let lines = due_list(&task.snapshot, &fleet, task.today, task.today);
    let overdue = lines.iter().filter(|line| line.is_overdue()).count();
    let unknown = lines.iter().filter(|line| matches!(line.next, NextDue::Unknown { .. })).count();
    let summary = json!({
        "on": task.today,
        "lines": lines.len(),
        "overdue": overdue,
        "unknown": unknown,
    });
    let due = lines.iter().map(|line| row(task, &fleet, line)).collect();
    Computed { due, summary: Some(summary), ..Computed::default() }
}

fn row(task: &Task, fleet: &FleetHours, line: &DueLine) -> DueRow {
    let seconds = |hours: f64| (hours * 3600.0).round() as i64;
    let limits = line.limits();
    let margins = line.margins.as_ref();
    DueRow {
        id: RunRowId::fresh(),
        run: task.run.id,
        engine: line.engine,
        task: line.task,
        governing: match line.governing {
            Some(Limb::Hours) => GoverningLimb::Hours,
            Some(Limb::Months) => GoverningLimb::Months,
            None => GoverningLimb::Unknown,
        },
        due_early_on: line.early_on,
        due_on: line.due_on,
        due_late_on: line.late_on,
        months_due_on: limits.and_then(|limits| limits.months_on),
        hours_left_seconds: margins.and_then(|margins| margins.hours_left).map(seconds),
        hours_length_seconds: limits
            .and_then(|limits| limits.hours_length)
            .map(|length| seconds(length.as_decimal())),
        hours_at_seconds: limits
            .and_then(|limits| limits.hours_at)
            .map(|at| seconds(at.as_decimal())),
        counts_from_on: limits.map(|limits| limits.counts_from),
        days_left: margins
            .and_then(|margins| margins.days_left)
            .and_then(|days| i32::try_from(days).ok()),
        used_permille: margins.map_or(0, |margins| (margins.share() * 1_000.0).round() as i32),
        source: Some(line.source.clone()),
        explanation: Some(explanation(fleet, line)),
    }
}

/// What the line rests on, in a sentence.
fn explanation(fleet: &FleetHours, line: &DueLine) -> String {
    if let NextDue::Unknown { reason } = &line.next {
        let week = line.start_up_week.unwrap_or(0) + 1;
        return format!("{}; start-up list: week {week}", reason.sentence());
    }
    let Some(hours) = fleet.engine(line.engine) else { return String::new() };
    let first = line.limits().is_some_and(|limits| limits.first);
    let counted =
        if first { "first interval, counted from new" } else { "counted from the last time" };
    let basis = match hours.basis {
        Basis::Meter => "hours from its meter".to_owned(),
        Basis::HireLog => match fleet.factor(hours.pool) {
            Some(factor) if factor.hires > 0 => format!(
                "no meter: hire hours × {:.2} running factor, from {} hires",
                factor.factor, factor.hires
            ),
            Some(factor) => format!("no meter: hire hours × {:.2} as entered", factor.factor),
            None => {
                "no meter and too few hires for a running factor: hire hours taken whole".into()
            }
        },
        Basis::Pool => "no hours on record: its pool's season stands in".to_owned(),
    };
    format!("{counted}; {basis}")
}
