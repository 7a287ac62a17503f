//! What holds for all records, on both databases.

#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]

use std::sync::Arc;

use fleet::change::ChangeKind;
use fleet::engine::{Engine, EngineStatus};
use fleet::id::OrganisationId;
use rstest::rstest;
use store::engines::EngineFilter;
use store::{PageOf, Store, StoreError, Transaction, history, record};
use tests::database::Database::{self, Postgres, Sqlite};
use tests::yard::{Yard, author, now};

async fn create(store: &Store, yard: &Yard, engines: &[Engine]) -> Result<(), StoreError> {
    let work = async |transaction: &Transaction| {
        record::create(transaction, yard.organisation, &author(), engines).await
    };
    store.write(work).await
}

async fn change(
    store: &Store,
    organisation: OrganisationId,
    to: &Engine,
) -> Result<Engine, StoreError> {
    let work = async |transaction: &Transaction| {
        record::change(transaction, organisation, &author(), to).await
    };
    store.write(work).await
}

#[rstest]
#[tokio::test]
async fn an_engine_comes_back_as_it_was_given(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let yard = Yard::found(store, "north").await;
    let mut given = yard.engine("ND-1042");
    given.tag = Some("17".to_owned());
    given.bought_on = "2021-03-01".parse().ok();
    create(store, &yard, std::slice::from_ref(&given)).await.unwrap();
    let found: Engine = record::get(store.connection(), yard.organisation, given.id).await.unwrap();
    assert_eq!(found, given);
}

#[rstest]
#[tokio::test]
async fn anothers_rows_look_like_none(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let (ours, theirs) = (Yard::found(store, "north").await, Yard::found(store, "south").await);
    let hidden = theirs.engine("ND-1042");
    create(store, &theirs, std::slice::from_ref(&hidden)).await.unwrap();
    let (connection, us) = (store.connection(), ours.organisation);

    assert!(record::find::<Engine>(connection, us, hidden.id).await.unwrap().is_none());
    assert!(record::by_ids::<Engine>(connection, us, &[hidden.id]).await.unwrap().is_empty());
    assert!(record::all::<Engine>(connection, us).await.unwrap().is_empty());
    assert_eq!(record::count::<Engine>(connection, us).await.unwrap(), 0);
    let page = PageOf::new(None, 10);
    assert!(record::page::<Engine>(connection, us, page).await.unwrap().rows.is_empty());
    let serials = store::engines::by_serials(connection, us, &["ND-1042"]).await.unwrap();
    assert!(serials.is_empty());
    let past = history::of_entity(connection, us, "engine", hidden.id.0, page).await.unwrap();
    assert!(past.rows.is_empty());

    // To change or remove it is to change or remove what is not there.
    let changed = change(store, us, &hidden).await.unwrap_err();
    let made_up = change(store, us, &ours.engine("ND-1")).await.unwrap_err();
    assert_eq!(changed.to_string(), made_up.to_string());
    assert_eq!(changed.rule(), "missing");
    let remove = async |transaction: &Transaction| {
        record::remove::<Engine>(transaction, us, &author(), hidden.id, 1).await
    };
    assert_eq!(store.write(remove).await.unwrap_err().rule(), "missing");
    // Their serial is free for us, and their pool is none of ours, in the database too.
    create(store, &ours, &[ours.engine("ND-1042")]).await.unwrap();
    let crossed = Engine { pool: theirs.pool.id, ..ours.engine("ND-1043") };
    let refused = create(store, &ours, &[crossed]).await.unwrap_err();
    assert_eq!(refused.rule(), "names-what-is-not-there");
}

#[rstest]
#[tokio::test]
async fn a_change_made_from_an_old_version_is_refused(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let yard = Yard::found(store, "north").await;
    let first = yard.engine("ND-1042");
    create(store, &yard, std::slice::from_ref(&first)).await.unwrap();
    let noted = Engine { note: Some("runs rough".to_owned()), ..first.clone() };
    assert_eq!(change(store, yard.organisation, &noted).await.unwrap().version, 2);

    let late = Engine { status: EngineStatus::LaidUp, ..first.clone() };
    let refused = change(store, yard.organisation, &late).await.unwrap_err();
    assert!(matches!(refused, StoreError::Stale { given: 1, current: 2, .. }), "{refused:?}");
    let kept: Engine = record::get(store.connection(), yard.organisation, first.id).await.unwrap();
    assert_eq!(kept.note.as_deref(), Some("runs rough"));

    let page = PageOf::new(None, 10);
    let connection = store.connection();
    let past = history::of_entity(connection, yard.organisation, "engine", first.id.0, page);
    let past = past.await.unwrap().rows;
    let kinds: Vec<_> = past.iter().map(|change| change.kind).collect();
    assert_eq!(kinds, [ChangeKind::Created, ChangeKind::Changed]);
    assert_eq!(past[1].before.as_ref().unwrap()["note"], serde_json::Value::Null);
    assert_eq!(past[1].after.as_ref().unwrap()["note"], "runs rough");
    assert_eq!((past[1].actor.as_str(), past[1].at), ("Ingrid Holm", now()));
}

#[rstest]
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn of_two_hundred_changes_at_once_none_is_lost(#[values(Sqlite, Postgres)] on: Database) {
    const WRITERS: usize = 200;
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let yard = Arc::new(Yard::found(store, "north").await);
    let first = yard.engine("ND-1042");
    create(store, &yard, std::slice::from_ref(&first)).await.unwrap();
    let writers: Vec<_> = (0..WRITERS)
        .map(|writer| {
            let (store, yard, id) = (store.clone(), Arc::clone(&yard), first.id);
            tokio::spawn(async move {
                let add = async |transaction: &Transaction| {
                    let mut engine: Engine =
                        record::lock(transaction, yard.organisation, id).await?;
                    let note = engine.note.take().unwrap_or_default();
                    engine.note = Some(format!("{note} {writer}"));
                    record::change(transaction, yard.organisation, &author(), &engine).await
                };
                store.write(add).await
            })
        })
        .collect();
    for writer in writers {
        writer.await.unwrap().unwrap();
    }
    let kept: Engine = record::get(store.connection(), yard.organisation, first.id).await.unwrap();
    let mut noted: Vec<usize> =
        kept.note.unwrap().split_whitespace().map(|word| word.parse().unwrap()).collect();
    noted.sort_unstable();
    assert_eq!(noted, (0..WRITERS).collect::<Vec<_>>());
    assert_eq!(kept.version, 1 + WRITERS as i64);
}

#[rstest]
#[tokio::test]
async fn what_fails_halfway_leaves_nothing(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let yard = Yard::found(store, "north").await;
    let twins = [yard.engine("ND-1"), yard.engine("ND-2"), yard.engine("ND-1")];
    let refused = create(store, &yard, &twins).await.unwrap_err();
    assert!(
        matches!(&refused, StoreError::Taken { noun: "engine", key } if key == "serial"),
        "{refused:?}"
    );
    assert_eq!(record::count::<Engine>(store.connection(), yard.organisation).await.unwrap(), 0);
    let past = history::of_all(store.connection(), yard.organisation, PageOf::new(None, 100));
    assert_eq!(past.await.unwrap().rows.len(), 4, "what the yard was founded with, and no more");
}

#[rstest]
#[case::nothing_halved(1, None)]
#[case::doubled(200, None)]
#[case::nought(0, Some("value-refused"))]
#[case::more_than_doubled(201, Some("value-refused"))]
#[tokio::test]
async fn a_severity_is_between_one_and_two_hundred_percent(
    #[values(Sqlite, Postgres)] on: Database,
    #[case] severity: i32,
    #[case] broken: Option<&str>,
) {
    let Some(database) = on.fresh().await else { return };
    let yard = Yard::found(&database.store, "north").await;
    let severe = Engine { severity_percent: Some(severity), ..yard.engine("ND-1") };
    let created = create(&database.store, &yard, &[severe]).await;
    assert_eq!(created.as_ref().err().map(StoreError::rule), broken);
    if let Err(StoreError::Refused { rule, .. }) = created {
        assert_eq!(rule, "engines_severity_check");
    }
}

#[rstest]
#[tokio::test]
async fn pages_show_every_row_once(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let yard = Yard::found(store, "north").await;
    let engines: Vec<_> = (0..25).map(|number| yard.engine(&format!("ND-{number}"))).collect();
    create(store, &yard, &engines).await.unwrap();
    let filter = EngineFilter { pool: Some(yard.pool.id), ..EngineFilter::default() };
    let (mut seen, mut after, mut pages) = (Vec::new(), None, 0);
    loop {
        let wanted = PageOf::new(after, 10);
        let page = store::engines::page(store.connection(), yard.organisation, &filter, wanted);
        let page = page.await.unwrap();
        pages += 1;
        seen.extend(page.rows);
        after = page.next;
        if after.is_none() {
            break;
        }
    }
    assert_eq!((seen, pages), (engines, 3));
}

#[rstest]
#[tokio::test]
async fn more_rows_than_one_statement_holds_are_kept_and_found(
    #[values(Sqlite, Postgres)] on: Database,
) {
    let Some(database) = on.fresh().await else { return };
    let store = &database.store;
    let yard = Yard::found(store, "north").await;
    let engines: Vec<_> =
        (0..3_000).map(|number| yard.engine(&format!("ND-{number:04}"))).collect();
    create(store, &yard, &engines).await.unwrap();
    let ids: Vec<_> = engines.iter().map(|engine| engine.id).collect();
    let found: Vec<Engine> =
        record::by_ids(store.connection(), yard.organisation, &ids).await.unwrap();
    assert_eq!(found.len(), engines.len());
    assert_eq!(
        record::count::<Engine>(store.connection(), yard.organisation).await.unwrap(),
        3_000
    );
}
