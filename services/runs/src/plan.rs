//! From a snapshot to a planning problem and back: the lay-up plan and the rotation.
//!
//! Invariants: everything but [`standing`] is pure; names in an instance are those that people know
//! (a skill's, a part's number, an engine's serial), each once; one visit an engine and plan.

pub mod account;
pub mod build;
pub mod bundle;
pub mod calendar;
pub mod capacity;
pub mod lay_up;
pub mod names;
pub mod parameters;
pub mod prices;
pub mod problem;
pub mod rotation;
pub(crate) mod rows;
pub mod standing;
pub mod wanted;
pub mod what_if;
