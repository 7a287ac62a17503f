//! What a plan needs on its way from a run to the wall: asking a run to stop, and the way in which
//! each visit is done.

use sea_orm_migration::prelude::{
    ColumnDef, DbErr, DeriveMigrationName, MigrationTrait, SchemaManager, Table, async_trait,
};

#[derive(DeriveMigrationName)]
pub struct Migration;

#[async_trait::async_trait]
impl MigrationTrait for Migration {
    async fn up(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        let asked = ColumnDef::new("stop_asked_at").timestamp_with_time_zone().null().to_owned();
        manager.alter_table(Table::alter().table("runs").add_column(asked).to_owned()).await?;
        let mode = ColumnDef::new("mode").text().null().to_owned();
        manager.alter_table(Table::alter().table("visits").add_column(mode).to_owned()).await
    }

    async fn down(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        manager.alter_table(Table::alter().table("visits").drop_column("mode").to_owned()).await?;
        let asked = Table::alter().table("runs").drop_column("stop_asked_at").to_owned();
        manager.alter_table(asked).await
    }

    /// Half a migration is none, on SQLite too.
    fn use_transaction(&self) -> Option<bool> {
        Some(true)
    }
}
