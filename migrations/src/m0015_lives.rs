//! What a new engine costs a site: one more kind of price.
//!
//! SQLite can't change a check, so the table is made anew and its rows are carried over; nothing
//! refers to it.

use sea_orm_migration::prelude::{
    ConnectionTrait as _, DbErr, DeriveMigrationName, MigrationTrait, SchemaManager, async_trait,
};

use crate::table::{Table, create, drop};

#[derive(DeriveMigrationName)]
pub struct Migration;

#[async_trait::async_trait]
impl MigrationTrait for Migration {
    async fn up(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        make_anew(
            manager,
            &[
                "day_late",
                "failure",
                "boat_short",
                "visit_left_out",
                "overtime_hour",
                "bench_hour",
                "new_engine",
            ],
        )
        .await
    }

    async fn down(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        let gone = "DELETE FROM site_prices WHERE kind = 'new_engine'";
        manager.get_connection().execute_unprepared(gone).await?;
        make_anew(
            manager,
            &["day_late", "failure", "boat_short", "visit_left_out", "overtime_hour", "bench_hour"],
        )
        .await
    }

    /// Half a migration is none, on SQLite too.
    fn use_transaction(&self) -> Option<bool> {
        Some(true)
    }
}

async fn make_anew(
    manager: &SchemaManager<'_>,
    kinds: &'static [&'static str],
) -> Result<(), DbErr> {
    let connection = manager.get_connection();
    let keep = "CREATE TABLE site_prices_kept AS SELECT * FROM site_prices";
    connection.execute_unprepared(keep).await?;
    drop(manager, vec![site_prices(kinds)]).await?;
    create(manager, vec![site_prices(kinds)]).await?;
    let back = "INSERT INTO site_prices SELECT * FROM site_prices_kept";
    connection.execute_unprepared(back).await?;
    connection.execute_unprepared("DROP TABLE site_prices_kept").await.map(|_| ())
}

/// As in `m0001_people`, with these kinds.
fn site_prices(kinds: &'static [&'static str]) -> Table {
    Table::shared("site_prices")
        .refer("site_id", "sites")
        .one_of("kind", kinds)
        .big("amount_minor")
        .text("amount_currency")
        .text("basis")
        .unique("site_kind", &["site_id", "kind"])
        .check("amount", "amount_minor >= 0")
}
