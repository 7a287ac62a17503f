//! Rows of `fleet::engine`.

use fleet::engine::{Engine, EngineModel, PoolStay, Standstill, TestFigure, Torque};
use fleet::id::{
    EngineId, ModelId, OrganisationId, PoolId, PoolStayId, StandstillId, TestFigureId, TorqueId,
};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{
    engine_models, engines, model_test_figures, model_torques, pool_stays, standstills,
};
use crate::error::StoreError;
use crate::record::{Record, Shared};
use crate::value::word;

impl Record for EngineModel {
    type Entity = engine_models::Entity;
    type Row = engine_models::Model;
    type Id = ModelId;
    const ORGANISATION: engine_models::Column = engine_models::Column::OrganisationId;
    const ID: engine_models::Column = engine_models::Column::Id;
    const NOUN: &'static str = "engine model";

    fn id(&self) -> ModelId {
        self.id
    }

    fn key(id: ModelId) -> Uuid {
        id.0
    }

    fn from_row(row: engine_models::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: ModelId(row.id),
            version: row.version,
            maker: row.maker,
            name: row.name,
            strokes: row.strokes,
            power_watts: row.power_watts,
            premix_ratio: row.premix_ratio,
            engine_oil_grade: row.engine_oil_grade,
            engine_oil_ml: row.engine_oil_ml,
            fuel_system: word(&row.fuel_system)?,
            gear_oil_grade: row.gear_oil_grade,
            gear_oil_ml: row.gear_oil_ml,
            last_made_in: row.last_made_in,
            manual_edition: row.manual_edition,
            source: row.source,
            archived: row.archived,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> engine_models::Model {
        engine_models::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            maker: self.maker.clone(),
            name: self.name.clone(),
            strokes: self.strokes,
            power_watts: self.power_watts,
            premix_ratio: self.premix_ratio,
            engine_oil_grade: self.engine_oil_grade.clone(),
            engine_oil_ml: self.engine_oil_ml,
            fuel_system: self.fuel_system.as_str().to_owned(),
            gear_oil_grade: self.gear_oil_grade.clone(),
            gear_oil_ml: self.gear_oil_ml,
            last_made_in: self.last_made_in,
            manual_edition: self.manual_edition.clone(),
            source: self.source.clone(),
            archived: self.archived,
        }
    }
}

impl Shared for EngineModel {
    const VERSION: engine_models::Column = engine_models::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for Torque {
    type Entity = model_torques::Entity;
    type Row = model_torques::Model;
    type Id = TorqueId;
    const ORGANISATION: model_torques::Column = model_torques::Column::OrganisationId;
    const ID: model_torques::Column = model_torques::Column::Id;
    const NOUN: &'static str = "torque";

    fn id(&self) -> TorqueId {
        self.id
    }

    fn key(id: TorqueId) -> Uuid {
        id.0
    }

    fn from_row(row: model_torques::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: TorqueId(row.id),
            version: row.version,
            model: ModelId(row.model_id),
            fastener: row.fastener,
            low_mnm: row.low_mnm,
            high_mnm: row.high_mnm,
            source: row.source,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> model_torques::Model {
        model_torques::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            model_id: self.model.0,
            fastener: self.fastener.clone(),
            low_mnm: self.low_mnm,
            high_mnm: self.high_mnm,
            source: self.source.clone(),
        }
    }
}

impl Shared for Torque {
    const VERSION: model_torques::Column = model_torques::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for TestFigure {
    type Entity = model_test_figures::Entity;
    type Row = model_test_figures::Model;
    type Id = TestFigureId;
    const ORGANISATION: model_test_figures::Column = model_test_figures::Column::OrganisationId;
    const ID: model_test_figures::Column = model_test_figures::Column::Id;
    const NOUN: &'static str = "test figure";

    fn id(&self) -> TestFigureId {
        self.id
    }

    fn key(id: TestFigureId) -> Uuid {
        id.0
    }

    fn from_row(row: model_test_figures::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: TestFigureId(row.id),
            version: row.version,
            model: ModelId(row.model_id),
            kind: word(&row.kind)?,
            target_pa: row.target_pa,
            ceiling_pa: row.ceiling_pa,
            hold_seconds: row.hold_seconds,
            drop_max_pa: row.drop_max_pa,
            shafts_turned: row.shafts_turned,
            source: row.source,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> model_test_figures::Model {
        model_test_figures::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            model_id: self.model.0,
            kind: self.kind.as_str().to_owned(),
            target_pa: self.target_pa,
            ceiling_pa: self.ceiling_pa,
            hold_seconds: self.hold_seconds,
            drop_max_pa: self.drop_max_pa,
            shafts_turned: self.shafts_turned,
            source: self.source.clone(),
        }
    }
}

impl Shared for TestFigure {
    const VERSION: model_test_figures::Column = model_test_figures::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for Engine {
    type Entity = engines::Entity;
    type Row = engines::Model;
    type Id = EngineId;
    const ORGANISATION: engines::Column = engines::Column::OrganisationId;
    const ID: engines::Column = engines::Column::Id;
    const NOUN: &'static str = "engine";

    fn id(&self) -> EngineId {
        self.id
    }

    fn key(id: EngineId) -> Uuid {
        id.0
    }

    fn from_row(row: engines::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: EngineId(row.id),
            version: row.version,
            serial: row.serial,
            model: ModelId(row.model_id),
            pool: PoolId(row.pool_id),
            tag: row.tag,
            bought_on: row.bought_on,
            first_run_on: row.first_run_on,
            status: word(&row.status)?,
            severity_percent: row.severity_percent,
            note: row.note,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> engines::Model {
        engines::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            serial: self.serial.clone(),
            model_id: self.model.0,
            pool_id: self.pool.0,
            tag: self.tag.clone(),
            bought_on: self.bought_on,
            first_run_on: self.first_run_on,
            status: self.status.as_str().to_owned(),
            severity_percent: self.severity_percent,
            note: self.note.clone(),
        }
    }
}

impl Shared for Engine {
    const VERSION: engines::Column = engines::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for PoolStay {
    type Entity = pool_stays::Entity;
    type Row = pool_stays::Model;
    type Id = PoolStayId;
    const ORGANISATION: pool_stays::Column = pool_stays::Column::OrganisationId;
    const ID: pool_stays::Column = pool_stays::Column::Id;
    const NOUN: &'static str = "pool stay";

    fn id(&self) -> PoolStayId {
        self.id
    }

    fn key(id: PoolStayId) -> Uuid {
        id.0
    }

    fn from_row(row: pool_stays::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: PoolStayId(row.id),
            engine: EngineId(row.engine_id),
            pool: PoolId(row.pool_id),
            from_on: row.from_on,
            until_on: row.until_on,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> pool_stays::Model {
        pool_stays::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            engine_id: self.engine.0,
            pool_id: self.pool.0,
            from_on: self.from_on,
            until_on: self.until_on,
        }
    }
}

impl Record for Standstill {
    type Entity = standstills::Entity;
    type Row = standstills::Model;
    type Id = StandstillId;
    const ORGANISATION: standstills::Column = standstills::Column::OrganisationId;
    const ID: standstills::Column = standstills::Column::Id;
    const NOUN: &'static str = "standstill";

    fn id(&self) -> StandstillId {
        self.id
    }

    fn key(id: StandstillId) -> Uuid {
        id.0
    }

    fn from_row(row: standstills::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: StandstillId(row.id),
            version: row.version,
            engine: EngineId(row.engine_id),
            from_on: row.from_on,
            until_on: row.until_on,
            reason: row.reason,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> standstills::Model {
        standstills::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            engine_id: self.engine.0,
            from_on: self.from_on,
            until_on: self.until_on,
            reason: self.reason.clone(),
        }
    }
}

impl Shared for Standstill {
    const VERSION: standstills::Column = standstills::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}
