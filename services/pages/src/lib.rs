//! Server-rendered pages and their pictures. No build step; they work without script, and better
//! with it.
//!
//! A page is a file with its template beside it. The file asks the store, turns what it gets into
//! finished text, links and classes, and the template only loops, shows and falls back.

mod advice_kept;
mod afloat;
mod attempts;
mod bench;
mod beside;
mod board;
mod bundles;
mod calendars;
mod chart;
mod check;
mod cookie;
mod correction;
mod count;
mod due;
mod engine;
mod failure;
mod feed;
mod figures;
mod files;
mod finding;
mod fleet_list;
mod form;
mod frame;
mod job;
mod job_figures;
mod lay_up;
mod life;
mod lives;
mod look;
mod meter;
mod moves;
mod not_yet;
mod order;
mod orders;
mod outlook;
mod part;
mod plan_run;
mod plan_seen;
mod purchase;
mod purchase_forms;
mod reads;
mod retire;
mod rotation;
mod router;
mod run;
mod shelf_life;
mod sign_in;
mod spare;
mod state;
mod stores;
mod supplier;
mod surplus;
mod swap_correction;
mod tag;
mod transfer;
mod visit;
mod visitor;
mod what_if;
mod yard;
mod yard_records;

pub use router::router;
pub use state::{Cookies, PagesState};

#[cfg(test)]
mod gallery;
