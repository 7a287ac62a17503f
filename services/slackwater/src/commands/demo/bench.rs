//! The demo's bench: what is most due becomes jobs, each as far on as its parts let it be.

use std::collections::BTreeMap;

use chrono::{DateTime, Days, NaiveDate, Utc};
use fleet::bench::{Job, JobStatus};
use fleet::engine::Engine;
use fleet::finding::{Finding, FindingStatus};
use fleet::id::{BayId, EngineId, OrganisationId, PersonId, SiteId, TaskId};
use fleet::job::JobState;
use fleet::person::{Bay, Person, Role};
use fleet::pool::Pool;
use fleet::programme::{FindingKind, Task};
use fleet::run::RunKind;
use runs::plan::calendar::Calendars;
use store::jobs::{self, NewJob};
use store::runs as kept_runs;
use store::snapshot::{self, Snapshot};
use store::{Author, Store, StoreError, Transaction, record, sites};

use crate::failure::CommandError;

/// Jobs that are agreed, the most due first, and proposed ones after them; the next stands over.
const AGREED: usize = 18;
const PROPOSED: usize = 2;
/// Of the jobs whose parts are there, how far the first ones have come; the others wait kitted.
const FAR: [&[JobState]; 3] =
    [&[JobState::OnBench, JobState::OnTest], &[JobState::OnBench], &[JobState::OnBench]];
/// Jobs planned for a day.
const A_DAY: usize = 4;
/// Tasks done in one visit.
const TASKS_MAX: usize = 3;
/// Findings that propose a job.
const FINDINGS_MAX: usize = 4;
/// From this share of its interval on, a task is done in the same visit.
const WORTH_PERMILLE: i32 = 800;

#[derive(Clone, Copy)]
enum Wish {
    Proposed,
    Agreed,
    StoodOver,
}

fn wishes() -> impl Iterator<Item = Wish> {
    let agreed = std::iter::repeat_n(Wish::Agreed, AGREED);
    agreed.chain(std::iter::repeat_n(Wish::Proposed, PROPOSED)).chain([Wish::StoodOver])
}

/// What jobs are made from.
struct Bench {
    organisation: OrganisationId,
    author: Author,
    engines: BTreeMap<EngineId, Engine>,
    pools: Vec<Pool>,
    tasks: BTreeMap<TaskId, Task>,
    people: Vec<PersonId>,
    bays: Vec<Bay>,
    /// Of each site from today on, as many as the jobs take.
    open_days: BTreeMap<SiteId, Vec<NaiveDate>>,
    today: NaiveDate,
}

/// Puts jobs on the bench, unless there are some.
pub async fn fill(
    store: &Store,
    organisation: OrganisationId,
    now: DateTime<Utc>,
) -> Result<(), CommandError> {
    if record::count::<Job>(store.connection(), organisation).await? > 0 {
        return Ok(());
    }
    let due = due(store, organisation).await?;
    let snapshot = snapshot::take_without_logs(store, organisation, now).await?;
    let work = async |transaction: &Transaction| {
        let Some(bench) = Bench::read(transaction, organisation, &snapshot, now).await? else {
            return Ok::<_, StoreError>(());
        };
        let mut far = FAR.into_iter();
        for (place, ((engine, tasks), wish)) in due.iter().zip(wishes()).enumerate() {
            let Some(new) = bench.new_job(transaction, place, *engine, tasks).await? else {
                continue;
            };
            let job = jobs::create(transaction, organisation, &bench.author, new).await?;
            let job = bench.walk(transaction, job, &bench.first_step(wish)).await?;
            if job.status == JobStatus::Kitted {
                bench.walk(transaction, job, far.next().unwrap_or(&[])).await?;
            }
        }
        bench.propose_for_findings(transaction).await
    };
    Ok(store.write(work).await?)
}

/// What is most due, engine by engine, the worst first.
async fn due(
    store: &Store,
    organisation: OrganisationId,
) -> Result<Vec<(EngineId, Vec<TaskId>)>, CommandError> {
    let connection = store.connection();
    let run = kept_runs::latest(connection, organisation, RunKind::Due, None).await?;
    let Some(run) = run else { return Ok(Vec::new()) };
    let mut rows = kept_runs::due_rows(connection, organisation, run.id).await?;
    rows.retain(|row| row.used_permille >= WORTH_PERMILLE);
    rows.sort_by_key(|row| (std::cmp::Reverse(row.used_permille), row.engine, row.task));
    let mut due: Vec<(EngineId, Vec<TaskId>)> = Vec::new();
    for row in rows {
        match due.iter_mut().find(|(engine, _)| *engine == row.engine) {
            Some((_, tasks)) if tasks.len() < TASKS_MAX => tasks.push(row.task),
            Some(_) => {}
            None => due.push((row.engine, vec![row.task])),
        }
    }
    Ok(due)
}

impl Bench {
    async fn read(
        transaction: &Transaction,
        organisation: OrganisationId,
        snapshot: &Snapshot,
        now: DateTime<Utc>,
    ) -> Result<Option<Self>, StoreError> {
        let engines: Vec<Engine> = record::all(transaction, organisation).await?;
        let pools: Vec<Pool> = record::all(transaction, organisation).await?;
        let tasks: Vec<Task> = record::all(transaction, organisation).await?;
        let mut people: Vec<Person> = record::all(transaction, organisation).await?;
        people.retain(|person| person.role == Role::Technician && !person.archived);
        let Some(site) = pools.first().map(|pool| pool.site) else { return Ok(None) };
        let today = sites::today(transaction, organisation, site, now).await?;
        Ok(Some(Self {
            organisation,
            open_days: open_days(snapshot, today),
            author: Author { id: None, name: "demo".to_owned(), at: now, note: None },
            engines: engines.into_iter().map(|engine| (engine.id, engine)).collect(),
            tasks: tasks.into_iter().map(|task| (task.id, task)).collect(),
            people: people.into_iter().map(|person| person.id).collect(),
            bays: record::all(transaction, organisation).await?,
            today,
            pools,
        }))
    }

    fn first_step(&self, wish: Wish) -> Vec<JobState> {
        match wish {
            Wish::Proposed => Vec::new(),
            Wish::Agreed => vec![JobState::Agreed],
            Wish::StoodOver => vec![JobState::StoodOver {
                until: self.today + Days::new(21),
                reason: "owner away until then".to_owned(),
            }],
        }
    }

    async fn walk(
        &self,
        transaction: &Transaction,
        mut job: Job,
        steps: &[JobState],
    ) -> Result<Job, StoreError> {
        for step in steps {
            let (who, wanted) = (&self.author, step.clone());
            let (id, version, today) = (job.id, job.version, self.today);
            job = jobs::follow(transaction, self.organisation, who, id, version, wanted, today)
                .await?
                .job;
        }
        Ok(job)
    }

    async fn new_job(
        &self,
        transaction: &Transaction,
        place: usize,
        engine: EngineId,
        tasks: &[TaskId],
    ) -> Result<Option<NewJob>, StoreError> {
        let Some(engine) = self.engines.get(&engine) else { return Ok(None) };
        let Some(pool) = self.pools.iter().find(|pool| pool.id == engine.pool) else {
            return Ok(None);
        };
        let parts =
            jobs::parts_of_tasks(transaction, self.organisation, engine.model, tasks).await?;
        let of_task = |task: &TaskId| self.tasks.get(task).map(|known| (*task, known.own_work));
        Ok(Some(NewJob {
            engine: engine.id,
            site: pool.site,
            finding: None,
            planned_on: self
                .open_days
                .get(&pool.site)
                .and_then(|days| days.get(place / A_DAY).copied()),
            bay: self.bay(place, pool),
            person: nth(&self.people, place),
            tasks: tasks.iter().filter_map(of_task).collect(),
            parts,
            note: None,
        }))
    }

    fn bay(&self, place: usize, pool: &Pool) -> Option<BayId> {
        let here: Vec<BayId> =
            self.bays.iter().filter(|bay| bay.site == pool.site).map(|bay| bay.id).collect();
        nth(&here, place)
    }

    /// Findings that are open propose a job, as they do when somebody records one.
    async fn propose_for_findings(&self, transaction: &Transaction) -> Result<(), StoreError> {
        let mut findings: Vec<Finding> = record::all(transaction, self.organisation).await?;
        findings.retain(|finding| finding.status == FindingStatus::Open);
        let kinds: Vec<FindingKind> = record::all(transaction, self.organisation).await?;
        for finding in findings.iter().take(FINDINGS_MAX) {
            let kind = kinds.iter().find(|kind| Some(kind.id) == finding.kind);
            let tasks: Vec<TaskId> = kind.and_then(|kind| kind.task).into_iter().collect();
            let place = AGREED + PROPOSED + 1;
            let new = self.new_job(transaction, place, finding.engine, &tasks).await?;
            let Some(new) = new else { continue };
            let new = NewJob { finding: Some(finding.id), planned_on: None, person: None, ..new };
            jobs::create(transaction, self.organisation, &self.author, new).await?;
        }
        Ok(())
    }
}

/// The next open days of each site, enough for all jobs.
fn open_days(snapshot: &Snapshot, today: NaiveDate) -> BTreeMap<SiteId, Vec<NaiveDate>> {
    let calendars = Calendars::read(snapshot);
    let days = wishes().count().div_ceil(A_DAY) + 1;
    let of_site = |site: SiteId| {
        let open = today.iter_days().take(366).filter(|day| calendars.is_open(site, *day));
        open.take(days).collect()
    };
    snapshot.yard.sites.iter().map(|site| (site.id, of_site(site.id))).collect()
}

fn nth<T: Copy>(of: &[T], place: usize) -> Option<T> {
    of.get(place % of.len().max(1)).copied()
}
