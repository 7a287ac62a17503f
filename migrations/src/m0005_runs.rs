//! Runs of the computations, immutable, with their inputs and results.

use sea_orm_migration::prelude::{
    DbErr, DeriveMigrationName, MigrationTrait, SchemaManager, async_trait,
};

use crate::table::{Table, create, drop};

#[derive(DeriveMigrationName)]
pub struct Migration;

#[async_trait::async_trait]
impl MigrationTrait for Migration {
    async fn up(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        create(manager, tables()).await
    }

    async fn down(&self, manager: &SchemaManager) -> Result<(), DbErr> {
        drop(manager, tables()).await
    }

    /// Half a migration is none, on SQLite too.
    fn use_transaction(&self) -> Option<bool> {
        Some(true)
    }
}

/// Each table after those that it refers to.
fn tables() -> Vec<Table> {
    vec![runs(), run_files(), due_rows(), forecast_parts(), forecast_rows(), order_advice_rows()]
}

/// One computation: what went in, by which version, what came out.
fn runs() -> Table {
    Table::rows("runs")
        .one_of("kind", &["due", "forecast", "plan", "order_advice", "usage", "life", "snapshot"])
        .one_of("status", &["queued", "running", "done", "failed"])
        .refer("site_id", "sites")
        .or_null()
        .text("program_version")
        .big("seed")
        .blob("input_digest")
        .or_null()
        .json("parameters")
        .json("scores")
        .or_null()
        .json("summary")
        .or_null()
        .text("failure")
        .or_null()
        .int("progress_permille")
        .text("progress_note")
        .or_null()
        .text("requested_by")
        .instant("requested_at")
        .instant("started_at")
        .or_null()
        .instant("finished_at")
        .or_null()
        .index("kind_status_id", &["kind", "status", "id"])
        .check("finished", "(status in ('done', 'failed')) = (finished_at is not null)")
        .check("failure", "(status = 'failed') = (failure is not null)")
        .check("progress", "progress_permille between 0 and 1000")
}

/// A file kept with a run: snapshot, sample paths, plan, certificate.
fn run_files() -> Table {
    Table::rows("run_files")
        .refer("run_id", "runs")
        .text("name")
        .text("media_type")
        .blob("content")
        .unique("run_name", &["run_id", "name"])
}

/// One engine × task of a due run.
fn due_rows() -> Table {
    Table::rows("due_rows")
        .refer("run_id", "runs")
        .refer("engine_id", "engines")
        .refer("task_id", "tasks")
        .one_of("governing", &["hours", "months", "unknown"])
        .date("due_early_on")
        .or_null()
        .date("due_on")
        .or_null()
        .date("due_late_on")
        .or_null()
        .date("months_due_on")
        .or_null()
        .big("hours_left_seconds")
        .or_null()
        .big("hours_length_seconds")
        .or_null()
        .date("counts_from_on")
        .or_null()
        .int("days_left")
        .or_null()
        .int("used_permille")
        .text("source")
        .or_null()
        .text("explanation")
        .or_null()
        .unique("run_engine_task", &["run_id", "engine_id", "task_id"])
}

/// How one part was forecast, and how well such forecasts did before.
fn forecast_parts() -> Table {
    Table::rows("forecast_parts")
        .refer("run_id", "runs")
        .refer("part_id", "parts")
        .refer("site_id", "sites")
        .or_null()
        .text("model")
        .text("reason")
        .json("scores")
        .json("history")
        .index("run_part", &["run_id", "part_id"])
}

/// Demand of one part in a month, or in the first so many months together.
fn forecast_rows() -> Table {
    Table::rows("forecast_rows")
        .refer("run_id", "runs")
        .refer("part_id", "parts")
        .refer("site_id", "sites")
        .or_null()
        .refer("pool_id", "pools")
        .or_null()
        .date("month")
        .int("months")
        .real("mean")
        .real("planned")
        .real("on_finding")
        .real("unplanned")
        .json("quantiles")
        .index("run_part_month", &["run_id", "part_id", "month"])
        .check("months", "months between 1 and 120")
}

/// A line of advice: what to order.
fn order_advice_rows() -> Table {
    Table::rows("order_advice_rows")
        .refer("run_id", "runs")
        .refer("part_id", "parts")
        .refer("supplier_id", "suppliers")
        .refer("site_id", "sites")
        .or_null()
        .big("quantity")
        .date("order_by")
        .big("unit_price_minor")
        .text("unit_price_currency")
        .big("total_minor")
        .text("total_currency")
        .int("fill_rate_permille")
        .or_null()
        .text("reason")
        .json("detail")
        .or_null()
        .index("run_supplier", &["run_id", "supplier_id"])
        .check("quantity", "quantity > 0")
}
