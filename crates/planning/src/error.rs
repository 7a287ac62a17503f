//! What can be wrong with an instance, each variant one broken rule.

/// An instance that cannot be planned, by its path in the document and the rule it breaks.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum InstanceError {
    #[error("{path}: not of the schema: {cause}")]
    Unreadable { path: String, cause: String },
    #[error("{path}: {given} is negative; give 0 or more")]
    Negative { path: String, given: i64 },
    #[error("{path}: {given} is beyond {limit}, the largest value that is planned exactly")]
    TooLarge { path: String, given: i64, limit: i64 },
    #[error("{path}: {given} entries where {wanted} are needed, one per {per}")]
    WrongCount { path: String, given: usize, wanted: usize, per: &'static str },
    #[error("{path}: the calendar has no days; give a horizon of at least one")]
    NoDays { path: String },
    #[error("{path}: {given} is neither 0 (closed) nor 1 (open)")]
    NotOpenOrClosed { path: String, given: u8 },
    #[error("{path}: week {given} follows week {before}; weeks never fall")]
    WeeksFall { path: String, given: usize, before: usize },
    #[error("{path}: {id:?} is there twice; ids are unique")]
    Duplicate { path: String, id: String },
    #[error("{path}: no {kind} is called {id:?}; add it or correct the name")]
    Unknown { path: String, kind: &'static str, id: String },
    #[error("{path}: day {given} is outside the horizon 0 to {last}")]
    OutsideHorizon { path: String, given: i64, last: i64 },
    #[error("{path}: a visit needs at least one mode")]
    NoMode { path: String },
    #[error(
        "{path}: a stay takes at least one open day, and at most the horizon's {days}; {given} given"
    )]
    Length { path: String, given: usize, days: usize },
    #[error("{path}: visits wait for one another in a circle: {circle}; take one `after` away")]
    Cycle { path: String, circle: String },
    #[error("{path}: locked, but it has no published day; publish it or unlock it")]
    LockedUnpublished { path: String },
    #[error("{path}: locked on day {day}, where none of its modes can start; move or unlock it")]
    LockedImpossible { path: String, day: i64 },
    #[error("{path}: locked visits collide on {resource}; unlock or move one of: {visits}")]
    LockedCollide { path: String, resource: String, visits: String },
    #[error("{path}: the locked visits fit in no choice of their modes; unlock one of: {visits}")]
    LockedTogether { path: String, visits: String },
}

impl InstanceError {
    /// Stable name of the rule, for problem types, reports and tests. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::Unreadable { .. } => "instance-unreadable",
            Self::Negative { .. } => "negative",
            Self::TooLarge { .. } => "too-large",
            Self::WrongCount { .. } => "wrong-count",
            Self::NoDays { .. } => "no-days",
            Self::NotOpenOrClosed { .. } => "open-or-closed",
            Self::WeeksFall { .. } => "weeks-fall",
            Self::Duplicate { .. } => "duplicate-id",
            Self::Unknown { .. } => "unknown-id",
            Self::OutsideHorizon { .. } => "outside-horizon",
            Self::NoMode { .. } => "no-mode",
            Self::Length { .. } => "stay-length",
            Self::Cycle { .. } => "after-cycle",
            Self::LockedUnpublished { .. } => "locked-unpublished",
            Self::LockedImpossible { .. } => "locked-impossible",
            Self::LockedCollide { .. } => "locked-collide",
            Self::LockedTogether { .. } => "locked-together",
        }
    }

    /// Where in the document, for example `visits[3].modes[0].kits.seal`.
    pub fn path(&self) -> &str {
        match self {
            Self::Unreadable { path, .. }
            | Self::Negative { path, .. }
            | Self::TooLarge { path, .. }
            | Self::WrongCount { path, .. }
            | Self::NoDays { path }
            | Self::NotOpenOrClosed { path, .. }
            | Self::WeeksFall { path, .. }
            | Self::Duplicate { path, .. }
            | Self::Unknown { path, .. }
            | Self::OutsideHorizon { path, .. }
            | Self::NoMode { path }
            | Self::Length { path, .. }
            | Self::Cycle { path, .. }
            | Self::LockedUnpublished { path }
            | Self::LockedImpossible { path, .. }
            | Self::LockedCollide { path, .. }
            | Self::LockedTogether { path, .. } => path,
        }
    }
}

/// A start plan or a question that does not fit the instance.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PlanError {
    #[error("the plan is not of the schema at {path}: {cause}")]
    Unreadable { path: String, cause: String },
    #[error("the instance has no visit {visit:?}")]
    UnknownVisit { visit: String },
    #[error("visit {visit:?} has no mode {mode:?}")]
    UnknownMode { visit: String, mode: String },
    #[error(
        "visit {visit:?} must stand once in the plan, planned or left out; it stands {times} times"
    )]
    NotOnce { visit: String, times: usize },
    #[error("visit {visit:?} may not start on day {day} in mode {mode:?}: {rule}")]
    NotAllowed { visit: String, mode: String, day: i64, rule: &'static str },
    #[error("visit {visit:?} is locked and cannot be left out")]
    LockedLeftOut { visit: String },
    #[error("{resource}: {broken}")]
    Broken { resource: String, broken: String },
}

impl PlanError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::Unreadable { .. } => "plan-unreadable",
            Self::UnknownVisit { .. } => "plan-unknown-visit",
            Self::UnknownMode { .. } => "plan-unknown-mode",
            Self::NotOnce { .. } => "plan-visit-once",
            Self::NotAllowed { .. } => "plan-start-not-allowed",
            Self::LockedLeftOut { .. } => "plan-locked-left-out",
            Self::Broken { .. } => "plan-breaks-capacity",
        }
    }
}
