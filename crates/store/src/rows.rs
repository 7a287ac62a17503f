//! Rows become the values of `fleet`, and back, here and nowhere else.

mod bench;
mod boat;
mod engine;
mod finding;
mod hire;
mod order;
mod part;
mod person;
mod pool;
mod programme;
mod reading;
mod run;
mod service;
mod site;
mod supplier;
mod visit;
