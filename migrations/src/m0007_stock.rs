//! Orders, receipts, and the ledger of what is on the shelf.

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
        orders(),
        order_lines(),
        receipts(),
        receipt_lines(),
        lots(),
        stock_moves(),
        stock_levels(),
        reservations(),
    ]
}

/// What is asked of one supplier.
fn orders() -> Table {
    Table::shared("orders")
        .text("number")
        .refer("supplier_id", "suppliers")
        .refer("site_id", "sites")
        .one_of(
            "status",
            &["draft", "approved", "sent", "part_received", "received", "closed", "cancelled"],
        )
        .text("currency")
        .date("ordered_on")
        .or_null()
        .date("expected_on")
        .or_null()
        .refer("approved_by_id", "people")
        .or_null()
        .refer("run_id", "runs")
        .or_null()
        .text("note")
        .or_null()
        .instant("created_at")
        .unique("number", &["number"])
        .index("status", &["status"])
        .index("supplier_ordered_on", &["supplier_id", "ordered_on"])
        .check("currency", "length(currency) = 3")
        .check(
            "sent",
            "status not in ('sent', 'part_received', 'received') or ordered_on is not null",
        )
}

/// What is ordered of one part.
fn order_lines() -> Table {
    Table::shared("order_lines")
        .refer("order_id", "orders")
        .refer("part_id", "parts")
        .big("quantity")
        .big("price_minor")
        .big("price_units")
        .big("cancelled")
        .date("expected_on")
        .or_null()
        .text("note")
        .or_null()
        .unique("order_part", &["order_id", "part_id"])
        .index("part", &["part_id"])
        .check("quantity", "quantity > 0 and cancelled >= 0 and cancelled <= quantity")
        .check("price", "price_minor >= 0 and price_units > 0")
}

/// A delivery. Append-only.
fn receipts() -> Table {
    Table::rows("receipts")
        .refer("order_id", "orders")
        .date("received_on")
        .text("delivery_note")
        .or_null()
        .refer("received_by_id", "people")
        .or_null()
        .instant("recorded_at")
        .unique_where(
            "order_received_on_delivery_note",
            &["order_id", "received_on", "delivery_note"],
            "delivery_note is not null",
        )
        .index("order", &["order_id"])
}

/// What a delivery held of an order's line.
fn receipt_lines() -> Table {
    Table::rows("receipt_lines")
        .refer("receipt_id", "receipts")
        .refer("line_id", "order_lines")
        .big("quantity")
        .big("invoiced_minor")
        .or_null()
        .unique("receipt_line", &["receipt_id", "line_id"])
        .index("line", &["line_id"])
        .check("quantity", "quantity > 0")
}

/// Pieces of one part that share their age and origin.
fn lots() -> Table {
    Table::shared("lots")
        .refer("part_id", "parts")
        .text("code")
        .or_null()
        .date("cured_on")
        .or_null()
        .date("received_on")
        .or_null()
        .date("expires_on")
        .or_null()
        .one_of("dated_by", &["cure", "label", "receipt", "unknown"])
        .one_of("condition", &["new", "used"])
        .refer("donor_id", "engines")
        .or_null()
        .refer("receipt_line_id", "receipt_lines")
        .or_null()
        .unique_where("part_code", &["part_id", "code"], "code is not null")
        .index("part_expires_on", &["part_id", "expires_on"])
        .check("donor", "(condition = 'used') = (donor_id is not null)")
}

/// A change of what is on a shelf. Append-only.
fn stock_moves() -> Table {
    Table::rows("stock_moves")
        .refer("part_id", "parts")
        .refer("site_id", "sites")
        .refer("lot_id", "lots")
        .or_null()
        .one_of(
            "kind",
            &[
                "receipt",
                "issue",
                "return",
                "adjustment",
                "count",
                "kit_opened",
                "transfer",
                "supplier_return",
                "scrapped",
            ],
        )
        .big("quantity")
        .instant("moved_at")
        .refer("job_id", "jobs")
        .or_null()
        .refer("receipt_line_id", "receipt_lines")
        .or_null()
        .refer("moved_by_id", "people")
        .or_null()
        .uuid("together")
        .or_null()
        .text("reason")
        .or_null()
        .text("reference")
        .or_null()
        .instant("recorded_at")
        .unique_where("reference", &["reference"], "reference is not null")
        .index("part_site_moved_at", &["part_id", "site_id", "moved_at"])
        .check("quantity", "quantity <> 0")
        .check("reason", "kind not in ('adjustment', 'count', 'scrapped') or reason is not null")
}

/// What a site has of a part: the sum of its moves, and what is promised of it.
fn stock_levels() -> Table {
    Table::rows("stock_levels")
        .refer("part_id", "parts")
        .refer("site_id", "sites")
        .big("on_hand")
        .big("reserved")
        .unique("part_site", &["part_id", "site_id"])
        .check("reserved", "reserved >= 0")
}

/// Pieces promised to a job.
fn reservations() -> Table {
    Table::shared("reservations")
        .refer("job_id", "jobs")
        .refer("part_id", "parts")
        .refer("site_id", "sites")
        .refer("lot_id", "lots")
        .or_null()
        .big("quantity")
        .one_of("status", &["held", "issued", "released"])
        .instant("reserved_at")
        .unique_where("job_part_site", &["job_id", "part_id", "site_id"], "status = 'held'")
        .index("part_status", &["part_id", "status"])
        .check("quantity", "quantity > 0")
}
