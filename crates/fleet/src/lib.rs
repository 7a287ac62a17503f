//! The nouns and rules of a fleet of outboards. No I/O, no clock: callers pass today's date.

pub mod bench;
pub mod boat;
pub mod calendar;
pub mod change;
pub mod due;
pub mod engine;
pub mod feed;
pub mod finding;
pub mod gearcase;
pub mod hire;
pub mod hours;
pub mod id;
pub mod job;
pub mod kit;
pub mod ledger;
pub mod money;
pub mod order;
pub mod part;
pub mod person;
pub mod pool;
pub mod programme;
pub mod reading;
pub mod run;
pub mod service;
pub mod shelf_life;
pub mod site;
pub mod stock;
pub mod supersession;
pub mod supplier;
pub mod terms;
pub mod visit;
pub mod word;

pub use hours::{Hours, Minutes};
pub use money::{Currency, Money};
