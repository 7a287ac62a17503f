//! Plans from the records to the wall: made, kept to, moved, published, on both databases.

#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};
use fleet::bench::{Job, JobStatus};
use fleet::engine::Engine;
use fleet::finding::{Finding, FindingStatus, Hold};
use fleet::hours::Minutes;
use fleet::id::{
    EngineId, FindingId, HoldId, JobId, OrderId, OrderLineId, PlanId, StockMoveId, TaskId,
    TaskPartId,
};
use fleet::job::JobState;
use fleet::order::{Order, OrderLine, OrderStatus};
use fleet::part::{MoveKind, Part, Reservation, ReservationStatus, StockMove};
use fleet::programme::AccessGroup::NothingOff;
use fleet::programme::{ProgrammeInterval, Task, TaskPart, Urgency};
use fleet::run::RunKind;
use fleet::service::Service;
use fleet::site::Site;
use fleet::supplier::Supplier;
use fleet::visit::{Plan, PlanKind, PlanStatus, Visit};
use rstest::rstest;
use runs::due::{due_list, due_list_of};
use runs::hours::FleetHours;
use runs::plan::account::{Account, PlanRunSummary};
use runs::plan::parameters::{PartsCounted, PlanParameters, WhatIf};
use runs::plan::standing::{self, Destination, Published};
use runs::{Clock, RunError, Wanted};
use store::jobs::{self, NewJob};
use store::runs::{self as kept, Scope};
use store::{Store, StoreError, Transaction, plans, record, snapshot, stock};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::database::Fresh;
use tests::winter::{WinterYard, YardHas, now};
use tests::yard::{Yard, author, interval, part, service, task};

fn day(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

/// A yard in winter and its database.
struct Winter {
    database: Fresh,
    yard: Yard,
    engines: Vec<Engine>,
    oil: Task,
    pump: Task,
    kit: Part,
    seller: Supplier,
}

impl Winter {
    async fn begin(on: Database, has: YardHas) -> Option<Self> {
        let database = on.fresh().await?;
        let WinterYard { yard, engines, oil, pump, kit, seller } =
            WinterYard::found(&database.store, has).await;
        Some(Self { database, yard, engines, oil, pump, kit, seller })
    }

    fn store(&self) -> &Store {
        &self.database.store
    }

    /// Makes a plan; the same each time.
    async fn plan(&self, parameters: PlanParameters) -> Result<Account, RunError> {
        self.plan_as("tests", parameters).await
    }

    async fn plan_as(&self, who: &str, parameters: PlanParameters) -> Result<Account, RunError> {
        let parameters = PlanParameters { work: Some(200_000), ..parameters };
        let wanted = Wanted {
            site: Some(self.yard.site.id),
            parameters: serde_json::to_value(parameters).unwrap(),
            ..Wanted::by(self.yard.organisation, RunKind::Plan, who)
        };
        let clock: Clock = Arc::new(now);
        let run = runs::ask(self.store(), &wanted, now()).await?;
        let organisation = self.yard.organisation;
        let run = runs::carry_out(self.store(), organisation, run.id, &clock, Arc::new(|_, _| {}))
            .await?;
        let summary: PlanRunSummary = serde_json::from_value(run.summary.unwrap()).unwrap();
        Ok(summary.plans.into_iter().next().expect("a plan for the site"))
    }

    /// Forecasts, and answers what planned work takes of the pump's kit, month by month.
    async fn kits_planned(&self) -> Vec<(NaiveDate, f64)> {
        let (store, organisation) = (self.store(), self.yard.organisation);
        let wanted = Wanted::by(organisation, RunKind::Forecast, "tests");
        let run = runs::ask(store, &wanted, now()).await.unwrap();
        let clock: Clock = Arc::new(now);
        let told = Arc::new(|_, _: &str| {});
        let run = runs::carry_out(store, organisation, run.id, &clock, told).await.unwrap();
        let wanted = (None, Scope::Fleet);
        let rows = kept::forecast_rows(store.connection(), organisation, run.id, wanted);
        let mut rows = rows.await.unwrap();
        rows.retain(|row| row.months == 1);
        rows.sort_by_key(|row| row.month);
        rows.iter().map(|row| (row.month, row.planned)).collect()
    }

    async fn visits(&self, account: &Account) -> Vec<Visit> {
        let (connection, organisation) = (self.store().connection(), self.yard.organisation);
        plans::visits(connection, organisation, account.plan.unwrap()).await.unwrap()
    }

    async fn tasks_of(&self, visit: &Visit) -> Vec<TaskId> {
        let (connection, organisation) = (self.store().connection(), self.yard.organisation);
        let tasks = plans::tasks(connection, organisation, &[visit.id]).await.unwrap();
        tasks.into_iter().map(|task| task.task).collect()
    }

    async fn get(&self, account: &Account) -> Plan {
        let (connection, organisation) = (self.store().connection(), self.yard.organisation);
        record::get(connection, organisation, account.plan.unwrap()).await.unwrap()
    }

    async fn publish(&self, account: &Account) -> Result<Published, RunError> {
        let plan = self.get(account).await;
        self.publish_plan(&plan).await
    }

    async fn publish_plan(&self, plan: &Plan) -> Result<Published, RunError> {
        let draft = (plan.id, plan.version);
        standing::publish(self.store(), self.yard.organisation, &author(), draft, None).await
    }

    /// Puts `pieces` of the pump's kit on the shelf.
    async fn receive(&self, pieces: i64) {
        let organisation = self.yard.organisation;
        let came = StockMove {
            id: StockMoveId::fresh(),
            part: self.kit.id,
            site: self.yard.site.id,
            lot: None,
            kind: MoveKind::Receipt,
            quantity: pieces,
            moved_at: now(),
            job: None,
            receipt_line: None,
            moved_by: None,
            together: None,
            reason: None,
            reference: None,
            recorded_at: now(),
        };
        let work = async |tx: &Transaction| stock::book(tx, organisation, &[came]).await;
        self.store().write::<_, StoreError>(work).await.unwrap();
    }

    /// Orders `pieces` of the pump's kit for a day.
    async fn order(&self, pieces: i64, expected_on: &str) -> Order {
        let order = Order {
            id: OrderId::fresh(),
            version: 1,
            number: "O-1".to_owned(),
            supplier: self.seller.id,
            site: self.yard.site.id,
            status: OrderStatus::Sent,
            currency: self.seller.currency,
            ordered_on: Some(now().date_naive()),
            expected_on: Some(day(expected_on)),
            approved_by: None,
            run: None,
            note: None,
            created_at: now(),
        };
        let line = OrderLine {
            id: OrderLineId::fresh(),
            version: 1,
            order: order.id,
            part: self.kit.id,
            quantity: pieces,
            price_minor: 3_850,
            price_units: 1,
            cancelled: 0,
            returned: 0,
            expected_on: None,
            note: None,
        };
        let organisation = self.yard.organisation;
        let work = async |tx: &Transaction| {
            record::create(tx, organisation, &author(), std::slice::from_ref(&order)).await?;
            record::create(tx, organisation, &author(), std::slice::from_ref(&line)).await
        };
        self.store().write::<_, StoreError>(work).await.unwrap();
        order
    }

    /// Jobs by number.
    async fn jobs(&self) -> Vec<Job> {
        let (connection, organisation) = (self.store().connection(), self.yard.organisation);
        let mut jobs: Vec<Job> = record::all(connection, organisation).await.unwrap();
        jobs.sort_by_key(|job| job.number);
        jobs
    }

    async fn job(&self, id: JobId) -> Job {
        let (connection, organisation) = (self.store().connection(), self.yard.organisation);
        record::get(connection, organisation, id).await.unwrap()
    }

    async fn held(&self) -> Vec<Reservation> {
        let (connection, organisation) = (self.store().connection(), self.yard.organisation);
        let mut held: Vec<Reservation> = record::all(connection, organisation).await.unwrap();
        held.retain(|one| one.status == ReservationStatus::Held);
        held
    }

    async fn follow(&self, job: &Job, wanted: JobState) -> Job {
        let organisation = self.yard.organisation;
        let work = async |tx: &Transaction| {
            let (id, version, today) = (job.id, job.version, now().date_naive());
            jobs::follow(tx, organisation, &author(), id, version, wanted, today).await
        };
        self.store().write::<_, StoreError>(work).await.unwrap().job
    }

    async fn create_job(&self, engine: &Engine, task: &Task, finding: Option<FindingId>) -> Job {
        let new = NewJob {
            engine: engine.id,
            site: self.yard.site.id,
            finding,
            planned_on: Some(day("2025-11-05")),
            bay: None,
            person: None,
            tasks: vec![(task.id, task.own_work)],
            parts: Vec::new(),
            note: None,
        };
        let organisation = self.yard.organisation;
        let work = async |tx: &Transaction| jobs::create(tx, organisation, &author(), new).await;
        self.store().write::<_, StoreError>(work).await.unwrap()
    }

    /// A draft of a plan in which `changes` give engines another day, or none.
    async fn changed(&self, of: PlanId, changes: &[(EngineId, Option<NaiveDate>)]) -> Plan {
        let (store, organisation) = (self.store(), self.yard.organisation);
        let draft = standing::draft_of(store, organisation, &author(), of).await.unwrap();
        let visits = plans::visits(store.connection(), organisation, draft.id).await.unwrap();
        for (engine, on) in changes {
            let visit = visits.iter().find(|visit| visit.engine == *engine).unwrap();
            let (at, to) = ((visit.id, visit.version), Destination { on: *on, mode: None });
            standing::move_visit(store, organisation, &author(), at, &to).await.unwrap();
        }
        draft
    }
}

#[rstest]
#[tokio::test]
async fn every_engine_is_on_the_bench_before_the_first_hire(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(winter) = Winter::begin(on, YardHas::HandsAndBench).await else { return };
    let account = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    assert_eq!((account.planned, account.left_out.len()), (3, 0));
    assert!(account.bound.is_some_and(|bound| bound <= account.objective));
    let visits = winter.visits(&account).await;
    for visit in &visits {
        // 14 days before 1 April; the kit takes ten days where it is ordered today.
        let starts = visit.starts_on.unwrap();
        assert!(
            starts >= day("2025-11-13") && visit.ends_on.unwrap() <= day("2026-03-17"),
            "{starts}"
        );
        let mut tasks = winter.tasks_of(visit).await;
        let mut both = [winter.oil.id, winter.pump.id];
        tasks.sort_unstable();
        both.sort_unstable();
        assert_eq!(tasks, both, "the pump falls due in June and is done in winter");
        // Oil 30, pump 50, gearcase off and on 25, a visit 20.
        assert_eq!((visit.bench, visit.bay.is_some()), (Minutes(125), true));
        assert!(visit.person.is_some());
    }
    let first = visits.iter().filter_map(|visit| visit.starts_on).min();
    let ordered: Vec<_> = account
        .to_order
        .iter()
        .map(|it| (it.part.as_str(), it.pieces, Some(it.needed_on), it.order_by))
        .collect();
    let order_by = first.map(|first| first - chrono::Days::new(10));
    assert_eq!(ordered, [("B6-PK", 3, first, order_by)]);
    let plan = winter.get(&account).await;
    assert_eq!((plan.status, plan.kind), (PlanStatus::Draft, PlanKind::LayUp));
}

#[tokio::test]
async fn what_may_wait_for_its_part_is_put_off_and_the_rest_is_done() {
    let winter = Winter::begin(Sqlite, YardHas::HandsAndBench).await.unwrap();
    let parameters = PlanParameters {
        parts: PartsCounted::OnHandAndOrdered,
        ..PlanParameters::of(PlanKind::LayUp)
    };
    let account = winter.plan(parameters).await.unwrap();
    assert_eq!((account.planned, account.to_order.len()), (3, 0));
    for visit in winter.visits(&account).await {
        assert_eq!(winter.tasks_of(&visit).await, [winter.oil.id]);
        assert_eq!(visit.mode.as_deref(), Some("what is due"));
    }
}

/// Gear oil is due and takes a gasket that nobody sells; the leads are due and take nothing.
#[tokio::test]
async fn what_is_due_and_lacks_its_part_is_left_and_the_rest_is_done() {
    let winter = Winter::begin(Sqlite, YardHas::HandsAndBench).await.unwrap();
    let organisation = winter.yard.organisation;
    let leads = Task { skill: winter.oil.skill, ..task("Look over the leads", NothingOff, 20) };
    let gasket = part("B6-GA");
    let takes = TaskPart {
        id: TaskPartId::fresh(),
        version: 1,
        task: winter.oil.id,
        model: None,
        part: gasket.id,
        quantity: 1,
        chance_permille: 1_000,
    };
    let every = ProgrammeInterval { every_months: Some(12), ..interval(&leads) };
    let done = |engine: &Engine| service(engine.id, &leads, day("2024-12-10"));
    let services: Vec<Service> = winter.engines.iter().map(done).collect();
    let work = async |tx: &Transaction| {
        let who = author();
        record::create(tx, organisation, &who, std::slice::from_ref(&leads)).await?;
        record::create(tx, organisation, &who, std::slice::from_ref(&every)).await?;
        record::create(tx, organisation, &who, std::slice::from_ref(&gasket)).await?;
        record::create(tx, organisation, &who, std::slice::from_ref(&takes)).await?;
        record::append(tx, organisation, &services).await
    };
    winter.store().write::<_, StoreError>(work).await.unwrap();

    let account = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    assert_eq!((account.planned, account.left_out.len()), (3, 0));
    let mut rest = [winter.pump.id, leads.id];
    rest.sort_unstable();
    for visit in winter.visits(&account).await {
        let mut tasks = winter.tasks_of(&visit).await;
        tasks.sort_unstable();
        assert_eq!(tasks, rest);
        assert_eq!(visit.mode.as_deref(), Some("without what lacks parts"));
        let reason = visit.reason.unwrap();
        assert!(
            reason.ends_with("left for later, since parts are lacking: Change the gear oil"),
            "{reason}"
        );
    }
}

#[tokio::test]
async fn a_yard_without_bench_or_hands_is_told_what_is_missing() {
    let winter = Winter::begin(Sqlite, YardHas::Nobody).await.unwrap();
    let refused = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap_err();
    assert_eq!(refused.rule(), "plan-refused");
    assert!(refused.to_string().contains("bays-missing"), "{refused}");
}

#[rstest]
#[tokio::test]
async fn the_plan_that_holds_is_kept_to_and_superseded(#[values(Sqlite, Postgres)] on: Database) {
    let Some(winter) = Winter::begin(on, YardHas::HandsAndBench).await else { return };
    let first = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    let published = winter.publish(&first).await.unwrap();
    assert_eq!(published.plan.status, PlanStatus::Published);
    let again = winter.publish(&first).await.unwrap_err();
    assert_eq!(again.rule(), "plan-not-draft");
    let second = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    let difference = second.difference.as_ref().expect("beside the plan that holds");
    assert_eq!((difference.beside, difference.shifted.len()), (first.plan, 0));
    let days = |visits: Vec<Visit>| {
        let mut days: Vec<_> = visits.iter().map(|it| (it.engine, it.starts_on)).collect();
        days.sort_unstable();
        days
    };
    assert_eq!(days(winter.visits(&second).await), days(winter.visits(&first).await));
    winter.publish(&second).await.unwrap();
    assert_eq!(winter.get(&first).await.status, PlanStatus::Superseded);
}

#[rstest]
#[tokio::test]
async fn a_visit_is_moved_by_hand_at_the_cost_that_was_shown(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(winter) = Winter::begin(on, YardHas::HandsAndBench).await else { return };
    let account = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    let (connection, organisation) = (winter.store().connection(), winter.yard.organisation);
    let read = async || standing::read(connection, organisation, account.plan.unwrap()).await;
    let before = read().await.unwrap();
    assert_eq!(before.schedule.objective, account.objective);
    let visit = before.visits[0].clone();
    let moves = before.moves(visit.id).unwrap();
    let elsewhere = moves
        .openings
        .iter()
        .find(|it| it.blocked_by.is_empty() && Some(it.on) != visit.starts_on)
        .expect("a free day");
    let to = Destination { on: Some(elsewhere.on), mode: Some(elsewhere.mode.clone()) };
    let at = (visit.id, visit.version);
    let moved =
        standing::move_visit(winter.store(), organisation, &author(), at, &to).await.unwrap();
    assert_eq!(moved.starts_on, Some(elsewhere.on));
    let after = read().await.unwrap();
    assert_eq!(after.schedule.objective, account.objective + elsewhere.change);
    let stale = standing::move_visit(winter.store(), organisation, &author(), at, &to).await;
    assert_eq!(stale.unwrap_err().rule(), "changed-meanwhile");
    let sunday = Destination { on: Some(day("2025-12-07")), mode: None };
    let at = (visit.id, moved.version);
    let closed = standing::move_visit(winter.store(), organisation, &author(), at, &sunday).await;
    assert_eq!(closed.unwrap_err().rule(), "visit-blocked");
    let locked =
        standing::lock_visit(winter.store(), organisation, &author(), at, true).await.unwrap();
    let at = (visit.id, locked.version);
    let held = standing::move_visit(winter.store(), organisation, &author(), at, &to).await;
    assert_eq!(held.unwrap_err().rule(), "visit-locked");
    let from = PlanParameters { from: account.plan, ..PlanParameters::of(PlanKind::LayUp) };
    let next = winter.plan(from).await.unwrap();
    let stays = winter.visits(&next).await.into_iter().find(|it| it.engine == visit.engine);
    assert_eq!(stays.unwrap().starts_on, Some(elsewhere.on), "locked visits stay");
}

#[tokio::test]
async fn a_what_if_is_solved_beside_the_plan_and_makes_no_draft() {
    let winter = Winter::begin(Sqlite, YardHas::HandsAndBench).await.unwrap();
    let first = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    let beside = PlanParameters { from: first.plan, ..PlanParameters::of(PlanKind::LayUp) };
    let what_if = |what_if| PlanParameters { what_if: Some(what_if), ..beside.clone() };
    let hands = WhatIf::MoreHands { skill: "outboards".to_owned(), people: 1 };
    let more = winter.plan(what_if(hands)).await.unwrap();
    assert_eq!(more.plan, None);
    assert!(more.objective <= first.objective, "more hands never cost more");
    let engines = WhatIf::MoreEngines { pool: winter.yard.pool.id, engines: 10 };
    let grown = winter.plan(what_if(engines)).await.unwrap();
    let difference = grown.difference.expect("beside the plan");
    assert_eq!((difference.gained.len(), grown.planned), (10, 13));
    let nobody = WhatIf::MoreHands { skill: "sails".to_owned(), people: 1 };
    let refused = winter.plan(what_if(nobody)).await.unwrap_err();
    assert_eq!(refused.rule(), "what-if-unknown");
    let all: Vec<Plan> =
        record::all(winter.store().connection(), winter.yard.organisation).await.unwrap();
    assert_eq!(all.len(), 1);
}

#[tokio::test]
async fn the_due_list_of_some_engines_is_their_part_of_the_whole_without_hires_and_readings() {
    let winter = Winter::begin(Sqlite, YardHas::HandsAndBench).await.unwrap();
    let (organisation, today) = (winter.yard.organisation, now().date_naive());
    let whole = snapshot::take(winter.store(), organisation, now()).await.unwrap();
    let fleet = FleetHours::fit(&whole, today);
    let asked = |engine: EngineId| engine != winter.engines[1].id;
    let mut expected = due_list(&whole, &fleet, today, today);
    expected.retain(|line| asked(line.engine));
    assert_eq!(expected.len(), 4, "two tasks on each of two engines");
    let short = snapshot::take_without_logs(winter.store(), organisation, now()).await.unwrap();
    let lines = due_list_of(&short, &fleet, (today, today), |engine| asked(engine.id));
    assert_eq!(format!("{lines:?}"), format!("{expected:?}"));
}

/// Days on which each engine's pump is renewed.
async fn pump_days(winter: &Winter, account: &Account) -> Vec<(EngineId, NaiveDate)> {
    let mut days = Vec::new();
    for visit in winter.visits(account).await {
        if winter.tasks_of(&visit).await.contains(&winter.pump.id) {
            days.push((visit.engine, visit.starts_on.unwrap()));
        }
    }
    days.sort_unstable();
    days
}

#[tokio::test]
async fn an_order_a_week_late_moves_only_what_waits_for_it() {
    let winter = Winter::begin(Sqlite, YardHas::HandsAndBench).await.unwrap();
    winter.receive(2).await;
    let order = winter.order(1, "2026-03-05").await;
    let sure = PlanParameters {
        parts: PartsCounted::OnHandAndOrdered,
        ..PlanParameters::of(PlanKind::LayUp)
    };
    let first = winter.plan(sure.clone()).await.unwrap();
    let stood = pump_days(&winter, &first).await;
    let waiting = |days: &[(EngineId, NaiveDate)], from: &str| {
        days.iter().filter(|(_, on)| *on >= day(from)).count()
    };
    assert_eq!((stood.len(), waiting(&stood, "2026-03-05")), (3, 1), "{stood:?}");
    winter.publish(&first).await.unwrap();

    // Tried beside the plan that holds: the one that waits moves, or does without the pump.
    let late = WhatIf::OrderLate { order: order.id, days: 7 };
    let what_if = PlanParameters { what_if: Some(late), from: first.plan, ..sure.clone() };
    let tried = winter.plan(what_if).await.unwrap();
    let difference = tried.difference.as_ref().expect("beside the plan");
    assert_eq!(difference.shifted.len(), 1, "{difference:?}");
    let shift = &difference.shifted[0];
    assert!(shift.from_on < day("2026-03-12"), "{shift:?}");
    assert!(shift.to_mode != "whole" || shift.to_on >= day("2026-03-12"), "{shift:?}");
    assert!(difference.objective > 0, "waiting costs: {difference:?}");
    assert_eq!(difference.unchanged, Some(0), "nothing is to be bettered but by the change");
    let none = WhatIf::OrderLate { order: OrderId::fresh(), days: 7 };
    let what_if = PlanParameters { what_if: Some(none), from: first.plan, ..sure.clone() };
    assert_eq!(winter.plan(what_if).await.unwrap_err().rule(), "what-if-unknown");

    // It slips in truth: planned again, the two that have their kits stay where they are.
    let organisation = winter.yard.organisation;
    let slipped = Order { expected_on: Some(day("2026-03-12")), ..order };
    let slip = async |tx: &Transaction| {
        record::change(tx, organisation, &author(), &slipped).await?;
        Ok::<_, StoreError>(())
    };
    winter.store().write(slip).await.unwrap();
    let again = winter.plan(sure).await.unwrap();
    let stands = pump_days(&winter, &again).await;
    assert!(waiting(&stands, "2026-03-12") + (3 - stands.len()) == 1, "{stands:?}");
    let stayed = stands.iter().filter(|visit| stood.contains(visit)).count();
    assert_eq!(stayed, 2, "{stood:?} then {stands:?}");
    let beside = again.difference.expect("beside the plan that holds");
    assert_eq!((beside.shifted, beside.unchanged), (difference.shifted.clone(), None));
}

#[tokio::test]
async fn a_what_if_keeps_to_the_plan_that_it_is_tried_beside() {
    let winter = Winter::begin(Sqlite, YardHas::HandsAndBench).await.unwrap();
    winter.receive(3).await;
    let account = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    let best = winter.publish(&account).await.unwrap().plan;
    // One engine is put on a day that costs a little more, and that holds then.
    let moved = winter.engines[0].id;
    let (connection, organisation) = (winter.store().connection(), winter.yard.organisation);
    let standing = standing::read(connection, organisation, best.id).await.unwrap();
    let visit = standing.visits.iter().find(|visit| visit.engine == moved).unwrap();
    let moves = standing.moves(visit.id).unwrap();
    let move_cost = standing.problem.instance.visits[0].move_cost;
    let free = moves.openings.iter().filter(|it| it.blocked_by.is_empty());
    let dearer = free.filter(|it| (1..move_cost).contains(&(it.change - it.parts.moved)));
    let dearer = dearer.max_by_key(|it| it.change).expect("a day that costs a little more");
    let draft = winter.changed(best.id, &[(moved, Some(dearer.on))]).await;
    let holds = winter.publish_plan(&draft).await.unwrap().plan;
    let hands = WhatIf::MoreHands { skill: "outboards".to_owned(), people: 1 };
    let beside = PlanParameters {
        what_if: Some(hands),
        from: Some(holds.id),
        ..PlanParameters::of(PlanKind::LayUp)
    };
    let difference = winter.plan(beside).await.unwrap().difference.expect("beside the plan");
    assert!(difference.shifted.is_empty(), "moving back costs more than it saves: {difference:?}");
    assert_eq!((difference.objective, difference.unchanged), (0, Some(0)));
}

#[rstest]
#[case::no_plan_named(serde_json::json!({}))]
#[case::another_field(serde_json::json!({"plan": "lay_up", "hurry": true}))]
#[case::no_time(serde_json::json!({"plan": "lay_up", "seconds": 0.0}))]
#[case::too_many_weeks(serde_json::json!({"plan": "rotation", "weeks": 13}))]
#[case::no_share(serde_json::json!({"plan": "rotation", "gap": 1.5}))]
fn parameters_that_mean_nothing_are_refused(#[case] given: serde_json::Value) {
    assert_eq!(PlanParameters::read(&given).unwrap_err().rule(), "plan-parameters");
}

#[rstest]
#[tokio::test]
async fn published_visits_become_jobs_and_what_is_there_goes_to_the_first(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(winter) = Winter::begin(on, YardHas::HandsAndBench).await else { return };
    winter.receive(2).await;
    let account = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    let published = winter.publish(&account).await.unwrap();
    assert_eq!((published.jobs.made.len(), published.jobs.short.len()), (3, 1));
    assert_eq!(published.says(), "Jobs: 3 made. 1 of them is short of a part.");
    let jobs = winter.jobs().await;
    assert_eq!(jobs.iter().map(|job| job.number).collect::<Vec<_>>(), [1, 2, 3]);
    assert!(jobs.is_sorted_by_key(|job| job.planned_on), "numbered by day");
    let states: Vec<JobStatus> = jobs.iter().map(|job| job.status).collect();
    assert_eq!(states, [JobStatus::Kitted, JobStatus::Kitted, JobStatus::Short]);
    let (connection, organisation) = (winter.store().connection(), winter.yard.organisation);
    for visit in winter.visits(&account).await {
        let job = jobs.iter().find(|job| Some(job.id) == visit.job).expect("the visit's job");
        assert_eq!((job.engine, job.planned_on), (visit.engine, visit.starts_on));
        assert_eq!((job.bay, job.person), (visit.bay, visit.person));
        let tasks = jobs::tasks(connection, organisation, &[job.id]).await.unwrap();
        let minutes: u32 = tasks.iter().map(|task| task.planned.0).sum();
        assert_eq!((tasks.len(), Minutes(minutes)), (2, visit.bench));
    }
    let held = winter.held().await;
    assert_eq!(held.len(), 2);
    // The same again: nothing is touched.
    let same = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    assert!(same.to_order.iter().all(|it| it.pieces == 1), "kits kept back for it are its own");
    let again = winter.publish(&same).await.unwrap().jobs;
    assert_eq!((again.kept.len(), again.made.len(), again.moved.len()), (3, 0, 0));
    assert_eq!(winter.jobs().await, jobs);
    assert_eq!(winter.held().await, held);
}

/// Kits that the buyer is told to order, and by when, on a forecast of that day.
async fn kits_advised(winter: &Winter, at: DateTime<Utc>) -> Option<(i64, NaiveDate)> {
    let (store, organisation) = (winter.store(), winter.yard.organisation);
    let clock: Clock = Arc::new(move || at);
    let mut last = None;
    for kind in [RunKind::Forecast, RunKind::OrderAdvice] {
        let run = runs::ask(store, &Wanted::by(organisation, kind, "tests"), at).await.unwrap();
        let done = runs::carry_out(store, organisation, run.id, &clock, Arc::new(|_, _| {})).await;
        last = Some(done.unwrap().id);
    }
    let rows = store::runs::advice_rows(store.connection(), organisation, last.unwrap());
    let rows = rows.await.unwrap();
    let of_kit = rows.iter().find(|row| row.part == winter.kit.id);
    of_kit.map(|row| (row.quantity, row.order_by))
}

#[rstest]
#[case::kept_back_for_all_three(3)]
#[case::one_is_there(1)]
#[tokio::test]
async fn the_buyer_is_told_of_what_the_plan_lacks_and_not_of_what_is_kept_back(#[case] there: i64) {
    let winter = Winter::begin(Sqlite, YardHas::HandsAndBench).await.unwrap();
    winter.receive(there).await;
    let account = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    winter.publish(&account).await.unwrap();
    assert_eq!(winter.held().await.len() as i64, there);
    let counted_on: i64 = account.to_order.iter().map(|it| it.pieces).sum();
    assert_eq!(counted_on, 3 - there);
    // Two weeks before the first visit: an order that waits for the next look would come too late.
    let first = winter.jobs().await.iter().filter_map(|job| job.planned_on).min().unwrap();
    let at = (first - chrono::Days::new(14)).and_hms_opt(6, 0, 0).unwrap().and_utc();
    let advised = kits_advised(&winter, at).await;
    match advised {
        None => assert_eq!(there, 3, "the plan counts on {counted_on} kits"),
        Some((quantity, order_by)) => {
            assert_eq!((there, quantity), (1, 2));
            assert!(Some(order_by) <= account.to_order[0].order_by, "{order_by}: {account:?}");
        }
    }
}

#[tokio::test]
async fn what_comes_before_the_winter_begins_is_there_on_its_first_day() {
    let winter = Winter::begin(Sqlite, YardHas::HandsAndBench).await.unwrap();
    let (connection, organisation) = (winter.store().connection(), winter.yard.organisation);
    let site: Site = record::get(connection, organisation, winter.yard.site.id).await.unwrap();
    let site = Site { last_hire_on: Some(day("2025-11-20")), ..site };
    let change = async |tx: &Transaction| {
        record::change(tx, organisation, &author(), &site).await?;
        Ok::<_, StoreError>(())
    };
    winter.store().write(change).await.unwrap();
    winter.order(1, "2025-11-12").await;
    let account = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    let plan = account.plan.unwrap();
    let problem = standing::read(connection, organisation, plan).await.unwrap().problem;
    assert_eq!(problem.first, day("2025-11-21"), "a planner plans before the season is over");
    // One is on order for the 12th; what is ordered today is here in ten days, on the 13th.
    let receipts = problem.instance.kits[0].receipts.iter();
    let receipts: Vec<(i64, i64)> = receipts.map(|it| (it.day, it.quantity)).collect();
    assert_eq!(receipts, [(0, 1), (0, 3)]);
    let ordered: Vec<i64> = account.to_order.iter().map(|it| it.pieces).collect();
    assert_eq!(ordered, [2]);
}

/// A kit for each visit in the month of the visit, on every path: without the plan the pumps fall
/// due in June.
#[tokio::test]
async fn the_forecast_follows_a_published_plan_to_the_month_of_each_visit() {
    let winter = Winter::begin(Sqlite, YardHas::HandsAndBench).await.unwrap();
    let unplanned_yet = winter.kits_planned().await;
    let in_winter = |months: &[(NaiveDate, f64)]| -> f64 {
        months.iter().filter(|it| it.0 < day("2026-03-01")).map(|it| it.1).sum()
    };
    assert!(in_winter(&unplanned_yet) < 1.5, "{unplanned_yet:?}");
    let account = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    let draft_only = winter.kits_planned().await;
    assert_eq!(draft_only, unplanned_yet, "a draft is nobody's word");
    let published = winter.publish(&account).await.unwrap();
    follow(&winter, published.plan.id).await;

    let february = (winter.engines[0].id, Some(day("2026-02-10")));
    let moved = winter.changed(published.plan.id, &[february]).await;
    winter.publish_plan(&moved).await.unwrap();
    follow(&winter, moved.id).await;
}

/// Compares the forecast with the visits of the plan that holds.
async fn follow(winter: &Winter, plan: PlanId) {
    let (connection, organisation) = (winter.store().connection(), winter.yard.organisation);
    let visits = plans::visits(connection, organisation, plan).await.unwrap();
    let months = winter.kits_planned().await;
    assert_eq!(months.len(), 12);
    for (month, kits) in months {
        let next = month + chrono::Months::new(1);
        let starts = visits.iter().filter_map(|visit| visit.starts_on);
        let visits = starts.filter(|on| (month..next).contains(on)).count();
        assert!((kits - visits as f64).abs() < 1e-9, "{month}: {kits} of {visits} visits");
    }
}

#[rstest]
#[tokio::test]
async fn jobs_move_with_their_visits_and_are_dropped_without_them(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(winter) = Winter::begin(on, YardHas::HandsAndBench).await else { return };
    winter.receive(2).await;
    let account = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    let first = winter.publish(&account).await.unwrap().plan;
    let [gone, begun, short] = &winter.jobs().await[..] else { panic!("three jobs") };
    let begun = winter.follow(begun, JobState::OnBench).await;
    let later = short.planned_on.unwrap() + chrono::Days::new(7);
    let changes = [(gone.engine, None), (begun.engine, None), (short.engine, Some(later))];
    let draft = winter.changed(first.id, &changes).await;
    let published = winter.publish_plan(&draft).await.unwrap();
    let became = &published.jobs;
    assert_eq!((&became.dropped[..], &became.left[..]), (&[gone.id][..], &[begun.id][..]));
    assert_eq!((&became.moved[..], became.made.len()), (&[short.id][..], 0));
    let dropped = winter.job(gone.id).await;
    assert_eq!(dropped.status, JobStatus::Dropped);
    assert!(dropped.reason.is_some_and(|reason| reason.contains(&published.plan.name)));
    assert_eq!(winter.job(begun.id).await, begun, "what has begun is not touched");
    let moved = winter.job(short.id).await;
    assert_eq!((moved.number, moved.planned_on), (short.number, Some(later)));
    assert_eq!(moved.status, JobStatus::Kitted, "the kit of the job that was dropped");
    // Back to the first plan: the same job on the old day, and a new one for the one dropped.
    let back = winter.changed(first.id, &[]).await;
    let undone = winter.publish_plan(&back).await.unwrap().jobs;
    assert_eq!((undone.made.len(), undone.moved.len(), undone.left.len()), (1, 1, 1));
    let moved = winter.job(short.id).await;
    assert_eq!((moved.planned_on, moved.status), (short.planned_on, JobStatus::Short));
    let made = winter.job(undone.made[0]).await;
    assert_eq!((made.engine, made.planned_on), (gone.engine, gone.planned_on));
    assert_eq!(made.status, JobStatus::Kitted, "the earlier day has the kit again");
}

#[rstest]
#[tokio::test]
async fn no_work_is_agreed_twice_and_a_hold_stays(#[values(Sqlite, Postgres)] on: Database) {
    let Some(winter) = Winter::begin(on, YardHas::HandsAndBench).await else { return };
    winter.receive(9).await;
    let organisation = winter.yard.organisation;
    let [agreed_to, proposed_for, plain] = &winter.engines[..] else { panic!("three engines") };
    let finding = Finding {
        id: FindingId::fresh(),
        version: 1,
        engine: proposed_for.id,
        kind: None,
        title: "Water in the gear oil".to_owned(),
        urgency: Urgency::Stop,
        safety: true,
        status: FindingStatus::Open,
        found_at: now(),
        found_by: None,
        life: None,
        note: None,
        closed_at: None,
        closing_note: None,
    };
    let hold = Hold {
        id: HoldId::fresh(),
        version: 1,
        engine: proposed_for.id,
        finding: Some(finding.id),
        safety: true,
        reason: finding.title.clone(),
        placed_at: now(),
        placed_by: None,
        cleared_at: None,
        cleared_by: None,
        clearing_note: None,
    };
    let find = async |tx: &Transaction| {
        record::create(tx, organisation, &author(), std::slice::from_ref(&finding)).await?;
        record::create(tx, organisation, &author(), std::slice::from_ref(&hold)).await
    };
    winter.store().write::<_, StoreError>(find).await.unwrap();
    let account = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    let read = standing::read(winter.store().connection(), organisation, account.plan.unwrap());
    let problem = read.await.unwrap().problem;
    let is_on_hold = |engine| problem.of_engine(engine).unwrap().why.starts_with("on hold");
    assert!(is_on_hold(proposed_for.id) && !is_on_hold(plain.id));
    // Agreed by hand after the draft was made: the oil of one engine, on a day of its own.
    let by_hand = winter.create_job(agreed_to, &winter.oil, None).await;
    let by_hand = winter.follow(&by_hand, JobState::Agreed).await;
    let proposed = winter.create_job(proposed_for, &winter.oil, Some(finding.id)).await;
    let published = winter.publish(&account).await.unwrap();
    assert_eq!(published.jobs.made.len(), 2);
    assert_eq!(published.jobs.moved, [proposed.id], "what was proposed is agreed to");
    assert_eq!(winter.job(by_hand.id).await, by_hand);
    let connection = winter.store().connection();
    let jobs = winter.jobs().await;
    for (engine, tasks) in [(agreed_to, 1), (proposed_for, 2), (plain, 2)] {
        let job = jobs.iter().rfind(|job| job.engine == engine.id).unwrap();
        let of_job = jobs::tasks(connection, organisation, &[job.id]).await.unwrap();
        assert_eq!(of_job.len(), tasks, "{}", engine.serial);
    }
    let in_work: Finding = record::get(connection, organisation, finding.id).await.unwrap();
    assert_eq!(in_work.status, FindingStatus::InWork);
    let stands: Hold = record::get(connection, organisation, hold.id).await.unwrap();
    assert_eq!(stands, hold, "publishing clears no hold");
    let next = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap();
    let of_first =
        winter.visits(&next).await.into_iter().find(|visit| visit.engine == agreed_to.id);
    assert_eq!(winter.tasks_of(&of_first.unwrap()).await, [winter.pump.id]);
    let draft = winter.changed(published.plan.id, &[(proposed_for.id, None)]).await;
    winter.publish_plan(&draft).await.unwrap();
    let open: Finding = record::get(connection, organisation, finding.id).await.unwrap();
    assert_eq!(open.status, FindingStatus::Open, "its job is dropped");
}

#[rstest]
#[tokio::test]
async fn a_nights_draft_takes_the_place_of_those_nobody_touched(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(winter) = Winter::begin(on, YardHas::HandsAndBench).await else { return };
    let by_night = async || {
        let parameters = PlanParameters::of(PlanKind::LayUp);
        winter.plan_as(runs::SCHEDULE, parameters).await.unwrap().plan.unwrap()
    };
    let asked_for = winter.plan(PlanParameters::of(PlanKind::LayUp)).await.unwrap().plan.unwrap();
    let (first, second) = (by_night().await, by_night().await);
    let touched = winter.changed(second, &[(winter.engines[0].id, None)]).await;
    let (third, fourth) = (by_night().await, by_night().await);
    let organisation = winter.yard.organisation;
    let kept: Vec<Plan> = record::all(winter.store().connection(), organisation).await.unwrap();
    let kept: Vec<PlanId> = kept.iter().map(|plan| plan.id).collect();
    for (plan, is_kept, what) in [
        (asked_for, true, "a person asked for it"),
        (first, false, "nobody touched it"),
        (second, true, "there is a copy of it"),
        (touched.id, true, "a person made it"),
        (third, false, "nobody touched it"),
        (fourth, true, "the last one"),
    ] {
        assert_eq!(kept.contains(&plan), is_kept, "{what}");
    }
}

#[tokio::test]
async fn before_hire_begins_a_mechanic_does_one_engine_a_morning() {
    let winter = Winter::begin(Sqlite, YardHas::HandsAndBench).await.unwrap();
    let account = winter.plan(PlanParameters::of(PlanKind::Rotation)).await.unwrap();
    let (connection, organisation) = (winter.store().connection(), winter.yard.organisation);
    let standing = standing::read(connection, organisation, account.plan.unwrap()).await.unwrap();
    let instance = &standing.problem.instance;
    // Gear oil, 30 minutes and 20 for the visit: quick enough to be done on the water.
    let mut modes = instance.visits.iter().flat_map(|visit| &visit.modes);
    let early = modes.find(|mode| mode.id == "before hire").expect("a way before hire");
    assert_eq!((early.out, early.bay.as_str()), (false, "before hire"));
    let places = instance.bays.iter().find(|bay| bay.id == "before hire").expect("its place");
    for (open, count) in instance.open.iter().zip(&places.count) {
        assert!(*count <= i64::from(*open), "one mechanic, on days of work: {count}");
    }
    assert!(places.count.contains(&1));
}
