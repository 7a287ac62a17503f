//! Plans and their visits.

use crate::resource::{Resource, Shown};
use chrono::{DateTime, NaiveDate, Utc};
use fleet::visit::{Plan, PlanKind, PlanStatus, Visit, VisitTask};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one plan.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Plan)]
pub struct PlanFields {
    pub site: Uuid,
    #[schema(value_type = String)]
    pub kind: PlanKind,
    pub name: String,
    #[schema(value_type = String)]
    pub status: PlanStatus,
    pub run: Option<Uuid>,
    pub based_on: Option<Uuid>,
    pub created_at: DateTime<Utc>,
    pub published_at: Option<DateTime<Utc>>,
    pub published_by: Option<Uuid>,
}

impl Resource for PlanFields {
    type Noun = Plan;
    const PATH: &'static str = "/plans";
    const NAME: &'static str = "Plan";

    fn show(noun: Plan) -> Shown<Self> {
        let Plan {
            id,
            version,
            site,
            kind,
            name,
            status,
            run,
            based_on,
            created_at,
            published_at,
            published_by,
        } = noun;
        let fields = Self {
            site: site.0,
            kind,
            name,
            status,
            run: run.map(|x| x.0),
            based_on: based_on.map(|x| x.0),
            created_at,
            published_at,
            published_by: published_by.map(|x| x.0),
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

/// The fields of one visit.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Visit)]
pub struct VisitFields {
    pub plan: Uuid,
    pub engine: Uuid,
    pub bay: Option<Uuid>,
    pub person: Option<Uuid>,
    pub starts_on: Option<NaiveDate>,
    pub ends_on: Option<NaiveDate>,
    /// Minutes.
    pub bench: u32,
    pub boat_out: bool,
    pub locked: bool,
    pub reason: Option<String>,
    pub job: Option<Uuid>,
    /// Which of the ways that the plan had for it.
    pub mode: Option<String>,
}

impl Resource for VisitFields {
    type Noun = Visit;
    const PATH: &'static str = "/visits";
    const NAME: &'static str = "Visit";

    fn show(noun: Visit) -> Shown<Self> {
        let Visit {
            id,
            version,
            plan,
            engine,
            bay,
            person,
            starts_on,
            ends_on,
            bench,
            boat_out,
            locked,
            reason,
            job,
            mode,
        } = noun;
        let fields = Self {
            plan: plan.0,
            engine: engine.0,
            bay: bay.map(|x| x.0),
            person: person.map(|x| x.0),
            starts_on,
            ends_on,
            bench: bench.0,
            boat_out,
            locked,
            reason,
            job: job.map(|x| x.0),
            mode,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

/// The fields of one visit task.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = VisitTask)]
pub struct VisitTaskFields {
    pub visit: Uuid,
    pub task: Uuid,
}

impl Resource for VisitTaskFields {
    type Noun = VisitTask;
    const PATH: &'static str = "/visit-tasks";
    const NAME: &'static str = "VisitTask";

    fn show(noun: VisitTask) -> Shown<Self> {
        let VisitTask { id, visit, task } = noun;
        let fields = Self { visit: visit.0, task: task.0 };
        Shown { id: id.0, version: None, fields }
    }
}
