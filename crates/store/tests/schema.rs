//! The schema, forward and back, on both databases.

#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]

use migrations::{Migrator, MigratorTrait as _};
use rstest::rstest;
use sea_orm::{ConnectionTrait as _, DbBackend, Statement, TransactionTrait as _};
use tests::database::Database::{self, Postgres, Sqlite};

#[rstest]
#[tokio::test]
async fn migrations_go_forward_and_back_and_forward(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.empty().await else { return };
    let connection = database.store.connection();
    Migrator::up(connection, None).await.unwrap();
    let full = tables(connection).await;
    for _ in Migrator::migrations() {
        Migrator::down(connection, Some(1)).await.unwrap();
    }
    assert_eq!(tables(connection).await, ["seaql_migrations"]);
    Migrator::up(connection, None).await.unwrap();
    assert_eq!(tables(connection).await, full);
    assert!(full.len() > 70, "{full:?}");
}

#[rstest]
#[tokio::test]
async fn a_database_of_a_later_version_is_left_alone(#[values(Sqlite, Postgres)] on: Database) {
    let Some(database) = on.fresh().await else { return };
    let connection = database.store.connection();
    let later = "INSERT INTO seaql_migrations (version, applied_at) VALUES ('m9999_later', 1)";
    connection.execute_unprepared(later).await.unwrap();
    assert_eq!(database.store.migrate().await.unwrap_err().rule(), "database-later");
}

/// SQLite: what is acknowledged survives a power cut, on each connection of the pool.
#[tokio::test]
async fn every_connection_to_sqlite_is_set_up_alike() {
    let database = Sqlite.fresh().await.unwrap();
    let mut open = Vec::new();
    for _ in 0..9 {
        open.push(database.store.connection().begin().await.unwrap());
    }
    for connection in &open {
        let mut settings = Vec::new();
        for pragma in ["journal_mode", "foreign_keys", "synchronous", "busy_timeout"] {
            let statement = Statement::from_string(DbBackend::Sqlite, format!("PRAGMA {pragma}"));
            let row = connection.query_one_raw(statement).await.unwrap().unwrap();
            let text = row.try_get_by_index::<String>(0);
            settings.push(text.or_else(|_| row.try_get_by_index::<i64>(0).map(|n| n.to_string())));
        }
        let settings: Vec<String> = settings.into_iter().map(Result::unwrap).collect();
        // synchronous: 2 is FULL.
        assert_eq!(settings, ["wal", "1", "2", "10000"]);
    }
}

#[rstest]
#[case::nothing("")]
#[case::another_database("mysql://localhost/x")]
#[case::nowhere("sqlite::memory:")]
#[tokio::test]
async fn what_is_no_database_is_refused_by_name(#[case] address: &str) {
    let refused = store::Store::open(address).await.unwrap_err();
    assert_eq!(refused.rule(), "database-address");
}

#[tokio::test]
async fn a_path_may_hold_what_means_something_in_an_address() {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("north jetty #1 50%?.sqlite");
    let store = store::Store::open(path.to_str().unwrap()).await.unwrap();
    store.migrate().await.unwrap();
    assert!(path.exists());
}

async fn tables(connection: &store::Connection) -> Vec<String> {
    let sql = match connection.get_database_backend() {
        DbBackend::Sqlite => "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name",
        _ => {
            "SELECT table_name AS name FROM information_schema.tables \
             WHERE table_schema = 'public' ORDER BY table_name"
        }
    };
    let statement = Statement::from_string(connection.get_database_backend(), sql);
    let rows = connection.query_all_raw(statement).await.unwrap();
    rows.iter().map(|row| row.try_get("", "name").unwrap()).collect()
}
