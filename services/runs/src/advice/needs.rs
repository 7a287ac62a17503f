//! What work that is on the books needs by a day, and no forecast holds.
//!
//! The forecast plays the programme forward (a published plan's visits included), so whatever a task
//! of the programme takes is in it already and would count twice here. Left are the tasks that no
//! interval of the programme asks for, in published visits; what agreed jobs take besides tasks of
//! the programme; and jobs that follow from a finding: the forecast knows findings to come, not those
//! that were made. What is reserved for a job that follows from a finding lies on the shelf and is
//! needed no more. What is reserved for any other job serves a need that the forecast or this list
//! still holds.

use std::collections::{HashMap, HashSet};

use chrono::NaiveDate;
use fleet::bench::{Job, JobStatus};
use fleet::id::{EngineId, JobId, ModelId, PartId, PlanId, TaskId};
use fleet::part::ReservationStatus;
use fleet::programme::TaskPart;
use fleet::supersession::Supersessions;
use fleet::visit::PlanStatus;
use store::snapshot::Snapshot;

/// Needs by part: day and quantity, days rising.
pub type Dated = HashMap<PartId, Vec<(NaiveDate, u32)>>;

/// Needs from today on; what should have been done before is needed today.
pub fn dated(snapshot: &Snapshot, chain: &Supersessions<PartId>, today: NaiveDate) -> Dated {
    let mut needs = Dated::new();
    let mut need = |part: PartId, day: NaiveDate, quantity: i64| {
        let (current, factor) = chain.current(part, today);
        let units = quantity * i64::from(factor.new_units);
        let units = (units + i64::from(factor.old_units) - 1) / i64::from(factor.old_units.max(1));
        if let Ok(units) = u32::try_from(units)
            && units > 0
        {
            needs.entry(current).or_default().push((day.max(today), units));
        }
    };
    let models: HashMap<EngineId, ModelId> =
        snapshot.fleet.engines.iter().map(|engine| (engine.id, engine.model)).collect();
    for (job, part, quantity) in of_jobs(snapshot) {
        need(part, job.planned_on.unwrap_or(today), quantity);
    }
    for (job, part, quantity) in besides_programme(snapshot, chain, (&models, today)) {
        need(part, job.planned_on.unwrap_or(today), quantity);
    }
    for (engine, task, day) in of_visits(snapshot, &models) {
        let model = models.get(&engine).copied();
        for (part, quantity) in always_taken(snapshot, task, model) {
            need(part, day, quantity);
        }
    }
    needs.values_mut().for_each(|days| days.sort_unstable());
    needs
}

/// What agreed jobs that follow from a finding still need: what is neither kept back nor issued.
fn of_jobs(snapshot: &Snapshot) -> Vec<(&Job, PartId, i64)> {
    let wants = |job: &&Job| {
        let under_way =
            matches!(job.status, JobStatus::Agreed | JobStatus::Short | JobStatus::OnBench);
        under_way && job.finding.is_some()
    };
    let jobs: HashMap<JobId, &Job> =
        snapshot.work.jobs.iter().filter(wants).map(|job| (job.id, job)).collect();
    let mut kept: HashMap<(JobId, PartId), i64> = HashMap::new();
    for held in &snapshot.stores.reservations {
        if held.status != ReservationStatus::Released {
            *kept.entry((held.job, held.part)).or_default() += held.quantity;
        }
    }
    let of = |row: &fleet::bench::JobPart| {
        let job = *jobs.get(&row.job)?;
        let there = kept.get(&(row.job, row.part)).copied().unwrap_or(0);
        Some((job, row.part, row.quantity - there))
    };
    snapshot.work.job_parts.iter().filter_map(of).collect()
}

/// Jobs agreed to whose needs are counted without what is reserved for them.
pub fn counted_whole(snapshot: &Snapshot) -> HashMap<JobId, &Job> {
    let agreed = |job: &&Job| {
        let waits = matches!(job.status, JobStatus::Agreed | JobStatus::Kitted | JobStatus::Short);
        waits && job.finding.is_none()
    };
    snapshot.work.jobs.iter().filter(agreed).map(|job| (job.id, job)).collect()
}

/// What agreed jobs take that no task of the programme brings: tasks without an interval, parts
/// added by hand.
fn besides_programme<'a>(
    snapshot: &'a Snapshot,
    chain: &Supersessions<PartId>,
    (models, today): (&HashMap<EngineId, ModelId>, NaiveDate),
) -> Vec<(&'a Job, PartId, i64)> {
    let jobs = counted_whole(snapshot);
    let now = |part: PartId| chain.current(part, today).0;
    let mut foretold: HashMap<(JobId, PartId), i64> = HashMap::new();
    for row in snapshot.work.job_tasks.iter().filter(|row| row.outcome.is_none()) {
        let Some(job) = jobs.get(&row.job) else { continue };
        let model = models.get(&job.engine).copied();
        if is_asked_for(snapshot, row.task, model) {
            for part in parts_of(snapshot, row.task, model) {
                *foretold.entry((job.id, now(part.part))).or_default() += part.quantity;
            }
        }
    }
    let of = |row: &fleet::bench::JobPart| {
        let job = *jobs.get(&row.job)?;
        let known = foretold.get(&(row.job, now(row.part))).copied().unwrap_or(0);
        Some((job, row.part, row.quantity - known))
    };
    snapshot.work.job_parts.iter().filter_map(of).collect()
}

/// Tasks of published visits that no interval asks for and that have not become jobs.
fn of_visits(
    snapshot: &Snapshot,
    models: &HashMap<EngineId, ModelId>,
) -> Vec<(EngineId, TaskId, NaiveDate)> {
    let published: HashSet<PlanId> = snapshot
        .work
        .plans
        .iter()
        .filter(|plan| plan.status == PlanStatus::Published)
        .map(|plan| plan.id)
        .collect();
    let visits: HashMap<_, _> = snapshot
        .work
        .visits
        .iter()
        .filter(|visit| published.contains(&visit.plan) && visit.job.is_none())
        .filter_map(|visit| Some((visit.id, (visit.engine, visit.starts_on?))))
        .collect();
    let of = |row: &fleet::visit::VisitTask| {
        let (engine, day) = *visits.get(&row.visit)?;
        let asked = is_asked_for(snapshot, row.task, models.get(&engine).copied());
        (!asked).then_some((engine, row.task, day))
    };
    snapshot.work.visit_tasks.iter().filter_map(of).collect()
}

/// Whether an interval of the programme asks for a task on a model.
fn is_asked_for(snapshot: &Snapshot, task: TaskId, model: Option<ModelId>) -> bool {
    snapshot.programme.intervals.iter().any(|interval| {
        interval.task == task
            && (interval.model.is_none() || interval.model == model)
            && (interval.every.is_some() || interval.every_months.is_some())
    })
}

/// What a task may take on a model: the model's own rows, else those for every model.
fn parts_of(snapshot: &Snapshot, task: TaskId, model: Option<ModelId>) -> Vec<&TaskPart> {
    let rows: Vec<_> =
        snapshot.programme.task_parts.iter().filter(|row| row.task == task).collect();
    let own = model.is_some() && rows.iter().any(|row| row.model == model);
    rows.into_iter().filter(|row| row.model == if own { model } else { None }).collect()
}

fn always_taken(snapshot: &Snapshot, task: TaskId, model: Option<ModelId>) -> Vec<(PartId, i64)> {
    let rows = parts_of(snapshot, task, model).into_iter();
    rows.filter(|row| row.chance_permille >= 1_000).map(|row| (row.part, row.quantity)).collect()
}

#[cfg(test)]
mod tests {
    use chrono::{DateTime, Utc};
    use fleet::bench::{JobPart, JobTask};
    use fleet::engine::{Engine, EngineStatus};
    use fleet::hours::Minutes;
    use fleet::id::{
        FindingId, IntervalId, JobPartId, JobTaskId, OrganisationId, PoolId, ReservationId, SiteId,
        TaskPartId, VisitId, VisitTaskId,
    };
    use fleet::part::Reservation;
    use fleet::programme::{IntervalBasis, ProgrammeInterval};
    use fleet::visit::{Plan, PlanKind, Visit, VisitTask};
    use store::snapshot::{Fleet, Programme, Stores, Work, Yard};

    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    fn moment() -> DateTime<Utc> {
        DateTime::UNIX_EPOCH
    }

    /// A yard with nothing in it but one engine.
    fn empty(engine: Engine) -> Snapshot {
        Snapshot {
            organisation: OrganisationId::fresh(),
            taken_at: moment(),
            yard: Yard {
                sites: vec![],
                prices: vec![],
                calendars: vec![],
                calendar_days: vec![],
                rates: vec![],
                people: vec![],
                skills: vec![],
                person_skills: vec![],
                absences: vec![],
                bays: vec![],
                bay_closures: vec![],
            },
            fleet: Fleet {
                models: vec![],
                pools: vec![],
                pool_minimums: vec![],
                engines: vec![engine],
                pool_stays: vec![],
                standstills: vec![],
                boats: vec![],
                fittings: vec![],
                bookings: vec![],
                hires: vec![],
                meters: vec![],
                readings: vec![],
            },
            programme: Programme {
                tasks: vec![],
                task_links: vec![],
                intervals: vec![],
                task_parts: vec![],
                finding_kinds: vec![],
            },
            work: Work {
                findings: vec![],
                holds: vec![],
                jobs: vec![],
                job_tasks: vec![],
                job_parts: vec![],
                services: vec![],
                service_parts: vec![],
                plans: vec![],
                visits: vec![],
                visit_tasks: vec![],
            },
            stores: Stores {
                parts: vec![],
                kit_lines: vec![],
                supersessions: vec![],
                suppliers: vec![],
                supplier_seasons: vec![],
                terms: vec![],
                term_breaks: vec![],
                lead_times: vec![],
                lots: vec![],
                stock_levels: vec![],
                lot_levels: vec![],
                reservations: vec![],
                orders: vec![],
                order_lines: vec![],
                receipts: vec![],
                receipt_lines: vec![],
            },
        }
    }

    fn engine() -> Engine {
        Engine {
            id: EngineId::fresh(),
            version: 1,
            serial: "ND-1042".to_owned(),
            model: ModelId::fresh(),
            pool: PoolId::fresh(),
            tag: None,
            bought_on: None,
            first_run_on: None,
            status: EngineStatus::InService,
            severity_percent: None,
            note: None,
        }
    }

    fn needs_of(snapshot: &Snapshot) -> Dated {
        let chain = Supersessions::new(&[]).expect("no chain");
        dated(snapshot, &chain, day("2026-11-25"))
    }

    fn takes(task: TaskId, part: PartId, quantity: i64) -> TaskPart {
        TaskPart {
            id: TaskPartId::fresh(),
            version: 1,
            task,
            model: None,
            part,
            quantity,
            chance_permille: 1_000,
        }
    }

    fn every_year(task: TaskId) -> ProgrammeInterval {
        ProgrammeInterval {
            id: IntervalId::fresh(),
            version: 1,
            task,
            model: None,
            every: None,
            every_months: Some(12),
            first: None,
            first_months: None,
            severity_on_months: false,
            basis: IntervalBasis::ALL[0],
            source: "yard".to_owned(),
            page: None,
            serial_from: None,
            serial_until: None,
            verified_by: None,
        }
    }

    /// A job on the yard's engine, for a day that is gone.
    fn job(snapshot: &Snapshot, status: JobStatus) -> Job {
        Job {
            id: JobId::fresh(),
            version: 1,
            number: 7,
            engine: snapshot.fleet.engines[0].id,
            site: SiteId::fresh(),
            finding: None,
            status,
            reason: None,
            stood_over_until: None,
            planned_on: Some(day("2026-11-01")),
            bay: None,
            person: None,
            note: None,
            created_at: moment(),
            released_at: None,
        }
    }

    fn job_task(job: &Job, task: TaskId, sequence: i32) -> JobTask {
        JobTask {
            id: JobTaskId::fresh(),
            version: 1,
            job: job.id,
            task,
            sequence,
            planned: Minutes::default(),
            spent: None,
            outcome: None,
            done_at: None,
            done_by: None,
            note: None,
        }
    }

    #[test]
    fn a_published_visit_needs_what_no_interval_asks_for() {
        let mut snapshot = empty(engine());
        let (due, extra) = (TaskId::fresh(), TaskId::fresh());
        let (filter, bracket) = (PartId::fresh(), PartId::fresh());
        for (task, part) in [(due, filter), (extra, bracket)] {
            snapshot.programme.task_parts.push(takes(task, part, 2));
        }
        snapshot.programme.intervals.push(every_year(due));
        let plan = Plan {
            id: PlanId::fresh(),
            version: 1,
            site: SiteId::fresh(),
            kind: PlanKind::LayUp,
            name: "winter".to_owned(),
            status: PlanStatus::Published,
            run: None,
            based_on: None,
            created_at: moment(),
            published_at: None,
            published_by: None,
        };
        let visit = Visit {
            id: VisitId::fresh(),
            version: 1,
            plan: plan.id,
            engine: snapshot.fleet.engines[0].id,
            bay: None,
            person: None,
            starts_on: Some(day("2027-01-12")),
            ends_on: None,
            bench: Minutes::default(),
            boat_out: false,
            locked: false,
            reason: None,
            job: None,
            mode: None,
        };
        for task in [due, extra] {
            let id = VisitTaskId::fresh();
            snapshot.work.visit_tasks.push(VisitTask { id, visit: visit.id, task });
        }
        snapshot.work.visits.push(visit);
        snapshot.work.plans.push(plan);
        let needs = needs_of(&snapshot);
        assert_eq!(needs.get(&bracket), Some(&vec![(day("2027-01-12"), 2)]));
        assert_eq!(needs.get(&filter), None, "the forecast holds it");
        // It became a job, which has another day by now.
        let job = Job { planned_on: Some(day("2027-01-14")), ..job(&snapshot, JobStatus::Kitted) };
        for (sequence, task) in [(1, due), (2, extra)] {
            snapshot.work.job_tasks.push(job_task(&job, task, sequence));
        }
        for part in [filter, bracket] {
            let id = JobPartId::fresh();
            let (version, job) = (1, job.id);
            let row = JobPart { id, version, job, part, quantity: 2, used: None, beyond_plan: 0 };
            snapshot.work.job_parts.push(row);
        }
        snapshot.work.visits[0].job = Some(job.id);
        snapshot.work.jobs.push(job);
        let needs = needs_of(&snapshot);
        assert_eq!(needs.get(&bracket), Some(&vec![(day("2027-01-14"), 2)]), "and not twice");
        assert_eq!(needs.get(&filter), None, "the forecast holds it");
        snapshot.work.jobs[0].status = JobStatus::Released;
        assert!(needs_of(&snapshot).is_empty(), "what is done needs nothing");
        (snapshot.work.visits[0].job, snapshot.work.plans[0].status) = (None, PlanStatus::Draft);
        assert!(needs_of(&snapshot).is_empty(), "a draft needs nothing");
    }

    #[test]
    fn a_job_from_a_finding_needs_what_is_not_kept_back_for_it() {
        let mut snapshot = empty(engine());
        let part = PartId::fresh();
        let finding = Some(FindingId::fresh());
        let job = Job { finding, ..job(&snapshot, JobStatus::Short) };
        snapshot.work.job_parts.push(JobPart {
            id: JobPartId::fresh(),
            version: 1,
            job: job.id,
            part,
            quantity: 5,
            used: None,
            beyond_plan: 0,
        });
        snapshot.stores.reservations.push(Reservation {
            id: ReservationId::fresh(),
            version: 1,
            job: job.id,
            part,
            site: job.site,
            lot: None,
            quantity: 2,
            status: ReservationStatus::Held,
            reserved_at: moment(),
        });
        snapshot.work.jobs.push(job);
        // Planned for a day that is gone: needed today.
        assert_eq!(needs_of(&snapshot).get(&part), Some(&vec![(day("2026-11-25"), 3)]));
        snapshot.work.jobs[0].finding = None;
        let needs = needs_of(&snapshot);
        let whole = Some(vec![(day("2026-11-25"), 5)]);
        assert_eq!(needs.get(&part).cloned(), whole, "what is kept back serves it");
        // Two of them belong to a task of the programme, the others were added by hand.
        let task = TaskId::fresh();
        snapshot.programme.task_parts.push(takes(task, part, 2));
        snapshot.programme.intervals.push(every_year(task));
        let of_programme = job_task(&snapshot.work.jobs[0], task, 1);
        snapshot.work.job_tasks.push(of_programme);
        assert_eq!(needs_of(&snapshot).get(&part), Some(&vec![(day("2026-11-25"), 3)]));
    }
}
