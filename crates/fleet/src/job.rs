//! A job's life: work on one engine in one visit, from proposal to release.
//!
//! ```text
//! proposed → agreed → kitted → on the bench → on test → released
//!               ↘ short ↗
//! any before release → stood over to a date, or dropped, with a reason
//! ```
//!
//! Invariants: parts are reserved from *agreed* on; nothing goes on the bench that is not kitted;
//! nothing is released that was not on test; a dropped or released job never moves again. A short
//! job names each part that is missing and until when.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::bench::JobStatus;
use crate::id::PartId;

/// A part that a job waits for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shortage {
    pub part: PartId,
    pub missing: u32,
    /// When it is expected; `None` where nothing is on order.
    pub until: Option<NaiveDate>,
}

/// Where a job stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "state", rename_all = "kebab-case")]
pub enum JobState {
    Proposed,
    /// Accepted; its parts are reserved as far as they are there.
    Agreed,
    /// All parts lie ready.
    Kitted,
    Short {
        of: Vec<Shortage>,
    },
    OnBench,
    OnTest,
    Released,
    StoodOver {
        until: NaiveDate,
        reason: String,
    },
    Dropped {
        reason: String,
    },
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum JobError {
    #[error("a job that is {from} can't become {to}; from here it can become {allowed}")]
    IllegalMove { from: JobStatus, to: JobStatus, allowed: String },
    #[error("a job is short of something: name the part and how many are missing")]
    ShortOfNothing,
    #[error("a job is stood over or dropped with a reason; none was given")]
    ReasonMissing,
    #[error("a job stood over on {today} must wait for a later day, not for {until}")]
    UntilPast { today: NaiveDate, until: NaiveDate },
}

impl JobError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::IllegalMove { .. } => "job-illegal-move",
            Self::ShortOfNothing => "job-short-of-nothing",
            Self::ReasonMissing => "job-reason-missing",
            Self::UntilPast { .. } => "job-until-past",
        }
    }
}

impl JobState {
    /// The state without what goes with it, as it is kept.
    pub const fn status(&self) -> JobStatus {
        match self {
            Self::Proposed => JobStatus::Proposed,
            Self::Agreed => JobStatus::Agreed,
            Self::Kitted => JobStatus::Kitted,
            Self::Short { .. } => JobStatus::Short,
            Self::OnBench => JobStatus::OnBench,
            Self::OnTest => JobStatus::OnTest,
            Self::Released => JobStatus::Released,
            Self::StoodOver { .. } => JobStatus::StoodOver,
            Self::Dropped { .. } => JobStatus::Dropped,
        }
    }

    /// The job after the move to `next` on `today`.
    ///
    /// # Errors
    /// A move that is not in the life above, a shortage of nothing, a missing reason, a day to wait
    /// for that is not to come.
    pub fn follow(&self, next: Self, today: NaiveDate) -> Result<Self, JobError> {
        self.status().check_move(next.status())?;
        match &next {
            Self::Short { of } if of.iter().all(|shortage| shortage.missing == 0) => {
                Err(JobError::ShortOfNothing)
            }
            Self::StoodOver { reason, .. } | Self::Dropped { reason }
                if reason.trim().is_empty() =>
            {
                Err(JobError::ReasonMissing)
            }
            Self::StoodOver { until, .. } if *until <= today => {
                Err(JobError::UntilPast { today, until: *until })
            }
            _ => Ok(next),
        }
    }
}

impl JobStatus {
    /// The states that may follow.
    pub const fn may_become(self) -> &'static [Self] {
        match self {
            Self::Proposed => &[Self::Agreed, Self::StoodOver, Self::Dropped],
            Self::Agreed => &[Self::Kitted, Self::Short, Self::StoodOver, Self::Dropped],
            // A lot that is found expired or miscounted unmakes a kit.
            Self::Kitted => &[Self::OnBench, Self::Short, Self::StoodOver, Self::Dropped],
            // Short again: another part, or another date.
            Self::Short => &[Self::Kitted, Self::Short, Self::StoodOver, Self::Dropped],
            // What is found on the bench can need a part that is not there.
            Self::OnBench => &[Self::OnTest, Self::Short, Self::StoodOver, Self::Dropped],
            // A failed test goes back to the bench.
            Self::OnTest => &[Self::Released, Self::OnBench],
            Self::StoodOver => &[Self::Proposed, Self::Agreed, Self::Dropped],
            Self::Released | Self::Dropped => &[],
        }
    }

    /// # Errors
    /// A move that is not in the life above.
    pub fn check_move(self, to: Self) -> Result<(), JobError> {
        let allowed = self.may_become();
        if allowed.contains(&to) {
            return Ok(());
        }
        let names: Vec<&str> = allowed.iter().map(|status| status.as_str()).collect();
        let allowed = if names.is_empty() { "nothing".to_owned() } else { names.join(", ") };
        Err(JobError::IllegalMove { from: self, to, allowed })
    }

    /// Whether parts are kept back for a job in this state. A job that is stood over or dropped
    /// gives its parts back.
    pub const fn reserves_parts(self) -> bool {
        matches!(self, Self::Agreed | Self::Kitted | Self::Short | Self::OnBench | Self::OnTest)
    }

    /// Whether the job is over.
    pub const fn is_closed(self) -> bool {
        matches!(self, Self::Released | Self::Dropped)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn today() -> NaiveDate {
        "2026-11-20".parse().expect("a date")
    }

    fn all() -> Vec<JobState> {
        let until = "2027-02-01".parse().expect("a date");
        let of = vec![Shortage { part: PartId::fresh(), missing: 1, until: None }];
        let reason = "owner away".to_owned();
        vec![
            JobState::Proposed,
            JobState::Agreed,
            JobState::Kitted,
            JobState::Short { of },
            JobState::OnBench,
            JobState::OnTest,
            JobState::Released,
            JobState::StoodOver { until, reason: reason.clone() },
            JobState::Dropped { reason },
        ]
    }

    /// One row for each state, one letter for each of the nine that may follow, in the order above:
    /// the whole of the life, written out by hand from the drawing.
    #[test]
    fn every_move_not_in_the_drawing_is_refused() {
        let drawing = [
            ".a.....sd", // proposed
            "..kh...sd", // agreed
            "...hb..sd", // kitted
            "..kh...sd", // short
            "...h.t.sd", // on the bench
            "....b.r..", // on test
            ".........", // released
            "pa......d", // stood over
            ".........", // dropped
        ];
        for (from, row) in all().iter().zip(drawing) {
            for (to, mark) in all().into_iter().zip(row.chars()) {
                let moved = from.follow(to.clone(), today());
                let rule = moved.err().map(|error| error.rule());
                let expected = (mark == '.').then_some("job-illegal-move");
                assert_eq!(rule, expected, "{} to {}", from.status(), to.status());
            }
        }
    }

    #[test]
    fn a_refused_move_says_what_is_allowed() {
        let error = JobState::Agreed.follow(JobState::OnBench, today()).expect_err("not kitted");
        assert_eq!(
            error.to_string(),
            "a job that is agreed can't become on_bench; from here it can become kitted, short, \
             stood_over, dropped"
        );
    }

    #[test]
    fn standing_over_needs_a_reason_and_a_day_to_come() {
        let rule = |until: &str, reason: &str| {
            let until = until.parse().expect("a date");
            let next = JobState::StoodOver { until, reason: reason.into() };
            JobState::Agreed.follow(next, today()).err().map(|error| error.rule())
        };
        assert_eq!(rule("2026-11-21", "owner away"), None);
        assert_eq!(rule("2026-11-20", "owner away"), Some("job-until-past"));
        assert_eq!(rule("2026-11-21", " "), Some("job-reason-missing"));
        let nothing = JobState::Short { of: Vec::new() };
        let error = JobState::Agreed.follow(nothing, today()).expect_err("short of nothing");
        assert_eq!(error.rule(), "job-short-of-nothing");
    }
}
