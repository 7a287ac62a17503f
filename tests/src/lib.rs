//! What black-box tests stand on.

pub mod database;
pub mod program;
mod server;
pub mod winter;
pub mod yard;
