//! Jobs from proposal to release, on both databases.

#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]

use chrono::{Days, NaiveDate, TimeDelta};
use fleet::Currency;
use fleet::Minutes;
use fleet::bench::{Job, JobPart, JobStatus, TaskOutcome};
use fleet::change::ChangeKind;
use fleet::engine::Engine;
use fleet::finding::{Finding, FindingStatus};
use fleet::id::{FindingId, JobId, LotId, OrderId, OrderLineId, PartId, StockMoveId, TaskId};
use fleet::id::{SupplierId, TaskPartId};
use fleet::job::JobState;
use fleet::order::{Order, OrderLine, OrderStatus};
use fleet::part::{DatedBy, Lot, LotCondition, MoveKind, Part, StockMove};
use fleet::programme::{AccessGroup, Occasion, Task, TaskPart, Urgency, Verb};
use fleet::supplier::Supplier;
use rstest::rstest;
use store::jobs::{self, Done, NewJob};
use store::{Store, StoreError, Transaction, findings, history, record, services, stock};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::yard::{Yard, author, now, part};

struct Bench {
    yard: Yard,
    engine: Engine,
    task: Task,
    seal: Part,
    impeller: Part,
}

fn today() -> NaiveDate {
    now().date_naive()
}

fn task(name: &str) -> Task {
    Task {
        id: TaskId::fresh(),
        version: 1,
        name: name.to_owned(),
        verb: Verb::Replace,
        access: AccessGroup::GearcaseOff,
        occasion: Occasion::Interval,
        own_work: Minutes(40),
        minutes_source: None,
        skill: None,
        safety: false,
        caution: None,
        archived: false,
    }
}

/// An engine, one task that takes a seal and an impeller, nothing on the shelf.
async fn bench(store: &Store) -> Bench {
    let yard = Yard::found(store, "north").await;
    let engine = yard.engine("ND-1042");
    let task = task("Reseal the gearcase");
    let impeller = part("BV-6-IMP");
    let seal = Part { sealing: true, name: "Shaft seal".to_owned(), ..part("BV-6-SEAL") };
    let needs = [&seal, &impeller].map(|of| TaskPart {
        id: TaskPartId::fresh(),
        version: 1,
        task: task.id,
        model: None,
        part: of.id,
        quantity: 1,
        chance_permille: 1_000,
    });
    let fill = async |tx: &Transaction| {
        let organisation = yard.organisation;
        record::create(tx, organisation, &author(), std::slice::from_ref(&engine)).await?;
        record::create(tx, organisation, &author(), std::slice::from_ref(&task)).await?;
        record::create(tx, organisation, &author(), &[seal.clone(), impeller.clone()]).await?;
        record::create(tx, organisation, &author(), &needs).await
    };
    store.write::<_, StoreError>(fill).await.unwrap();
    Bench { yard, engine, task, seal, impeller }
}

impl Bench {
    /// A proposed job of the task with what it needs.
    async fn job(&self, store: &Store, planned_on: Option<&str>) -> Job {
        let new = NewJob {
            engine: self.engine.id,
            site: self.yard.site.id,
            finding: None,
            planned_on: planned_on.map(|day| day.parse().unwrap()),
            bay: None,
            person: None,
            tasks: vec![(self.task.id, Minutes(40))],
            parts: vec![(self.seal.id, 1), (self.impeller.id, 1)],
            note: None,
        };
        self.create(store, new).await
    }

    async fn create(&self, store: &Store, new: NewJob) -> Job {
        let work =
            async |tx: &Transaction| jobs::create(tx, self.yard.organisation, &author(), new).await;
        store.write(work).await.unwrap()
    }

    /// Puts `quantity` of a part on the shelf in a lot that is good until `until`.
    async fn put(&self, store: &Store, of: &Part, quantity: i64, until: Option<&str>) -> LotId {
        let lot = Lot {
            id: LotId::fresh(),
            version: 1,
            part: of.id,
            code: None,
            cured_on: None,
            received_on: Some(today()),
            expires_on: until.map(|day| day.parse().unwrap()),
            dated_by: DatedBy::Receipt,
            condition: LotCondition::New,
            donor: None,
            receipt_line: None,
        };
        let one = self.moved(of, MoveKind::Receipt, quantity, Some(lot.id));
        let work = async |tx: &Transaction| {
            let organisation = self.yard.organisation;
            record::create(tx, organisation, &author(), std::slice::from_ref(&lot)).await?;
            stock::book(tx, organisation, &[one]).await
        };
        store.write::<_, StoreError>(work).await.unwrap();
        lot.id
    }

    fn moved(&self, of: &Part, kind: MoveKind, quantity: i64, lot: Option<LotId>) -> StockMove {
        StockMove {
            id: StockMoveId::fresh(),
            part: of.id,
            site: self.yard.site.id,
            lot,
            kind,
            quantity,
            moved_at: now(),
            job: None,
            receipt_line: None,
            moved_by: None,
            together: None,
            reason: None,
            reference: None,
            recorded_at: now(),
        }
    }

    async fn follow(
        &self,
        store: &Store,
        job: &Job,
        wanted: JobState,
    ) -> Result<jobs::Followed, StoreError> {
        let work = async |tx: &Transaction| {
            let organisation = self.yard.organisation;
            jobs::follow(tx, organisation, &author(), job.id, job.version, wanted, today()).await
        };
        store.write(work).await
    }

    async fn arrived(&self, store: &Store, parts: &[PartId]) -> Vec<JobId> {
        let work = async |tx: &Transaction| {
            let (organisation, site) = (self.yard.organisation, self.yard.site.id);
            jobs::kit_what_arrived(tx, organisation, &author(), site, parts, today()).await
        };
        let kitted = store.write::<_, StoreError>(work).await.unwrap();
        kitted.iter().map(|job| job.id).collect()
    }

    /// On hand and reserved of a part.
    async fn level(&self, store: &Store, of: &Part) -> (i64, i64) {
        let organisation = self.yard.organisation;
        let levels = stock::levels(store.connection(), organisation, &[of.id]).await.unwrap();
        levels.first().map_or((0, 0), |level| (level.on_hand, level.reserved))
    }

    /// Says that the job's only task was done in 35 minutes.
    async fn task_done(&self, store: &Store, job: &Job) {
        let work = async |tx: &Transaction| {
            let organisation = self.yard.organisation;
            let task = jobs::tasks(tx, organisation, &[job.id]).await?.remove(0);
            let done = Done {
                outcome: TaskOutcome::Done,
                spent: Some(Minutes(35)),
                by: Some(self.yard.owner.id),
                note: None,
            };
            jobs::done(tx, organisation, &author(), task.id, task.version, done).await
        };
        store.write::<_, StoreError>(work).await.unwrap();
    }

    /// On the bench, everything there.
    async fn on_bench(&self, store: &Store) -> Job {
        self.put(store, &self.seal, 2, Some("2027-01-31")).await;
        self.put(store, &self.impeller, 2, None).await;
        let job = self.job(store, None).await;
        let kitted = self.follow(store, &job, JobState::Agreed).await.unwrap().job;
        assert_eq!(kitted.status, JobStatus::Kitted);
        self.follow(store, &kitted, JobState::OnBench).await.unwrap().job
    }
}

#[rstest]
#[tokio::test]
async fn a_job_from_proposal_to_release_books_parts_and_service_once(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    let job = bench.on_bench(store).await;
    assert_eq!(bench.level(store, &bench.seal).await, (2, 1));
    bench.task_done(store, &job).await;
    let job = bench.follow(store, &job, JobState::OnTest).await.unwrap().job;
    let job = bench.follow(store, &job, JobState::Released).await.unwrap().job;
    assert_eq!(job.status, JobStatus::Released);
    assert!(job.released_at.is_some());
    assert_eq!(bench.level(store, &bench.seal).await, (1, 0));
    assert_eq!(bench.level(store, &bench.impeller).await, (1, 0));

    let (connection, organisation) = (store.connection(), bench.yard.organisation);
    let done = services::of_engines(connection, organisation, &[bench.engine.id]).await.unwrap();
    assert_eq!(done.len(), 1);
    assert_eq!((done[0].job, done[0].spent), (Some(job.id), Some(Minutes(35))));
    let used = services::parts(connection, organisation, &[done[0].id]).await.unwrap();
    assert_eq!(used.iter().map(|part| part.quantity).collect::<Vec<_>>(), [1, 1]);

    let again = bench.follow(store, &job, JobState::Released).await.unwrap_err();
    assert_eq!(again.rule(), "job-illegal-move");
}

#[rstest]
#[tokio::test]
async fn a_job_is_short_of_what_is_missing_until_it_is_expected(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    bench.put(store, &bench.seal, 1, Some("2027-01-31")).await;
    order(store, &bench, &bench.impeller, 1, "2025-07-21").await;
    let late = bench.job(store, Some("2025-08-04")).await;
    let early = bench.job(store, Some("2025-07-28")).await;
    let late = bench.follow(store, &late, JobState::Agreed).await.unwrap();
    // The seal is kept back for the one who asked first, the impeller on order for nobody yet.
    assert_eq!(late.job.status, JobStatus::Short);
    let arrives = Some("2025-07-21".parse().unwrap());
    let of = |short: &jobs::Followed| -> Vec<_> {
        short.shortages.iter().map(|one| (one.part, one.missing, one.until)).collect()
    };
    assert_eq!(of(&late), [(bench.impeller.id, 1, arrives)]);
    // The earlier planned day takes what is on order; for the later one nothing is left.
    let early = bench.follow(store, &early, JobState::Agreed).await.unwrap();
    assert!(of(&early).contains(&(bench.impeller.id, 1, arrives)));
    assert!(of(&early).contains(&(bench.seal.id, 1, None)));
    let organisation = bench.yard.organisation;
    let waits =
        jobs::shortages(store.connection(), organisation, std::slice::from_ref(&late.job)).await;
    assert_eq!(waits.unwrap()[&late.job.id][0].until, None);
}

#[rstest]
#[tokio::test]
async fn what_arrives_kits_the_earliest_planned_job_first(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    bench.put(store, &bench.impeller, 2, None).await;
    let late = bench.job(store, Some("2025-08-04")).await;
    let early = bench.job(store, Some("2025-07-28")).await;
    for job in [&late, &early] {
        let short = bench.follow(store, job, JobState::Agreed).await.unwrap().job;
        assert_eq!(short.status, JobStatus::Short);
    }
    assert_eq!(bench.arrived(store, &[bench.seal.id]).await, []);
    bench.put(store, &bench.seal, 1, None).await;
    assert_eq!(bench.arrived(store, &[bench.seal.id]).await, [early.id]);
    bench.put(store, &bench.seal, 1, None).await;
    assert_eq!(bench.arrived(store, &[bench.seal.id]).await, [late.id]);
    assert_eq!(bench.level(store, &bench.seal).await, (2, 2));
    // From proposed to agreed to short to kitted: each step is on record.
    let organisation = bench.yard.organisation;
    let kitted = record::get::<Job>(store.connection(), organisation, late.id).await.unwrap();
    assert_eq!((kitted.status, kitted.version), (JobStatus::Kitted, 4));
    let page = store::PageOf::new(None, 100);
    let changes =
        history::of_entity(store.connection(), organisation, "job", late.id.0, page).await;
    assert_eq!(changes.unwrap().rows.len(), 4);
}

#[rstest]
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn of_forty_jobs_agreed_at_once_one_gets_the_last_kit(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    bench.put(store, &bench.seal, 1, None).await;
    let one = |_| NewJob {
        engine: bench.engine.id,
        site: bench.yard.site.id,
        finding: None,
        planned_on: None,
        bay: None,
        person: None,
        tasks: Vec::new(),
        parts: vec![(bench.seal.id, 1)],
        note: None,
    };
    let mut proposed = Vec::new();
    let work = async |tx: &Transaction| {
        for new in (0..40).map(one) {
            proposed.push(jobs::create(tx, bench.yard.organisation, &author(), new).await?);
        }
        Ok::<_, StoreError>(())
    };
    store.write(work).await.unwrap();
    let organisation = bench.yard.organisation;
    let asked: Vec<_> = proposed
        .into_iter()
        .map(|job| {
            let store = store.clone();
            tokio::spawn(async move {
                let agree = async |tx: &Transaction| {
                    let (who, wanted) = (author(), JobState::Agreed);
                    jobs::follow(tx, organisation, &who, job.id, 1, wanted, today()).await
                };
                store.write(agree).await
            })
        })
        .collect();
    let (mut kitted, mut short) = (0, 0);
    for one in asked {
        match one.await.unwrap().unwrap().job.status {
            JobStatus::Kitted => kitted += 1,
            JobStatus::Short => short += 1,
            other => panic!("{other}"),
        }
    }
    assert_eq!((kitted, short), (1, 39));
    assert_eq!(bench.level(store, &bench.seal).await, (1, 1));
}

#[rstest]
#[tokio::test]
async fn what_expires_first_is_promised_first_and_what_is_expired_never(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    bench.put(store, &bench.impeller, 9, None).await;
    bench.put(store, &bench.seal, 1, Some("2025-07-06")).await; // yesterday
    let second = bench.put(store, &bench.seal, 1, Some("2026-06-30")).await;
    let first = bench.put(store, &bench.seal, 1, Some("2025-07-07")).await; // today
    let organisation = bench.yard.organisation;
    let mut lots = Vec::new();
    for _ in 0..3 {
        let job = bench.job(store, None).await;
        let agreed = bench.follow(store, &job, JobState::Agreed).await.unwrap().job;
        let held = stock::held_for_jobs(store.connection(), organisation, &[job.id]).await;
        let held = held.unwrap();
        lots.push((agreed.status, held.iter().find(|one| one.part == bench.seal.id).cloned()));
    }
    let promised: Vec<_> = lots
        .iter()
        .map(|(status, held)| (*status, held.as_ref().and_then(|one| one.lot)))
        .collect();
    let (kitted, short) = (JobStatus::Kitted, JobStatus::Short);
    assert_eq!(promised, [(kitted, Some(first)), (kitted, Some(second)), (short, None)]);
}

#[rstest]
#[tokio::test]
async fn a_kit_that_expires_on_the_shelf_does_not_reach_the_bench(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    bench.put(store, &bench.impeller, 1, None).await;
    bench.put(store, &bench.seal, 1, Some("2025-07-07")).await;
    let job = bench.job(store, None).await;
    let kitted = bench.follow(store, &job, JobState::Agreed).await.unwrap().job;
    let organisation = bench.yard.organisation;
    let tomorrow = today() + Days::new(1);
    let move_on = async |wanted: JobState, version: i64| {
        let work = async |tx: &Transaction| {
            let id = job.id;
            jobs::follow(tx, organisation, &author(), id, version, wanted, tomorrow).await
        };
        store.write(work).await
    };
    let refused = move_on(JobState::OnBench, kitted.version).await.unwrap_err();
    assert_eq!(refused.rule(), "lot-expired");
    let short = move_on(JobState::Short { of: Vec::new() }, kitted.version).await.unwrap();
    assert_eq!(short.job.status, JobStatus::Short);
    assert_eq!(short.shortages.len(), 1);
    assert_eq!(bench.level(store, &bench.impeller).await, (1, 1));
    assert_eq!(bench.level(store, &bench.seal).await, (1, 0));
}

#[rstest]
#[case::dropped(JobState::Dropped { reason: "engine sold".to_owned() })]
#[case::stood_over(JobState::StoodOver {
    until: "2025-11-03".parse().unwrap(),
    reason: "owner away".to_owned(),
})]
#[tokio::test]
async fn what_won_t_be_done_now_gives_its_parts_back(
    #[case] wanted: JobState,
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    let job = bench.on_bench(store).await;
    let status = wanted.status();
    let left = bench.follow(store, &job, wanted).await.unwrap().job;
    assert_eq!(left.status, status);
    assert_eq!(bench.level(store, &bench.seal).await, (2, 0));
    assert_eq!(bench.level(store, &bench.impeller).await, (2, 0));
    let organisation = bench.yard.organisation;
    let held = stock::held_for_jobs(store.connection(), organisation, &[job.id]).await.unwrap();
    assert_eq!(held, []);
}

/// Half the work is done and half its parts are in when the owner calls: what happened is booked
/// there and then, and not again when the job comes back.
#[rstest]
#[tokio::test]
async fn work_done_before_standing_over_is_booked_once(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    let job = bench.on_bench(store).await;
    bench.task_done(store, &job).await;
    let organisation = bench.yard.organisation;
    let use_seal = async |tx: &Transaction| {
        let parts = jobs::parts(tx, organisation, &[job.id]).await?;
        let seal = parts.into_iter().find(|one| one.part == bench.seal.id).unwrap();
        jobs::use_part(tx, organisation, &author(), seal.id, seal.version, (1, None)).await
    };
    store.write::<_, StoreError>(use_seal).await.unwrap();
    let until = "2025-11-03".parse().unwrap();
    let wanted = JobState::StoodOver { until, reason: "owner needs the boat".to_owned() };
    let over = bench.follow(store, &job, wanted).await.unwrap().job;
    assert_eq!(bench.level(store, &bench.seal).await, (1, 0));
    assert_eq!(bench.level(store, &bench.impeller).await, (2, 0));

    let kitted = bench.follow(store, &over, JobState::Agreed).await.unwrap().job;
    assert_eq!(kitted.status, JobStatus::Kitted);
    assert_eq!(bench.level(store, &bench.seal).await, (1, 0));
    let job = bench.follow(store, &kitted, JobState::OnBench).await.unwrap().job;
    let job = bench.follow(store, &job, JobState::OnTest).await.unwrap().job;
    bench.follow(store, &job, JobState::Released).await.unwrap();
    assert_eq!(bench.level(store, &bench.seal).await, (1, 0));
    assert_eq!(bench.level(store, &bench.impeller).await, (1, 0));
    let done = services::of_engines(store.connection(), organisation, &[bench.engine.id]).await;
    let done = done.unwrap();
    assert_eq!(done.len(), 1);
    let used = services::parts(store.connection(), organisation, &[done[0].id]).await.unwrap();
    assert_eq!(used.len(), 2, "the seal of the first day and the impeller of the second");
}

#[rstest]
#[tokio::test]
async fn nothing_is_released_before_each_task_has_an_outcome(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    let job = bench.on_bench(store).await;
    let job = bench.follow(store, &job, JobState::OnTest).await.unwrap().job;
    let refused = bench.follow(store, &job, JobState::Released).await.unwrap_err();
    assert_eq!(refused.rule(), "job-task-open");
    assert!(refused.to_string().contains("Reseal the gearcase"), "{refused}");
    assert_eq!(bench.level(store, &bench.seal).await, (2, 1));
}

#[rstest]
#[case::there(1, JobStatus::OnBench, (3, 2))]
#[case::not_there(3, JobStatus::Short, (3, 3))]
#[tokio::test]
async fn a_part_beyond_the_plan_is_kept_back_or_makes_the_job_short(
    #[case] more: i64,
    #[case] status: JobStatus,
    #[case] level: (i64, i64),
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    let job = bench.on_bench(store).await;
    bench.put(store, &bench.impeller, 1, None).await;
    let organisation = bench.yard.organisation;
    let ask = async |tx: &Transaction| {
        let (of, asked) = ((job.id, job.version), (bench.impeller.id, more, None));
        jobs::add_part(tx, organisation, &author(), of, asked, today()).await
    };
    let followed = store.write::<_, StoreError>(ask).await.unwrap();
    assert_eq!(followed.job.status, status);
    assert_eq!(bench.level(store, &bench.impeller).await, level);
    let parts = jobs::parts(store.connection(), organisation, &[job.id]).await.unwrap();
    let impeller = parts.iter().find(|one| one.part == bench.impeller.id).unwrap();
    assert_eq!((impeller.quantity, impeller.beyond_plan), (1 + more, more));
}

impl Bench {
    /// Asks for more of a part on the bench.
    async fn ask(&self, store: &Store, job: &Job, of: &Part, more: i64) -> jobs::Followed {
        let ask = async |tx: &Transaction| {
            let (job, asked) = ((job.id, job.version), (of.id, more, None));
            jobs::add_part(tx, self.yard.organisation, &author(), job, asked, today()).await
        };
        store.write::<_, StoreError>(ask).await.unwrap()
    }

    async fn line(&self, store: &Store, job: &Job, of: &Part) -> Option<JobPart> {
        let organisation = self.yard.organisation;
        let parts = jobs::parts(store.connection(), organisation, &[job.id]).await.unwrap();
        parts.into_iter().find(|one| one.part == of.id)
    }

    async fn take_off(&self, store: &Store, line: &JobPart) -> Result<jobs::Followed, StoreError> {
        let off = async |tx: &Transaction| {
            let organisation = self.yard.organisation;
            jobs::take_off_part(tx, organisation, &author(), line.id, line.version, today()).await
        };
        store.write(off).await
    }

    /// A part that no plan of this bench wants.
    async fn another_part(&self, store: &Store) -> Part {
        let other = part("BV-6-PIN");
        let make = async |tx: &Transaction| {
            record::create(tx, self.yard.organisation, &author(), std::slice::from_ref(&other))
                .await
        };
        store.write::<_, StoreError>(make).await.unwrap();
        other
    }
}

#[rstest]
#[tokio::test]
async fn a_part_added_by_mistake_comes_off_and_no_longer_blocks_the_job(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    let job = bench.on_bench(store).await;
    let other = bench.another_part(store).await;
    bench.put(store, &other, 1, None).await;
    let short = bench.ask(store, &job, &other, 3).await.job;
    assert_eq!((short.status, bench.level(store, &other).await), (JobStatus::Short, (1, 1)));
    let line = bench.line(store, &short, &other).await.unwrap();
    let kitted = bench.take_off(store, &line).await.unwrap();
    assert_eq!((kitted.job.status, kitted.shortages.len()), (JobStatus::Kitted, 0));
    assert_eq!(bench.line(store, &short, &other).await, None);
    assert_eq!(bench.level(store, &other).await, (1, 0), "what was kept back is free again");
    assert_eq!(bench.level(store, &bench.seal).await, (2, 1), "the plan's own part stays");
    let job = bench.follow(store, &kitted.job, JobState::OnBench).await.unwrap().job;
    assert_eq!(job.status, JobStatus::OnBench);
    let (connection, organisation) = (store.connection(), bench.yard.organisation);
    let page = store::PageOf::new(None, 100);
    let told = history::of_entity(connection, organisation, "job part", line.id.0, page).await;
    let kinds: Vec<_> = told.unwrap().rows.iter().map(|row| row.kind).collect();
    assert_eq!(kinds, [ChangeKind::Created, ChangeKind::Removed]);
}

#[rstest]
#[tokio::test]
async fn only_what_was_asked_for_and_did_not_go_in_comes_off(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    let job = bench.on_bench(store).await;
    let planned = bench.line(store, &job, &bench.impeller).await.unwrap();
    let refused = bench.take_off(store, &planned).await.unwrap_err();
    assert_eq!(refused.rule(), "job-part-planned");
    // One more of a planned part: back to the plan's one, and the second piece is free.
    bench.ask(store, &job, &bench.impeller, 1).await;
    assert_eq!(bench.level(store, &bench.impeller).await, (2, 2));
    let stale = bench.take_off(store, &planned).await.unwrap_err();
    assert_eq!(stale.rule(), "changed-meanwhile");
    let used = async |line: &JobPart, used: i64| {
        let (id, version) = (line.id, line.version);
        let use_part = async |tx: &Transaction| {
            let organisation = bench.yard.organisation;
            jobs::use_part(tx, organisation, &author(), id, version, (used, None)).await
        };
        store.write::<_, StoreError>(use_part).await.unwrap()
    };
    let grown = bench.line(store, &job, &bench.impeller).await.unwrap();
    let both = used(&grown, 2).await;
    let refused = bench.take_off(store, &both).await.unwrap_err();
    assert_eq!(refused.rule(), "job-part-used");
    assert!(refused.to_string().contains("2 of BV-6-IMP"), "{refused}");
    let one = used(&both, 1).await;
    let off = bench.take_off(store, &one).await.unwrap();
    assert_eq!(off.job.status, JobStatus::OnBench);
    let left = bench.line(store, &job, &bench.impeller).await.unwrap();
    assert_eq!((left.quantity, left.beyond_plan, left.used), (1, 0, Some(1)));
    assert_eq!(bench.level(store, &bench.impeller).await, (2, 1));
}

#[rstest]
#[tokio::test]
async fn a_quantity_or_minutes_far_beyond_the_plan_take_a_reason(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    let job = bench.on_bench(store).await;
    let organisation = bench.yard.organisation;
    let used = async |quantity: i64, why: Option<&str>| {
        let use_seal = async |tx: &Transaction| {
            let parts = jobs::parts(tx, organisation, &[job.id]).await?;
            let seal = parts.into_iter().find(|one| one.part == bench.seal.id).unwrap();
            let (id, version) = (seal.id, seal.version);
            jobs::use_part(tx, organisation, &author(), id, version, (quantity, why)).await
        };
        store.write::<_, StoreError>(use_seal).await
    };
    assert_eq!(used(10, None).await.unwrap().used, Some(10), "a few pieces are never asked about");
    assert_eq!(used(9_999, None).await.unwrap_err().rule(), "used-far-beyond-need");
    assert_eq!(used(9_999, Some("a whole box went overboard")).await.unwrap().used, Some(9_999));
    let (connection, all) = (store.connection(), store::PageOf::new(None, 100));
    let history = history::of_all(connection, organisation, all).await.unwrap().rows;
    let why = Some("a whole box went overboard");
    let told = |row: &history::Kept| row.note.as_deref() == why;
    assert!(history.iter().any(told), "the reason is on record");
    let ask = async |tx: &Transaction| {
        let (of, asked) = ((job.id, job.version), (bench.impeller.id, 500, None));
        jobs::add_part(tx, organisation, &author(), of, asked, today()).await
    };
    let refused = store.write::<_, StoreError>(ask).await.unwrap_err();
    assert_eq!(refused.rule(), "used-far-beyond-need");
    let spend = async |tx: &Transaction| {
        let task = jobs::tasks(tx, organisation, &[job.id]).await?.remove(0);
        let spent = Some(fleet::Minutes(1_400));
        let done = Done { outcome: TaskOutcome::Done, spent, by: None, note: None };
        jobs::done(tx, organisation, &author(), task.id, task.version, done).await
    };
    let refused = store.write::<_, StoreError>(spend).await.unwrap_err();
    assert_eq!(refused.rule(), "minutes-far-beyond-plan");
}

#[rstest]
#[tokio::test]
async fn a_finding_is_in_work_from_agreed_on_and_closed_at_release(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    let finding = Finding {
        id: FindingId::fresh(),
        version: 1,
        engine: bench.engine.id,
        kind: None,
        title: "Weeps at the shaft".to_owned(),
        urgency: Urgency::NextService,
        safety: false,
        status: FindingStatus::Open,
        found_at: now() - TimeDelta::hours(1),
        found_by: None,
        life: None,
        note: None,
        closed_at: None,
        closing_note: None,
    };
    let organisation = bench.yard.organisation;
    let keep = async |tx: &Transaction| {
        record::create(tx, organisation, &author(), std::slice::from_ref(&finding)).await
    };
    store.write::<_, StoreError>(keep).await.unwrap();
    let new = NewJob {
        engine: bench.engine.id,
        site: bench.yard.site.id,
        finding: Some(finding.id),
        planned_on: None,
        bay: None,
        person: None,
        tasks: Vec::new(),
        parts: Vec::new(),
        note: None,
    };
    let job = bench.create(store, new).await;
    let status = async || {
        let of = [bench.engine.id];
        findings::of_engines(store.connection(), organisation, &of).await.unwrap().remove(0).status
    };
    assert_eq!(status().await, FindingStatus::Open);
    let mut job = bench.follow(store, &job, JobState::Agreed).await.unwrap().job;
    assert_eq!((job.status, status().await), (JobStatus::Kitted, FindingStatus::InWork));
    for wanted in [JobState::OnBench, JobState::OnTest, JobState::Released] {
        job = bench.follow(store, &job, wanted).await.unwrap().job;
    }
    assert_eq!(status().await, FindingStatus::Closed);
}

#[rstest]
#[tokio::test]
async fn a_move_made_from_an_old_version_is_refused(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    let job = bench.job(store, None).await;
    bench.follow(store, &job, JobState::Agreed).await.unwrap();
    let refused = bench.follow(store, &job, JobState::Agreed).await.unwrap_err();
    assert_eq!(refused.rule(), "changed-meanwhile");
}

/// What left without naming its lot is taken off what expires first: nothing is promised that can't
/// be there.
#[rstest]
#[tokio::test]
async fn what_left_without_a_lot_is_not_promised(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let bench = bench(store).await;
    bench.put(store, &bench.impeller, 1, None).await;
    bench.put(store, &bench.seal, 1, Some("2026-06-30")).await;
    let later = bench.put(store, &bench.seal, 1, Some("2027-06-30")).await;
    let gone = bench.moved(&bench.seal, MoveKind::Issue, -1, None);
    let organisation = bench.yard.organisation;
    let work = async |tx: &Transaction| stock::book(tx, organisation, &[gone]).await;
    store.write::<_, StoreError>(work).await.unwrap();
    let job = bench.job(store, None).await;
    bench.follow(store, &job, JobState::Agreed).await.unwrap();
    let held = stock::held_for_jobs(store.connection(), organisation, &[job.id]).await.unwrap();
    let seal = held.iter().find(|one| one.part == bench.seal.id).unwrap();
    assert_eq!(seal.lot, Some(later));
}

async fn order(store: &Store, bench: &Bench, of: &Part, quantity: i64, expected_on: &str) {
    let currency = Currency::parse("EUR").unwrap();
    let supplier = Supplier {
        id: SupplierId::fresh(),
        version: 1,
        name: "Dorn Marine".to_owned(),
        currency,
        order_minimum_minor: None,
        freight_minor: None,
        order_cost_minor: None,
        review_days: 7,
        note: None,
        archived: false,
    };
    let order = Order {
        id: OrderId::fresh(),
        version: 1,
        number: "O-1".to_owned(),
        supplier: supplier.id,
        site: bench.yard.site.id,
        status: OrderStatus::Sent,
        currency,
        ordered_on: Some(today()),
        expected_on: Some(expected_on.parse().unwrap()),
        approved_by: None,
        run: None,
        note: None,
        created_at: now(),
    };
    let line = OrderLine {
        id: OrderLineId::fresh(),
        version: 1,
        order: order.id,
        part: of.id,
        quantity,
        price_minor: 450,
        price_units: 1,
        cancelled: 0,
        returned: 0,
        expected_on: None,
        note: None,
    };
    let work = async |tx: &Transaction| {
        let organisation = bench.yard.organisation;
        record::create(tx, organisation, &author(), &[supplier]).await?;
        record::create(tx, organisation, &author(), &[order]).await?;
        record::create(tx, organisation, &author(), &[line]).await
    };
    store.write::<_, StoreError>(work).await.unwrap();
}
