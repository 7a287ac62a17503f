//! What may be asked of a plan run besides its site and seed.

use chrono::NaiveDate;
use fleet::id::{EngineId, OrderId, PlanId, PoolId, TaskId};
use fleet::visit::PlanKind;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::error::RunError;

/// Seconds of search where neither time nor work is given.
pub const SECONDS_LAY_UP: f64 = 20.0;
pub const SECONDS_ROTATION: f64 = 10.0;
/// More than this is asked by mistake.
const SECONDS_MAX: f64 = 3_600.0;
/// Weeks that a rotation looks ahead.
pub const ROTATION_WEEKS: u32 = 6;

/// The parameters of a plan run, as JSON gives them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanParameters {
    /// `lay_up` or `rotation`.
    pub plan: PlanKind,
    /// Seconds to search at most.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seconds: Option<f64>,
    /// Work to do at most; the same seed and work give the same plan.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub work: Option<u64>,
    /// Stop once the gap is at most this share.
    #[serde(default)]
    pub gap: f64,
    /// A plan of the same site and kind to go on from: its locked visits stay.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<PlanId>,
    /// The last day of a lay-up plan, instead of so many days before the first hire.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finish_on: Option<NaiveDate>,
    /// Weeks of a rotation, 1 to 12.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weeks: Option<u32>,
    /// Which parts may be counted on.
    #[serde(default)]
    pub parts: PartsCounted,
    /// Tasks struck from bundles.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub strike: Vec<EngineTask>,
    /// Tasks added to bundles.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub add: Vec<EngineTask>,
    /// Solved beside the plan named by `from`, or the published one; no draft is made of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub what_if: Option<WhatIf>,
}

/// Which parts may be counted on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PartsCounted {
    /// On the shelf and on order; and what is ordered today comes after the supplier's longest time.
    #[default]
    IfOrderedToday,
    /// On the shelf and on order.
    OnHandAndOrdered,
}

/// A task of one engine, or of all engines that the plan is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EngineTask {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub engine: Option<EngineId>,
    pub task: TaskId,
}

/// A change that is tried beside a plan.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum WhatIf {
    /// More people of a skill, on the site's days, with three quarters of them on the bench.
    MoreHands { skill: String, people: u32 },
    /// An order comes later.
    OrderLate { order: OrderId, days: u32 },
    /// More engines in a pool, each wanting what its like wants.
    MoreEngines { pool: PoolId, engines: u32 },
}

impl PlanParameters {
    /// Nothing asked but the kind of plan.
    pub fn of(plan: PlanKind) -> Self {
        Self {
            plan,
            seconds: None,
            work: None,
            gap: 0.0,
            from: None,
            finish_on: None,
            weeks: None,
            parts: PartsCounted::default(),
            strike: Vec::new(),
            add: Vec::new(),
            what_if: None,
        }
    }

    /// Reads what a run was asked for.
    ///
    /// # Errors
    /// `plan-parameters`, naming the field and what it takes.
    pub fn read(value: &Value) -> Result<Self, RunError> {
        let refused = |what: String| RunError::Refused { rule: "plan-parameters", what };
        let read: Self = serde_json::from_value(value.clone()).map_err(|error| {
            refused(format!(
                "{error}; a plan run takes \"plan\": \"lay_up\" or \"rotation\", and besides \
                 seconds, work, gap, from, finish_on, weeks, parts, strike, add, what_if"
            ))
        })?;
        if read.seconds.is_some_and(|given| !(0.1..=SECONDS_MAX).contains(&given)) {
            return Err(refused(format!("seconds: give 0.1 to {SECONDS_MAX}")));
        }
        if !(0.0..=1.0).contains(&read.gap) {
            return Err(refused("gap: give a share from 0 to 1, 0.01 for one percent".into()));
        }
        if read.weeks.is_some_and(|weeks| !(1..=12).contains(&weeks)) {
            return Err(refused("weeks: give 1 to 12".into()));
        }
        let many = match &read.what_if {
            Some(WhatIf::MoreHands { people: many, .. })
            | Some(WhatIf::MoreEngines { engines: many, .. })
            | Some(WhatIf::OrderLate { days: many, .. }) => *many,
            None => 1,
        };
        if !(1..=200).contains(&many) {
            return Err(refused("what_if: give a number from 1 to 200".into()));
        }
        Ok(read)
    }

    /// Seconds to search; `None` where only the work is limited.
    pub fn seconds(&self) -> Option<f64> {
        let usual = match self.plan {
            PlanKind::LayUp => SECONDS_LAY_UP,
            PlanKind::Rotation => SECONDS_ROTATION,
        };
        self.seconds.or((self.work.is_none()).then_some(usual))
    }
}
