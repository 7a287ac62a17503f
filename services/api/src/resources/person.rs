//! People, what they can do and when they are away.

use crate::problem::Problem;
use crate::resource::{Addable, Changeable, Resource, Shown};
use chrono::NaiveDate;
use fleet::id::{
    AbsenceId, BayClosureId, BayId, CalendarId, PersonId, PersonSkillId, SiteId, SkillId,
};
use fleet::person::{Absence, Bay, BayClosure, Person, PersonSkill, Role, Skill};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The fields of one person.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Person)]
pub struct PersonFields {
    pub name: String,
    pub email: Option<String>,
    #[schema(value_type = String)]
    pub role: Role,
    pub may_clear_holds: bool,
    pub site: Option<Uuid>,
    pub calendar: Option<Uuid>,
    pub productive_percent: i32,
    pub archived: bool,
}

impl Resource for PersonFields {
    type Noun = Person;
    const PATH: &'static str = "/people";
    const NAME: &'static str = "Person";

    fn show(noun: Person) -> Shown<Self> {
        let Person {
            id,
            version,
            name,
            email,
            role,
            may_clear_holds,
            site,
            calendar,
            productive_percent,
            archived,
        } = noun;
        let fields = Self {
            name,
            email,
            role,
            may_clear_holds,
            site: site.map(|x| x.0),
            calendar: calendar.map(|x| x.0),
            productive_percent,
            archived,
        };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for PersonFields {
    const WRITES: Role = Role::Owner;

    fn build(self, id: Uuid, version: i64) -> Result<Person, Problem> {
        let Self {
            name,
            email,
            role,
            may_clear_holds,
            site,
            calendar,
            productive_percent,
            archived,
        } = self;
        Ok(Person {
            id: PersonId(id),
            version,
            name,
            email,
            role,
            may_clear_holds,
            site: site.map(SiteId),
            calendar: calendar.map(CalendarId),
            productive_percent,
            archived,
        })
    }
}

/// The fields of one skill.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Skill)]
pub struct SkillFields {
    pub name: String,
}

impl Resource for SkillFields {
    type Noun = Skill;
    const PATH: &'static str = "/skills";
    const NAME: &'static str = "Skill";

    fn show(noun: Skill) -> Shown<Self> {
        let Skill { id, version, name } = noun;
        let fields = Self { name };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for SkillFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<Skill, Problem> {
        let Self { name } = self;
        Ok(Skill { id: SkillId(id), version, name })
    }
}

/// The fields of one person skill.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = PersonSkill)]
pub struct PersonSkillFields {
    pub person: Uuid,
    pub skill: Uuid,
}

impl Resource for PersonSkillFields {
    type Noun = PersonSkill;
    const PATH: &'static str = "/person-skills";
    const NAME: &'static str = "PersonSkill";

    fn show(noun: PersonSkill) -> Shown<Self> {
        let PersonSkill { id, person, skill } = noun;
        let fields = Self { person: person.0, skill: skill.0 };
        Shown { id: id.0, version: None, fields }
    }
}

impl Addable for PersonSkillFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid) -> Result<PersonSkill, Problem> {
        let Self { person, skill } = self;
        Ok(PersonSkill { id: PersonSkillId(id), person: PersonId(person), skill: SkillId(skill) })
    }
}

/// The fields of one absence.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Absence)]
pub struct AbsenceFields {
    pub person: Uuid,
    pub from_on: NaiveDate,
    pub until_on: NaiveDate,
    pub reason: String,
}

impl Resource for AbsenceFields {
    type Noun = Absence;
    const PATH: &'static str = "/absences";
    const NAME: &'static str = "Absence";

    fn show(noun: Absence) -> Shown<Self> {
        let Absence { id, person, from_on, until_on, reason } = noun;
        let fields = Self { person: person.0, from_on, until_on, reason };
        Shown { id: id.0, version: None, fields }
    }
}

impl Addable for AbsenceFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid) -> Result<Absence, Problem> {
        let Self { person, from_on, until_on, reason } = self;
        Ok(Absence { id: AbsenceId(id), person: PersonId(person), from_on, until_on, reason })
    }
}

/// The fields of one bay.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Bay)]
pub struct BayFields {
    pub site: Uuid,
    pub name: String,
    pub kind: String,
    pub archived: bool,
}

impl Resource for BayFields {
    type Noun = Bay;
    const PATH: &'static str = "/bays";
    const NAME: &'static str = "Bay";

    fn show(noun: Bay) -> Shown<Self> {
        let Bay { id, version, site, name, kind, archived } = noun;
        let fields = Self { site: site.0, name, kind, archived };
        Shown { id: id.0, version: Some(version), fields }
    }
}

impl Changeable for BayFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid, version: i64) -> Result<Bay, Problem> {
        let Self { site, name, kind, archived } = self;
        Ok(Bay { id: BayId(id), version, site: SiteId(site), name, kind, archived })
    }
}

/// The fields of one bay closure.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = BayClosure)]
pub struct BayClosureFields {
    pub bay: Uuid,
    pub from_on: NaiveDate,
    pub until_on: NaiveDate,
    pub reason: String,
}

impl Resource for BayClosureFields {
    type Noun = BayClosure;
    const PATH: &'static str = "/bay-closures";
    const NAME: &'static str = "BayClosure";

    fn show(noun: BayClosure) -> Shown<Self> {
        let BayClosure { id, bay, from_on, until_on, reason } = noun;
        let fields = Self { bay: bay.0, from_on, until_on, reason };
        Shown { id: id.0, version: None, fields }
    }
}

impl Addable for BayClosureFields {
    const WRITES: Role = Role::Planner;

    fn build(self, id: Uuid) -> Result<BayClosure, Problem> {
        let Self { bay, from_on, until_on, reason } = self;
        Ok(BayClosure { id: BayClosureId(id), bay: BayId(bay), from_on, until_on, reason })
    }
}
