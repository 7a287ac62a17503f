//! From a snapshot of the records to a result that is kept: the due list, the forecast, the order
//! advice, the plans.
//!
//! Here the computing crates meet the store. Nothing here knows HTTP or a terminal; the caller gives
//! the moment. Invariant: a run is made from one snapshot, whose digest is kept with it, and is never
//! changed afterwards.

mod advice;
pub mod check_due;
pub mod check_forecast;
pub mod check_orders;
pub mod check_rotation;
pub mod due;
mod due_run;
mod error;
mod execute;
mod forecast;
pub mod hours;
pub mod lead_times;
pub mod lives;
pub mod looking_back;
pub mod outlook;
pub mod parameters;
mod past;
pub mod plan;
mod plan_run;
mod planned;

pub use error::RunError;
pub use execute::{Clock, Progress, RECORDS, SCHEDULE, Wanted, ask, carry_out, today};
