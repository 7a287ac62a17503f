//! Rows of `fleet::programme`.

use fleet::id::{
    FindingKindId, IntervalId, ModelId, OrganisationId, PartId, SkillId, TaskId, TaskLinkId,
    TaskPartId,
};
use fleet::programme::{FindingKind, ProgrammeInterval, Task, TaskLink, TaskPart};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{finding_kinds, programme_intervals, task_links, task_parts, tasks};
use crate::error::StoreError;
use crate::record::{Record, Shared};
use crate::value::{minutes, optional_hours, seconds, whole_minutes, word};

impl Record for Task {
    type Entity = tasks::Entity;
    type Row = tasks::Model;
    type Id = TaskId;
    const ORGANISATION: tasks::Column = tasks::Column::OrganisationId;
    const ID: tasks::Column = tasks::Column::Id;
    const NOUN: &'static str = "task";

    fn id(&self) -> TaskId {
        self.id
    }

    fn key(id: TaskId) -> Uuid {
        id.0
    }

    fn from_row(row: tasks::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: TaskId(row.id),
            version: row.version,
            name: row.name,
            verb: word(&row.verb)?,
            access: word(&row.access)?,
            occasion: word(&row.occasion)?,
            own_work: minutes(row.own_work_minutes)?,
            minutes_source: row.minutes_source,
            skill: row.skill_id.map(SkillId),
            safety: row.safety,
            caution: row.caution,
            archived: row.archived,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> tasks::Model {
        tasks::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            name: self.name.clone(),
            verb: self.verb.as_str().to_owned(),
            access: self.access.as_str().to_owned(),
            occasion: self.occasion.as_str().to_owned(),
            own_work_minutes: whole_minutes(self.own_work),
            minutes_source: self.minutes_source.clone(),
            skill_id: self.skill.map(|id| id.0),
            safety: self.safety,
            caution: self.caution.clone(),
            archived: self.archived,
        }
    }
}

impl Shared for Task {
    const VERSION: tasks::Column = tasks::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for TaskLink {
    type Entity = task_links::Entity;
    type Row = task_links::Model;
    type Id = TaskLinkId;
    const ORGANISATION: task_links::Column = task_links::Column::OrganisationId;
    const ID: task_links::Column = task_links::Column::Id;
    const NOUN: &'static str = "task link";

    fn id(&self) -> TaskLinkId {
        self.id
    }

    fn key(id: TaskLinkId) -> Uuid {
        id.0
    }

    fn from_row(row: task_links::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: TaskLinkId(row.id),
            version: row.version,
            task: TaskId(row.task_id),
            other: TaskId(row.other_id),
            kind: word(&row.kind)?,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> task_links::Model {
        task_links::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            task_id: self.task.0,
            other_id: self.other.0,
            kind: self.kind.as_str().to_owned(),
        }
    }
}

impl Shared for TaskLink {
    const VERSION: task_links::Column = task_links::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for ProgrammeInterval {
    type Entity = programme_intervals::Entity;
    type Row = programme_intervals::Model;
    type Id = IntervalId;
    const ORGANISATION: programme_intervals::Column = programme_intervals::Column::OrganisationId;
    const ID: programme_intervals::Column = programme_intervals::Column::Id;
    const NOUN: &'static str = "programme interval";

    fn id(&self) -> IntervalId {
        self.id
    }

    fn key(id: IntervalId) -> Uuid {
        id.0
    }

    fn from_row(row: programme_intervals::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: IntervalId(row.id),
            version: row.version,
            task: TaskId(row.task_id),
            model: row.model_id.map(ModelId),
            every: optional_hours(row.every_seconds)?,
            every_months: row.every_months,
            first: optional_hours(row.first_seconds)?,
            first_months: row.first_months,
            severity_on_months: row.severity_on_months,
            basis: word(&row.basis)?,
            source: row.source,
            page: row.page,
            serial_from: row.serial_from,
            serial_until: row.serial_until,
            verified_by: row.verified_by,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> programme_intervals::Model {
        programme_intervals::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            task_id: self.task.0,
            model_id: self.model.map(|id| id.0),
            every_seconds: self.every.map(seconds),
            every_months: self.every_months,
            first_seconds: self.first.map(seconds),
            first_months: self.first_months,
            severity_on_months: self.severity_on_months,
            basis: self.basis.as_str().to_owned(),
            source: self.source.clone(),
            page: self.page.clone(),
            serial_from: self.serial_from.clone(),
            serial_until: self.serial_until.clone(),
            verified_by: self.verified_by.clone(),
        }
    }
}

impl Shared for ProgrammeInterval {
    const VERSION: programme_intervals::Column = programme_intervals::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for TaskPart {
    type Entity = task_parts::Entity;
    type Row = task_parts::Model;
    type Id = TaskPartId;
    const ORGANISATION: task_parts::Column = task_parts::Column::OrganisationId;
    const ID: task_parts::Column = task_parts::Column::Id;
    const NOUN: &'static str = "task part";

    fn id(&self) -> TaskPartId {
        self.id
    }

    fn key(id: TaskPartId) -> Uuid {
        id.0
    }

    fn from_row(row: task_parts::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: TaskPartId(row.id),
            version: row.version,
            task: TaskId(row.task_id),
            model: row.model_id.map(ModelId),
            part: PartId(row.part_id),
            quantity: row.quantity,
            chance_permille: row.chance_permille,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> task_parts::Model {
        task_parts::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            task_id: self.task.0,
            model_id: self.model.map(|id| id.0),
            part_id: self.part.0,
            quantity: self.quantity,
            chance_permille: self.chance_permille,
        }
    }
}

impl Shared for TaskPart {
    const VERSION: task_parts::Column = task_parts::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for FindingKind {
    type Entity = finding_kinds::Entity;
    type Row = finding_kinds::Model;
    type Id = FindingKindId;
    const ORGANISATION: finding_kinds::Column = finding_kinds::Column::OrganisationId;
    const ID: finding_kinds::Column = finding_kinds::Column::Id;
    const NOUN: &'static str = "finding kind";

    fn id(&self) -> FindingKindId {
        self.id
    }

    fn key(id: FindingKindId) -> Uuid {
        id.0
    }

    fn from_row(row: finding_kinds::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: FindingKindId(row.id),
            version: row.version,
            name: row.name,
            likely_cause: row.likely_cause,
            urgency: word(&row.urgency)?,
            safety: row.safety,
            task: row.task_id.map(TaskId),
            source: row.source,
            archived: row.archived,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> finding_kinds::Model {
        finding_kinds::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            name: self.name.clone(),
            likely_cause: self.likely_cause.clone(),
            urgency: self.urgency.as_str().to_owned(),
            safety: self.safety,
            task_id: self.task.map(|id| id.0),
            source: self.source.clone(),
            archived: self.archived,
        }
    }
}

impl Shared for FindingKind {
    const VERSION: finding_kinds::Column = finding_kinds::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}
