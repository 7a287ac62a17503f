//! Rows of `fleet::bench`.

use fleet::bench::{Job, JobPart, JobTask};
use fleet::id::{
    BayId, EngineId, FindingId, JobId, JobPartId, JobTaskId, OrganisationId, PartId, PersonId,
    SiteId, TaskId,
};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{job_parts, job_tasks, jobs};
use crate::error::StoreError;
use crate::record::{Record, Shared};
use crate::value::{
    minutes, optional_minutes, optional_word, to_microseconds, whole_minutes, word,
};

impl Record for Job {
    type Entity = jobs::Entity;
    type Row = jobs::Model;
    type Id = JobId;
    const ORGANISATION: jobs::Column = jobs::Column::OrganisationId;
    const ID: jobs::Column = jobs::Column::Id;
    const NOUN: &'static str = "job";

    fn id(&self) -> JobId {
        self.id
    }

    fn key(id: JobId) -> Uuid {
        id.0
    }

    fn from_row(row: jobs::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: JobId(row.id),
            version: row.version,
            number: row.number,
            engine: EngineId(row.engine_id),
            site: SiteId(row.site_id),
            finding: row.finding_id.map(FindingId),
            status: word(&row.status)?,
            reason: row.reason,
            stood_over_until: row.stood_over_until,
            planned_on: row.planned_on,
            bay: row.bay_id.map(BayId),
            person: row.person_id.map(PersonId),
            note: row.note,
            created_at: row.created_at,
            released_at: row.released_at,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> jobs::Model {
        jobs::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            number: self.number,
            engine_id: self.engine.0,
            site_id: self.site.0,
            finding_id: self.finding.map(|id| id.0),
            status: self.status.as_str().to_owned(),
            reason: self.reason.clone(),
            stood_over_until: self.stood_over_until,
            planned_on: self.planned_on,
            bay_id: self.bay.map(|id| id.0),
            person_id: self.person.map(|id| id.0),
            note: self.note.clone(),
            created_at: to_microseconds(self.created_at),
            released_at: self.released_at.map(to_microseconds),
        }
    }
}

impl Shared for Job {
    const VERSION: jobs::Column = jobs::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for JobTask {
    type Entity = job_tasks::Entity;
    type Row = job_tasks::Model;
    type Id = JobTaskId;
    const ORGANISATION: job_tasks::Column = job_tasks::Column::OrganisationId;
    const ID: job_tasks::Column = job_tasks::Column::Id;
    const NOUN: &'static str = "job task";

    fn id(&self) -> JobTaskId {
        self.id
    }

    fn key(id: JobTaskId) -> Uuid {
        id.0
    }

    fn from_row(row: job_tasks::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: JobTaskId(row.id),
            version: row.version,
            job: JobId(row.job_id),
            task: TaskId(row.task_id),
            sequence: row.sequence,
            planned: minutes(row.planned_minutes)?,
            spent: optional_minutes(row.spent_minutes)?,
            outcome: optional_word(row.outcome.as_deref())?,
            done_at: row.done_at,
            done_by: row.done_by_id.map(PersonId),
            note: row.note,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> job_tasks::Model {
        job_tasks::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            job_id: self.job.0,
            task_id: self.task.0,
            sequence: self.sequence,
            planned_minutes: whole_minutes(self.planned),
            spent_minutes: self.spent.map(whole_minutes),
            outcome: self.outcome.map(|word| word.as_str().to_owned()),
            done_at: self.done_at.map(to_microseconds),
            done_by_id: self.done_by.map(|id| id.0),
            note: self.note.clone(),
        }
    }
}

impl Shared for JobTask {
    const VERSION: job_tasks::Column = job_tasks::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for JobPart {
    type Entity = job_parts::Entity;
    type Row = job_parts::Model;
    type Id = JobPartId;
    const ORGANISATION: job_parts::Column = job_parts::Column::OrganisationId;
    const ID: job_parts::Column = job_parts::Column::Id;
    const NOUN: &'static str = "job part";

    fn id(&self) -> JobPartId {
        self.id
    }

    fn key(id: JobPartId) -> Uuid {
        id.0
    }

    fn from_row(row: job_parts::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: JobPartId(row.id),
            version: row.version,
            job: JobId(row.job_id),
            part: PartId(row.part_id),
            quantity: row.quantity,
            used: row.used,
            beyond_plan: row.beyond_plan,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> job_parts::Model {
        job_parts::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            job_id: self.job.0,
            part_id: self.part.0,
            quantity: self.quantity,
            used: self.used,
            beyond_plan: self.beyond_plan,
        }
    }
}

impl Shared for JobPart {
    const VERSION: job_parts::Column = job_parts::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}
