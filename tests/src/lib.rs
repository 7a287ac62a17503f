//! What black-box tests stand on.

pub mod database;
mod server;
