//! The API as programs meet it: requests in, answers out, on both databases.

#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]

mod afloat;
mod caller;
mod document;
mod feeds;
mod findings;
mod forecasts;
mod isolation;
mod jobs;
mod limits;
mod lives;
mod loads;
mod lost_update;
mod once;
mod orders;
mod pages;
mod plans;
mod readings;
mod roles;
mod runs;
mod tokens;
