//! What black-box tests stand on.

pub mod database;
mod server;
pub mod yard;
