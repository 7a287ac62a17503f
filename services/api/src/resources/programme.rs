//! Tasks, at which intervals, with the source of each figure.

use std::collections::HashMap;

use crate::problem::Problem;
use crate::quantity::parse_hours;
use crate::resource::{Changeable, Checked, Resource, Shown};
use fleet::Minutes;
use fleet::id::{
    FindingKindId, IntervalId, ModelId, OrganisationId, PartId, SkillId, TaskId, TaskLinkId,
    TaskPartId,
};
use fleet::person::Role;
use fleet::programme::{
    AccessGroup, FindingKind, IntervalBasis, Occasion, ProgrammeInterval, Task, TaskLink,
    TaskLinkKind, TaskPart, Urgency, Verb,
};
use serde::{Deserialize, Serialize};
use store::{Transaction, record, ring};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one task.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Task)]
pub struct TaskFields {
    pub name: String,
    #[schema(value_type = String)]
    pub verb: Verb,
    #[schema(value_type = String)]
    pub access: AccessGroup,
    #[schema(value_type = String)]
    pub occasion: Occasion,
    /// Minutes.
    pub own_work: u32,
    pub minutes_source: Option<String>,
    pub skill: Option<Uuid>,
    pub safety: bool,
    pub caution: Option<String>,
    pub archived: bool,
}

impl Resource for TaskFields {
    type Noun = Task;
    const PATH: &'static str = "/tasks";
    const NAME: &'static str = "Task";

    fn show(noun: Task) -> Shown<Self> {
        let Task {
            id,
            version,
            name,
            verb,
            access,
            occasion,
            own_work,
            minutes_source,
            skill,
            safety,
            caution,
            archived,
        } = noun;
        let fields = Self {
            name,
            verb,
            access,
            occasion,
            own_work: own_work.0,
            minutes_source,
            skill: skill.map(|x| x.0),
            safety,
            caution,
            archived,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for TaskFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<Task, Problem> {
        let Self {
            name,
            verb,
            access,
            occasion,
            own_work,
            minutes_source,
            skill,
            safety,
            caution,
            archived,
        } = self;
        Ok(Task {
            id: TaskId(id),
            version,
            name,
            verb,
            access,
            occasion,
            own_work: Minutes(own_work),
            minutes_source,
            skill: skill.map(SkillId),
            safety,
            caution,
            archived,
        })
    }
}

/// The fields of one task link.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = TaskLink)]
pub struct TaskLinkFields {
    pub task: Uuid,
    pub other: Uuid,
    #[schema(value_type = String)]
    pub kind: TaskLinkKind,
}

impl Resource for TaskLinkFields {
    type Noun = TaskLink;
    const PATH: &'static str = "/task-links";
    const NAME: &'static str = "TaskLink";

    fn show(noun: TaskLink) -> Shown<Self> {
        let TaskLink { id, version, task, other, kind } = noun;
        let fields = Self { task: task.0, other: other.0, kind };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for TaskLinkFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<TaskLink, Problem> {
        let Self { task, other, kind } = self;
        Ok(TaskLink { id: TaskLinkId(id), version, task: TaskId(task), other: TaskId(other), kind })
    }

    fn check<'a>(
        transaction: &'a Transaction,
        organisation: OrganisationId,
        link: &'a TaskLink,
    ) -> Checked<'a> {
        Box::pin(async move {
            if link.kind != TaskLinkKind::Contains {
                return Ok(());
            }
            let mut contained: HashMap<TaskId, Vec<TaskId>> = HashMap::new();
            for link in record::all::<TaskLink>(transaction, organisation).await? {
                if link.kind == TaskLinkKind::Contains {
                    contained.entry(link.task).or_default().push(link.other);
                }
            }
            match ring::way(link.other, link.task, |task| contained.get(&task)) {
                None => Ok(()),
                Some(_) => {
                    let message = "a task can't be contained in itself";
                    Err(Problem::of_field("task-loop", "other", link.other, message))
                }
            }
        })
    }
}

/// The fields of one programme interval.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = ProgrammeInterval)]
pub struct ProgrammeIntervalFields {
    pub task: Uuid,
    pub model: Option<Uuid>,
    /// Hours.
    pub every: Option<f64>,
    pub every_months: Option<i32>,
    /// Hours.
    pub first: Option<f64>,
    pub first_months: Option<i32>,
    pub severity_on_months: bool,
    #[schema(value_type = String)]
    pub basis: IntervalBasis,
    pub source: String,
    pub page: Option<String>,
    pub serial_from: Option<String>,
    pub serial_until: Option<String>,
    pub verified_by: Option<String>,
}

impl Resource for ProgrammeIntervalFields {
    type Noun = ProgrammeInterval;
    const PATH: &'static str = "/programme-intervals";
    const NAME: &'static str = "ProgrammeInterval";

    fn show(noun: ProgrammeInterval) -> Shown<Self> {
        let ProgrammeInterval {
            id,
            version,
            task,
            model,
            every,
            every_months,
            first,
            first_months,
            severity_on_months,
            basis,
            source,
            page,
            serial_from,
            serial_until,
            verified_by,
        } = noun;
        let fields = Self {
            task: task.0,
            model: model.map(|x| x.0),
            every: every.map(|x| x.as_decimal()),
            every_months,
            first: first.map(|x| x.as_decimal()),
            first_months,
            severity_on_months,
            basis,
            source,
            page,
            serial_from,
            serial_until,
            verified_by,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for ProgrammeIntervalFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<ProgrammeInterval, Problem> {
        let Self {
            task,
            model,
            every,
            every_months,
            first,
            first_months,
            severity_on_months,
            basis,
            source,
            page,
            serial_from,
            serial_until,
            verified_by,
        } = self;
        Ok(ProgrammeInterval {
            id: IntervalId(id),
            version,
            task: TaskId(task),
            model: model.map(ModelId),
            every: every.map(parse_hours).transpose()?,
            every_months,
            first: first.map(parse_hours).transpose()?,
            first_months,
            severity_on_months,
            basis,
            source,
            page,
            serial_from,
            serial_until,
            verified_by,
        })
    }
}

/// The fields of one task part.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = TaskPart)]
pub struct TaskPartFields {
    pub task: Uuid,
    pub model: Option<Uuid>,
    pub part: Uuid,
    pub quantity: i64,
    pub chance_permille: i32,
}

impl Resource for TaskPartFields {
    type Noun = TaskPart;
    const PATH: &'static str = "/task-parts";
    const NAME: &'static str = "TaskPart";

    fn show(noun: TaskPart) -> Shown<Self> {
        let TaskPart { id, version, task, model, part, quantity, chance_permille } = noun;
        let fields = Self {
            task: task.0,
            model: model.map(|x| x.0),
            part: part.0,
            quantity,
            chance_permille,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for TaskPartFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<TaskPart, Problem> {
        let Self { task, model, part, quantity, chance_permille } = self;
        Ok(TaskPart {
            id: TaskPartId(id),
            version,
            task: TaskId(task),
            model: model.map(ModelId),
            part: PartId(part),
            quantity,
            chance_permille,
        })
    }
}

/// The fields of one finding kind.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = FindingKind)]
pub struct FindingKindFields {
    pub name: String,
    pub likely_cause: Option<String>,
    #[schema(value_type = String)]
    pub urgency: Urgency,
    pub safety: bool,
    pub task: Option<Uuid>,
    pub source: String,
    pub archived: bool,
}

impl Resource for FindingKindFields {
    type Noun = FindingKind;
    const PATH: &'static str = "/finding-kinds";
    const NAME: &'static str = "FindingKind";

    fn show(noun: FindingKind) -> Shown<Self> {
        let FindingKind {
            id,
            version,
            name,
            likely_cause,
            urgency,
            safety,
            task,
            source,
            archived,
        } = noun;
        let fields =
            Self { name, likely_cause, urgency, safety, task: task.map(|x| x.0), source, archived };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for FindingKindFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<FindingKind, Problem> {
        let Self { name, likely_cause, urgency, safety, task, source, archived } = self;
        Ok(FindingKind {
            id: FindingKindId(id),
            version,
            name,
            likely_cause,
            urgency,
            safety,
            task: task.map(TaskId),
            source,
            archived,
        })
    }
}
