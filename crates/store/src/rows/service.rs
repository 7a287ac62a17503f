//! Rows of `fleet::service`.

use fleet::id::{
    EngineId, GearcaseTestId, JobId, OrganisationId, PartId, PersonId, ServiceId, ServicePartId,
    TaskId,
};
use fleet::service::{GearcaseTest, Service, ServicePart};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{gearcase_tests, service_parts, services};
use crate::error::StoreError;
use crate::record::Record;
use crate::value::{
    optional_hours, optional_minutes, seconds, to_microseconds, whole_minutes, word,
};

impl Record for Service {
    type Entity = services::Entity;
    type Row = services::Model;
    type Id = ServiceId;
    const ORGANISATION: services::Column = services::Column::OrganisationId;
    const ID: services::Column = services::Column::Id;
    const NOUN: &'static str = "service";

    fn id(&self) -> ServiceId {
        self.id
    }

    fn key(id: ServiceId) -> Uuid {
        id.0
    }

    fn from_row(row: services::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: ServiceId(row.id),
            engine: EngineId(row.engine_id),
            task: TaskId(row.task_id),
            done_on: row.done_on,
            life: optional_hours(row.life_seconds)?,
            reason: word(&row.reason)?,
            job: row.job_id.map(JobId),
            done_by: row.done_by_id.map(PersonId),
            spent: optional_minutes(row.spent_minutes)?,
            note: row.note,
            source: row.source,
            recorded_at: row.recorded_at,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> services::Model {
        services::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            engine_id: self.engine.0,
            task_id: self.task.0,
            done_on: self.done_on,
            life_seconds: self.life.map(seconds),
            reason: self.reason.as_str().to_owned(),
            job_id: self.job.map(|id| id.0),
            done_by_id: self.done_by.map(|id| id.0),
            spent_minutes: self.spent.map(whole_minutes),
            note: self.note.clone(),
            source: self.source.clone(),
            recorded_at: to_microseconds(self.recorded_at),
        }
    }
}

impl Record for ServicePart {
    type Entity = service_parts::Entity;
    type Row = service_parts::Model;
    type Id = ServicePartId;
    const ORGANISATION: service_parts::Column = service_parts::Column::OrganisationId;
    const ID: service_parts::Column = service_parts::Column::Id;
    const NOUN: &'static str = "service part";

    fn id(&self) -> ServicePartId {
        self.id
    }

    fn key(id: ServicePartId) -> Uuid {
        id.0
    }

    fn from_row(row: service_parts::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: ServicePartId(row.id),
            service: ServiceId(row.service_id),
            part: PartId(row.part_id),
            quantity: row.quantity,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> service_parts::Model {
        service_parts::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            service_id: self.service.0,
            part_id: self.part.0,
            quantity: self.quantity,
        }
    }
}

impl Record for GearcaseTest {
    type Entity = gearcase_tests::Entity;
    type Row = gearcase_tests::Model;
    type Id = GearcaseTestId;
    const ORGANISATION: gearcase_tests::Column = gearcase_tests::Column::OrganisationId;
    const ID: gearcase_tests::Column = gearcase_tests::Column::Id;
    const NOUN: &'static str = "gearcase test";

    fn id(&self) -> GearcaseTestId {
        self.id
    }

    fn key(id: GearcaseTestId) -> Uuid {
        id.0
    }

    fn from_row(row: gearcase_tests::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: GearcaseTestId(row.id),
            engine: EngineId(row.engine_id),
            job: row.job_id.map(JobId),
            kind: word(&row.kind)?,
            tested_at: row.tested_at,
            tested_by: row.tested_by_id.map(PersonId),
            start_pa: row.start_pa,
            end_pa: row.end_pa,
            hold_seconds: row.hold_seconds,
            start_millicelsius: row.start_millicelsius,
            end_millicelsius: row.end_millicelsius,
            ambient_pa: row.ambient_pa,
            gauge_division_pa: row.gauge_division_pa,
            limit_pa: row.limit_pa,
            drive_shaft_turned: row.drive_shaft_turned,
            propeller_shaft_turned: row.propeller_shaft_turned,
            shifted: row.shifted,
            drained: row.drained,
            outcome: word(&row.outcome)?,
            reason: row.reason,
            leak_at: row.leak_at,
            retest_of: row.retest_of_id.map(GearcaseTestId),
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> gearcase_tests::Model {
        gearcase_tests::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            engine_id: self.engine.0,
            job_id: self.job.map(|id| id.0),
            kind: self.kind.as_str().to_owned(),
            tested_at: to_microseconds(self.tested_at),
            tested_by_id: self.tested_by.map(|id| id.0),
            start_pa: self.start_pa,
            end_pa: self.end_pa,
            hold_seconds: self.hold_seconds,
            start_millicelsius: self.start_millicelsius,
            end_millicelsius: self.end_millicelsius,
            ambient_pa: self.ambient_pa,
            gauge_division_pa: self.gauge_division_pa,
            limit_pa: self.limit_pa,
            drive_shaft_turned: self.drive_shaft_turned,
            propeller_shaft_turned: self.propeller_shaft_turned,
            shifted: self.shifted,
            drained: self.drained,
            outcome: self.outcome.as_str().to_owned(),
            reason: self.reason.clone(),
            leak_at: self.leak_at.clone(),
            retest_of_id: self.retest_of.map(|id| id.0),
        }
    }
}
