//! What jobs used beyond their plan, promises lot by lot, and where a part lies.

use sea_orm_migration::prelude::{
    ColumnDef, ConditionalStatement as _, DbErr, DeriveMigrationName, Expr, Index,
    IndexCreateStatement, MigrationTrait, SchemaManager, Table as Statement, async_trait,
};

#[derive(DeriveMigrationName)]
pub struct Migration;

const ONE_A_SITE: &str = "reservations_job_part_site_unique";
const ONE_A_LOT: &str = "reservations_job_part_site_lot_unique";
const BY_JOB: &str = "stock_moves_job_index";

#[async_trait::async_trait]
impl MigrationTrait for Migration {
    async fn up(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        let mut used = ColumnDef::new("used");
        add(manager, "job_parts", used.big_integer().null()).await?;
        let mut beyond = ColumnDef::new("beyond_plan");
        add(manager, "job_parts", beyond.big_integer().not_null().default(0)).await?;
        let mut bin = ColumnDef::new("bin");
        add(manager, "stock_levels", bin.text().null()).await?;
        let mut by_job = Index::create();
        by_job.name(BY_JOB).table("stock_moves").col("organisation_id").col("job_id");
        manager.create_index(by_job.and_where(Expr::cust("job_id is not null")).take()).await?;
        manager.drop_index(Index::drop().name(ONE_A_SITE).table("reservations").to_owned()).await?;
        one_held(manager, ONE_A_SITE, None).await?;
        one_held(manager, ONE_A_LOT, Some("lot_id")).await
    }

    async fn down(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        for name in [ONE_A_LOT, ONE_A_SITE] {
            manager.drop_index(Index::drop().name(name).table("reservations").to_owned()).await?;
        }
        // As it was: one promise a job, part and site, whatever the lot.
        let mut index = held(ONE_A_SITE);
        index.and_where(Expr::cust("status = 'held'"));
        manager.create_index(index).await?;
        manager.drop_index(Index::drop().name(BY_JOB).table("stock_moves").to_owned()).await?;
        take_away(manager, "stock_levels", "bin").await?;
        take_away(manager, "job_parts", "beyond_plan").await?;
        take_away(manager, "job_parts", "used").await
    }

    /// Half a migration is none, on SQLite too.
    fn use_transaction(&self) -> Option<bool> {
        Some(true)
    }
}

async fn add(
    manager: &SchemaManager<'_>,
    table: &'static str,
    column: &mut ColumnDef,
) -> Result<(), DbErr> {
    manager.alter_table(Statement::alter().table(table).add_column(column).take()).await
}

async fn take_away(
    manager: &SchemaManager<'_>,
    table: &'static str,
    column: &'static str,
) -> Result<(), DbErr> {
    manager.alter_table(Statement::alter().table(table).drop_column(column).take()).await
}

fn held(name: &'static str) -> IndexCreateStatement {
    let mut index = Index::create();
    index.name(name).table("reservations").unique();
    for column in ["organisation_id", "job_id", "part_id", "site_id"] {
        index.col(column);
    }
    index
}

/// A job holds one promise of a lot, and one of what lies there without a lot.
async fn one_held(
    manager: &SchemaManager<'_>,
    name: &'static str,
    lot: Option<&'static str>,
) -> Result<(), DbErr> {
    let mut index = held(name);
    match lot {
        Some(column) => {
            index.col(column);
            index.and_where(Expr::cust("status = 'held'"));
        }
        None => {
            index.and_where(Expr::cust("status = 'held' and lot_id is null"));
        }
    }
    manager.create_index(index).await
}
