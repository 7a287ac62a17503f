//! Rows of `fleet::person`.

use fleet::id::{
    AbsenceId, BayClosureId, BayId, CalendarId, OrganisationId, PersonId, PersonSkillId, SiteId,
    SkillId,
};
use fleet::person::{Absence, Bay, BayClosure, Person, PersonSkill, Skill};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{absences, bay_closures, bays, people, person_skills, skills};
use crate::error::StoreError;
use crate::record::{Record, Shared};
use crate::value::word;

impl Record for Person {
    type Entity = people::Entity;
    type Row = people::Model;
    type Id = PersonId;
    const ORGANISATION: people::Column = people::Column::OrganisationId;
    const ID: people::Column = people::Column::Id;
    const NOUN: &'static str = "person";

    fn id(&self) -> PersonId {
        self.id
    }

    fn key(id: PersonId) -> Uuid {
        id.0
    }

    fn from_row(row: people::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: PersonId(row.id),
            version: row.version,
            name: row.name,
            email: row.email,
            role: word(&row.role)?,
            may_clear_holds: row.may_clear_holds,
            site: row.site_id.map(SiteId),
            calendar: row.calendar_id.map(CalendarId),
            productive_percent: row.productive_percent,
            archived: row.archived,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> people::Model {
        people::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            name: self.name.clone(),
            email: self.email.clone(),
            role: self.role.as_str().to_owned(),
            may_clear_holds: self.may_clear_holds,
            site_id: self.site.map(|id| id.0),
            calendar_id: self.calendar.map(|id| id.0),
            productive_percent: self.productive_percent,
            archived: self.archived,
        }
    }
}

impl Shared for Person {
    const VERSION: people::Column = people::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for Skill {
    type Entity = skills::Entity;
    type Row = skills::Model;
    type Id = SkillId;
    const ORGANISATION: skills::Column = skills::Column::OrganisationId;
    const ID: skills::Column = skills::Column::Id;
    const NOUN: &'static str = "skill";

    fn id(&self) -> SkillId {
        self.id
    }

    fn key(id: SkillId) -> Uuid {
        id.0
    }

    fn from_row(row: skills::Model) -> Result<Self, StoreError> {
        Ok(Self { id: SkillId(row.id), version: row.version, name: row.name })
    }

    fn to_row(&self, organisation: OrganisationId) -> skills::Model {
        skills::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            name: self.name.clone(),
        }
    }
}

impl Shared for Skill {
    const VERSION: skills::Column = skills::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for PersonSkill {
    type Entity = person_skills::Entity;
    type Row = person_skills::Model;
    type Id = PersonSkillId;
    const ORGANISATION: person_skills::Column = person_skills::Column::OrganisationId;
    const ID: person_skills::Column = person_skills::Column::Id;
    const NOUN: &'static str = "person skill";

    fn id(&self) -> PersonSkillId {
        self.id
    }

    fn key(id: PersonSkillId) -> Uuid {
        id.0
    }

    fn from_row(row: person_skills::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: PersonSkillId(row.id),
            person: PersonId(row.person_id),
            skill: SkillId(row.skill_id),
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> person_skills::Model {
        person_skills::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            person_id: self.person.0,
            skill_id: self.skill.0,
        }
    }
}

impl Record for Absence {
    type Entity = absences::Entity;
    type Row = absences::Model;
    type Id = AbsenceId;
    const ORGANISATION: absences::Column = absences::Column::OrganisationId;
    const ID: absences::Column = absences::Column::Id;
    const NOUN: &'static str = "absence";

    fn id(&self) -> AbsenceId {
        self.id
    }

    fn key(id: AbsenceId) -> Uuid {
        id.0
    }

    fn from_row(row: absences::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: AbsenceId(row.id),
            person: PersonId(row.person_id),
            from_on: row.from_on,
            until_on: row.until_on,
            reason: row.reason,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> absences::Model {
        absences::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            person_id: self.person.0,
            from_on: self.from_on,
            until_on: self.until_on,
            reason: self.reason.clone(),
        }
    }
}

impl Record for Bay {
    type Entity = bays::Entity;
    type Row = bays::Model;
    type Id = BayId;
    const ORGANISATION: bays::Column = bays::Column::OrganisationId;
    const ID: bays::Column = bays::Column::Id;
    const NOUN: &'static str = "bay";

    fn id(&self) -> BayId {
        self.id
    }

    fn key(id: BayId) -> Uuid {
        id.0
    }

    fn from_row(row: bays::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: BayId(row.id),
            version: row.version,
            site: SiteId(row.site_id),
            name: row.name,
            kind: row.kind,
            archived: row.archived,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> bays::Model {
        bays::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            version: self.version,
            site_id: self.site.0,
            name: self.name.clone(),
            kind: self.kind.clone(),
            archived: self.archived,
        }
    }
}

impl Shared for Bay {
    const VERSION: bays::Column = bays::Column::Version;

    fn version(&self) -> i64 {
        self.version
    }

    fn set_version(&mut self, version: i64) {
        self.version = version;
    }
}

impl Record for BayClosure {
    type Entity = bay_closures::Entity;
    type Row = bay_closures::Model;
    type Id = BayClosureId;
    const ORGANISATION: bay_closures::Column = bay_closures::Column::OrganisationId;
    const ID: bay_closures::Column = bay_closures::Column::Id;
    const NOUN: &'static str = "bay closure";

    fn id(&self) -> BayClosureId {
        self.id
    }

    fn key(id: BayClosureId) -> Uuid {
        id.0
    }

    fn from_row(row: bay_closures::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: BayClosureId(row.id),
            bay: BayId(row.bay_id),
            from_on: row.from_on,
            until_on: row.until_on,
            reason: row.reason,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> bay_closures::Model {
        bay_closures::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            bay_id: self.bay.0,
            from_on: self.from_on,
            until_on: self.until_on,
            reason: self.reason.clone(),
        }
    }
}
