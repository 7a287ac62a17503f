//! Tasks, when they fall due, what they need, and what findings ask for.

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
    vec![tasks(), task_links(), programme_intervals(), task_parts(), finding_kinds()]
}

/// Something that is done to an engine.
fn tasks() -> Table {
    Table::shared("tasks")
        .text("name")
        .one_of("verb", &["check", "clean", "adjust", "grease", "replace"])
        .one_of(
            "access",
            &["nothing_off", "propeller_off", "gearcase_off", "carrier_out", "cowl_off"],
        )
        .one_of(
            "occasion",
            &[
                "interval",
                "each_use",
                "after_use",
                "lay_up",
                "commissioning",
                "opening",
                "on_finding",
            ],
        )
        .int("own_work_minutes")
        .text("minutes_source")
        .or_null()
        .refer("skill_id", "skills")
        .or_null()
        .bool("safety")
        .text("caution")
        .or_null()
        .bool("archived")
        .unique("name", &["name"])
        .check("own_work", "own_work_minutes >= 0")
}

/// What doing a task does for another.
fn task_links() -> Table {
    Table::shared("task_links")
        .refer("task_id", "tasks")
        .refer("other_id", "tasks")
        .one_of("kind", &["contains", "resets"])
        .unique("task_other", &["task_id", "other_id"])
        .check("self", "task_id <> other_id")
}

/// When a task falls due on a model: whichever limb comes first.
fn programme_intervals() -> Table {
    Table::shared("programme_intervals")
        .refer("task_id", "tasks")
        .refer("model_id", "engine_models").or_null()
        .big("every_seconds").or_null()
        .int("every_months").or_null()
        .big("first_seconds").or_null()
        .int("first_months").or_null()
        .bool("severity_on_months")
        .one_of("basis", &["maker", "default", "site"])
        .text("source")
        .text("page").or_null()
        .text("serial_from").or_null()
        .text("serial_until").or_null()
        .text("verified_by").or_null()
        .unique_where("task", &["task_id"], "model_id is null")
        .unique_where("task_model", &["task_id", "model_id"], "model_id is not null and serial_from is null")
        .unique_where("task_model_serial_from", &["task_id", "model_id", "serial_from"], "serial_from is not null")
        .check("limbs", "every_seconds is not null or every_months is not null")
        .check("positive", "coalesce(every_seconds, 1) > 0 and coalesce(every_months, 1) > 0 and coalesce(first_seconds, 1) > 0 and coalesce(first_months, 1) > 0")
}

/// A part that a task uses.
fn task_parts() -> Table {
    Table::shared("task_parts")
        .refer("task_id", "tasks")
        .refer("model_id", "engine_models")
        .or_null()
        .refer("part_id", "parts")
        .big("quantity")
        .int("chance_permille")
        .unique_where("task_part", &["task_id", "part_id"], "model_id is null")
        .unique_where(
            "task_model_part",
            &["task_id", "model_id", "part_id"],
            "model_id is not null",
        )
        .check("quantity", "quantity > 0")
        .check("chance", "chance_permille between 1 and 1000")
}

/// Something that can be found, what it may mean and what is done.
fn finding_kinds() -> Table {
    Table::shared("finding_kinds")
        .text("name")
        .text("likely_cause")
        .or_null()
        .one_of("urgency", &["stop", "three_days", "next_service", "lay_up"])
        .bool("safety")
        .refer("task_id", "tasks")
        .or_null()
        .text("source")
        .bool("archived")
        .unique("name", &["name"])
}
