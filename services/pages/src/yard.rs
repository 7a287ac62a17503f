//! Yard: sites, people and when they work.

use askama::Template;
use axum::extract::State;
use axum::response::Response;
use chrono::NaiveDate;
use fleet::hours::Minutes;
use fleet::id::{CalendarId, SkillId};
use fleet::person::{Absence, Person, PersonSkill, Skill};
use fleet::site::{CalendarDay, Site, WorkCalendar};
use store::record;

use crate::calendars;
use crate::failure::{Failure, shown};
use crate::figures::{count, day};
use crate::files;
use crate::form::Fact;
use crate::frame::{Frame, Link, Room};
use crate::state::PagesState;
use crate::visitor::Visitor;
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "yard.html")]
pub struct YardPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub sites: Vec<SiteShown>,
    pub people: Vec<PersonRow>,
    pub weekdays: [&'static str; 7],
    pub calendars: Vec<WeekRow>,
    pub differing: Vec<String>,
}

#[derive(Clone, Debug)]
pub struct SiteShown {
    pub name: String,
    pub facts: Vec<Fact>,
}

#[derive(Clone, Debug)]
pub struct PersonRow {
    pub name: String,
    pub role: String,
    pub skills: String,
    pub calendar: String,
    pub away: String,
}

#[derive(Clone, Debug)]
pub struct WeekRow {
    pub name: String,
    pub days: Vec<String>,
}

pub const WEEKDAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
const PATH: &str = "/yard";
const DIFFERING_MAX: usize = 60;

/// Everything that the page is made of.
struct Records {
    people: Vec<Person>,
    skills: Vec<Skill>,
    can: Vec<PersonSkill>,
    absences: Vec<Absence>,
    calendars: Vec<WorkCalendar>,
    days: Vec<CalendarDay>,
}

pub async fn show(State(state): State<PagesState>, visitor: Visitor) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    let mut records = Records {
        people: record::all(connection, organisation).await?,
        skills: record::all(connection, organisation).await?,
        can: record::all(connection, organisation).await?,
        absences: record::all(connection, organisation).await?,
        calendars: record::all(connection, organisation).await?,
        days: record::all(connection, organisation).await?,
    };
    records.people.retain(|person| !person.archived);
    records.people.sort_by(|a, b| a.name.cmp(&b.name));
    records.calendars.sort_by(|a, b| a.name.cmp(&b.name));
    records.days.sort_by_key(|day| day.on);
    shown(&page(&visitor, &yard, &records))
}

/// The pages of this room, for this visitor.
pub fn paths(visitor: &Visitor, here: &str) -> Vec<Link> {
    let open_to_all =
        [Link::new("Sites and people", PATH), Link::new("Calendars", calendars::PATH)];
    let all = open_to_all.into_iter().chain(files::path(visitor));
    all.map(|link| link.seen_from(here)).collect()
}

fn page(visitor: &Visitor, yard: &Yard, records: &Records) -> YardPage {
    YardPage {
        frame: visitor.frame("Yard", Room::Yard),
        heading: format!(
            "{} and {}",
            count(yard.sites.len(), "site", "sites"),
            count(records.people.len(), "person", "people")
        ),
        lead: "When people work and are away decides what the bench can take on.".to_owned(),
        paths: paths(visitor, PATH),
        sites: yard.sites.iter().map(|site| site_shown(yard, records, site)).collect(),
        people: records.people.iter().map(|person| person_row(yard, records, person)).collect(),
        weekdays: WEEKDAYS,
        calendars: records.calendars.iter().map(week_row).collect(),
        differing: differing(yard, records),
    }
}

fn calendar_name(records: &Records, id: Option<CalendarId>) -> Option<String> {
    let id = id?;
    records.calendars.iter().find(|c| c.id == id).map(|calendar| calendar.name.clone())
}

fn site_shown(yard: &Yard, records: &Records, site: &Site) -> SiteShown {
    let on = |date: NaiveDate| day(date, yard.today);
    let mut facts = vec![Fact::new("Time zone", &site.time_zone)];
    facts.extend(calendar_name(records, site.calendar).map(|name| Fact::new("Week", name)));
    match (site.first_hire_on, site.last_hire_on) {
        (Some(first), Some(last)) => {
            facts.push(Fact::new("Hire", format!("{} to {}", on(first), on(last))));
        }
        (Some(first), None) => facts.push(Fact::new("First hire", on(first))),
        (None, _) => facts.push(Fact::new("Hire", "all year")),
    }
    let days = usize::try_from(site.finish_days_before_hire).unwrap_or(0);
    facts.push(Fact::new(
        "Lay-up work done",
        format!("{} before first hire", count(days, "day", "days")),
    ));
    let pools: Vec<&str> = yard
        .pools
        .iter()
        .filter(|pool| pool.site == site.id)
        .map(|pool| pool.name.as_str())
        .collect();
    facts.push(Fact::new("Pools", if pools.is_empty() { "none".into() } else { pools.join(", ") }));
    SiteShown { name: site.name.clone(), facts }
}

fn person_row(yard: &Yard, records: &Records, person: &Person) -> PersonRow {
    let skill = |id: SkillId| records.skills.iter().find(|s| s.id == id).map(|s| s.name.clone());
    let skills: Vec<String> = records
        .can
        .iter()
        .filter(|can| can.person == person.id)
        .filter_map(|can| skill(can.skill))
        .collect();
    let mut away: Vec<&Absence> = records
        .absences
        .iter()
        .filter(|absence| absence.person == person.id && absence.until_on >= yard.today)
        .collect();
    away.sort_by_key(|absence| absence.from_on);
    let away: Vec<String> = away
        .into_iter()
        .take(3)
        .map(|absence| {
            let on = |date: NaiveDate| day(date, yard.today);
            format!("{} to {} ({})", on(absence.from_on), on(absence.until_on), absence.reason)
        })
        .collect();
    let right = if person.may_clear_holds { ", may clear safety holds" } else { "" };
    PersonRow {
        name: person.name.clone(),
        role: format!("{}{right}", person.role),
        skills: skills.join(", "),
        calendar: calendar_name(records, person.calendar).unwrap_or_default(),
        away: away.join("; "),
    }
}

fn week_row(calendar: &WorkCalendar) -> WeekRow {
    let WorkCalendar { monday, tuesday, wednesday, thursday, friday, saturday, sunday, .. } =
        calendar;
    let week = [monday, tuesday, wednesday, thursday, friday, saturday, sunday];
    WeekRow { name: calendar.name.clone(), days: week.map(|minutes| worked(*minutes)).to_vec() }
}

fn worked(minutes: Minutes) -> String {
    match minutes.0 {
        0 => "closed".to_owned(),
        n => format!("{}:{:02} h", n / 60, n % 60),
    }
}

/// Days from today on that differ from their week.
fn differing(yard: &Yard, records: &Records) -> Vec<String> {
    let line = |d: &CalendarDay| {
        let calendar = calendar_name(records, Some(d.calendar)).unwrap_or_default();
        let on = day(d.on, yard.today);
        format!("{on}: {calendar} {} ({})", worked(d.worked), d.reason)
    };
    let ahead = records.days.iter().filter(|day| day.on >= yard.today);
    ahead.take(DIFFERING_MAX).map(line).collect()
}
