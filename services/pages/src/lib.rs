//! Server-rendered pages and their pictures. No build step; they work without script, and better
//! with it.
//!
//! A page is a file with its template beside it. The file asks the store, turns what it gets into
//! finished text, links and classes, and the template only loops, shows and falls back.

pub mod afloat;
pub mod board;
pub mod chart;
pub mod engine;
pub mod failure;
pub mod figures;
pub mod finding;
pub mod fleet_list;
pub mod form;
pub mod frame;
pub mod look;
pub mod meter;
pub mod order;
pub mod part;
pub mod sign_in;
pub mod stores;

#[cfg(test)]
mod gallery;
