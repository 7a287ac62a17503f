//! From hour readings to hours ahead and due dates, as distributions.

mod curve;
mod due;
mod error;
mod history;
mod hours;
mod linear;
mod outlook;
mod plans;
mod pool;
mod rate;
mod season;

pub use due::{Due, EngineAhead, Limb, Limits};
pub use error::UsageError;
pub use history::{ESTIMATE_NOISE, EngineHistory, LifeReading, Source, UseInterval};
pub use hours::HoursDistribution;
pub use outlook::{HoursForecast, Outlook};
pub use plans::{EnginePlans, Plan};
pub use pool::{EnginePosterior, PoolFit, PoolModel};
pub use rate::RateModel;
