//! Commands on a fleet's records. One file each.

pub mod demo;
pub mod due;
pub mod init;
pub mod load;
pub mod serve;
pub mod token;
pub mod work;
