//! The schema, forward and back, on both databases.

#![allow(clippy::unwrap_used, reason = "a test that can't go on fails")]

use migrations::{Migrator, MigratorTrait as _};
use rstest::rstest;
use sea_orm::{ConnectionTrait as _, DbBackend, Statement};
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
