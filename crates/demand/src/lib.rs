//! Monthly demand for parts: from history to a distribution of whole quantities.
//!
//! ```text
//! histories ─► models of one history ─┐
//!          └─► model across parts ────┼─► backtest ─► weights ─► choice ─► sample paths
//!                                     └─ the same code, cut off at earlier months
//! ```
//!
//! Invariants: a forecast is never negative and never NaN; the same input and seed give the same
//! answer bit for bit, whatever the number of threads; no model sees a month after its origin.
//! No I/O, no clock.

mod across;
mod backtest;
mod changes;
mod choice;
mod classify;
mod combination;
mod contest;
mod counts;
mod error;
mod features;
mod findings;
mod forecast;
pub mod frames;
mod hindsight;
mod history;
pub mod models;
mod month;
mod paths;
mod predictive;
pub mod reconcile;
mod scores;
mod season;
mod trees;

pub use changes::{Changes, MonthChange, MonthStreams, Shown, changes};
pub use classify::{Classification, DemandPattern, classify};
pub use combination::{SHARES, Shares};
pub use contest::{Contest, contest};
pub use counts::{CountDistribution, dispersion_ratio};
pub use error::DemandError;
pub use findings::Chance;
pub use forecast::{
    ModelScores, Overall, PATHS_RANGE, PartForecast, QUANTILE_LEVELS, Request, Run, Watch,
    forecast, forecast_each,
};
pub use hindsight::{Hindsight, MonthAfter, MonthBand, hindsight};
pub use history::{HORIZON_MAX, History, MONTHS_MAX, QUANTITY_MAX, check_histories};
pub use models::Model;
pub use month::Month;
pub use paths::{SamplePaths, quantiles_of};
pub use scores::{SCORED_LEVELS, Scale, Scores, Tally, pinball};
