//! Engine models, pools, boats, engines, their hours and their hire.

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
        engine_models(),
        model_torques(),
        model_test_figures(),
        pools(),
        pool_minimums(),
        boats(),
        engines(),
        pool_stays(),
        standstills(),
        fittings(),
        bookings(),
        hire_log(),
        hire_checks(),
        hire_check_items(),
        meters(),
        readings(),
    ]
}

/// An engine model of a maker, in one printing of its manual.
fn engine_models() -> Table {
    Table::shared("engine_models")
        .text("maker")
        .text("name")
        .int("strokes")
        .int("power_watts").or_null()
        .int("premix_ratio").or_null()
        .text("engine_oil_grade").or_null()
        .int("engine_oil_ml").or_null()
        .one_of("fuel_system", &["carburettor", "injection"])
        .text("gear_oil_grade").or_null()
        .int("gear_oil_ml").or_null()
        .int("last_made_in").or_null()
        .text("manual_edition").or_null()
        .text("source")
        .bool("archived")
        .unique("maker_name", &["maker", "name"])
        .check("strokes", "strokes in (2, 4)")
        .check("premix", "premix_ratio is null or (strokes = 2 and premix_ratio between 1 and 200)")
        .check("power", "power_watts is null or power_watts > 0")
        .check("oils", "(engine_oil_ml is null or engine_oil_ml > 0) and (gear_oil_ml is null or gear_oil_ml > 0)")
}

/// How tight a fastener of a model is.
fn model_torques() -> Table {
    Table::shared("model_torques")
        .refer("model_id", "engine_models")
        .text("fastener")
        .int("low_mnm")
        .int("high_mnm")
        .text("source")
        .unique("model_fastener", &["model_id", "fastener"])
        .check("range", "low_mnm > 0 and high_mnm >= low_mnm")
}

/// What a model's test is done at, and what it may lose.
fn model_test_figures() -> Table {
    Table::shared("model_test_figures")
        .refer("model_id", "engine_models")
        .one_of("kind", &["gearcase_pressure", "gearcase_vacuum", "compression"])
        .int("target_pa")
        .int("ceiling_pa")
        .or_null()
        .int("hold_seconds")
        .int("drop_max_pa")
        .or_null()
        .bool("shafts_turned")
        .text("source")
        .unique("model_kind", &["model_id", "kind"])
        .check("hold", "hold_seconds > 0")
        .check("ceiling", "ceiling_pa is null or ceiling_pa >= target_pa")
        .check("drop", "drop_max_pa is null or drop_max_pa >= 0")
}

/// Engines that can stand in for one another on hire.
fn pools() -> Table {
    Table::shared("pools")
        .refer("site_id", "sites")
        .text("name")
        .one_of("water", &["salt", "brackish", "fresh"])
        .text("used_for")
        .or_null()
        .int("severity_percent")
        .int("running_factor_permille")
        .or_null()
        .bool("archived")
        .unique("site_name", &["site_id", "name"])
        .check("severity", "severity_percent between 1 and 200")
        .check(
            "running_factor",
            "running_factor_permille is null or running_factor_permille between 0 and 1000",
        )
}

/// Boats that a pool should keep in service, both days included.
fn pool_minimums() -> Table {
    Table::shared("pool_minimums")
        .refer("pool_id", "pools")
        .date("from_on")
        .date("until_on")
        .int("boats")
        .unique("pool_from_on", &["pool_id", "from_on"])
        .check("order", "until_on >= from_on")
        .check("boats", "boats >= 0")
}

/// A hull that is hired out.
fn boats() -> Table {
    Table::shared("boats")
        .refer("site_id", "sites")
        .refer("pool_id", "pools")
        .or_null()
        .text("name")
        .text("tag")
        .or_null()
        .text("jetty")
        .or_null()
        .int("jetty_order")
        .or_null()
        .int("severity_percent")
        .or_null()
        .bool("archived")
        .unique("site_name", &["site_id", "name"])
        .unique_where("tag", &["tag"], "tag is not null")
        .check("severity", "severity_percent is null or severity_percent between 1 and 200")
}

/// An outboard, by serial. Hours and history follow it, never the boat.
fn engines() -> Table {
    Table::shared("engines")
        .text("serial")
        .refer("model_id", "engine_models")
        .refer("pool_id", "pools")
        .text("tag")
        .or_null()
        .date("bought_on")
        .or_null()
        .date("first_run_on")
        .or_null()
        .one_of("status", &["in_service", "laid_up", "retired", "sold"])
        .int("severity_percent")
        .or_null()
        .text("note")
        .or_null()
        .unique("serial", &["serial"])
        .unique_where("tag", &["tag"], "tag is not null")
        .index("pool", &["pool_id"])
        .check("severity", "severity_percent is null or severity_percent between 1 and 200")
}

/// Which pool an engine was in, and from when to when.
fn pool_stays() -> Table {
    Table::rows("pool_stays")
        .refer("engine_id", "engines")
        .refer("pool_id", "pools")
        .date("from_on")
        .date("until_on")
        .or_null()
        .unique("engine_from_on", &["engine_id", "from_on"])
        .unique_where("engine", &["engine_id"], "until_on is null")
        .check("order", "until_on is null or until_on > from_on")
}

/// An engine known to stand still, both days included.
fn standstills() -> Table {
    Table::shared("standstills")
        .refer("engine_id", "engines")
        .date("from_on")
        .date("until_on")
        .text("reason")
        .unique("engine_from_on", &["engine_id", "from_on"])
        .check("order", "until_on >= from_on")
}

/// Which engine sat on which boat, and from when to when.
fn fittings() -> Table {
    Table::shared("fittings")
        .refer("engine_id", "engines")
        .refer("boat_id", "boats")
        .int("position")
        .instant("fitted_at")
        .instant("removed_at")
        .or_null()
        .unique("engine_fitted_at", &["engine_id", "fitted_at"])
        .unique("boat_position_fitted_at", &["boat_id", "position", "fitted_at"])
        .unique_where("engine", &["engine_id"], "removed_at is null")
        .unique_where("boat_position", &["boat_id", "position"], "removed_at is null")
        .check("order", "removed_at is null or removed_at > fitted_at")
        .check("position", "position between 0 and 7")
}

/// Boats wanted, by pool and time.
fn bookings() -> Table {
    Table::shared("bookings")
        .refer("pool_id", "pools")
        .instant("starts_at")
        .instant("ends_at")
        .int("boats")
        .text("reference")
        .one_of("status", &["booked", "cancelled"])
        .unique("reference", &["reference"])
        .index("pool_starts_at", &["pool_id", "starts_at"])
        .check("order", "ends_at > starts_at")
        .check("boats", "boats > 0")
}

/// A boat out on hire. Append-only.
fn hire_log() -> Table {
    Table::rows("hire_log")
        .refer("boat_id", "boats")
        .instant("out_at")
        .instant("back_at")
        .text("used_for")
        .or_null()
        .refer("booking_id", "bookings")
        .or_null()
        .text("source")
        .unique("boat_out_at", &["boat_id", "out_at"])
        .index("out_at", &["out_at"])
        .check("order", "back_at > out_at")
}

/// Somebody looked a boat over. Append-only.
fn hire_checks() -> Table {
    Table::rows("hire_checks")
        .refer("boat_id", "boats")
        .refer("engine_id", "engines")
        .or_null()
        .one_of("kind", &["hand_over", "return"])
        .instant("checked_at")
        .refer("checked_by_id", "people")
        .or_null()
        .text("note")
        .or_null()
        .unique("boat_kind_checked_at", &["boat_id", "kind", "checked_at"])
}

/// One thing that was looked at.
fn hire_check_items() -> Table {
    Table::rows("hire_check_items")
        .refer("check_id", "hire_checks")
        .one_of(
            "item",
            &[
                "oil_level",
                "stop_cord",
                "fuel_leaks",
                "clamps",
                "propeller",
                "tell_tale",
                "shift",
                "flushed",
            ],
        )
        .one_of("outcome", &["good", "bad", "not_looked"])
        .unique("check_item", &["check_id", "item"])
}

/// An hour meter on an engine.
fn meters() -> Table {
    Table::shared("meters")
        .refer("engine_id", "engines")
        .one_of("kind", &["hour_meter", "key_on", "network", "no_meter"])
        .text("serial")
        .or_null()
        .instant("fitted_at")
        .instant("removed_at")
        .or_null()
        .unique("engine_fitted_at", &["engine_id", "fitted_at"])
        .unique_where("engine", &["engine_id"], "removed_at is null")
        .check("order", "removed_at is null or removed_at > fitted_at")
}

/// What a meter showed. Append-only: corrections are readings of their own.
fn readings() -> Table {
    Table::rows("readings")
        .refer("engine_id", "engines")
        .one_of("kind", &["reading", "estimate", "meter_replaced", "reset", "correction"])
        .instant("read_at")
        .big("shown_seconds")
        .big("shown_before_seconds")
        .or_null()
        .text("source")
        .refer("recorded_by_id", "people")
        .or_null()
        .instant("recorded_at")
        .text("note")
        .or_null()
        .unique_where("engine_read_at", &["engine_id", "read_at"], "kind <> 'correction'")
        .index("engine_read_at", &["engine_id", "read_at"])
        .check(
            "before",
            "(kind in ('meter_replaced', 'reset')) = (shown_before_seconds is not null)",
        )
        .check(
            "shown",
            "shown_seconds >= 0 and (shown_before_seconds is null or shown_before_seconds >= 0)",
        )
}
