//! Lay-up: the winter's plan by week, with load against hands.

use std::collections::{BTreeMap, HashMap};

use askama::Template;
use axum::extract::State;
use axum::response::Response;
use chrono::{Datelike, Days, NaiveDate, Weekday};
use fleet::hours::Minutes;
use fleet::id::{CalendarId, SiteId, TaskId};
use fleet::person::{Absence, Person};
use fleet::programme::Task;
use fleet::site::{CalendarDay, WorkCalendar};
use fleet::visit::{Plan, PlanKind, PlanStatus, Visit, VisitTask};
use store::record;

use crate::chart::Picture;
use crate::chart::load::{SkillLoad, Week, draw};
use crate::failure::{Failure, shown};
use crate::figures::{count, day, moment};
use crate::form::Mark;
use crate::frame::{Frame, Link, Room};
use crate::state::PagesState;
use crate::visitor::Visitor;
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "lay_up.html")]
pub struct LayUpPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub picture: Option<Picture>,
    pub weeks: Vec<WeekVisits>,
    pub unplanned: Vec<VisitLine>,
    pub nothing: String,
}

#[derive(Clone, Debug)]
pub struct WeekVisits {
    pub name: String,
    pub visits: Vec<VisitLine>,
}

#[derive(Clone, Debug)]
pub struct VisitLine {
    pub engine: Link,
    pub mark: Option<Mark>,
    pub sentence: String,
}

/// Weeks of one plan on one page.
const WEEKS_MAX: usize = 40;

pub async fn show(State(state): State<PagesState>, visitor: Visitor) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    let plans: Vec<Plan> = record::all(connection, organisation).await?;
    let Some(plan) = chosen(plans) else {
        return shown(&empty(&visitor, &yard));
    };
    let mut visits: Vec<Visit> = record::all(connection, organisation).await?;
    visits.retain(|visit| visit.plan == plan.id);
    visits.sort_by_key(|visit| (visit.starts_on, visit.id));
    let visit_tasks: Vec<VisitTask> = record::all(connection, organisation).await?;
    let tasks: Vec<Task> = record::all(connection, organisation).await?;
    let names: HashMap<TaskId, String> = tasks.into_iter().map(|t| (t.id, t.name)).collect();
    let hands = Hands {
        people: record::all(connection, organisation).await?,
        absences: record::all(connection, organisation).await?,
        calendars: record::all(connection, organisation).await?,
        days: record::all(connection, organisation).await?,
        site: plan.site,
    };
    let bundle = |visit: &Visit| {
        let of = visit_tasks.iter().filter(|task| task.visit == visit.id);
        of.filter_map(|task| names.get(&task.task).cloned()).collect::<Vec<_>>().join(", ")
    };
    shown(&page(&visitor, &yard, &plan, &visits, &hands, bundle))
}

/// The plan that holds, else the latest draft.
fn chosen(plans: Vec<Plan>) -> Option<Plan> {
    let lay_up = plans.into_iter().filter(|plan| plan.kind == PlanKind::LayUp);
    let rank = |plan: &Plan| match plan.status {
        PlanStatus::Published => 2,
        PlanStatus::Draft => 1,
        PlanStatus::Superseded => 0,
    };
    lay_up.filter(|plan| rank(plan) > 0).max_by_key(|plan| (rank(plan), plan.created_at))
}

fn empty(visitor: &Visitor, yard: &Yard) -> LayUpPage {
    LayUpPage {
        frame: visitor.frame("Lay-up", Room::LayUp),
        heading: format!("No lay-up plan yet, seen from {}", day(yard.today, yard.today)),
        lead: String::new(),
        picture: None,
        weeks: Vec::new(),
        unplanned: Vec::new(),
        nothing:
            "A lay-up plan puts each engine on the bench before first hire. It is made of what \
                  falls due, what was found, who works when and which parts are there: enter \
                  those first."
                .to_owned(),
    }
}

fn page(
    visitor: &Visitor,
    yard: &Yard,
    plan: &Plan,
    visits: &[Visit],
    hands: &Hands,
    bundle: impl Fn(&Visit) -> String,
) -> LayUpPage {
    let mut by_week: BTreeMap<NaiveDate, Vec<&Visit>> = BTreeMap::new();
    for visit in visits {
        if let Some(starts) = visit.starts_on {
            by_week.entry(monday(starts)).or_default().push(visit);
        }
    }
    let line = |visit: &Visit| VisitLine {
        engine: yard.link(visit.engine),
        mark: visit.locked.then(|| Mark::plain("locked")),
        sentence: sentence(yard, visit, &bundle(visit)),
    };
    let weeks = by_week.iter().take(WEEKS_MAX).map(|(monday, visits)| WeekVisits {
        name: week_name(*monday, yard.today),
        visits: visits.iter().map(|visit| line(visit)).collect(),
    });
    let unplanned: Vec<_> =
        visits.iter().filter(|visit| visit.starts_on.is_none()).map(line).collect();
    LayUpPage {
        frame: visitor.frame("Lay-up", Room::LayUp),
        heading: format!(
            "{}: {} in {}",
            plan.name,
            count(visits.len() - unplanned.len(), "engine", "engines"),
            count(by_week.len(), "week", "weeks")
        ),
        lead: lead(yard, plan, unplanned.len()),
        picture: picture(&by_week, hands),
        weeks: weeks.collect(),
        unplanned,
        nothing: "This plan has no visit yet.".to_owned(),
    }
}

fn lead(yard: &Yard, plan: &Plan, unplanned: usize) -> String {
    let stands = match (plan.status, plan.published_at) {
        (PlanStatus::Published, Some(at)) => {
            format!("Published {}.", moment(at, yard.zone, yard.today))
        }
        _ => format!("A draft of {}.", moment(plan.created_at, yard.zone, yard.today)),
    };
    match unplanned {
        0 => stands,
        n => format!(
            "{stands} {} fit in; each says why.",
            count(n, "engine does not", "engines do not")
        ),
    }
}

fn sentence(yard: &Yard, visit: &Visit, bundle: &str) -> String {
    let mut parts = Vec::new();
    match (visit.starts_on, visit.ends_on) {
        (Some(from), Some(to)) if from == to => parts.push(day(from, yard.today)),
        (Some(from), Some(to)) => {
            parts.push(format!("{} to {}", day(from, yard.today), day(to, yard.today)));
        }
        _ => {}
    }
    if !bundle.is_empty() {
        parts.push(bundle.to_owned());
    }
    parts.push(format!("{}:{:02} h", visit.bench.0 / 60, visit.bench.0 % 60));
    parts.extend(visit.reason.clone());
    parts.join(" · ")
}

fn picture(by_week: &BTreeMap<NaiveDate, Vec<&Visit>>, hands: &Hands) -> Option<Picture> {
    let (first, last) = (*by_week.keys().next()?, *by_week.keys().last()?);
    let mondays =
        std::iter::successors(Some(first), |monday| monday.checked_add_days(Days::new(7)));
    let weeks: Vec<Week> = mondays
        .take_while(|monday| *monday <= last)
        .take(WEEKS_MAX)
        .map(|monday| {
            let planned = by_week.get(&monday).into_iter().flatten();
            let minutes: u32 = planned.map(|visit| visit.bench.0).sum();
            let load = SkillLoad {
                planned_h: f64::from(minutes) / 60.0,
                there_h: hands.hours_of_week(monday),
            };
            Week { label: monday.iso_week().week().to_string(), skills: vec![load] }
        })
        .collect();
    Some(draw("load", &["bench work".to_owned()], &weeks, None))
}

/// Who works at a site, and when.
struct Hands {
    people: Vec<Person>,
    absences: Vec<Absence>,
    calendars: Vec<WorkCalendar>,
    days: Vec<CalendarDay>,
    site: SiteId,
}

impl Hands {
    /// Productive hours of all people of the site in the week from `monday`.
    fn hours_of_week(&self, monday: NaiveDate) -> f64 {
        let days = (0..7).map(|ahead| monday + Days::new(ahead));
        let people = || self.people.iter().filter(|p| !p.archived && p.site == Some(self.site));
        days.flat_map(|day| people().map(move |person| (day, person)))
            .filter(|(day, person)| !self.is_away(person, *day))
            .map(|(day, person)| {
                let minutes = person.calendar.map_or(0, |calendar| self.minutes(calendar, day).0);
                f64::from(minutes) / 60.0 * f64::from(person.productive_percent) / 100.0
            })
            .sum()
    }

    fn is_away(&self, person: &Person, day: NaiveDate) -> bool {
        let mut absences = self.absences.iter().filter(|absence| absence.person == person.id);
        absences.any(|absence| absence.from_on <= day && day <= absence.until_on)
    }

    fn minutes(&self, calendar: CalendarId, day: NaiveDate) -> Minutes {
        if let Some(differs) = self.days.iter().find(|d| d.calendar == calendar && d.on == day) {
            return differs.worked;
        }
        let Some(week) = self.calendars.iter().find(|week| week.id == calendar) else {
            return Minutes(0);
        };
        match day.weekday() {
            Weekday::Mon => week.monday,
            Weekday::Tue => week.tuesday,
            Weekday::Wed => week.wednesday,
            Weekday::Thu => week.thursday,
            Weekday::Fri => week.friday,
            Weekday::Sat => week.saturday,
            Weekday::Sun => week.sunday,
        }
    }
}

fn monday(day: NaiveDate) -> NaiveDate {
    day - Days::new(u64::from(day.weekday().num_days_from_monday()))
}

fn week_name(monday: NaiveDate, today: NaiveDate) -> String {
    format!("Week {}, from {}", monday.iso_week().week(), day(monday, today))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_week_begins_on_monday_and_carries_its_iso_number() {
        let sunday = NaiveDate::from_ymd_opt(2027, 1, 3).unwrap();
        assert_eq!(monday(sunday).to_string(), "2026-12-28");
        // ISO 8601: the week of 28 December 2026 is the 53rd, since 2026 begins on a Thursday.
        assert_eq!(week_name(monday(sunday), sunday), "Week 53, from Mon 28 Dec 2026");
    }
}
