//! Commands on a fleet's records. One file each.

pub mod check;
pub mod demo;
pub mod due;
pub mod forecast;
pub mod init;
pub mod lives;
pub mod load;
pub mod make;
pub mod openapi;
pub mod order;
pub mod plan;
pub mod serve;
pub mod shell;
pub mod token;
pub mod work;
