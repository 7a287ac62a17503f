//! Findings on lives as sentences for people who run boats, not statistics.

use crate::comparison::Comparison;
use crate::replacement::{Advice, IntervalProposal, Replacement, RunReason};
use crate::summary::PartSummary;
use crate::trend::Trend;

/// The 5 % below which a difference or a trend is called one. Common practice.
const SIGNIFICANT: f64 = 0.05;

/// "impellers in salt: 9 failures in 212 lives; replacing at 180 h costs least; between 140 and
/// 260 h it hardly matters". `subject` is the part and its use, `unit` the unit of age.
pub fn describe_replacement(
    subject: &str,
    summary: &PartSummary,
    replacement: Option<&Replacement>,
    unit: &str,
) -> String {
    let counted = describe_count(subject, summary);
    if let Err(range) = &summary.law {
        return format!("{counted}; {}", describe_range(range.low, range.high, unit));
    }
    let Some(replacement) = replacement else {
        let mean = summary.mean_life().map_or_else(
            || "beyond any age that matters".to_owned(),
            |mean| format!("about {} {unit}", round_age(mean)),
        );
        return format!("{counted}; mean life {mean}");
    };
    match replacement.advice {
        Advice::RunToFailure(reason) => format!("{counted}; {}", describe_reason(reason)),
        Advice::ReplaceAt(best) => {
            let from = round_age(best.hardly_matters_from);
            let flat = match best.hardly_matters_to {
                Some(to) => format!("between {from} and {} {unit}", round_age(to)),
                None => format!("from {from} {unit} on"),
            };
            let age = round_age(best.age);
            format!("{counted}; replacing at {age} {unit} costs least; {flat} it hardly matters")
        }
    }
}

/// What the proposal for an interval in use comes to.
pub fn describe_proposal(interval: f64, proposal: IntervalProposal, unit: &str) -> String {
    let now = round_age(interval);
    match proposal {
        IntervalProposal::Keep => {
            format!("the interval of {now} {unit} is among those that cost least: keep it")
        }
        IntervalProposal::Shorten { to } => {
            format!("consider shortening the interval of {now} {unit} to {} {unit}", round_age(to))
        }
        IntervalProposal::Lengthen { to } => format!(
            "consider lengthening the interval of {now} {unit} to {} {unit}, if the maker allows",
            round_age(to)
        ),
        IntervalProposal::RunToFailure(reason) => describe_reason(reason).to_owned(),
    }
}

/// Whether groups differ, and which fails more than its share.
pub fn describe_comparison(names: &[&str], comparison: &Comparison) -> String {
    if comparison.p >= SIGNIFICANT {
        return format!(
            "no clear difference between {}: chance alone would do as much {} times in 100",
            and(names),
            (comparison.p * 100.0).round()
        );
    }
    let worst = names
        .iter()
        .zip(&comparison.groups)
        .max_by(|a, b| a.1.excess.total_cmp(&b.1.excess))
        .map_or("", |(name, _)| name);
    let chance = if comparison.p < 0.001 {
        "less than once in 1000".to_owned()
    } else {
        format!("{} times in 1000", (comparison.p * 1000.0).round().max(1.0))
    };
    format!("{worst} fails sooner: chance alone would bring such a difference {chance}")
}

/// `salt`, `salt and fresh water`, `salt, brackish and fresh water`.
fn and(names: &[&str]) -> String {
    match names {
        [] => String::new(),
        [only] => (*only).to_owned(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// Whether a repaired unit gets better or worse.
pub fn describe_trend(subject: &str, trend: &Trend, unit: &str) -> String {
    let count = trend.failures;
    let failed = if count == 1 { "failure" } else { "failures" };
    let seen = format!("{subject}: {count} {failed} in {} {unit}", round_age(trend.observed_to));
    match (trend.laplace, trend.p, trend.mtbf_at_end) {
        (Some(u), Some(p), Some(mtbf)) if p < SIGNIFICANT && count >= crate::fit::FAILURES_MIN => {
            let way = if u > 0.0 { "getting worse" } else { "getting better" };
            format!("{seen}, {way}: now one about every {} {unit}", round_age(mtbf))
        }
        (Some(_), Some(_), _) if count >= crate::fit::FAILURES_MIN => {
            format!("{seen}, no clear trend")
        }
        _ => format!("{seen}: too few to tell a trend"),
    }
}

/// An age as people say it: two figures, or whole from 10 to 100.
pub fn round_age(age: f64) -> String {
    if !age.is_finite() || age <= 0.0 {
        return "0".to_owned();
    }
    let step = 10_f64.powf(age.log10().floor() - 1.0);
    let rounded = (age / step).round() * step;
    if rounded >= 10.0 { format!("{rounded:.0}") } else { format!("{rounded:.1}") }
}

fn describe_count(subject: &str, summary: &PartSummary) -> String {
    let failures = if summary.failures == 1 { "failure" } else { "failures" };
    let lives = if summary.lives == 1 { "life" } else { "lives" };
    format!("{subject}: {} {failures} in {} {lives}", summary.failures, summary.lives)
}

fn describe_range(low: Option<f64>, high: Option<f64>, unit: &str) -> String {
    match (low.map(round_age), high.map(round_age)) {
        (Some(low), Some(high)) => {
            format!("too few for a figure, mean life somewhere between {low} and {high} {unit}")
        }
        (Some(low), None) => format!("too few for a figure, mean life at least {low} {unit}"),
        (None, Some(high)) => format!("too few for a figure, mean life at most {high} {unit}"),
        (None, None) => "nothing has run yet".to_owned(),
    }
}

const fn describe_reason(reason: RunReason) -> &'static str {
    match reason {
        RunReason::HazardNotRising => {
            "it does not wear out, so replacing it early saves nothing: look, and run to failure"
        }
        RunReason::FailureNotDearer => {
            "a failure costs no more than a planned change, so run to failure"
        }
        RunReason::NothingSaved => "replacing early saves next to nothing, so run to failure",
    }
}
