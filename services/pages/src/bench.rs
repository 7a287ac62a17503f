//! Bench: the jobs that are open, by where they stand.

use std::collections::HashMap;

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use fleet::bench::{Job, JobStatus, JobTask};
use fleet::finding::Finding;
use fleet::id::{FindingId, JobId, TaskId};
use fleet::programme::Task;
use serde::Deserialize;
use store::{PageOf, jobs, record};

use crate::failure::{Failure, shown};
use crate::figures::{count, day};
use crate::form::Mark;
use crate::frame::{Frame, Link, Room};
use crate::state::PagesState;
use crate::visitor::Visitor;
use crate::yard_records::Yard;

#[derive(Template)]
#[template(path = "bench.html")]
pub struct BenchPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub groups: Vec<JobGroup>,
    pub more: Option<Link>,
}

/// Jobs that stand at the same point.
#[derive(Clone, Debug)]
pub struct JobGroup {
    pub name: String,
    pub says: String,
    pub jobs: Vec<JobLine>,
}

#[derive(Clone, Debug)]
pub struct JobLine {
    pub number: String,
    pub engine: Link,
    pub mark: Option<Mark>,
    pub sentence: String,
    pub tasks: String,
}

const JOBS_MAX: u64 = 200;

/// What a hand at the bench looks for first.
const OPEN: [JobStatus; 7] = [
    JobStatus::OnBench,
    JobStatus::OnTest,
    JobStatus::Kitted,
    JobStatus::Short,
    JobStatus::Agreed,
    JobStatus::Proposed,
    JobStatus::StoodOver,
];

const fn words(status: JobStatus) -> (&'static str, &'static str) {
    match status {
        JobStatus::Proposed => ("Proposed", "Somebody must agree; until then no part is reserved."),
        JobStatus::Agreed => ("Agreed", "Parts are reserved."),
        JobStatus::Kitted => ("Kitted", "All parts are there: these can start."),
        JobStatus::Short => ("Short of parts", "These wait for a part."),
        JobStatus::OnBench => ("On the bench", "Being worked on."),
        JobStatus::OnTest => ("On test", "Released when the test is passed."),
        JobStatus::Released => ("Released", "Back in service."),
        JobStatus::StoodOver => ("Stood over", "Left to a later date, with its reason."),
        JobStatus::Dropped => ("Dropped", "Won't be done."),
    }
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Wanted {
    after: String,
}

pub async fn show(
    State(state): State<PagesState>,
    visitor: Visitor,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Failure> {
    let (connection, organisation) = (state.store.connection(), visitor.organisation);
    let yard = Yard::read(&state, &visitor).await?;
    let of = PageOf::new(wanted.after.parse().ok(), JOBS_MAX);
    let page = jobs::page(connection, organisation, &OPEN, of).await?;
    let ids: Vec<JobId> = page.rows.iter().map(|job| job.id).collect();
    let tasks = jobs::tasks(connection, organisation, &ids).await?;
    let found: Vec<FindingId> = page.rows.iter().filter_map(|job| job.finding).collect();
    let findings: Vec<Finding> = record::by_ids(connection, organisation, &found).await?;
    let names: Vec<Task> = record::all(connection, organisation).await?;
    let about = About {
        yard,
        names: names.into_iter().map(|task| (task.id, task.name)).collect(),
        tasks,
        findings: findings.into_iter().map(|f| (f.id, f.title)).collect(),
    };
    let groups = OPEN.into_iter().filter_map(|status| about.group(status, &page.rows)).collect();
    let page = BenchPage {
        frame: visitor.frame("Bench", Room::Bench),
        heading: match page.next {
            Some(_) => format!("The first {} open jobs", page.rows.len()),
            None => count(page.rows.len(), "open job", "open jobs"),
        },
        lead: format!("Seen from {}.", day(about.yard.today, about.yard.today)),
        groups,
        more: page.next.map(|next| Link::new("More jobs", format!("/bench?after={next}"))),
    };
    shown(&page)
}

struct About {
    yard: Yard,
    names: HashMap<TaskId, String>,
    tasks: Vec<JobTask>,
    findings: HashMap<FindingId, String>,
}

impl About {
    fn group(&self, status: JobStatus, jobs: &[Job]) -> Option<JobGroup> {
        let jobs: Vec<_> = jobs.iter().filter(|job| job.status == status).collect();
        let (name, says) = words(status);
        (!jobs.is_empty()).then(|| JobGroup {
            name: name.to_owned(),
            says: says.to_owned(),
            jobs: jobs.into_iter().map(|job| self.line(job)).collect(),
        })
    }

    fn line(&self, job: &Job) -> JobLine {
        let today = self.yard.today;
        let mut parts = Vec::new();
        parts.extend(job.finding.and_then(|id| self.findings.get(&id)).cloned());
        parts.extend(job.planned_on.map(|on| format!("planned for {}", day(on, today))));
        parts.extend(job.stood_over_until.map(|on| format!("until {}", day(on, today))));
        parts.extend(job.reason.clone());
        parts.extend(job.note.clone());
        let late = job.planned_on.is_some_and(|on| on < today);
        JobLine {
            number: job.number.to_string(),
            engine: self.yard.link(job.engine),
            mark: late.then(|| Mark::soon("late")),
            sentence: parts.join(" · "),
            tasks: self.tasks_of(job.id),
        }
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
