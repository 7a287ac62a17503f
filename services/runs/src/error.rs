//! Why a run has no result.

use store::StoreError;

/// One reason. The run keeps the text where its result would stand.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("another process carries this run out, or it is finished")]
    NotWaiting,
    #[error("runs of the kind {kind} are not made here")]
    OtherKind { kind: fleet::run::RunKind },
    #[error("{what}")]
    Refused { rule: &'static str, what: String },
    #[error("the computation stopped: {0}")]
    Stopped(String),
}

impl RunError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::Store(error) => error.rule(),
            Self::NotWaiting => "run-not-waiting",
            Self::OtherKind { .. } => "run-kind",
            Self::Refused { rule, .. } => rule,
            Self::Stopped(_) => "run-stopped",
        }
    }
}
