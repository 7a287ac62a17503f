//! What is known of jobs, work and parts when a plan is published.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use chrono::NaiveDate;
use fleet::Minutes;
use fleet::bench::{Job, JobPart, JobStatus, JobTask};
use fleet::engine::Engine;
use fleet::finding::{Finding, FindingStatus};
use fleet::id::{
    EngineId, FindingId, JobId, ModelId, OrganisationId, PartId, PlanId, TaskId, VisitId,
};
use fleet::programme::{FindingKind, TaskPart};
use fleet::visit::{Plan, PlanStatus, Visit};
use sea_orm::{ColumnTrait as _, Condition, QueryFilter as _};

use super::{VisitWork, needed, of_model};
use crate::Transaction;
use crate::entity::{jobs, plans, task_parts, visits as visit_rows};
use crate::error::StoreError;
use crate::{findings, record, stock};

/// Read in a handful of statements, whatever the size of the plan.
pub(super) struct Known {
    /// By number; what is neither released nor dropped.
    open: Vec<Job>,
    of_this_plan: HashSet<JobId>,
    /// Tasks that these jobs have from a plan, not from a person.
    planned: HashSet<(JobId, TaskId)>,
    tasks: HashMap<JobId, Vec<JobTask>>,
    parts: HashMap<JobId, Vec<JobPart>>,
    issued: BTreeMap<(JobId, PartId), i64>,
    /// What was done at the bench since the plan was made, and by which job.
    done_since: HashMap<EngineId, Vec<(TaskId, JobId)>>,
    models: HashMap<EngineId, ModelId>,
    task_parts: HashMap<TaskId, Vec<TaskPart>>,
    findings: Vec<(Finding, TaskId)>,
}

impl Known {
    pub(super) async fn read(
        transaction: &Transaction,
        organisation: OrganisationId,
        plan: &Plan,
        visits: &[VisitWork],
    ) -> Result<Self, StoreError> {
        let closed = [JobStatus::Released, JobStatus::Dropped].map(JobStatus::as_str);
        let of_jobs = |condition: Condition| record::of::<Job>(organisation).filter(condition);
        let is_open = Condition::all().add(jobs::Column::Status.is_not_in(closed));
        let mut open: Vec<Job> = record::select(transaction, of_jobs(is_open)).await?;
        open.sort_by_key(|job| job.number);
        let since = Condition::all()
            .add(jobs::Column::Status.eq(JobStatus::Released.as_str()))
            .add(jobs::Column::ReleasedAt.gt(plan.created_at));
        let released: Vec<Job> = record::select(transaction, of_jobs(since)).await?;
        let ids: Vec<JobId> = open.iter().chain(&released).map(|job| job.id).collect();
        let mut tasks: HashMap<JobId, Vec<JobTask>> = HashMap::new();
        for task in crate::jobs::tasks(transaction, organisation, &ids).await? {
            tasks.entry(task.job).or_default().push(task);
        }
        let mut done_since: HashMap<EngineId, Vec<(TaskId, JobId)>> = HashMap::new();
        for job in &released {
            let done = tasks.remove(&job.id).unwrap_or_default();
            let done = done.into_iter().map(|task| (task.task, job.id));
            done_since.entry(job.engine).or_default().extend(done);
        }
        let ids: Vec<JobId> = open.iter().map(|job| job.id).collect();
        let mut parts: HashMap<JobId, Vec<JobPart>> = HashMap::new();
        for part in crate::jobs::parts(transaction, organisation, &ids).await? {
            parts.entry(part.job).or_default().push(part);
        }
        let engines: BTreeSet<EngineId> = visits.iter().map(|it| it.visit.engine).collect();
        let engines: Vec<EngineId> =
            engines.into_iter().chain(open.iter().map(|job| job.engine)).collect();
        let models = record::by_ids::<Engine>(transaction, organisation, &engines).await?;
        let wanted: BTreeSet<TaskId> = visits
            .iter()
            .flat_map(|it| it.tasks.iter().map(|task| task.0))
            .chain(tasks.values().flatten().map(|task| task.task))
            .collect();
        let keys: Vec<_> = wanted.iter().map(|id| id.0).collect();
        let column = task_parts::Column::TaskId;
        let mut of_tasks: HashMap<TaskId, Vec<TaskPart>> = HashMap::new();
        for row in record::by_column::<TaskPart>(transaction, organisation, column, &keys).await? {
            of_tasks.entry(row.task).or_default().push(row);
        }
        let before = visits_before(transaction, organisation, plan, &ids).await?;
        let job_of: HashMap<VisitId, JobId> =
            before.iter().filter_map(|visit| Some((visit.id, visit.job?))).collect();
        let keys: Vec<VisitId> = job_of.keys().copied().collect();
        let planned = crate::plans::tasks(transaction, organisation, &keys).await?;
        Ok(Self {
            of_this_plan: job_of.values().copied().collect(),
            planned: planned.iter().map(|task| (job_of[&task.visit], task.task)).collect(),
            issued: stock::issued_to(transaction, organisation, &ids).await?,
            findings: open_findings(transaction, organisation, &engines).await?,
            models: models.into_iter().map(|engine| (engine.id, engine.model)).collect(),
            task_parts: of_tasks,
            open,
            tasks,
            parts,
            done_since,
        })
    }

    pub(super) fn open_jobs(&self) -> Vec<JobId> {
        self.open.iter().map(|job| job.id).collect()
    }

    /// Every part that any of these jobs and tasks may ask for.
    pub(super) fn parts(&self) -> Vec<PartId> {
        let of_jobs = self.parts.values().flatten().map(|row| row.part);
        let of_tasks = self.task_parts.values().flatten().map(|row| row.part);
        let parts: BTreeSet<PartId> = of_jobs.chain(of_tasks).collect();
        parts.into_iter().collect()
    }

    pub(super) fn was_planned(&self, task: &JobTask) -> bool {
        self.planned.contains(&(task.job, task.task))
    }

    fn is_of_this_plan(&self, job: JobId) -> bool {
        self.of_this_plan.contains(&job)
    }

    pub(super) fn all_of_this_plan(&self) -> impl Iterator<Item = &Job> {
        self.open.iter().filter(|job| self.is_of_this_plan(job.id))
    }

    pub(super) fn of_this_plan(&self, engine: EngineId) -> impl Iterator<Item = &Job> {
        self.all_of_this_plan().filter(move |job| job.engine == engine)
    }

    /// Proposed by a person or for a finding, with some of the same work.
    pub(super) fn proposed<'a>(
        &'a self,
        engine: EngineId,
        tasks: &'a BTreeSet<TaskId>,
    ) -> impl Iterator<Item = &'a Job> {
        let proposed = self.open.iter().filter(move |job| {
            job.engine == engine
                && job.status == JobStatus::Proposed
                && !self.is_of_this_plan(job.id)
        });
        proposed.filter(|job| self.tasks_of(job.id).iter().any(|it| tasks.contains(&it.task)))
    }

    /// Tasks of an engine that are not this plan's to give a day: others' jobs hold them, or they
    /// were done since the plan was made.
    pub(super) fn held_elsewhere(&self, engine: EngineId) -> HashSet<TaskId> {
        let others = self.open.iter().filter(|job| {
            job.engine == engine
                && job.status != JobStatus::Proposed
                && !self.is_of_this_plan(job.id)
        });
        let of_others = others.flat_map(|job| self.tasks_of(job.id)).map(|task| task.task);
        let done = self.done_since.get(&engine).into_iter().flatten().map(|it| it.0);
        of_others.chain(done).collect()
    }

    /// The job that did some of `tasks` since the plan was made.
    pub(super) fn did(&self, engine: EngineId, tasks: &[(TaskId, Minutes)]) -> Option<JobId> {
        let done = self.done_since.get(&engine)?;
        done.iter().find(|(task, _)| tasks.iter().any(|it| it.0 == *task)).map(|(_, job)| *job)
    }

    pub(super) fn tasks_of(&self, job: JobId) -> &[JobTask] {
        self.tasks.get(&job).map_or(&[], Vec::as_slice)
    }

    pub(super) fn job_parts(&self, job: JobId) -> impl Iterator<Item = &JobPart> {
        self.parts.get(&job).into_iter().flatten()
    }

    pub(super) fn issued(&self, job: JobId, part: PartId) -> i64 {
        self.issued.get(&(job, part)).copied().unwrap_or(0)
    }

    pub(super) fn has_begun(&self, job: &Job) -> bool {
        matches!(job.status, JobStatus::OnBench | JobStatus::OnTest)
            || self.tasks_of(job.id).iter().any(|task| task.outcome.is_some())
            || self
                .job_parts(job.id)
                .any(|row| row.used.is_some() || self.issued(job.id, row.part) > 0)
    }

    /// Whether a job is left alone: work has begun, or a person left it to a day after the visit's.
    pub(super) fn is_left(&self, job: &Job, visit_on: Option<NaiveDate>) -> bool {
        let waits = job.status == JobStatus::StoodOver
            && job.stood_over_until.zip(visit_on).is_some_and(|(until, on)| until > on);
        waits || self.has_begun(job)
    }

    /// Whether a job had this day, bay and person before.
    pub(super) fn stands_as(&self, job: &Job) -> bool {
        let place = |job: &Job| (job.planned_on, job.bay, job.person);
        let before = self.open.iter().find(|before| before.id == job.id);
        before.is_some_and(|before| place(before) == place(job) && self.is_of_this_plan(job.id))
    }

    /// What tasks take on an engine, by part.
    pub(super) fn parts_of(
        &self,
        engine: EngineId,
        tasks: impl Iterator<Item = TaskId>,
    ) -> BTreeMap<PartId, i64> {
        let Some(model) = self.models.get(&engine) else { return BTreeMap::new() };
        let rows = tasks.flat_map(|task| {
            let rows = self.task_parts.get(&task).map_or(&[][..], Vec::as_slice);
            of_model(rows, *model)
        });
        needed(rows)
    }

    /// The first open finding of an engine that one of these tasks is proposed for and that no job
    /// has taken up.
    pub(super) fn finding_of(
        &self,
        engine: EngineId,
        tasks: &[(TaskId, Minutes)],
        taken: &BTreeSet<FindingId>,
    ) -> Option<FindingId> {
        let found = self.findings.iter().find(|(finding, task)| {
            finding.engine == engine
                && tasks.iter().any(|it| it.0 == *task)
                && !taken.contains(&finding.id)
                && !self.open.iter().any(|job| job.finding == Some(finding.id))
        });
        found.map(|(finding, _)| finding.id)
    }
}

/// Visits of plans of the same site and kind that have one of `open` as their job.
async fn visits_before(
    transaction: &Transaction,
    organisation: OrganisationId,
    plan: &Plan,
    open: &[JobId],
) -> Result<Vec<Visit>, StoreError> {
    let like = record::of::<Plan>(organisation)
        .filter(plans::Column::SiteId.eq(plan.site.0))
        .filter(plans::Column::Kind.eq(plan.kind.as_str()))
        .filter(plans::Column::Status.ne(PlanStatus::Draft.as_str()));
    let like: HashSet<PlanId> =
        record::select::<Plan>(transaction, like).await?.iter().map(|plan| plan.id).collect();
    let keys: Vec<_> = open.iter().map(|job| job.0).collect();
    let column = visit_rows::Column::JobId;
    let visits: Vec<Visit> = record::by_column(transaction, organisation, column, &keys).await?;
    Ok(visits.into_iter().filter(|it| like.contains(&it.plan)).collect())
}

/// Open findings of engines with the task that is proposed for each.
async fn open_findings(
    transaction: &Transaction,
    organisation: OrganisationId,
    engines: &[EngineId],
) -> Result<Vec<(Finding, TaskId)>, StoreError> {
    let kinds: Vec<FindingKind> = record::all(transaction, organisation).await?;
    let task_of = |finding: &Finding| {
        let kind = kinds.iter().find(|kind| Some(kind.id) == finding.kind)?;
        kind.task
    };
    let found = findings::of_engines(transaction, organisation, engines).await?;
    let open = found.into_iter().filter(|finding| finding.status == FindingStatus::Open);
    let with_task = |finding: Finding| {
        let task = task_of(&finding)?;
        Some((finding, task))
    };
    Ok(open.filter_map(with_task).collect())
}
