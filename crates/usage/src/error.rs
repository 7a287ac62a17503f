use chrono::NaiveDate;

/// A rule that the data given to this crate broke.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum UsageError {
    #[error("an interval from {start} to {end} covers no day; give an end after its start")]
    NoDays { start: NaiveDate, end: NaiveDate },
    #[error("{hours} h from {start} to {end}; hours of use are a number of 0 or more")]
    HoursNotANumber { start: NaiveDate, end: NaiveDate, hours: f64 },
    #[error("{hours} h in the {days} days from {start} is more than 24 h a day")]
    FasterThanTime { start: NaiveDate, days: i64, hours: f64 },
    #[error("the interval from {start} begins before {before}, where the one before it ends")]
    Overlaps { start: NaiveDate, before: NaiveDate },
    #[error("{date} lies outside the years 1900 to 2200")]
    DateOutOfRange { date: NaiveDate },
    #[error("{hours} h of life on {on} is below {before} h, shown earlier")]
    ReadingFalls { on: NaiveDate, hours: f64, before: f64 },
    #[error("{given} is not a number of hours a plan can hold; give 0 or more")]
    PlanHours { given: f64 },
}

impl UsageError {
    /// Stable name of the rule, for problem types, import reports and tests. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::NoDays { .. } => "interval-without-days",
            Self::HoursNotANumber { .. } => "hours-not-a-number",
            Self::FasterThanTime { .. } => "use-faster-than-time",
            Self::Overlaps { .. } => "intervals-overlap",
            Self::DateOutOfRange { .. } => "date-out-of-range",
            Self::ReadingFalls { .. } => "reading-falls",
            Self::PlanHours { .. } => "plan-hours",
        }
    }
}
