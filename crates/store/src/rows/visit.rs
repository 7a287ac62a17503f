//! Rows of `fleet::visit`.

use fleet::id::{
    BayId, EngineId, JobId, OrganisationId, PersonId, PlanId, RunId, SiteId, TaskId, VisitId,
    VisitTaskId,
};
use fleet::visit::{Plan, Visit, VisitTask};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{plans, visit_tasks, visits};
use crate::error::StoreError;
use crate::record::{Record, Shared};
use crate::value::{minutes, to_microseconds, whole_minutes, word};

impl Record for Plan {
    type Entity = plans::Entity;
    type Row = plans::Model;
    type Id = PlanId;
    const ORGANISATION: plans::Column = plans::Column::OrganisationId;
    const ID: plans::Column = plans::Column::Id;
    const NOUN: &'static str = "plan";

    fn id(&self) -> PlanId {
        self.id
    }

    fn key(id: PlanId) -> Uuid {
        id.0
    }

    fn from_row(row: plans::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: PlanId(row.id),
            version: row.version,
            site: SiteId(row.site_id),
            kind: word(&row.kind)?,
            name: row.name,
            status: word(&row.status)?,
            run: row.run_id.map(RunId),
            based_on: row.based_on_id.map(PlanId),
            created_at: row.created_at,
            published_at: row.published_at,
            published_by: row.published_by_id.map(PersonId),
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> plans::Model {
        plans::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            site_id: self.site.0,
            kind: self.kind.as_str().to_owned(),
            name: self.name.clone(),
            status: self.status.as_str().to_owned(),
            run_id: self.run.map(|id| id.0),
            based_on_id: self.based_on.map(|id| id.0),
            created_at: to_microseconds(self.created_at),
            published_at: self.published_at.map(to_microseconds),
            published_by_id: self.published_by.map(|id| id.0),
        }
    }
}

impl Shared for Plan {
    const VERSION: plans::Column = plans::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for Visit {
    type Entity = visits::Entity;
    type Row = visits::Model;
    type Id = VisitId;
    const ORGANISATION: visits::Column = visits::Column::OrganisationId;
    const ID: visits::Column = visits::Column::Id;
    const NOUN: &'static str = "visit";

    fn id(&self) -> VisitId {
        self.id
    }

    fn key(id: VisitId) -> Uuid {
        id.0
    }

    fn from_row(row: visits::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: VisitId(row.id),
            version: row.version,
            plan: PlanId(row.plan_id),
            engine: EngineId(row.engine_id),
            bay: row.bay_id.map(BayId),
            person: row.person_id.map(PersonId),
            starts_on: row.starts_on,
            ends_on: row.ends_on,
            bench: minutes(row.bench_minutes)?,
            boat_out: row.boat_out,
            locked: row.locked,
            reason: row.reason,
            job: row.job_id.map(JobId),
            mode: row.mode,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> visits::Model {
        visits::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            plan_id: self.plan.0,
            engine_id: self.engine.0,
            bay_id: self.bay.map(|id| id.0),
            person_id: self.person.map(|id| id.0),
            starts_on: self.starts_on,
            ends_on: self.ends_on,
            bench_minutes: whole_minutes(self.bench),
            boat_out: self.boat_out,
            locked: self.locked,
            reason: self.reason.clone(),
            job_id: self.job.map(|id| id.0),
            mode: self.mode.clone(),
        }
    }
}

impl Shared for Visit {
    const VERSION: visits::Column = visits::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for VisitTask {
    type Entity = visit_tasks::Entity;
    type Row = visit_tasks::Model;
    type Id = VisitTaskId;
    const ORGANISATION: visit_tasks::Column = visit_tasks::Column::OrganisationId;
    const ID: visit_tasks::Column = visit_tasks::Column::Id;
    const NOUN: &'static str = "visit task";

    fn id(&self) -> VisitTaskId {
        self.id
    }

    fn key(id: VisitTaskId) -> Uuid {
        id.0
    }

    fn from_row(row: visit_tasks::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: VisitTaskId(row.id),
            visit: VisitId(row.visit_id),
            task: TaskId(row.task_id),
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> visit_tasks::Model {
        visit_tasks::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            visit_id: self.visit.0,
            task_id: self.task.0,
        }
    }
}
