//! Calendars, sites, bays and people.

use std::collections::{BTreeMap, BTreeSet, HashSet};

use chrono::NaiveDate;
use exchange::load::{
    AbsenceRow, BayRow, CalendarDayRow, CalendarRow, CurrencyRateRow, PersonRow, SitePriceRow,
    SiteRow,
};
use fleet::Currency;
use fleet::id::{
    AbsenceId, BayId, CalendarDayId, CalendarId, CurrencyRateId, OrganisationId, PersonId,
    PersonSkillId, SiteId, SitePriceId, SkillId,
};
use fleet::person::{Absence, Bay, Person, PersonSkill, Skill};
use fleet::site::{CalendarDay, CurrencyRate, PriceKind, Site, SitePrice, WorkCalendar};
use serde_json::json;

use super::differences::{Known, Values, values};
use super::names::{Lookup, Needs};
use super::{Loaded, Verdict};
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::store::Transaction;

impl Loaded for CalendarRow {
    type Entry = WorkCalendar;
    type State = Known<String>;
    const NEEDS: &'static [Needs] = &[];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<WorkCalendar>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| (one.name.clone(), values(one)))))
    }

    fn entry(self, _: &mut Lookup<'_>) -> Option<WorkCalendar> {
        let [monday, tuesday, wednesday, thursday, friday, saturday, sunday] = self.worked;
        Some(WorkCalendar {
            id: CalendarId::fresh(),
            version: 1,
            name: self.calendar,
            monday,
            tuesday,
            wednesday,
            thursday,
            friday,
            saturday,
            sunday,
        })
    }

    fn judge(state: &mut Self::State, entry: &WorkCalendar, at: &mut Lookup<'_>) -> Verdict {
        state.judge(entry.name.clone(), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<WorkCalendar>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

impl Loaded for CalendarDayRow {
    type Entry = CalendarDay;
    type State = Known<(CalendarId, NaiveDate)>;
    const NEEDS: &'static [Needs] = &[Needs::Calendars];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<CalendarDay>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| ((one.calendar, one.on), values(one)))))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<CalendarDay> {
        let Self { calendar, on, worked, reason } = self;
        let calendar = at.calendar("calendar", &calendar)?;
        Some(CalendarDay { id: CalendarDayId::fresh(), calendar, on, worked, reason })
    }

    fn judge(state: &mut Self::State, entry: &CalendarDay, at: &mut Lookup<'_>) -> Verdict {
        state.judge((entry.calendar, entry.on), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        _: &Author,
        _: &mut Self::State,
        entries: Vec<CalendarDay>,
    ) -> Result<(), StoreError> {
        record::append(transaction, organisation, &entries).await
    }
}

impl Loaded for SiteRow {
    type Entry = Site;
    type State = Known<String>;
    const NEEDS: &'static [Needs] = &[Needs::Calendars];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<Site>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| (one.name.clone(), values(one)))))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<Site> {
        let calendar = at.optional("calendar", self.calendar.as_deref(), Lookup::calendar)?;
        Some(Site {
            id: SiteId::fresh(),
            version: 1,
            name: self.site,
            time_zone: self.time_zone.name().to_owned(),
            calendar,
            first_hire_on: self.first_hire_on,
            last_hire_on: self.last_hire_on,
            finish_days_before_hire: self.finish_days_before_hire,
            archived: false,
        })
    }

    fn judge(state: &mut Self::State, entry: &Site, at: &mut Lookup<'_>) -> Verdict {
        state.judge(entry.name.clone(), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<Site>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

impl Loaded for SitePriceRow {
    type Entry = SitePrice;
    type State = Known<(SiteId, PriceKind)>;
    const NEEDS: &'static [Needs] = &[Needs::Sites];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<SitePrice>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| ((one.site, one.kind), values(one)))))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<SitePrice> {
        let Self { site, kind, amount, basis } = self;
        let site = at.site("site", &site)?.id;
        Some(SitePrice { id: SitePriceId::fresh(), version: 1, site, kind, amount, basis })
    }

    fn judge(state: &mut Self::State, entry: &SitePrice, at: &mut Lookup<'_>) -> Verdict {
        state.judge((entry.site, entry.kind), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<SitePrice>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

impl Loaded for CurrencyRateRow {
    type Entry = CurrencyRate;
    type State = Known<(Currency, Currency, NaiveDate)>;
    const NEEDS: &'static [Needs] = &[];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<CurrencyRate>(transaction, organisation).await?;
        Ok(Known::new(
            all.iter().map(|one| ((one.from_currency, one.to_currency, one.on), values(one))),
        ))
    }

    fn entry(self, _: &mut Lookup<'_>) -> Option<CurrencyRate> {
        let Self { from_currency, to_currency, on, rate_millionths, source } = self;
        let id = CurrencyRateId::fresh();
        Some(CurrencyRate { id, from_currency, to_currency, on, rate_millionths, source })
    }

    fn judge(state: &mut Self::State, entry: &CurrencyRate, at: &mut Lookup<'_>) -> Verdict {
        state.judge((entry.from_currency, entry.to_currency, entry.on), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        _: &Author,
        _: &mut Self::State,
        entries: Vec<CurrencyRate>,
    ) -> Result<(), StoreError> {
        record::append(transaction, organisation, &entries).await
    }
}

impl Loaded for BayRow {
    type Entry = Bay;
    type State = Known<(SiteId, String)>;
    const NEEDS: &'static [Needs] = &[Needs::Sites];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<Bay>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| ((one.site, one.name.clone()), values(one)))))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<Bay> {
        let site = at.site("site", &self.site)?.id;
        let (id, name, kind) = (BayId::fresh(), self.bay, self.used_as);
        Some(Bay { id, version: 1, site, name, kind, archived: false })
    }

    fn judge(state: &mut Self::State, entry: &Bay, at: &mut Lookup<'_>) -> Verdict {
        state.judge((entry.site, entry.name.clone()), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        _: &mut Self::State,
        entries: Vec<Bay>,
    ) -> Result<(), StoreError> {
        record::create(transaction, organisation, author, &entries).await
    }
}

/// A person with the names of his or her skills.
pub(super) struct PersonEntry {
    person: Person,
    skills: BTreeSet<String>,
}

/// People by name, the addresses that are taken, skills by name.
pub(super) struct PeopleState {
    known: Known<String>,
    emails: HashSet<String>,
    skills: BTreeMap<String, SkillId>,
}

fn person_values(person: &Person, skills: &BTreeSet<String>) -> Values {
    let mut all = values(person);
    all.insert("skills".to_owned(), json!(skills));
    all
}

impl Loaded for PersonRow {
    type Entry = PersonEntry;
    type State = PeopleState;
    const NEEDS: &'static [Needs] = &[Needs::Sites, Needs::Calendars];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let people = record::all::<Person>(transaction, organisation).await?;
        let skills = record::all::<Skill>(transaction, organisation).await?;
        let held = record::all::<PersonSkill>(transaction, organisation).await?;
        let names: BTreeMap<SkillId, &str> =
            skills.iter().map(|skill| (skill.id, skill.name.as_str())).collect();
        let mut by_person: BTreeMap<PersonId, BTreeSet<String>> = BTreeMap::new();
        for one in held {
            let name = names.get(&one.skill).copied().unwrap_or_default().to_owned();
            by_person.entry(one.person).or_default().insert(name);
        }
        let known = Known::new(people.iter().map(|person| {
            let skills = by_person.remove(&person.id).unwrap_or_default();
            (person.name.clone(), person_values(person, &skills))
        }));
        let emails = people.into_iter().filter_map(|person| person.email).collect();
        let skills = skills.into_iter().map(|skill| (skill.name, skill.id)).collect();
        Ok(PeopleState { known, emails, skills })
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<PersonEntry> {
        let site = at.optional("site", self.site.as_deref(), Lookup::site);
        let calendar = at.optional("calendar", self.calendar.as_deref(), Lookup::calendar);
        let person = Person {
            id: PersonId::fresh(),
            version: 1,
            name: self.person,
            email: self.email,
            role: self.role,
            may_clear_holds: self.may_clear_holds,
            site: site?.map(|site| site.id),
            calendar: calendar?,
            productive_percent: self.productive_percent,
            archived: false,
        };
        Some(PersonEntry { person, skills: self.skills.into_iter().collect() })
    }

    fn judge(state: &mut Self::State, entry: &PersonEntry, at: &mut Lookup<'_>) -> Verdict {
        let values = person_values(&entry.person, &entry.skills);
        let verdict = state.known.judge(entry.person.name.clone(), values, at);
        let email = entry.person.email.as_deref().unwrap_or_default();
        if verdict == Verdict::New && !email.is_empty() && !state.emails.insert(email.to_owned()) {
            at.refuse("email", email, "email-taken", "somebody else signs in with this address");
            return Verdict::Refused;
        }
        verdict
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        state: &mut Self::State,
        entries: Vec<PersonEntry>,
    ) -> Result<(), StoreError> {
        let wanted = entries.iter().flat_map(|entry| entry.skills.iter().map(String::as_str));
        create_skills(transaction, organisation, author, &mut state.skills, wanted).await?;
        let (mut people, mut held) = (Vec::new(), Vec::new());
        for PersonEntry { person, skills } in entries {
            held.extend(skills.iter().filter_map(|name| state.skills.get(name)).map(|&skill| {
                PersonSkill { id: PersonSkillId::fresh(), person: person.id, skill }
            }));
            people.push(person);
        }
        record::create(transaction, organisation, author, &people).await?;
        record::append(transaction, organisation, &held).await
    }
}

/// Makes skills of those names that are not there yet.
pub(super) async fn create_skills(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    known: &mut BTreeMap<String, SkillId>,
    wanted: impl Iterator<Item = &str>,
) -> Result<(), StoreError> {
    let mut fresh = Vec::new();
    for name in wanted {
        if !known.contains_key(name) {
            let skill = Skill { id: SkillId::fresh(), version: 1, name: name.to_owned() };
            known.insert(name.to_owned(), skill.id);
            fresh.push(skill);
        }
    }
    record::create(transaction, organisation, author, &fresh).await
}

impl Loaded for AbsenceRow {
    type Entry = Absence;
    type State = Known<(PersonId, NaiveDate)>;
    const NEEDS: &'static [Needs] = &[Needs::People];

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError> {
        let all = record::all::<Absence>(transaction, organisation).await?;
        Ok(Known::new(all.iter().map(|one| ((one.person, one.from_on), values(one)))))
    }

    fn entry(self, at: &mut Lookup<'_>) -> Option<Absence> {
        let Self { person, from_on, until_on, reason } = self;
        let person = at.person("person", &person)?;
        Some(Absence { id: AbsenceId::fresh(), person, from_on, until_on, reason })
    }

    fn judge(state: &mut Self::State, entry: &Absence, at: &mut Lookup<'_>) -> Verdict {
        state.judge((entry.person, entry.from_on), values(entry), at)
    }

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        _: &Author,
        _: &mut Self::State,
        entries: Vec<Absence>,
    ) -> Result<(), StoreError> {
        record::append(transaction, organisation, &entries).await
    }
}
