//! How long parts last, how engines age, and when replacing pays.
//!
//! Lives come from services and findings and are rarely known exactly: a part is still in service
//! (right-censored), was found bad at a look (interval-censored, or left-censored at the first
//! look), or failed at a known age. From them: survival without a model ([`survival`],
//! [`turnbull`]), a Weibull law with its bounds ([`fit`]), a comparison between groups
//! ([`comparison`]), the trend of units that are repaired and go on ([`trend`]), the age at which
//! replacing costs least ([`replacement`]), and what keeping an engine another season is expected
//! to cost ([`retirement`]).
//!
//! Invariants: this crate knows no dates and no names, only ages in one unit that the caller
//! chooses (hours, as a rule). Under five failures it gives a range, never a fitted number. It
//! returns no NaN and no infinity: what can't be had is `None` or an error that says why.

pub mod comparison;
pub mod error;
pub mod fit;
pub mod lives;
mod probability;
pub mod range;
pub mod replacement;
pub mod retirement;
mod root;
pub mod sentence;
pub mod summary;
pub mod survival;
pub mod trend;
pub mod turnbull;
pub mod weibull;

pub use comparison::{Comparison, compare_groups};
pub use error::LifeError;
pub use fit::{WeibullFit, fit_weibull};
pub use lives::{Life, LifeEnd};
pub use range::{LifeRange, bound_mean_life};
pub use replacement::{Replacement, ReplacementCosts, find_replacement_age};
pub use summary::{Method, PartSummary, summarise};
pub use survival::{SurvivalCurve, SurvivalStep, estimate_survival};
pub use trend::{RepairHistory, Trend, estimate_trend};
pub use turnbull::{IntervalCurve, estimate_interval_survival};
pub use weibull::Weibull;
