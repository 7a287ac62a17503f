//! Tasks, at which intervals, with the source of each figure.

use serde::{Deserialize, Serialize};

use crate::hours::Hours;
use crate::hours::Minutes;
use crate::id::{
    FindingKindId, IntervalId, ModelId, PartId, SkillId, TaskId, TaskLinkId, TaskPartId,
};
use crate::word::words;

words! {
    pub enum Verb {
        /// Look whether it is as it should be.
        Check = "check",
        /// Clean.
        Clean = "clean",
        /// Adjust.
        Adjust = "adjust",
        /// Grease.
        Grease = "grease",
        /// Replace; resets the check.
        Replace = "replace",
    }
}

words! {
    pub enum AccessGroup {
        /// Nothing comes off.
        NothingOff = "nothing_off",
        /// Propeller off.
        PropellerOff = "propeller_off",
        /// Gearcase off.
        GearcaseOff = "gearcase_off",
        /// Carrier out.
        CarrierOut = "carrier_out",
        /// Cowl off.
        CowlOff = "cowl_off",
    }
}

words! {
    pub enum Occasion {
        /// By hours or months.
        Interval = "interval",
        /// Before each use.
        EachUse = "each_use",
        /// After each use.
        AfterUse = "after_use",
        /// At lay-up.
        LayUp = "lay_up",
        /// At commissioning.
        Commissioning = "commissioning",
        /// Whenever it is open.
        Opening = "opening",
        /// When something was found.
        OnFinding = "on_finding",
    }
}

/// Something that is done to an engine.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Task {
    pub id: TaskId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub name: String,
    pub verb: Verb,
    /// Paid once per visit.
    pub access: AccessGroup,
    pub occasion: Occasion,
    /// Without the access.
    pub own_work: Minutes,
    pub minutes_source: Option<String>,
    pub skill: Option<SkillId>,
    pub safety: bool,
    /// Shown where it bites, with deference to the maker's manual.
    pub caution: Option<String>,
    pub archived: bool,
}

words! {
    pub enum TaskLinkKind {
        /// Doing the one does the other.
        Contains = "contains",
        /// Doing the one starts the other's interval anew.
        Resets = "resets",
    }
}

/// What doing a task does for another.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TaskLink {
    pub id: TaskLinkId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub task: TaskId,
    pub other: TaskId,
    pub kind: TaskLinkKind,
}

words! {
    pub enum IntervalBasis {
        /// The maker's own figure.
        Maker = "maker",
        /// A default, until the maker's is entered.
        Default = "default",
        /// The yard's own experience.
        Site = "site",
    }
}

/// When a task falls due on a model: whichever limb comes first.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProgrammeInterval {
    pub id: IntervalId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub task: TaskId,
    /// `None`: every model without a row of its own.
    pub model: Option<ModelId>,
    pub every: Option<Hours>,
    pub every_months: Option<i32>,
    /// Replaces the repeating interval once.
    pub first: Option<Hours>,
    pub first_months: Option<i32>,
    /// Whether severity multiplies the months too.
    pub severity_on_months: bool,
    pub basis: IntervalBasis,
    /// Author or maker, title, edition.
    pub source: String,
    pub page: Option<String>,
    pub serial_from: Option<String>,
    pub serial_until: Option<String>,
    pub verified_by: Option<String>,
}

/// A part that a task uses.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TaskPart {
    pub id: TaskPartId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub task: TaskId,
    /// `None`: every model without a row of its own.
    pub model: Option<ModelId>,
    pub part: PartId,
    /// In the part's unit.
    pub quantity: i64,
    /// How often it is needed at all; 1,000 always.
    pub chance_permille: i32,
}

words! {
    pub enum Urgency {
        /// Not to be hired.
        Stop = "stop",
        /// Within three days of the calendar.
        ThreeDays = "three_days",
        /// With the next service.
        NextService = "next_service",
        /// At lay-up.
        LayUp = "lay_up",
    }
}

impl Urgency {
    /// Days of the calendar within which it is promised to be done, counted from the day on which it
    /// was found; `None` where something other than a day decides.
    pub const fn promised_days(self) -> Option<u64> {
        match self {
            Self::ThreeDays => Some(3),
            Self::Stop | Self::NextService | Self::LayUp => None,
        }
    }
}

/// Something that can be found, what it may mean and what is done.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FindingKind {
    pub id: FindingKindId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub name: String,
    pub likely_cause: Option<String>,
    pub urgency: Urgency,
    /// Holds the engine until a named person clears it.
    pub safety: bool,
    /// What is proposed.
    pub task: Option<TaskId>,
    pub source: String,
    pub archived: bool,
}
