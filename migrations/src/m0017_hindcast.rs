//! What a forecast would have said a year ago, kept with each part of a run.

use sea_orm_migration::prelude::{
    ColumnDef, DbErr, DeriveMigrationName, MigrationTrait, SchemaManager, Table, async_trait,
};

#[derive(DeriveMigrationName)]
pub struct Migration;

#[async_trait::async_trait]
impl MigrationTrait for Migration {
    async fn up(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        let hindcast = ColumnDef::new("hindcast").json_binary().null().to_owned();
        let table = Table::alter().table("forecast_parts").add_column(hindcast).to_owned();
        manager.alter_table(table).await
    }

    async fn down(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        let table = Table::alter().table("forecast_parts").drop_column("hindcast").to_owned();
        manager.alter_table(table).await
    }

    /// Half a migration is none, on SQLite too.
    fn use_transaction(&self) -> Option<bool> {
        Some(true)
    }
}
