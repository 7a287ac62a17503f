//! The stock ledger, on both databases.

#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use fleet::engine::Engine;
use fleet::id::{JobId, StockMoveId};
use fleet::part::{MoveKind, Part, ReservationStatus, StockLevel, StockMove};
use fleet::stock::{Purpose, Want};
use rstest::rstest;
use store::stock::ForJob;
use store::{Store, StoreError, Transaction, jobs, record, stock};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::yard::{Yard, author, now, part};

struct Shelf {
    yard: Yard,
    part: Part,
    jobs: Vec<JobId>,
}

/// A shelf with `pieces` of one part, and as many jobs.
async fn shelf(store: &Store, pieces: i64, jobs_wanted: usize) -> Shelf {
    let yard = Yard::found(store, "north").await;
    let impeller = part("BV-6-IMP");
    let fill = async |transaction: &Transaction| {
        let organisation = yard.organisation;
        let engines: Vec<Engine> =
            (0..jobs_wanted).map(|number| yard.engine(&format!("ND-{number}"))).collect();
        record::create(transaction, organisation, &author(), &engines).await?;
        let first = jobs::next_number(transaction, organisation).await?;
        let jobs: Vec<_> = engines
            .iter()
            .zip(first..)
            .map(|(engine, number)| yard.job(engine.id, number))
            .collect();
        record::create(transaction, organisation, &author(), &jobs).await?;
        record::create(transaction, organisation, &author(), std::slice::from_ref(&impeller))
            .await?;
        let arrived = moved(&yard, &impeller, MoveKind::Receipt, pieces, now());
        stock::book(transaction, organisation, &[arrived]).await?;
        Ok::<_, StoreError>(jobs.iter().map(|job| job.id).collect())
    };
    let jobs = store.write(fill).await.unwrap();
    Shelf { yard, part: impeller, jobs }
}

fn moved(yard: &Yard, of: &Part, kind: MoveKind, quantity: i64, at: DateTime<Utc>) -> StockMove {
    StockMove {
        id: StockMoveId::fresh(),
        part: of.id,
        site: yard.site.id,
        lot: None,
        kind,
        quantity,
        moved_at: at,
        job: None,
        receipt_line: None,
        moved_by: None,
        together: None,
        reason: None,
        reference: None,
        recorded_at: now(),
    }
}

fn today() -> NaiveDate {
    now().date_naive()
}

async fn book(store: &Store, shelf: &Shelf, moves: &[StockMove]) -> Result<(), StoreError> {
    let work = async |transaction: &Transaction| {
        stock::book(transaction, shelf.yard.organisation, moves).await
    };
    store.write(work).await
}

async fn level(store: &Store, shelf: &Shelf) -> StockLevel {
    let parts = [shelf.part.id];
    let levels = stock::levels(store.connection(), shelf.yard.organisation, &parts).await;
    levels.unwrap().remove(0)
}

#[rstest]
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn of_two_hundred_who_ask_for_the_last_one_one_gets_it(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let shelf = shelf(store, 1, 200).await;
    let (organisation, part, site) = (shelf.yard.organisation, shelf.part.id, shelf.yard.site.id);
    let today = today();
    let asked: Vec<_> = shelf
        .jobs
        .iter()
        .map(|job| {
            let (store, job) = (store.clone(), *job);
            tokio::spawn(async move {
                let work = async |transaction: &Transaction| {
                    let to = ForJob { job, site, today };
                    let wants = [Want { part, quantity: 1, purpose: Purpose::Other }];
                    stock::promise(transaction, organisation, &author(), to, &wants).await
                };
                store.write(work).await
            })
        })
        .collect();
    let (mut won, mut short) = (0, 0);
    for one in asked {
        let promised = one.await.unwrap().unwrap();
        match promised.missing.get(&part) {
            None => won += 1,
            Some(missing) => {
                assert_eq!((*missing, promised.held.len()), (1, 0));
                short += 1;
            }
        }
    }
    assert_eq!((won, short), (1, 199));
    let level = level(store, &shelf).await;
    assert_eq!((level.on_hand, level.reserved), (1, 1));
}

#[rstest]
#[tokio::test]
async fn what_is_promised_leaves_for_its_job_only(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let shelf = shelf(store, 2, 1).await;
    let organisation = shelf.yard.organisation;
    let reserve = async |transaction: &Transaction| {
        let to = ForJob { job: shelf.jobs[0], site: shelf.yard.site.id, today: today() };
        let wants = [Want { part: shelf.part.id, quantity: 2, purpose: Purpose::Other }];
        stock::promise(transaction, organisation, &author(), to, &wants).await
    };
    let reserved = store.write(reserve).await.unwrap().held.remove(0);
    let elsewhere = moved(&shelf.yard, &shelf.part, MoveKind::Issue, -1, now());
    let refused = book(store, &shelf, std::slice::from_ref(&elsewhere)).await.unwrap_err();
    assert_eq!(refused.rule(), "stock-promised");

    let issue = async |transaction: &Transaction| {
        let (id, issued) = (reserved.id, ReservationStatus::Issued);
        stock::end_reservation(transaction, organisation, &author(), id, issued).await?;
        let mut out = moved(&shelf.yard, &shelf.part, MoveKind::Issue, -2, now());
        out.job = Some(shelf.jobs[0]);
        stock::book(transaction, organisation, &[out]).await
    };
    store.write(issue).await.unwrap();
    let empty = level(store, &shelf).await;
    assert_eq!((empty.on_hand, empty.reserved), (0, 0));
    assert_eq!(store.write(issue).await.unwrap_err().rule(), "reservation-ended");
}

#[rstest]
#[tokio::test]
async fn a_shelf_goes_below_zero_only_in_somebodys_name(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let shelf = shelf(store, 3, 0).await;
    let take = |quantity| moved(&shelf.yard, &shelf.part, MoveKind::Issue, quantity, now());
    let refused = book(store, &shelf, &[take(-4)]).await.unwrap_err();
    assert_eq!(refused.rule(), "stock-below-zero");
    assert!(refused.to_string().starts_with(&shelf.part.number), "{refused}");
    book(store, &shelf, &[take(-3)]).await.unwrap();
    let mut vouched = take(-1);
    vouched.moved_by = Some(shelf.yard.owner.id);
    vouched.reason = Some("found one in the van".to_owned());
    book(store, &shelf, &[vouched]).await.unwrap();
    assert_eq!(level(store, &shelf).await.on_hand, -1);
}

#[rstest]
#[tokio::test]
async fn stock_at_a_past_moment_is_the_sum_of_moves_until_then(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let shelf = shelf(store, 5, 0).await;
    let later = now() + TimeDelta::days(3);
    let take = moved(&shelf.yard, &shelf.part, MoveKind::Issue, -2, later);
    book(store, &shelf, &[take]).await.unwrap();
    let place = (shelf.part.id, shelf.yard.site.id);
    for (at, expected) in [
        (now() - TimeDelta::seconds(1), None),
        (now(), Some(5)),
        (later - TimeDelta::seconds(1), Some(5)),
        (later, Some(3)),
    ] {
        let levels = stock::levels_at(store.connection(), shelf.yard.organisation, at).await;
        assert_eq!(levels.unwrap().get(&place).copied(), expected, "at {at}");
    }
    assert_eq!(level(store, &shelf).await.on_hand, 3);
}

#[rstest]
#[tokio::test]
async fn an_imported_move_is_booked_once(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let shelf = shelf(store, 5, 0).await;
    let imported = || {
        let mut one = moved(&shelf.yard, &shelf.part, MoveKind::Issue, -1, now());
        one.reference = Some("sheet 4, line 7".to_owned());
        one
    };
    book(store, &shelf, &[imported()]).await.unwrap();
    assert_eq!(book(store, &shelf, &[imported()]).await.unwrap_err().rule(), "already-there");
    assert_eq!(level(store, &shelf).await.on_hand, 4);
}
