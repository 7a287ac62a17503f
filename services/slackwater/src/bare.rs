//! Commands that take bare files, no fleet behind them: anyone can check the computing with a
//! spreadsheet. One file each; the columns are described in `docs` of each command's arguments.

pub mod demand;
pub mod due;
pub mod gearcase;
pub mod life;
pub mod order;
pub mod plan;
pub mod usage;
