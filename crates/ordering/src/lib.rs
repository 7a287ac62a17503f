//! What to order, how much, from whom, by which date, for what money.
//!
//! The way through the crate: joint [`DemandPaths`] (or [`MonthlyQuantiles`] of a file) become what a
//! part may need until any day; [`advise`] sets that against stock, terms and money. Beside it stand
//! the single computations with their sources: [`SingleBuy`], [`LotProblem`], [`LeadTimeDemand`],
//! [`marginal`], [`kit_or_loose`], [`plan_cash`], [`learn_lead_times`]; and [`replay`], which goes
//! through the past under any rule.
//!
//! Invariants: no I/O, no clock, no parts' names; quantities are whole stock units and money whole
//! minor units; two currencies never meet without a rate; the same question gives the same answer
//! whatever the number of threads.

mod advice;
mod buying;
mod cash;
mod error;
mod horizon;
mod kit_or_loose;
mod lead_times;
mod lot_size;
pub mod marginal;
mod newsvendor;
mod paths;
mod quantiles;
mod replay;
mod requirement;
mod samples;
mod stock_level;
mod top_up;

pub use advice::{
    Advice, ExchangeRate, Line, MonthsDrawn, Offer, Overstock, PartToStock, Policy, Question,
    Settings, SupplierOrder, advise,
};
pub use buying::Buying;
pub use cash::{CashLine, CashPlan, plan_cash};
pub use error::OrderingError;
pub use kit_or_loose::{KitChoice, KitPart, kit_or_loose};
pub use lead_times::{Delivery, LearnedLeadTimes, learn_lead_times};
pub use lot_size::{LotPlan, LotProblem, economic_quantity};
pub use newsvendor::{SeasonOutcome, SingleBuy};
pub use paths::DemandPaths;
pub use quantiles::{MonthlyQuantiles, Quantiles};
pub use replay::{
    MinMax, ReplayMonth, ReplayPart, ReplayReport, ReplaySettings, Review, min_max_rule, replay,
    tune_min_max,
};
pub use requirement::{Arrival, ShelfLot, Supply};
pub use samples::Samples;
pub use stock_level::{LeadTimeDemand, Service};
pub use top_up::{Addition, least_useless};
