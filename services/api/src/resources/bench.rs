//! Jobs: the work on one engine in one visit.

use crate::resource::{Resource, Shown};
use chrono::{DateTime, NaiveDate, Utc};
use fleet::bench::{Job, JobPart, JobStatus, JobTask, TaskOutcome};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one job.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Job)]
pub struct JobFields {
    pub number: i32,
    pub engine: Uuid,
    pub site: Uuid,
    pub finding: Option<Uuid>,
    #[schema(value_type = String)]
    pub status: JobStatus,
    pub reason: Option<String>,
    pub stood_over_until: Option<NaiveDate>,
    pub planned_on: Option<NaiveDate>,
    pub bay: Option<Uuid>,
    pub person: Option<Uuid>,
    pub note: Option<String>,
    pub created_at: DateTime<Utc>,
    pub released_at: Option<DateTime<Utc>>,
}

impl Resource for JobFields {
    type Noun = Job;
    const PATH: &'static str = "/jobs";
    const NAME: &'static str = "Job";

    fn show(noun: Job) -> Shown<Self> {
        let Job {
            id,
            version,
            number,
            engine,
            site,
            finding,
            status,
            reason,
            stood_over_until,
            planned_on,
            bay,
            person,
            note,
            created_at,
            released_at,
        } = noun;
        let fields = Self {
            number,
            engine: engine.0,
            site: site.0,
            finding: finding.map(|x| x.0),
            status,
            reason,
            stood_over_until,
            planned_on,
            bay: bay.map(|x| x.0),
            person: person.map(|x| x.0),
            note,
            created_at,
            released_at,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

/// The fields of one job task.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = JobTask)]
pub struct JobTaskFields {
    pub job: Uuid,
    pub task: Uuid,
    pub sequence: i32,
    /// Minutes.
    pub planned: u32,
    /// Minutes.
    pub spent: Option<u32>,
    #[schema(value_type = Option<String>)]
    pub outcome: Option<TaskOutcome>,
    pub done_at: Option<DateTime<Utc>>,
    pub done_by: Option<Uuid>,
    pub note: Option<String>,
}

impl Resource for JobTaskFields {
    type Noun = JobTask;
    const PATH: &'static str = "/job-tasks";
    const NAME: &'static str = "JobTask";

    fn show(noun: JobTask) -> Shown<Self> {
        let JobTask {
            id,
            version,
            job,
            task,
            sequence,
            planned,
            spent,
            outcome,
            done_at,
            done_by,
            note,
        } = noun;
        let fields = Self {
            job: job.0,
            task: task.0,
            sequence,
            planned: planned.0,
            spent: spent.map(|x| x.0),
            outcome,
            done_at,
            done_by: done_by.map(|x| x.0),
            note,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

/// The fields of one job part.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = JobPart)]
pub struct JobPartFields {
    pub job: Uuid,
    pub part: Uuid,
    /// What the job needs.
    pub quantity: i64,
    /// What went in; at the end what was needed, where nobody said otherwise.
    pub used: Option<i64>,
    /// How much of `quantity` was asked for on the bench, beyond the plan.
    pub beyond_plan: i64,
}

impl Resource for JobPartFields {
    type Noun = JobPart;
    const PATH: &'static str = "/job-parts";
    const NAME: &'static str = "JobPart";

    fn show(noun: JobPart) -> Shown<Self> {
        let JobPart { id, version, job, part, quantity, used, beyond_plan } = noun;
        let fields = Self { job: job.0, part: part.0, quantity, used, beyond_plan };
        Shown { id: id.0, version: Some(version), fields }
    }
}
