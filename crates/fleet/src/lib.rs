//! The nouns and rules of a fleet of outboards. No I/O, no clock: callers pass today's date.

pub mod calendar;
pub mod due;
pub mod hours;
pub mod id;
pub mod ledger;
pub mod money;

pub use hours::{Hours, Minutes};
pub use money::{Currency, Money};
