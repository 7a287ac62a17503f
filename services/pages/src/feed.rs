//! Calendar feeds: the bench's work as a calendar reads it, behind an address that is its only key.
//!
//! A calendar can't sign in, so whoever has the address reads: the feed says engine, tasks and bay,
//! and nothing of customers or money.

use std::collections::HashMap;

use axum::extract::{Path, State};
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, ETAG, IF_NONE_MATCH, LAST_MODIFIED};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Days, NaiveDate, Utc};
use chrono_tz::Tz;
use exchange::feed::{BenchVisit, Standing, write_feed};
use fleet::bench::{Job, JobStatus, JobTask};
use fleet::boat::Boat;
use fleet::calendar::day_of;
use fleet::engine::Engine;
use fleet::id::{
    BayId, BoatId, EngineId, JobId, OrganisationId, PersonId, PlanId, SiteId, TaskId, VisitId,
};
use fleet::person::{Bay, Person};
use fleet::programme::Task;
use fleet::site::Site;
use fleet::visit::{Plan, PlanStatus, Visit};
use store::feeds::{self, Feed, FeedOf};
use store::secret::Secret;
use store::{Connection, StoreError, boats, history, jobs, record};
use uuid::Uuid;

use crate::figures::capital;
use crate::look::{digest, hex};
use crate::state::PagesState;

/// What was done stays in the calendar for this long.
const DAYS_BACK: u64 = 60;
/// Entries of one feed, the next ones first.
const ENTRIES_MAX: usize = 5_000;

/// Anything but a feed that is open looks the same: nothing is there.
pub async fn show(
    State(state): State<PagesState>,
    Path(file): Path<String>,
    headers: HeaderMap,
) -> Response {
    let Some(secret) = file.strip_suffix(".ics") else {
        return StatusCode::NOT_FOUND.into_response();
    };
    match read(&state, &Secret::given(secret)).await {
        Ok(Some(calendar)) => answer(&calendar, &headers),
        Ok(None) => StatusCode::NOT_FOUND.into_response(),
        Err(error) => {
            tracing::error!(error = &error as &dyn std::error::Error, "a feed could not be made");
            StatusCode::INTERNAL_SERVER_ERROR.into_response()
        }
    }
}

/// A feed's text, and when what it shows was last changed.
struct CalendarText {
    text: String,
    changed_at: DateTime<Utc>,
}

fn answer(calendar: &CalendarText, asked: &HeaderMap) -> Response {
    let digits = hex(digest(calendar.text.as_bytes()));
    let tag = format!("\"{}\"", String::from_utf8_lossy(&digits));
    // RFC 9110, section 5.6.7.
    let changed = calendar.changed_at.format("%a, %d %b %Y %H:%M:%S GMT").to_string();
    let known = asked.get(IF_NONE_MATCH).and_then(|value| value.to_str().ok());
    let known = known.is_some_and(|list| {
        list.split(',').any(|one| {
            let one = one.trim();
            one == "*" || one.strip_prefix("W/").unwrap_or(one) == tag
        })
    });
    let validators = [(ETAG, tag), (LAST_MODIFIED, changed)];
    // Kept by the calendar alone, and asked for again each time.
    let kept = [(CACHE_CONTROL, "private, no-cache")];
    if known {
        return (StatusCode::NOT_MODIFIED, validators, kept).into_response();
    }
    let kind = [(CONTENT_TYPE, "text/calendar; charset=utf-8")];
    (validators, kept, kind, calendar.text.clone()).into_response()
}

async fn read(state: &PagesState, secret: &Secret) -> Result<Option<CalendarText>, StoreError> {
    let connection = state.store.connection();
    let Some((organisation, feed)) = feeds::find(connection, secret).await? else {
        return Ok(None);
    };
    let sites: Vec<Site> = record::all(connection, organisation).await?;
    let Some(about) = About::of(connection, organisation, &feed, &sites).await? else {
        return Ok(None);
    };
    let since = day_of(state.now(), about.zone) - Days::new(DAYS_BACK);
    let stays = stays(connection, organisation, &about, since).await?;
    let names = Names::read(connection, organisation, &stays).await?;
    let entries: Vec<BenchVisit> = stays.iter().map(|stay| entry(stay, &names, feed.of)).collect();
    let changed_at = entries.iter().map(|entry| entry.changed_at).max();
    Ok(Some(CalendarText {
        text: write_feed(&about.name, &entries),
        changed_at: changed_at.unwrap_or(feed.created_at).max(feed.created_at),
    }))
}

/// What a feed is of.
struct About {
    name: String,
    of: FeedOf,
    site: Option<Site>,
    zone: Tz,
}

impl About {
    /// `None` where it is no longer there: nobody's calendar then.
    async fn of(
        connection: &Connection,
        organisation: OrganisationId,
        feed: &Feed,
        sites: &[Site],
    ) -> Result<Option<Self>, StoreError> {
        let (name, site) = match feed.of {
            FeedOf::Site(site) => {
                let found = sites.iter().find(|known| known.id == site);
                (found.map(|site| site.name.clone()), found.map(|site| site.id))
            }
            FeedOf::Bay(bay) => {
                let found: Option<Bay> = record::find(connection, organisation, bay).await?;
                (found.as_ref().map(|bay| bay.name.clone()), found.map(|bay| bay.site))
            }
            FeedOf::Person(person) => {
                let found: Option<Person> = record::find(connection, organisation, person).await?;
                let found = found.filter(|person| !person.archived);
                (found.as_ref().map(|p| p.name.clone()), found.and_then(|person| person.site))
            }
        };
        let site = sites.iter().find(|known| Some(known.id) == site).cloned();
        let zone = site.as_ref().or(sites.first()).and_then(|site| site.time_zone.parse().ok());
        let zone = zone.unwrap_or(Tz::UTC);
        Ok(name.map(|name| Self { name: format!("{name}: bench"), of: feed.of, site, zone }))
    }

    fn shows(&self, stay: &Stay) -> bool {
        match self.of {
            FeedOf::Site(site) => stay.site == site,
            FeedOf::Bay(bay) => stay.bay == Some(bay),
            // Also what nobody has been given yet: a mechanic's week is planned by skill, not name.
            FeedOf::Person(person) => match stay.person {
                Some(given) => given == person,
                None => self.site.as_ref().is_none_or(|site| site.id == stay.site),
            },
        }
    }
}

/// A job that stands on a day, or a visit of a plan that holds and is no job yet.
struct Stay {
    /// Of the job, which outlasts a plan's versions; else of the visit.
    id: Uuid,
    changes: i64,
    job: Option<Job>,
    engine: EngineId,
    site: SiteId,
    bay: Option<BayId>,
    person: Option<PersonId>,
    first_day: NaiveDate,
    last_day: NaiveDate,
    changed_at: DateTime<Utc>,
    tasks: Vec<TaskId>,
    minutes: u32,
}

impl Stay {
    /// `visit`: the one that planned the job.
    fn of_job(job: Job, visit: Option<&Visit>) -> Option<Self> {
        let first_day = job.planned_on?;
        Some(Self {
            id: job.id.0,
            changes: job.version - 1,
            engine: job.engine,
            site: job.site,
            bay: job.bay.or(visit.and_then(|visit| visit.bay)),
            person: job.person.or(visit.and_then(|visit| visit.person)),
            first_day,
            last_day: first_day + Days::new(visit.map_or(0, days_more)),
            changed_at: job.created_at,
            tasks: Vec::new(),
            minutes: 0,
            job: Some(job),
        })
    }

    fn of_visit(visit: &Visit, plan: &Plan) -> Option<Self> {
        Some(Self {
            id: visit.id.0,
            changes: visit.version - 1,
            job: None,
            engine: visit.engine,
            site: plan.site,
            bay: visit.bay,
            person: visit.person,
            first_day: visit.starts_on?,
            last_day: visit.ends_on?,
            changed_at: plan.published_at.unwrap_or(plan.created_at),
            tasks: Vec::new(),
            minutes: visit.bench.0,
        })
    }
}

/// Days of a stay beyond the first.
fn days_more(visit: &Visit) -> u64 {
    let days = visit.starts_on.zip(visit.ends_on).map(|(from, to)| (to - from).num_days());
    days.and_then(|days| u64::try_from(days).ok()).unwrap_or(0)
}

/// What the bench does from `since` on, as far as the feed shows it.
async fn stays(
    connection: &Connection,
    organisation: OrganisationId,
    about: &About,
    since: NaiveDate,
) -> Result<Vec<Stay>, StoreError> {
    let plans: Vec<Plan> = record::all(connection, organisation).await?;
    let holds: HashMap<PlanId, Plan> = plans
        .into_iter()
        .filter(|plan| plan.status == PlanStatus::Published)
        .map(|plan| (plan.id, plan))
        .collect();
    let ids: Vec<PlanId> = holds.keys().copied().collect();
    let visits = feeds::visits_from(connection, organisation, &ids, since).await?;
    let by_job: HashMap<JobId, &Visit> =
        visits.iter().filter_map(|visit| Some((visit.job?, visit))).collect();
    let planned = feeds::jobs_from(connection, organisation, since).await?;
    let jobs = planned.into_iter().filter_map(|job| {
        let visit = by_job.get(&job.id).copied();
        Stay::of_job(job, visit)
    });
    let no_job = visits.iter().filter(|visit| visit.job.is_none());
    let no_job = no_job.filter_map(|visit| Stay::of_visit(visit, holds.get(&visit.plan)?));
    let mut stays: Vec<Stay> = jobs.chain(no_job).filter(|stay| about.shows(stay)).collect();
    stays.sort_by_key(|stay| (stay.first_day, stay.id));
    stays.truncate(ENTRIES_MAX);
    fill_in(connection, organisation, &mut stays).await?;
    Ok(stays)
}

/// Tasks, minutes and last changes.
async fn fill_in(
    connection: &Connection,
    organisation: OrganisationId,
    stays: &mut [Stay],
) -> Result<(), StoreError> {
    let of_jobs: Vec<Uuid> =
        stays.iter().filter_map(|stay| stay.job.as_ref().map(|job| job.id.0)).collect();
    let of_visits: Vec<VisitId> =
        stays.iter().filter(|stay| stay.job.is_none()).map(|stay| VisitId(stay.id)).collect();
    let changed = history::last_changes(connection, organisation, "job", &of_jobs).await?;
    let ids: Vec<JobId> = of_jobs.into_iter().map(JobId).collect();
    let mut tasks: Vec<JobTask> = jobs::tasks(connection, organisation, &ids).await?;
    tasks.sort_by_key(|task| task.sequence);
    let visit_tasks = feeds::visit_tasks(connection, organisation, &of_visits).await?;
    let places: HashMap<Uuid, usize> =
        stays.iter().enumerate().map(|(at, stay)| (stay.id, at)).collect();
    for task in tasks {
        if let Some(at) = places.get(&task.job.0) {
            stays[*at].tasks.push(task.task);
            stays[*at].minutes += task.planned.0;
        }
    }
    for task in visit_tasks {
        if let Some(at) = places.get(&task.visit.0) {
            stays[*at].tasks.push(task.task);
        }
    }
    for stay in stays {
        stay.changed_at = changed.get(&stay.id).copied().unwrap_or(stay.changed_at);
    }
    Ok(())
}

/// What things are called.
struct Names {
    engines: HashMap<EngineId, String>,
    tasks: HashMap<TaskId, String>,
    bays: HashMap<BayId, String>,
}

impl Names {
    async fn read(
        connection: &Connection,
        organisation: OrganisationId,
        stays: &[Stay],
    ) -> Result<Self, StoreError> {
        let engines: Vec<EngineId> = stays.iter().map(|stay| stay.engine).collect();
        let engines: Vec<Engine> = record::by_ids(connection, organisation, &engines).await?;
        let hulls: Vec<Boat> = record::all(connection, organisation).await?;
        let hulls: HashMap<BoatId, String> = hulls.into_iter().map(|b| (b.id, b.name)).collect();
        let fittings = boats::open_fittings(connection, organisation).await?;
        let sits: HashMap<EngineId, &String> = fittings
            .iter()
            .filter_map(|fitting| Some((fitting.engine, hulls.get(&fitting.boat)?)))
            .collect();
        let named = |engine: Engine| match sits.get(&engine.id) {
            Some(boat) => (engine.id, format!("{boat} ({})", engine.serial)),
            None => (engine.id, engine.serial),
        };
        let tasks: Vec<Task> = record::all(connection, organisation).await?;
        let bays: Vec<Bay> = record::all(connection, organisation).await?;
        Ok(Self {
            engines: engines.into_iter().map(named).collect(),
            tasks: tasks.into_iter().map(|task| (task.id, task.name)).collect(),
            bays: bays.into_iter().map(|bay| (bay.id, bay.name)).collect(),
        })
    }
}

fn entry(stay: &Stay, names: &Names, of: FeedOf) -> BenchVisit {
    BenchVisit {
        visit: stay.id,
        changes: u32::try_from(stay.changes).unwrap_or(0),
        changed_at: stay.changed_at,
        first_day: stay.first_day,
        last_day: stay.last_day,
        summary: summary(stay, names, of),
        description: description(stay, names),
        place: stay.bay.and_then(|bay| names.bays.get(&bay).cloned()),
        standing: stay.job.as_ref().map_or(Standing::Confirmed, |job| standing(job.status)),
    }
}

fn summary(stay: &Stay, names: &Names, of: FeedOf) -> String {
    let engine = names.engines.get(&stay.engine).map_or("", String::as_str);
    let tasks: Vec<&String> = stay.tasks.iter().filter_map(|task| names.tasks.get(task)).collect();
    let work = match (&tasks[..], &stay.job) {
        ([], Some(job)) => job.note.clone().unwrap_or_else(|| format!("job {}", job.number)),
        ([], None) => "bench".to_owned(),
        ([one], _) => (*one).clone(),
        ([first, rest @ ..], _) => format!("{first} and {} more", rest.len()),
    };
    let nobodys = matches!(of, FeedOf::Person(_)) && stay.person.is_none();
    format!("{engine}: {work}{}", if nobodys { " (nobody's yet)" } else { "" })
}

fn description(stay: &Stay, names: &Names) -> String {
    let stands = match &stay.job {
        Some(job) => format!("Job {}, {}", job.number, words(job.status)),
        None => "Planned".to_owned(),
    };
    let mut lines = vec![stands];
    lines.extend(stay.tasks.iter().filter_map(|task| names.tasks.get(task).cloned()));
    if stay.minutes > 0 {
        lines.push(format!("About {}:{:02} h", stay.minutes / 60, stay.minutes % 60));
    }
    lines.extend(stay.job.as_ref().and_then(|job| job.reason.clone()));
    lines.extend(stay.job.as_ref().and_then(|job| job.note.clone()));
    lines.iter().map(|line| capital(line)).collect::<Vec<_>>().join("\n")
}

const fn words(status: JobStatus) -> &'static str {
    match status {
        JobStatus::Proposed => "proposed: somebody must agree",
        JobStatus::Agreed => "agreed",
        JobStatus::Kitted => "kitted",
        JobStatus::Short => "short of a part",
        JobStatus::OnBench => "on the bench",
        JobStatus::OnTest => "on test",
        JobStatus::Released => "done, back in service",
        JobStatus::StoodOver => "left to a later date",
        JobStatus::Dropped => "dropped",
    }
}

const fn standing(status: JobStatus) -> Standing {
    match status {
        JobStatus::Proposed => Standing::Tentative,
        JobStatus::StoodOver | JobStatus::Dropped => Standing::Cancelled,
        _ => Standing::Confirmed,
    }
}
