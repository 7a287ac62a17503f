//! Findings, holds, jobs, services, tests, plans.

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
    vec![
        findings(),
        finding_photos(),
        holds(),
        jobs(),
        job_tasks(),
        job_parts(),
        services(),
        service_parts(),
        gearcase_tests(),
        plans(),
        visits(),
        visit_tasks(),
    ]
}

/// Something found on an engine.
fn findings() -> Table {
    Table::shared("findings")
        .refer("engine_id", "engines")
        .refer("kind_id", "finding_kinds")
        .or_null()
        .text("title")
        .one_of("urgency", &["stop", "three_days", "next_service", "lay_up"])
        .bool("safety")
        .one_of("status", &["open", "in_work", "closed"])
        .instant("found_at")
        .refer("found_by_id", "people")
        .or_null()
        .big("life_seconds")
        .or_null()
        .text("note")
        .or_null()
        .instant("closed_at")
        .or_null()
        .text("closing_note")
        .or_null()
        .unique("engine_title_found_at", &["engine_id", "title", "found_at"])
        .index("engine_status", &["engine_id", "status"])
        .check("closed", "(status = 'closed') = (closed_at is not null)")
}

/// A picture of a finding.
fn finding_photos() -> Table {
    Table::rows("finding_photos")
        .refer("finding_id", "findings")
        .text("media_type")
        .blob("content")
        .instant("taken_at")
}

/// An engine that must not be hired.
fn holds() -> Table {
    Table::shared("holds")
        .refer("engine_id", "engines")
        .refer("finding_id", "findings")
        .or_null()
        .bool("safety")
        .text("reason")
        .instant("placed_at")
        .refer("placed_by_id", "people")
        .or_null()
        .instant("cleared_at")
        .or_null()
        .refer("cleared_by_id", "people")
        .or_null()
        .text("clearing_note")
        .or_null()
        .unique_where("finding", &["finding_id"], "finding_id is not null and cleared_at is null")
        .index("engine_cleared_at", &["engine_id", "cleared_at"])
        .check("cleared", "(cleared_at is null) = (cleared_by_id is null)")
}

/// Work on one engine in one visit.
fn jobs() -> Table {
    Table::shared("jobs")
        .int("number")
        .refer("engine_id", "engines")
        .refer("site_id", "sites")
        .refer("finding_id", "findings")
        .or_null()
        .one_of(
            "status",
            &[
                "proposed",
                "agreed",
                "kitted",
                "short",
                "on_bench",
                "on_test",
                "released",
                "stood_over",
                "dropped",
            ],
        )
        .text("reason")
        .or_null()
        .date("stood_over_until")
        .or_null()
        .date("planned_on")
        .or_null()
        .refer("bay_id", "bays")
        .or_null()
        .refer("person_id", "people")
        .or_null()
        .text("note")
        .or_null()
        .instant("created_at")
        .instant("released_at")
        .or_null()
        .unique("number", &["number"])
        .index("engine_status", &["engine_id", "status"])
        .index("status_planned_on", &["status", "planned_on"])
        .check("number", "number > 0")
        .check(
            "stood_over",
            "status <> 'stood_over' or (stood_over_until is not null and reason is not null)",
        )
        .check("dropped", "status <> 'dropped' or reason is not null")
        .check("released", "(status = 'released') = (released_at is not null)")
}

/// A task of a job.
fn job_tasks() -> Table {
    Table::shared("job_tasks")
        .refer("job_id", "jobs")
        .refer("task_id", "tasks")
        .int("sequence")
        .int("planned_minutes")
        .int("spent_minutes")
        .or_null()
        .one_of("outcome", &["done", "not_needed", "not_done"])
        .or_null()
        .instant("done_at")
        .or_null()
        .refer("done_by_id", "people")
        .or_null()
        .text("note")
        .or_null()
        .unique("job_task", &["job_id", "task_id"])
        .check("minutes", "planned_minutes >= 0 and coalesce(spent_minutes, 0) >= 0")
}

/// A part that a job needs.
fn job_parts() -> Table {
    Table::shared("job_parts")
        .refer("job_id", "jobs")
        .refer("part_id", "parts")
        .big("quantity")
        .unique("job_part", &["job_id", "part_id"])
        .check("quantity", "quantity > 0")
}

/// A task done on an engine.
fn services() -> Table {
    Table::rows("services")
        .refer("engine_id", "engines")
        .refer("task_id", "tasks")
        .date("done_on")
        .big("life_seconds")
        .or_null()
        .one_of("reason", &["due", "finding", "lay_up", "commissioning", "failure", "unknown"])
        .refer("job_id", "jobs")
        .or_null()
        .refer("done_by_id", "people")
        .or_null()
        .int("spent_minutes")
        .or_null()
        .text("note")
        .or_null()
        .text("source")
        .instant("recorded_at")
        .unique("engine_task_done_on", &["engine_id", "task_id", "done_on"])
        .index("done_on", &["done_on"])
        .check("life", "life_seconds is null or life_seconds >= 0")
        .check("spent", "spent_minutes is null or spent_minutes >= 0")
}

/// A part used by a service.
fn service_parts() -> Table {
    Table::rows("service_parts")
        .refer("service_id", "services")
        .refer("part_id", "parts")
        .big("quantity")
        .unique("service_part", &["service_id", "part_id"])
        .check("quantity", "quantity > 0")
}

/// A gearcase test as it was read. Append-only; a retest names what it repeats.
fn gearcase_tests() -> Table {
    Table::rows("gearcase_tests")
        .refer("engine_id", "engines")
        .refer("job_id", "jobs")
        .or_null()
        .one_of("kind", &["gearcase_pressure", "gearcase_vacuum", "compression"])
        .instant("tested_at")
        .refer("tested_by_id", "people")
        .or_null()
        .int("start_pa")
        .int("end_pa")
        .int("hold_seconds")
        .int("start_millicelsius")
        .or_null()
        .int("end_millicelsius")
        .or_null()
        .int("ambient_pa")
        .int("gauge_division_pa")
        .int("limit_pa")
        .or_null()
        .bool("drive_shaft_turned")
        .bool("propeller_shaft_turned")
        .bool("shifted")
        .bool("drained")
        .one_of("outcome", &["pass", "static_only", "inconclusive", "fail"])
        .text("reason")
        .text("leak_at")
        .or_null()
        .refer("retest_of_id", "gearcase_tests")
        .or_null()
        .unique("engine_kind_tested_at", &["engine_id", "kind", "tested_at"])
        .check("hold", "hold_seconds > 0")
}

/// A version of what is done when.
fn plans() -> Table {
    Table::shared("plans")
        .refer("site_id", "sites")
        .one_of("kind", &["lay_up", "rotation"])
        .text("name")
        .one_of("status", &["draft", "published", "superseded"])
        .refer("run_id", "runs")
        .or_null()
        .refer("based_on_id", "plans")
        .or_null()
        .instant("created_at")
        .instant("published_at")
        .or_null()
        .refer("published_by_id", "people")
        .or_null()
        .unique_where("site_kind", &["site_id", "kind"], "status = 'published'")
        .check("published", "(status = 'draft') = (published_at is null)")
}

/// One engine, a bundle of tasks, from a day on.
fn visits() -> Table {
    Table::shared("visits")
        .refer("plan_id", "plans")
        .refer("engine_id", "engines")
        .refer("bay_id", "bays")
        .or_null()
        .refer("person_id", "people")
        .or_null()
        .date("starts_on")
        .or_null()
        .date("ends_on")
        .or_null()
        .int("bench_minutes")
        .bool("boat_out")
        .bool("locked")
        .text("reason")
        .or_null()
        .refer("job_id", "jobs")
        .or_null()
        .index("plan_starts_on", &["plan_id", "starts_on"])
        .index("engine", &["engine_id"])
        .check(
            "days",
            "(starts_on is null) = (ends_on is null) and (ends_on is null or ends_on >= starts_on)",
        )
        .check("left_out", "starts_on is not null or reason is not null")
}

/// A task of a visit.
fn visit_tasks() -> Table {
    Table::rows("visit_tasks")
        .refer("visit_id", "visits")
        .refer("task_id", "tasks")
        .unique("visit_task", &["visit_id", "task_id"])
}
