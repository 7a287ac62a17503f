//! The jobs of a plan that holds: its visits are agreed by its being published.
//!
//! Invariants: an engine's open job of a kind of plan stays the same job from version to version, so
//! that calendars, papers and people keep it; no task of an engine stands in two agreed jobs; what
//! has begun, and what a person left to a later day, is not touched; parts are kept back in the
//! order of days, so what the earlier visit needs is not in the kit of a later one. All of it is one
//! transaction.

mod known;

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use fleet::Minutes;
use fleet::bench::{Job, JobPart, JobStatus, JobTask};
use fleet::finding::{Finding, FindingStatus};
use fleet::id::{FindingId, JobId, OrganisationId, PartId, TaskId};
use fleet::visit::{Plan, Visit};

use self::known::Known;
use super::create::{needed, of_model, part_of, task_of};
use crate::Transaction;
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::stock;
use crate::value::to_microseconds;

/// A visit of a plan with what is done on it, in order, and the minutes that each takes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VisitWork {
    pub visit: Visit,
    pub tasks: Vec<(TaskId, Minutes)>,
}

/// What became of the jobs of a plan when it was published.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PlanJobs {
    pub made: Vec<JobId>,
    /// Given another day, bay, person or other work.
    pub moved: Vec<JobId>,
    /// Where they stood before.
    pub kept: Vec<JobId>,
    pub dropped: Vec<JobId>,
    /// Not touched: work has begun, or they stand over to a later day.
    pub left: Vec<JobId>,
    /// Of those made, moved and kept: they wait for a part.
    pub short: Vec<JobId>,
    /// Visits without a job of their own: other jobs of the engine hold their work, or it was done
    /// since the plan was made.
    pub elsewhere: usize,
}

/// Makes the jobs of a plan follow it.
///
/// A visit's engine keeps its open job of this kind of plan, on the visit's day; else a proposed job
/// that shares a task with the visit is agreed to; else a job is made. Jobs of engines that the plan
/// leaves out are dropped, and their findings are open again. `visits` are all of the plan.
///
/// # Errors
/// `Missing` where an engine, task or part is not there any more.
pub async fn follow_plan(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    plan: &Plan,
    visits: &[VisitWork],
    today: NaiveDate,
) -> Result<PlanJobs, StoreError> {
    // Numbers are given one after the other: whoever else makes jobs waits from here on.
    let number = super::next_number(transaction, organisation).await?;
    let seen = Known::read(transaction, organisation, plan, visits).await?;
    stock::lock(transaction, organisation, plan.site, &seen.parts()).await?;
    record::lock_many::<Job>(transaction, organisation, &seen.open_jobs()).await?;
    // Read again, now that nobody else changes them.
    let known = Known::read(transaction, organisation, plan, visits).await?;
    let mut stays: Vec<&VisitWork> =
        visits.iter().filter(|it| it.visit.starts_on.is_some()).collect();
    stays.sort_by_key(|it| (it.visit.starts_on, it.visit.id));
    let mut decided = Decided { number, ..Decided::default() };
    for stay in stays {
        decided.stay(&known, stay, (plan, who));
    }
    decided.drop_the_rest(&known, plan);
    Writing { transaction, organisation, who, today, known, plan }.write(decided).await
}

/// What is to be done, before any of it is written.
#[derive(Default)]
struct Decided {
    /// Of the next job that is made.
    number: i32,
    made: Vec<Job>,
    /// Agreed, on the day and with the work that the plan has for them.
    kept: Vec<Job>,
    dropped: Vec<Job>,
    left: Vec<JobId>,
    elsewhere: usize,
    new_tasks: Vec<JobTask>,
    gone_tasks: Vec<JobTask>,
    new_parts: Vec<JobPart>,
    changed_parts: Vec<JobPart>,
    gone_parts: Vec<JobPart>,
    /// Kept jobs with other work than before.
    reworked: BTreeSet<JobId>,
    in_work: BTreeSet<FindingId>,
    reopened: BTreeSet<FindingId>,
    linked: Vec<Visit>,
}

impl Decided {
    fn stay(&mut self, known: &Known, stay: &VisitWork, of: (&Plan, &Author)) {
        let visit = &stay.visit;
        let own = known.of_this_plan(visit.engine).find(|job| !self.claims(job.id));
        if let Some(own) = own.filter(|own| known.is_left(own, visit.starts_on)) {
            self.left.push(own.id);
            return self.link(visit, own.id);
        }
        let held = known.held_elsewhere(visit.engine);
        let tasks: Vec<(TaskId, Minutes)> =
            stay.tasks.iter().filter(|task| !held.contains(&task.0)).copied().collect();
        if tasks.is_empty() {
            self.elsewhere += 1;
            // Another's job is not this plan's to move or drop, so the visit does not name it.
            let did = known.did(visit.engine, &stay.tasks);
            return did.into_iter().for_each(|job| self.link(visit, job));
        }
        let wanted: BTreeSet<TaskId> = tasks.iter().map(|task| task.0).collect();
        let proposed = || known.proposed(visit.engine, &wanted).find(|job| !self.claims(job.id));
        match own {
            Some(own) => self.keep(known, own, (visit, &tasks)),
            None => match proposed() {
                Some(proposed) => self.keep(known, proposed, (visit, &tasks)),
                None => self.make(known, (visit, &tasks), of),
            },
        }
    }

    fn claims(&self, job: JobId) -> bool {
        self.left.contains(&job) || self.kept.iter().any(|kept| kept.id == job)
    }

    fn link(&mut self, visit: &Visit, job: JobId) {
        self.linked.push(Visit { job: Some(job), ..visit.clone() });
    }

    fn make(
        &mut self,
        known: &Known,
        (visit, tasks): (&Visit, &[(TaskId, Minutes)]),
        (plan, who): (&Plan, &Author),
    ) {
        let id = JobId::fresh();
        let finding = known.finding_of(visit.engine, tasks, &self.in_work);
        self.in_work.extend(finding);
        self.made.push(Job {
            id,
            version: 1,
            number: self.number,
            engine: visit.engine,
            site: plan.site,
            finding,
            status: JobStatus::Agreed,
            reason: None,
            stood_over_until: None,
            planned_on: visit.starts_on,
            bay: visit.bay,
            person: visit.person,
            note: None,
            created_at: to_microseconds(who.at),
            released_at: None,
        });
        self.number += 1;
        self.new_tasks.extend((1..).zip(tasks).map(|(place, task)| task_of(id, place, *task)));
        let parts = known.parts_of(visit.engine, tasks.iter().map(|task| task.0));
        self.new_parts.extend(parts.into_iter().map(|(part, many)| part_of(id, part, many)));
        self.link(visit, id);
    }

    /// The job goes to the visit's day with the visit's work. What a person put into it stays in it;
    /// whoever was given the job keeps it as long as its day stays.
    fn keep(&mut self, known: &Known, job: &Job, (visit, tasks): (&Visit, &[(TaskId, Minutes)])) {
        let before = known.tasks_of(job.id);
        let wanted: BTreeSet<TaskId> = tasks.iter().map(|task| task.0).collect();
        let (stay, gone): (Vec<&JobTask>, Vec<&JobTask>) =
            before.iter().partition(|task| wanted.contains(&task.task) || !known.was_planned(task));
        let had: BTreeSet<TaskId> = before.iter().map(|task| task.task).collect();
        let mut last = before.iter().map(|task| task.sequence).max().unwrap_or(0);
        let mut has: BTreeSet<TaskId> = stay.iter().map(|task| task.task).collect();
        for task in tasks.iter().filter(|task| !had.contains(&task.0)) {
            last += 1;
            has.insert(task.0);
            self.new_tasks.push(task_of(job.id, last, *task));
        }
        if has != had {
            self.reworked.insert(job.id);
            self.gone_tasks.extend(gone.into_iter().cloned());
            self.rework_parts(known, job, (had, has));
        }
        self.in_work.extend(job.finding);
        let day_stays = job.planned_on == visit.starts_on;
        self.kept.push(Job {
            status: JobStatus::Agreed,
            reason: None,
            stood_over_until: None,
            planned_on: visit.starts_on,
            bay: visit.bay.or(job.bay.filter(|_| day_stays)),
            person: job.person.filter(|_| day_stays).or(visit.person),
            ..job.clone()
        });
        self.link(visit, job.id);
    }

    /// More or less of each part, by what the tasks took and take; what a person added stays.
    fn rework_parts(
        &mut self,
        known: &Known,
        job: &Job,
        (had, has): (BTreeSet<TaskId>, BTreeSet<TaskId>),
    ) {
        let took = known.parts_of(job.engine, had.into_iter());
        let takes = known.parts_of(job.engine, has.into_iter());
        let parts: BTreeSet<PartId> = took.keys().chain(takes.keys()).copied().collect();
        for part in parts {
            let of = |parts: &BTreeMap<PartId, i64>| parts.get(&part).copied().unwrap_or(0);
            let more = of(&takes) - of(&took);
            let row = known.job_parts(job.id).find(|row| row.part == part);
            match row {
                None if more > 0 => self.new_parts.push(part_of(job.id, part, more)),
                Some(row) if more != 0 && row.quantity + more > 0 => {
                    let quantity = row.quantity + more;
                    self.changed_parts.push(JobPart { quantity, ..row.clone() });
                }
                Some(row) if more != 0 => self.gone_parts.push(row.clone()),
                _ => {}
            }
        }
    }

    /// Jobs of this kind of plan whose engines have no visit any more.
    fn drop_the_rest(&mut self, known: &Known, plan: &Plan) {
        for job in known.all_of_this_plan() {
            if self.claims(job.id) {
                continue;
            }
            if known.has_begun(job) || job.status == JobStatus::StoodOver {
                self.left.push(job.id);
                continue;
            }
            self.reopened.extend(job.finding.filter(|finding| !self.in_work.contains(finding)));
            self.dropped.push(Job {
                status: JobStatus::Dropped,
                reason: Some(format!("left out of the plan \"{}\"", plan.name)),
                ..job.clone()
            });
        }
    }
}

/// What everything that is written needs.
struct Writing<'a> {
    transaction: &'a Transaction,
    organisation: OrganisationId,
    who: &'a Author,
    today: NaiveDate,
    known: Known,
    plan: &'a Plan,
}

impl Writing<'_> {
    async fn write(&self, decided: Decided) -> Result<PlanJobs, StoreError> {
        let (transaction, organisation, who) = (self.transaction, self.organisation, self.who);
        record::create(transaction, organisation, who, &decided.made).await?;
        record::create(transaction, organisation, who, &decided.new_tasks).await?;
        record::create(transaction, organisation, who, &decided.new_parts).await?;
        record::change_all(transaction, organisation, who, &decided.changed_parts).await?;
        for task in &decided.gone_tasks {
            let (id, version) = (task.id, task.version);
            record::remove::<JobTask>(transaction, organisation, who, id, version).await?;
        }
        for part in &decided.gone_parts {
            let (id, version) = (part.id, part.version);
            record::remove::<JobPart>(transaction, organisation, who, id, version).await?;
        }
        let short = self.settle(&decided).await?;
        self.findings(&decided).await?;
        record::change_all(transaction, organisation, who, &decided.linked).await?;
        let ids = |jobs: &[Job]| jobs.iter().map(|job| job.id).collect::<Vec<JobId>>();
        let (kept, moved) = decided
            .kept
            .iter()
            .partition(|job| !decided.reworked.contains(&job.id) && self.known.stands_as(job));
        let name = |jobs: Vec<&Job>| jobs.into_iter().map(|job| job.id).collect();
        Ok(PlanJobs {
            made: ids(&decided.made),
            moved: name(moved),
            kept: name(kept),
            dropped: ids(&decided.dropped),
            left: decided.left,
            short,
            elsewhere: decided.elsewhere,
        })
    }

    /// Keeps parts back by day, and makes each job kitted or short; which are short.
    async fn settle(&self, decided: &Decided) -> Result<Vec<JobId>, StoreError> {
        let (transaction, organisation, who) = (self.transaction, self.organisation, self.who);
        let mut jobs: Vec<&Job> = decided.made.iter().chain(&decided.kept).collect();
        jobs.sort_by_key(|job| (job.planned_on, job.number));
        let ids: Vec<JobId> = jobs.iter().map(|job| job.id).collect();
        let mut wants: BTreeMap<JobId, BTreeMap<PartId, u32>> = BTreeMap::new();
        for row in super::parts(transaction, organisation, &ids).await? {
            let wanted = stock::outstanding(&row, 0, self.known.issued(row.job, row.part));
            *wants.entry(row.job).or_default().entry(row.part).or_default() += wanted;
        }
        let wanted: stock::Wanted =
            ids.iter().map(|job| (*job, wants.remove(job).unwrap_or_default())).collect();
        let let_go: Vec<JobId> = decided.dropped.iter().map(|job| job.id).collect();
        let at = (self.plan.site, self.today);
        let missing =
            stock::promise_anew(transaction, organisation, who, at, &wanted, &let_go).await?;
        let status = |job: &Job| match missing.contains_key(&job.id) {
            true => JobStatus::Short,
            false => JobStatus::Kitted,
        };
        let settled: Vec<Job> =
            jobs.into_iter().map(|job| Job { status: status(job), ..job.clone() }).collect();
        let changed: Vec<Job> = settled.iter().chain(&decided.dropped).cloned().collect();
        record::change_all(transaction, organisation, who, &changed).await?;
        let short = settled.iter().filter(|job| job.status == JobStatus::Short);
        Ok(short.map(|job| job.id).collect())
    }

    /// Findings go into work with their jobs, and are open again where those are dropped. Holds are
    /// nobody's but theirs who clear them.
    async fn findings(&self, decided: &Decided) -> Result<(), StoreError> {
        let (transaction, organisation) = (self.transaction, self.organisation);
        let ids: Vec<FindingId> =
            decided.in_work.iter().chain(&decided.reopened).copied().collect();
        let mut changed = Vec::new();
        for finding in record::by_ids::<Finding>(transaction, organisation, &ids).await? {
            let to = match finding.status {
                FindingStatus::Open if decided.in_work.contains(&finding.id) => {
                    FindingStatus::InWork
                }
                FindingStatus::InWork if decided.reopened.contains(&finding.id) => {
                    FindingStatus::Open
                }
                _ => continue,
            };
            changed.push(Finding { status: to, ..finding });
        }
        record::change_all(transaction, organisation, self.who, &changed).await
    }
}
