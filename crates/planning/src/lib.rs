//! Planning: which engine goes on the bench on which day, at the least cost that can be proven.
//!
//! [`Instance`] says what is known, [`solve`] searches a [`Plan`] and proves how much better any
//! plan could be, [`evaluate`] counts a plan's cost from scratch. One core serves the winter's
//! lay-up plan and the season's rotation.
//!
//! Invariants of this crate: no clock, no file, no environment; every figure that leaves it is a
//! whole number of cents, minutes or pieces; a bound is proven in whole numbers and rounded down;
//! with a work limit a run depends on nothing but its arguments. Deliberately absent: any knowledge
//! of engines' hours, due dates or parts beyond what an instance states.

mod ascent;
mod branching;
mod certificate;
mod compare;
mod cooling;
mod cuts;
mod error;
mod evaluate;
mod explain;
mod instance;
mod locked;
mod loose;
mod model;
mod moves;
mod patterns;
mod plan;
mod relaxation;
mod relief;
mod search;
mod shadow;
mod solve;
mod state;
mod validate;
mod weeks;

pub use certificate::{Certificate, Patterns, PoolCut, Secondary, SplitAt, Tree};
pub use compare::{Difference, Shift, compare};
pub use error::{InstanceError, PlanError};
pub use evaluate::{Evaluation, evaluate};
pub use instance::{After, Bay, Hinge, Instance, Kit, Mode, Pool, Receipt, Skill, Visit};
pub use moves::{CostParts, Moves, Opening, moves_of};
pub use plan::{Overtime, Plan, PlannedVisit, Shortage, ShortageKind, Shortfall, UnplannedVisit};
pub use relief::{Change, Relief, reliefs_of};
pub use shadow::{ShadowPrice, Unit, shadow_prices};
pub use solve::{Effort, LANES, Progress, Solution, Stop, Watch, solve};
