//! Engine models and engines.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::id::{EngineId, ModelId, PoolId, PoolStayId, StandstillId, TestFigureId, TorqueId};
use crate::word::words;

words! {
    pub enum FuelSystem {
        /// Carburettor.
        Carburettor = "carburettor",
        /// Fuel injection.
        Injection = "injection",
    }
}

/// An engine model of a maker, in one printing of its manual.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct EngineModel {
    pub id: ModelId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub maker: String,
    pub name: String,
    /// Two or four.
    pub strokes: i32,
    pub power_watts: Option<i32>,
    /// Parts of petrol to one of oil; two-strokes only.
    pub premix_ratio: Option<i32>,
    pub engine_oil_grade: Option<String>,
    pub engine_oil_ml: Option<i32>,
    pub fuel_system: FuelSystem,
    pub gear_oil_grade: Option<String>,
    pub gear_oil_ml: Option<i32>,
    /// Year; parts commonly end some twenty years after it.
    pub last_made_in: Option<i32>,
    pub manual_edition: Option<String>,
    /// Where the figures of this row come from.
    pub source: String,
    pub archived: bool,
}

/// How tight a fastener of a model is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Torque {
    pub id: TorqueId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub model: ModelId,
    pub fastener: String,
    /// Millinewton metres.
    pub low_mnm: i32,
    pub high_mnm: i32,
    pub source: String,
}

words! {
    pub enum TestKind {
        /// Gearcase under pressure.
        GearcasePressure = "gearcase_pressure",
        /// Gearcase under vacuum.
        GearcaseVacuum = "gearcase_vacuum",
        /// Cylinder compression.
        Compression = "compression",
    }
}

/// What a model's test is done at, and what it may lose.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TestFigure {
    pub id: TestFigureId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub model: ModelId,
    pub kind: TestKind,
    /// Gauge pressure in pascals; below zero for a vacuum.
    pub target_pa: i32,
    /// Never above.
    pub ceiling_pa: Option<i32>,
    pub hold_seconds: i32,
    /// 0 where the maker says it must hold.
    pub drop_max_pa: Option<i32>,
    /// Whether the maker asks for shafts to be turned.
    pub shafts_turned: bool,
    pub source: String,
}

words! {
    pub enum EngineStatus {
        /// Can be hired.
        InService = "in_service",
        /// Ashore for the season.
        LaidUp = "laid_up",
        /// Works no more; may give parts.
        Retired = "retired",
        /// Gone.
        Sold = "sold",
    }
}

/// An outboard, by serial. Hours and history follow it, never the boat.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Engine {
    pub id: EngineId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub serial: String,
    pub model: ModelId,
    pub pool: PoolId,
    pub tag: Option<String>,
    pub bought_on: Option<NaiveDate>,
    /// What first intervals are counted from.
    pub first_run_on: Option<NaiveDate>,
    pub status: EngineStatus,
    /// Overrules boat and pool.
    pub severity_percent: Option<i32>,
    pub note: Option<String>,
}

/// Which pool an engine was in, and from when to when.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PoolStay {
    pub id: PoolStayId,
    pub engine: EngineId,
    pub pool: PoolId,
    pub from_on: NaiveDate,
    /// First day on which it was there no more.
    pub until_on: Option<NaiveDate>,
}

/// An engine known to stand still, both days included.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Standstill {
    pub id: StandstillId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub engine: EngineId,
    pub from_on: NaiveDate,
    pub until_on: NaiveDate,
    pub reason: String,
}
