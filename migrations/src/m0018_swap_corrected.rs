//! A swapped meter told wrongly is put right by a row of its own, which names the moment of the one
//! that it puts right; at the same moment it may then stand beside it.

use sea_orm_migration::prelude::{
    ColumnDef, ConditionalStatement as _, ConnectionTrait as _, DbErr, DeriveMigrationName, Expr,
    Index, MigrationTrait, SchemaManager, Table, async_trait,
};

#[derive(DeriveMigrationName)]
pub struct Migration;

const KEY: &str = "readings_engine_read_at_unique";

#[async_trait::async_trait]
impl MigrationTrait for Migration {
    async fn up(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        let corrects = ColumnDef::new("corrects_at").timestamp_with_time_zone().null().to_owned();
        let table = Table::alter().table("readings").add_column(corrects).to_owned();
        manager.alter_table(table).await?;
        one_each(manager, "kind <> 'correction' and corrects_at is null").await
    }

    /// What was put right stays: later readings rest on it. What it voided goes.
    async fn down(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        let voided = "delete from readings where kind = 'meter_replaced' and exists \
                      (select 1 from readings as c \
                      where c.organisation_id = readings.organisation_id \
                      and c.engine_id = readings.engine_id \
                      and c.corrects_at = readings.read_at and c.id > readings.id)";
        manager.get_connection().execute_unprepared(voided).await?;
        one_each(manager, "kind <> 'correction'").await?;
        let table = Table::alter().table("readings").drop_column("corrects_at").to_owned();
        manager.alter_table(table).await
    }

    /// Half a migration is none, on SQLite too.
    fn use_transaction(&self) -> Option<bool> {
        Some(true)
    }
}

/// At most one row for a moment of an engine among those that `rule` holds for.
async fn one_each(manager: &SchemaManager<'_>, rule: &'static str) -> Result<(), DbErr> {
    manager.drop_index(Index::drop().name(KEY).table("readings").to_owned()).await?;
    let mut key = Index::create();
    key.name(KEY).table("readings").unique();
    key.col("organisation_id").col("engine_id").col("read_at").and_where(Expr::cust(rule));
    manager.create_index(key).await
}
