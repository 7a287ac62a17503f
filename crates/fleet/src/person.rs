//! People, what they can do and when they are away.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::id::{
    AbsenceId, BayClosureId, BayId, CalendarId, PersonId, PersonSkillId, SiteId, SkillId,
};
use crate::word::words;

words! {
    pub enum Role {
        /// Reads.
        Viewer = "viewer",
        /// Also hours, findings, holds, job cards, counts.
        Technician = "technician",
        /// Also boats, programme, plans, jobs.
        Planner = "planner",
        /// Also parts, suppliers, orders.
        Buyer = "buyer",
        /// Everything, people and prices.
        Owner = "owner",
    }
}

impl Role {
    /// Whether it may do what `needed` may. Planners and buyers may both do a technician's work, but
    /// not each other's.
    pub fn includes(self, needed: Self) -> bool {
        match needed {
            Self::Viewer => true,
            Self::Technician => self != Self::Viewer,
            Self::Planner => matches!(self, Self::Planner | Self::Owner),
            Self::Buyer => matches!(self, Self::Buyer | Self::Owner),
            Self::Owner => self == Self::Owner,
        }
    }
}

/// Somebody of the organisation.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Person {
    pub id: PersonId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub name: String,
    /// Lower case; whoever signs in has one.
    pub email: Option<String>,
    pub role: Role,
    /// Given by the owner to named, competent persons.
    pub may_clear_holds: bool,
    pub site: Option<SiteId>,
    /// `None`: the site's.
    pub calendar: Option<CalendarId>,
    /// Share of the paid time that is bench time.
    pub productive_percent: i32,
    pub archived: bool,
}

/// What a task may ask of a person.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Skill {
    pub id: SkillId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub name: String,
}

/// A person has a skill.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PersonSkill {
    pub id: PersonSkillId,
    pub person: PersonId,
    pub skill: SkillId,
}

/// A person is away, both days included.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Absence {
    pub id: AbsenceId,
    pub person: PersonId,
    pub from_on: NaiveDate,
    pub until_on: NaiveDate,
    pub reason: String,
}

/// A place where one engine is worked on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Bay {
    pub id: BayId,
    /// Counts the changes, from 1; a change names the version that it was made from.
    pub version: i64,
    pub site: SiteId,
    pub name: String,
    /// What it can be used for: bench, tank, ...
    pub kind: String,
    pub archived: bool,
}

/// A bay that can't be used, both days included.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BayClosure {
    pub id: BayClosureId,
    pub bay: BayId,
    pub from_on: NaiveDate,
    pub until_on: NaiveDate,
    pub reason: String,
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case::everybody_reads(Role::Viewer, Role::Viewer, true)]
    #[case::a_viewer_writes_no_hours(Role::Viewer, Role::Technician, false)]
    #[case::a_planner_writes_hours(Role::Planner, Role::Technician, true)]
    #[case::a_buyer_counts_stock(Role::Buyer, Role::Technician, true)]
    #[case::a_buyer_plans_nothing(Role::Buyer, Role::Planner, false)]
    #[case::a_planner_buys_nothing(Role::Planner, Role::Buyer, false)]
    #[case::an_owner_does_everything(Role::Owner, Role::Buyer, true)]
    #[case::only_an_owner_sets_people(Role::Planner, Role::Owner, false)]
    fn roles_include_one_another(#[case] role: Role, #[case] needed: Role, #[case] expected: bool) {
        assert_eq!(role.includes(needed), expected);
    }
}
