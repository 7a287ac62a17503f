//! An invented fleet with a known truth: a place, pools, engines of made-up makers, four seasons.
//!
//! Used by the demo, by tests that need to know what really happened, and by benchmarks. Everything
//! follows from a seed and a day; the past is written as the files that a yard would load.

pub mod catalogue;
pub mod files;
pub mod history;
pub mod season;
pub mod supply;
