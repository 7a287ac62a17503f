//! Services done and what they used. Append-only.

use crate::resource::{Resource, Shown};
use chrono::{DateTime, NaiveDate, Utc};
use fleet::engine::TestKind;
use fleet::service::{GearcaseTest, Service, ServicePart, ServiceReason, TestOutcome};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one service.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Service)]
pub struct ServiceFields {
    pub engine: Uuid,
    pub task: Uuid,
    pub done_on: NaiveDate,
    /// Hours.
    pub life: Option<f64>,
    #[schema(value_type = String)]
    pub reason: ServiceReason,
    pub job: Option<Uuid>,
    pub done_by: Option<Uuid>,
    /// Minutes.
    pub spent: Option<u32>,
    pub note: Option<String>,
    pub source: String,
    pub recorded_at: DateTime<Utc>,
}

impl Resource for ServiceFields {
    type Noun = Service;
    const PATH: &'static str = "/services";
    const NAME: &'static str = "Service";

    fn show(noun: Service) -> Shown<Self> {
        let Service {
            id,
            engine,
            task,
            done_on,
            life,
            reason,
            job,
            done_by,
            spent,
            note,
            source,
            recorded_at,
        } = noun;
        let fields = Self {
            engine: engine.0,
            task: task.0,
            done_on,
            life: life.map(|x| x.as_decimal()),
            reason,
            job: job.map(|x| x.0),
            done_by: done_by.map(|x| x.0),
            spent: spent.map(|x| x.0),
            note,
            source,
            recorded_at,
        };
        Shown { id: id.0, version: None, fields }
    }
}

/// The fields of one service part.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = ServicePart)]
pub struct ServicePartFields {
    pub service: Uuid,
    pub part: Uuid,
    pub quantity: i64,
}

impl Resource for ServicePartFields {
    type Noun = ServicePart;
    const PATH: &'static str = "/service-parts";
    const NAME: &'static str = "ServicePart";

    fn show(noun: ServicePart) -> Shown<Self> {
        let ServicePart { id, service, part, quantity } = noun;
        let fields = Self { service: service.0, part: part.0, quantity };
        Shown { id: id.0, version: None, fields }
    }
}

/// The fields of one gearcase test.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = GearcaseTest)]
pub struct GearcaseTestFields {
    pub engine: Uuid,
    pub job: Option<Uuid>,
    #[schema(value_type = String)]
    pub kind: TestKind,
    pub tested_at: DateTime<Utc>,
    pub tested_by: Option<Uuid>,
    pub start_pa: i32,
    pub end_pa: i32,
    pub hold_seconds: i32,
    pub start_millicelsius: Option<i32>,
    pub end_millicelsius: Option<i32>,
    pub ambient_pa: i32,
    pub gauge_division_pa: i32,
    pub limit_pa: Option<i32>,
    pub drive_shaft_turned: bool,
    pub propeller_shaft_turned: bool,
    pub shifted: bool,
    pub drained: bool,
    #[schema(value_type = String)]
    pub outcome: TestOutcome,
    pub reason: String,
    pub leak_at: Option<String>,
    pub retest_of: Option<Uuid>,
}

impl Resource for GearcaseTestFields {
    type Noun = GearcaseTest;
    const PATH: &'static str = "/gearcase-tests";
    const NAME: &'static str = "GearcaseTest";

    fn show(noun: GearcaseTest) -> Shown<Self> {
        let GearcaseTest {
            id,
            engine,
            job,
            kind,
            tested_at,
            tested_by,
            start_pa,
            end_pa,
            hold_seconds,
            start_millicelsius,
            end_millicelsius,
            ambient_pa,
            gauge_division_pa,
            limit_pa,
            drive_shaft_turned,
            propeller_shaft_turned,
            shifted,
            drained,
            outcome,
            reason,
            leak_at,
            retest_of,
        } = noun;
        let fields = Self {
            engine: engine.0,
            job: job.map(|x| x.0),
            kind,
            tested_at,
            tested_by: tested_by.map(|x| x.0),
            start_pa,
            end_pa,
            hold_seconds,
            start_millicelsius,
            end_millicelsius,
            ambient_pa,
            gauge_division_pa,
            limit_pa,
            drive_shaft_turned,
            propeller_shaft_turned,
            shifted,
            drained,
            outcome,
            reason,
            leak_at,
            retest_of: retest_of.map(|x| x.0),
        };
        Shown { id: id.0, version: None, fields }
    }
}
