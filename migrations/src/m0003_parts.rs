//! Parts, what kits hold, who supplies them and on which terms.

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
        parts(),
        kit_lines(),
        supersessions(),
        suppliers(),
        supplier_seasons(),
        terms(),
        term_breaks(),
        lead_times(),
    ]
}

/// Something kept on a shelf. A kit is a part whose contents are known.
fn parts() -> Table {
    Table::shared("parts")
        .text("number")
        .text("maker")
        .or_null()
        .text("name")
        .one_of("kind", &["part", "kit", "fluid", "consumable"])
        .one_of("unit", &["each", "millilitre", "gram", "millimetre"])
        .text("compound")
        .or_null()
        .int("shelf_life_months")
        .or_null()
        .text("shelf_life_source")
        .or_null()
        .bool("sealing")
        .bool("returnable")
        .int("boat_days_lost_hundredths")
        .or_null()
        .text("family")
        .or_null()
        .bool("archived")
        .unique("number", &["number"])
        .check("shelf_life", "shelf_life_months is null or shelf_life_months > 0")
        .check("boat_days", "boat_days_lost_hundredths is null or boat_days_lost_hundredths >= 0")
}

/// What one kit holds of one part.
fn kit_lines() -> Table {
    Table::shared("kit_lines")
        .refer("kit_id", "parts")
        .refer("part_id", "parts")
        .big("quantity")
        .unique("kit_part", &["kit_id", "part_id"])
        .check("quantity", "quantity > 0")
        .check("self", "kit_id <> part_id")
}

/// A part number that stands in for another.
fn supersessions() -> Table {
    Table::shared("supersessions")
        .refer("old_part_id", "parts")
        .refer("new_part_id", "parts")
        .bool("two_way")
        .int("new_for_old_numerator")
        .int("new_for_old_denominator")
        .bool("use_up_old")
        .date("effective_on")
        .text("source")
        .or_null()
        .unique("old_part_new_part", &["old_part_id", "new_part_id"])
        .check("self", "old_part_id <> new_part_id")
        .check("factor", "new_for_old_numerator > 0 and new_for_old_denominator > 0")
}

/// Whoever parts are bought from.
fn suppliers() -> Table {
    Table::shared("suppliers")
        .text("name")
        .text("currency")
        .big("order_minimum_minor").or_null()
        .big("freight_minor").or_null()
        .big("order_cost_minor").or_null()
        .int("review_days")
        .text("note").or_null()
        .bool("archived")
        .unique("name", &["name"])
        .check("currency", "length(currency) = 3")
        .check("money", "coalesce(order_minimum_minor, 0) >= 0 and coalesce(freight_minor, 0) >= 0 and coalesce(order_cost_minor, 0) >= 0")
        .check("review", "review_days between 0 and 366")
}

/// A pre-season window of a supplier, both days included.
fn supplier_seasons() -> Table {
    Table::shared("supplier_seasons")
        .refer("supplier_id", "suppliers")
        .date("opens_on")
        .date("closes_on")
        .date("ships_on")
        .or_null()
        .int("discount_permille")
        .big("minimum_minor")
        .or_null()
        .unique("supplier_opens_on", &["supplier_id", "opens_on"])
        .check("order", "closes_on >= opens_on")
        .check("discount", "discount_permille between 0 and 1000")
}

/// On which terms a supplier sells a part.
fn terms() -> Table {
    Table::shared("terms")
        .refer("part_id", "parts")
        .refer("supplier_id", "suppliers")
        .text("supplier_number").or_null()
        .big("pack")
        .big("minimum")
        .big("price_minor").text("price_currency")
        .big("price_units")
        .int("lead_days_median")
        .int("lead_days_worst").or_null()
        .int("review_days").or_null()
        .one_of("policy", &["fill_rate", "cycle_service", "boat_days"]).or_null()
        .int("target_permille").or_null()
        .date("valid_from")
        .date("valid_until").or_null()
        .unique("part_supplier_valid_from", &["part_id", "supplier_id", "valid_from"])
        .check("pack", "pack > 0 and minimum >= 0 and price_units > 0")
        .check("price", "price_minor >= 0")
        .check("lead", "lead_days_median >= 0 and (lead_days_worst is null or lead_days_worst >= lead_days_median)")
        .check("target", "target_permille is null or target_permille between 1 and 1000")
        .check("order", "valid_until is null or valid_until > valid_from")
}

/// A lower price from a quantity on, in the term's currency.
fn term_breaks() -> Table {
    Table::shared("term_breaks")
        .refer("term_id", "terms")
        .big("quantity_from")
        .big("price_minor")
        .unique("term_quantity_from", &["term_id", "quantity_from"])
        .check("quantity", "quantity_from > 0 and price_minor >= 0")
}

/// How long a supplier takes in a month of the year.
fn lead_times() -> Table {
    Table::shared("lead_times")
        .refer("supplier_id", "suppliers")
        .refer("part_id", "parts")
        .or_null()
        .int("month")
        .int("days_median")
        .int("days_worst")
        .int("sample")
        .one_of("basis", &["stated", "learned"])
        .unique_where("supplier_month_basis", &["supplier_id", "month", "basis"], "part_id is null")
        .unique_where(
            "supplier_part_month_basis",
            &["supplier_id", "part_id", "month", "basis"],
            "part_id is not null",
        )
        .check("month", "month between 1 and 12")
        .check("days", "days_median >= 0 and days_worst >= days_median and sample >= 0")
}
