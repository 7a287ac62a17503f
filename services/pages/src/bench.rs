//! Bench: the day's jobs by person, what waits for parts, what somebody must agree to.

use std::collections::{BTreeMap, HashMap};

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use chrono::NaiveDate;
use fleet::bench::{Job, JobStatus, JobTask};
use fleet::finding::Finding;
use fleet::id::{BayId, FindingId, JobId, PartId, PersonId, SiteId, TaskId};
use fleet::job::Shortage;
use fleet::part::{Part, Unit};
use fleet::person::{Bay, Person};
use fleet::programme::Task;
use serde::Deserialize;
use store::jobs::{self, JobFilter};
use store::{PageOf, record};

use crate::failure::{Failure, shown};
use crate::figures::{count, day, day_long, expected};
use crate::form::{Choice, Mark};
use crate::frame::{Frame, Link, Room};
use crate::part::amount;
use crate::state::PagesState;
use crate::visitor::Visitor;
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "bench.html")]
pub struct BenchPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub sites: Vec<Choice>,
    pub on: String,
    pub groups: Vec<JobGroup>,
    pub nothing: String,
    pub more: Option<Link>,
}

/// Jobs of one person, or that stand at the same point.
#[derive(Clone, Debug)]
pub struct JobGroup {
    pub name: String,
    pub says: String,
    pub jobs: Vec<JobLine>,
}

#[derive(Clone, Debug)]
pub struct JobLine {
    /// `Job 12`, to its card.
    pub card: Link,
    pub engine: Link,
    pub status: &'static str,
    pub state: Mark,
    pub late: Option<Mark>,
    pub sentence: String,
    pub tasks: String,
}

const JOBS_MAX: u64 = 500;

/// What is not over yet.
const OPEN: [JobStatus; 7] = [
    JobStatus::OnBench,
    JobStatus::OnTest,
    JobStatus::Kitted,
    JobStatus::Short,
    JobStatus::Agreed,
    JobStatus::Proposed,
    JobStatus::StoodOver,
];

/// A state as the bench says it.
pub const fn state_words(status: JobStatus) -> &'static str {
    match status {
        JobStatus::Proposed => "proposed",
        JobStatus::Agreed => "agreed",
        JobStatus::Kitted => "kitted",
        JobStatus::Short => "short",
        JobStatus::OnBench => "on the bench",
        JobStatus::OnTest => "on test",
        JobStatus::Released => "released",
        JobStatus::StoodOver => "stood over",
        JobStatus::Dropped => "dropped",
    }
}

/// The mark of a state: what waits for a part asks for a person.
pub fn state_mark(status: JobStatus) -> Mark {
    match status {
        JobStatus::Short => Mark::soon(state_words(status)),
        _ => Mark::plain(state_words(status)),
    }
}

pub fn job_path(job: JobId) -> String {
    format!("/bench/jobs/{job}")
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    site: String,
    on: String,
    after: String,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    let site = yard.sites.iter().find(|site| site.id.to_string() == wanted.site);
    let site: Option<SiteId> = site.map(|site| site.id);
    let on = wanted.on.parse().unwrap_or(yard.today);
    let of = PageOf::new(wanted.after.parse().ok(), JOBS_MAX);
    let filter = JobFilter { states: OPEN.to_vec(), site, ..JobFilter::default() };
    let page = jobs::page(connection, organisation, &filter, of).await?;
    let about = About::read(&state, &visitor, yard, page.rows).await?;
    let day_jobs = about.of_day(on);
    let shown_site = site.map(|site| site.to_string()).unwrap_or_default();
    let page = BenchPage {
        frame: visitor.frame("Bench", Room::Bench),
        heading: match day_jobs {
            0 => format!("No job on the bench, {}", day_long(on, about.yard.today)),
            n => format!("{}, {}", count(n, "job", "jobs"), day_long(on, about.yard.today)),
        },
        lead: about.lead(on),
        sites: about.yard.site_choices(&shown_site),
        on: on.to_string(),
        groups: about.groups(on),
        nothing: "No job is open. A finding proposes one, and so does a published plan.".to_owned(),
        more: page.next.map(|next| {
            let to = format!("/bench?after={next}&site={shown_site}&on={on}");
            Link::new("More jobs", to)
        }),
    };
    shown(&page)
}

struct About {
    yard: Yard,
    jobs: Vec<Job>,
    names: HashMap<TaskId, String>,
    tasks: Vec<JobTask>,
    findings: HashMap<FindingId, String>,
    people: HashMap<PersonId, String>,
    bays: HashMap<BayId, String>,
    parts: HashMap<PartId, Part>,
    shortages: BTreeMap<JobId, Vec<Shortage>>,
}

impl About {
    async fn read(
        state: &PagesState,
        visitor: &Visitor,
        yard: Yard,
        jobs: Vec<Job>,
    ) -> Result<Self, Failure> {
        let (connection, organisation) = (state.store.connection(), visitor.organisation);
        let ids: Vec<JobId> = jobs.iter().map(|job| job.id).collect();
        let found: Vec<FindingId> = jobs.iter().filter_map(|job| job.finding).collect();
        let findings: Vec<Finding> = record::by_ids(connection, organisation, &found).await?;
        let names: Vec<Task> = record::all(connection, organisation).await?;
        let people: Vec<Person> = record::all(connection, organisation).await?;
        let bays: Vec<Bay> = record::all(connection, organisation).await?;
        let short: Vec<Job> =
            jobs.iter().filter(|job| job.status == JobStatus::Short).cloned().collect();
        let shortages = jobs::shortages(connection, organisation, &short).await?;
        let missing: Vec<PartId> = shortages.values().flatten().map(|one| one.part).collect();
        let parts: Vec<Part> = record::by_ids(connection, organisation, &missing).await?;
        Ok(Self {
            tasks: jobs::tasks(connection, organisation, &ids).await?,
            names: names.into_iter().map(|task| (task.id, task.name)).collect(),
            findings: findings.into_iter().map(|f| (f.id, f.title)).collect(),
            people: people.into_iter().map(|person| (person.id, person.name)).collect(),
            bays: bays.into_iter().map(|bay| (bay.id, bay.name)).collect(),
            parts: parts.into_iter().map(|part| (part.id, part)).collect(),
            shortages,
            yard,
            jobs,
        })
    }

    /// Whether it belongs to what is worked on that day: at work already, or planned for then or
    /// before.
    fn belongs(&self, job: &Job, on: NaiveDate) -> bool {
        match job.status {
            JobStatus::OnBench | JobStatus::OnTest => true,
            JobStatus::Kitted | JobStatus::Agreed => job.planned_on.is_none_or(|day| day <= on),
            _ => false,
        }
    }

    fn of_day(&self, on: NaiveDate) -> usize {
        self.jobs.iter().filter(|job| self.belongs(job, on)).count()
    }

    fn lead(&self, on: NaiveDate) -> String {
        let number = |status| self.jobs.iter().filter(|job| job.status == status).count();
        let mut says = Vec::new();
        let (short, proposed) = (number(JobStatus::Short), number(JobStatus::Proposed));
        if short > 0 {
            says.push(format!("{} for parts", count(short, "waits", "wait")));
        }
        if proposed > 0 {
            says.push(format!("{} to be agreed", count(proposed, "is", "are")));
        }
        let seen = format!("Seen from {}", day(self.yard.today, self.yard.today));
        if says.is_empty() || on < self.yard.today {
            return format!("{seen}.");
        }
        format!("{seen}: {}.", says.join(", "))
    }

    fn groups(&self, on: NaiveDate) -> Vec<JobGroup> {
        let mut groups = self.by_person(on);
        let later = |job: &&Job| {
            matches!(job.status, JobStatus::Kitted | JobStatus::Agreed) && !self.belongs(job, on)
        };
        let state = |status: JobStatus| move |job: &&Job| job.status == status;
        let rest = [
            self.group("Waits for parts", "", &state(JobStatus::Short)),
            self.group(
                "To be agreed",
                "Nothing is kept back for these before a manager agrees.",
                &state(JobStatus::Proposed),
            ),
            self.group("Later", "", &later),
            self.group("Stood over", "", &state(JobStatus::StoodOver)),
        ];
        groups.extend(rest.into_iter().flatten());
        groups
    }

    /// The day's jobs, one group a person, nobody's last.
    fn by_person(&self, on: NaiveDate) -> Vec<JobGroup> {
        let mut by_person: BTreeMap<(bool, String), Vec<&Job>> = BTreeMap::new();
        for job in self.jobs.iter().filter(|job| self.belongs(job, on)) {
            let name = job.person.and_then(|id| self.people.get(&id)).cloned();
            let key = (name.is_none(), name.unwrap_or_else(|| "Whoever is free".to_owned()));
            by_person.entry(key).or_default().push(job);
        }
        let group = |((_, name), jobs): ((bool, String), Vec<&Job>)| {
            let of_job = |task: &&JobTask| jobs.iter().any(|job| job.id == task.job);
            let minutes: u32 = self.tasks.iter().filter(of_job).map(|task| task.planned.0).sum();
            let says = format!("{}, about {minutes} min.", count(jobs.len(), "job", "jobs"));
            JobGroup { name, says, jobs: self.lines(jobs) }
        };
        by_person.into_iter().map(group).collect()
    }

    fn group(&self, name: &str, says: &str, belongs: &dyn Fn(&&Job) -> bool) -> Option<JobGroup> {
        let jobs: Vec<&Job> = self.jobs.iter().filter(|job| belongs(job)).collect();
        (!jobs.is_empty()).then(|| JobGroup {
            name: name.to_owned(),
            says: says.to_owned(),
            jobs: self.lines(jobs),
        })
    }

    /// At work first, then by planned day and number.
    fn lines(&self, mut jobs: Vec<&Job>) -> Vec<JobLine> {
        jobs.sort_by_key(|job| {
            let place = OPEN.iter().position(|status| *status == job.status);
            (place, job.planned_on.unwrap_or(NaiveDate::MAX), job.number)
        });
        jobs.into_iter().map(|job| self.line(job)).collect()
    }

    fn line(&self, job: &Job) -> JobLine {
        let today = self.yard.today;
        let mut says = Vec::new();
        says.extend(job.finding.and_then(|id| self.findings.get(&id)).cloned());
        says.extend(job.bay.and_then(|id| self.bays.get(&id)).cloned());
        says.extend(job.planned_on.map(|on| format!("planned for {}", day(on, today))));
        says.extend(job.stood_over_until.map(|on| format!("until {}", day(on, today))));
        says.extend(self.shortages.get(&job.id).map(|of| self.missing(of)));
        says.extend(job.reason.clone());
        says.extend(job.note.clone());
        let open = !matches!(job.status, JobStatus::OnBench | JobStatus::OnTest);
        let late = open && job.planned_on.is_some_and(|on| on < today);
        JobLine {
            card: Link::new(format!("Job {}", job.number), job_path(job.id)),
            engine: self.yard.link(job.engine),
            status: job.status.as_str(),
            state: state_mark(job.status),
            late: late.then(|| Mark::soon("late")),
            sentence: says.join(" · "),
            tasks: self.tasks_of(job.id),
        }
    }

    fn missing(&self, of: &[Shortage]) -> String {
        let one = |short: &Shortage| {
            let part = self.parts.get(&short.part);
            let number = part.map_or("", |part| part.number.as_str());
            let unit = part.map_or(Unit::Each, |part| part.unit);
            let until = expected(short.until, self.yard.today);
            format!("{} of {number} missing, {until}", amount(unit, i64::from(short.missing)))
        };
        of.iter().map(one).collect::<Vec<_>>().join("; ")
    }

    fn tasks_of(&self, job: JobId) -> String {
        let mut tasks: Vec<&JobTask> = self.tasks.iter().filter(|task| task.job == job).collect();
        tasks.sort_by_key(|task| task.sequence);
        let minutes: u32 = tasks.iter().map(|task| task.planned.0).sum();
        let names: Vec<&str> = tasks
            .iter()
            .filter_map(|task| self.names.get(&task.task).map(String::as_str))
            .collect();
        match names.len() {
            0 => String::new(),
            _ => format!("{}: about {minutes} min", names.join(", ")),
        }
    }
}
