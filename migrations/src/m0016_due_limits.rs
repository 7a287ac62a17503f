//! Where on an engine's life the hours limb of a due row is reached: what a probability by any date
//! is counted from.

use sea_orm_migration::prelude::{
    ColumnDef, DbErr, DeriveMigrationName, MigrationTrait, SchemaManager, Table, async_trait,
};

#[derive(DeriveMigrationName)]
pub struct Migration;

#[async_trait::async_trait]
impl MigrationTrait for Migration {
    async fn up(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        let at = ColumnDef::new("hours_at_seconds").big_integer().null().to_owned();
        manager.alter_table(Table::alter().table("due_rows").add_column(at).to_owned()).await
    }

    async fn down(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        let at = Table::alter().table("due_rows").drop_column("hours_at_seconds").to_owned();
        manager.alter_table(at).await
    }

    /// Half a migration is none, on SQLite too.
    fn use_transaction(&self) -> Option<bool> {
        Some(true)
    }
}
