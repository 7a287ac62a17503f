//! Engine models and engines.

use crate::problem::Problem;
use crate::resource::{Changeable, Resource, Shown};
use chrono::NaiveDate;
use fleet::engine::{
    Engine, EngineModel, EngineStatus, FuelSystem, PoolStay, Standstill, TestFigure, TestKind,
    Torque,
};
use fleet::id::{EngineId, ModelId, PoolId, StandstillId, TestFigureId, TorqueId};
use fleet::person::Role;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one engine model.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = EngineModel)]
pub struct EngineModelFields {
    pub maker: String,
    pub name: String,
    pub strokes: i32,
    pub power_watts: Option<i32>,
    pub premix_ratio: Option<i32>,
    pub engine_oil_grade: Option<String>,
    pub engine_oil_ml: Option<i32>,
    #[schema(value_type = String)]
    pub fuel_system: FuelSystem,
    pub gear_oil_grade: Option<String>,
    pub gear_oil_ml: Option<i32>,
    pub last_made_in: Option<i32>,
    pub manual_edition: Option<String>,
    pub source: String,
    pub archived: bool,
}

impl Resource for EngineModelFields {
    type Noun = EngineModel;
    const PATH: &'static str = "/engine-models";
    const NAME: &'static str = "EngineModel";

    fn show(noun: EngineModel) -> Shown<Self> {
        let EngineModel {
            id,
            version,
            maker,
            name,
            strokes,
            power_watts,
            premix_ratio,
            engine_oil_grade,
            engine_oil_ml,
            fuel_system,
            gear_oil_grade,
            gear_oil_ml,
            last_made_in,
            manual_edition,
            source,
            archived,
        } = noun;
        let fields = Self {
            maker,
            name,
            strokes,
            power_watts,
            premix_ratio,
            engine_oil_grade,
            engine_oil_ml,
            fuel_system,
            gear_oil_grade,
            gear_oil_ml,
            last_made_in,
            manual_edition,
            source,
            archived,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for EngineModelFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<EngineModel, Problem> {
        let Self {
            maker,
            name,
            strokes,
            power_watts,
            premix_ratio,
            engine_oil_grade,
            engine_oil_ml,
            fuel_system,
            gear_oil_grade,
            gear_oil_ml,
            last_made_in,
            manual_edition,
            source,
            archived,
        } = self;
        Ok(EngineModel {
            id: ModelId(id),
            version,
            maker,
            name,
            strokes,
            power_watts,
            premix_ratio,
            engine_oil_grade,
            engine_oil_ml,
            fuel_system,
            gear_oil_grade,
            gear_oil_ml,
            last_made_in,
            manual_edition,
            source,
            archived,
        })
    }
}

/// The fields of one torque.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Torque)]
pub struct TorqueFields {
    pub model: Uuid,
    pub fastener: String,
    pub low_mnm: i32,
    pub high_mnm: i32,
    pub source: String,
}

impl Resource for TorqueFields {
    type Noun = Torque;
    const PATH: &'static str = "/model-torques";
    const NAME: &'static str = "Torque";

    fn show(noun: Torque) -> Shown<Self> {
        let Torque { id, version, model, fastener, low_mnm, high_mnm, source } = noun;
        let fields = Self { model: model.0, fastener, low_mnm, high_mnm, source };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for TorqueFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<Torque, Problem> {
        let Self { model, fastener, low_mnm, high_mnm, source } = self;
        Ok(Torque {
            id: TorqueId(id),
            version,
            model: ModelId(model),
            fastener,
            low_mnm,
            high_mnm,
            source,
        })
    }
}

/// The fields of one test figure.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = TestFigure)]
pub struct TestFigureFields {
    pub model: Uuid,
    #[schema(value_type = String)]
    pub kind: TestKind,
    pub target_pa: i32,
    pub ceiling_pa: Option<i32>,
    pub hold_seconds: i32,
    pub drop_max_pa: Option<i32>,
    pub shafts_turned: bool,
    pub source: String,
}

impl Resource for TestFigureFields {
    type Noun = TestFigure;
    const PATH: &'static str = "/model-test-figures";
    const NAME: &'static str = "TestFigure";

    fn show(noun: TestFigure) -> Shown<Self> {
        let TestFigure {
            id,
            version,
            model,
            kind,
            target_pa,
            ceiling_pa,
            hold_seconds,
            drop_max_pa,
            shafts_turned,
            source,
        } = noun;
        let fields = Self {
            model: model.0,
            kind,
            target_pa,
            ceiling_pa,
            hold_seconds,
            drop_max_pa,
            shafts_turned,
            source,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for TestFigureFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<TestFigure, Problem> {
        let Self {
            model,
            kind,
            target_pa,
            ceiling_pa,
            hold_seconds,
            drop_max_pa,
            shafts_turned,
            source,
        } = self;
        Ok(TestFigure {
            id: TestFigureId(id),
            version,
            model: ModelId(model),
            kind,
            target_pa,
            ceiling_pa,
            hold_seconds,
            drop_max_pa,
            shafts_turned,
            source,
        })
    }
}

/// The fields of one engine.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Engine)]
pub struct EngineFields {
    pub serial: String,
    pub model: Uuid,
    pub pool: Uuid,
    pub tag: Option<String>,
    pub bought_on: Option<NaiveDate>,
    pub first_run_on: Option<NaiveDate>,
    #[schema(value_type = String)]
    pub status: EngineStatus,
    pub severity_percent: Option<i32>,
    pub note: Option<String>,
}

impl Resource for EngineFields {
    type Noun = Engine;
    const PATH: &'static str = "/engines";
    const NAME: &'static str = "Engine";

    fn show(noun: Engine) -> Shown<Self> {
        let Engine {
            id,
            version,
            serial,
            model,
            pool,
            tag,
            bought_on,
            first_run_on,
            status,
            severity_percent,
            note,
        } = noun;
        let fields = Self {
            serial,
            model: model.0,
            pool: pool.0,
            tag,
            bought_on,
            first_run_on,
            status,
            severity_percent,
            note,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for EngineFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<Engine, Problem> {
        let Self {
            serial,
            model,
            pool,
            tag,
            bought_on,
            first_run_on,
            status,
            severity_percent,
            note,
        } = self;
        Ok(Engine {
            id: EngineId(id),
            version,
            serial,
            model: ModelId(model),
            pool: PoolId(pool),
            tag,
            bought_on,
            first_run_on,
            status,
            severity_percent,
            note,
        })
    }
}

/// The fields of one pool stay.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = PoolStay)]
pub struct PoolStayFields {
    pub engine: Uuid,
    pub pool: Uuid,
    pub from_on: NaiveDate,
    pub until_on: Option<NaiveDate>,
}

impl Resource for PoolStayFields {
    type Noun = PoolStay;
    const PATH: &'static str = "/pool-stays";
    const NAME: &'static str = "PoolStay";

    fn show(noun: PoolStay) -> Shown<Self> {
        let PoolStay { id, engine, pool, from_on, until_on } = noun;
        let fields = Self { engine: engine.0, pool: pool.0, from_on, until_on };
        Shown { id: id.0, version: None, fields }
    }
}

/// The fields of one standstill.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Standstill)]
pub struct StandstillFields {
    pub engine: Uuid,
    pub from_on: NaiveDate,
    pub until_on: NaiveDate,
    pub reason: String,
}

impl Resource for StandstillFields {
    type Noun = Standstill;
    const PATH: &'static str = "/standstills";
    const NAME: &'static str = "Standstill";

    fn show(noun: Standstill) -> Shown<Self> {
        let Standstill { id, version, engine, from_on, until_on, reason } = noun;
        let fields = Self { engine: engine.0, from_on, until_on, reason };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for StandstillFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<Standstill, Problem> {
        let Self { engine, from_on, until_on, reason } = self;
        Ok(Standstill {
            id: StandstillId(id),
            version,
            engine: EngineId(engine),
            from_on,
            until_on,
            reason,
        })
    }
}
