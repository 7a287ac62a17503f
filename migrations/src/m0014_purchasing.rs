//! What went back to the supplier, more than was ordered, and what invoices ask for.

use sea_orm_migration::prelude::{
    ColumnDef, DbErr, DeriveMigrationName, MigrationTrait, SchemaManager, Table as Statement,
    async_trait,
};

use crate::table::{Table, create, drop};

#[derive(DeriveMigrationName)]
pub struct Migration;

#[async_trait::async_trait]
impl MigrationTrait for Migration {
    async fn up(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        let mut returned = ColumnDef::new("returned");
        returned.big_integer().not_null().default(0);
        add(manager, "order_lines", &mut returned).await?;
        let mut accepted = ColumnDef::new("accepted");
        add(manager, "receipt_lines", accepted.text().null()).await?;
        create(manager, vec![invoice_lines()]).await
    }

    async fn down(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        drop(manager, vec![invoice_lines()]).await?;
        take_away(manager, "receipt_lines", "accepted").await?;
        take_away(manager, "order_lines", "returned").await
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

/// What a supplier's invoice asks for of an order's line, or beside the lines. Append-only.
fn invoice_lines() -> Table {
    Table::rows("invoice_lines")
        .refer("order_id", "orders")
        .refer("line_id", "order_lines")
        .or_null()
        .text("invoice")
        .date("invoiced_on")
        .big("quantity")
        .big("amount_minor")
        .big("agreed_minor")
        .text("reason")
        .or_null()
        .refer("recorded_by_id", "people")
        .or_null()
        .instant("recorded_at")
        .unique_where(
            "order_invoice_line",
            &["order_id", "invoice", "line_id"],
            "line_id is not null",
        )
        .index("order", &["order_id"])
        .check("quantity", "quantity >= 0")
        .check("reason", "amount_minor = agreed_minor or reason is not null")
}
