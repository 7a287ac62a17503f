//! Parts, kits and supersessions.

use chrono::{DateTime, NaiveDate, Utc};
use fleet::part::{PartKind, Unit};
use serde::Serialize;

use super::{Kind, LoadRow};
use crate::table::{Column, Refused, Row};

/// Something kept on a shelf.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct PartRow {
    pub part: String,
    pub name: String,
    pub maker: Option<String>,
    pub kind: PartKind,
    pub unit: Unit,
    pub compound: Option<String>,
    pub shelf_life_months: Option<i32>,
    pub shelf_life_source: Option<String>,
    pub sealing: bool,
    pub returnable: bool,
    pub boat_days_lost_hundredths: Option<i32>,
    pub family: Option<String>,
}

impl LoadRow for PartRow {
    const KIND: Kind = Kind::Parts;
    const COLUMNS: &'static [Column] = &[
        Column::required("part", "part number"),
        Column::required("name", "what it is"),
        Column::optional("maker", "whose number it is"),
        Column::optional("kind", "part, kit, fluid or consumable; else part"),
        Column::optional(
            "unit",
            "each, millilitre, gram or millimetre; else each. All quantities are whole numbers of it",
        ),
        Column::optional("compound", "rubber: NBR, FKM, ..."),
        Column::optional("shelf_life_months", "from cure or receipt; empty is unlimited"),
        Column::optional("shelf_life_source", "where the shelf life comes from"),
        Column::optional("sealing", "true for seals, O-rings and gaskets: never fitted used"),
        Column::optional("returnable", "true where the supplier takes it back"),
        Column::optional(
            "boat_days_lost",
            "boat-days lost for each one missing; of a fluid, for each job that lacks it",
        ),
        Column::optional("family", "parts of like use, whose season a sparse part borrows"),
    ];
    const EXAMPLE: &'static [&'static str] = &[
        "ND-IMP-06",
        "Impeller, 6 hp",
        "Northdrift",
        "part",
        "each",
        "NBR",
        "84",
        "ISO 2230 group A",
        "false",
        "true",
        "1.5",
        "impellers",
    ];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let part = row.string("part");
        let name = row.string("name");
        let maker = row.optional("maker", Row::string);
        let kind = row.optional("kind", Row::word);
        let unit = row.optional("unit", Row::word);
        let compound = row.optional("compound", Row::string);
        let shelf_life =
            row.optional("shelf_life_months", |row, c| row.scaled(c, 1, 1.0..=1_200.0));
        let shelf_life_source = row.optional("shelf_life_source", Row::string);
        let sealing = row.optional("sealing", Row::boolean);
        let returnable = row.optional("returnable", Row::boolean);
        let boat_days = row.optional("boat_days_lost", |row, c| row.scaled(c, 100, 0.0..=1_000.0));
        let family = row.optional("family", Row::string);
        Ok(Self {
            part: part?,
            name: name?,
            maker: maker?,
            kind: kind?.unwrap_or(PartKind::Part),
            unit: unit?.unwrap_or(Unit::Each),
            compound: compound?,
            shelf_life_months: shelf_life?,
            shelf_life_source: shelf_life_source?,
            sealing: sealing?.unwrap_or(false),
            returnable: returnable?.unwrap_or(false),
            boat_days_lost_hundredths: boat_days?,
            family: family?,
        })
    }
}

/// What one kit holds of one part.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct KitRow {
    pub kit: String,
    pub part: String,
    pub quantity: u32,
}

impl LoadRow for KitRow {
    const KIND: Kind = Kind::Kits;
    const COLUMNS: &'static [Column] = &[
        Column::required("kit", "part number of the kit"),
        Column::required("part", "part number of what it holds; may be a kit itself"),
        Column::required("quantity", "how much of it, in the part's unit"),
    ];
    const EXAMPLE: &'static [&'static str] = &["ND-PUMP-06", "ND-IMP-06", "1"];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let kit = row.string("kit");
        let part = row.string("part");
        let quantity = row.count_from_one("quantity");
        let (kit, part) = (kit?, part?);
        if kit == part {
            return Err(row.refuse("part", "kit-loop", "a kit can't hold itself"));
        }
        Ok(Self { kit, part, quantity: quantity? })
    }
}

/// A part number that stands in for another.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct SupersessionRow {
    pub old_part: String,
    pub new_part: String,
    pub two_way: bool,
    /// New pieces for so many old ones.
    pub new_quantity: i32,
    pub old_quantity: i32,
    pub use_up_old: bool,
    pub effective_on: NaiveDate,
    pub source: Option<String>,
}

impl LoadRow for SupersessionRow {
    const KIND: Kind = Kind::Supersessions;
    const COLUMNS: &'static [Column] = &[
        Column::required("old_part", "part number that ends"),
        Column::required("new_part", "part number that takes its place"),
        Column::optional("two_way", "true where the old one may still stand in for the new"),
        Column::optional("new_quantity", "new pieces needed; else 1"),
        Column::optional("old_quantity", "for so many old ones; else 1"),
        Column::optional(
            "use_up_old",
            "true where what is left of the old is used first; also the default",
        ),
        Column::required("effective_on", "from when on"),
        Column::optional("source", "bulletin or letter"),
    ];
    const EXAMPLE: &'static [&'static str] =
        &["ND-IMP-06", "ND-IMP-06B", "false", "1", "1", "true", "2026-01-01", "bulletin 2025-11"];

    fn parse(row: &Row<'_>, _: DateTime<Utc>) -> Result<Self, Refused> {
        let old_part = row.string("old_part");
        let new_part = row.string("new_part");
        let two_way = row.optional("two_way", Row::boolean);
        let quantity = |row: &Row<'_>, column: &str| row.scaled(column, 1, 1.0..=10_000.0);
        let new_quantity = row.optional("new_quantity", quantity);
        let old_quantity = row.optional("old_quantity", quantity);
        let use_up_old = row.optional("use_up_old", Row::boolean);
        let effective_on = row.date("effective_on");
        let source = row.optional("source", Row::string);
        let (old_part, new_part) = (old_part?, new_part?);
        if old_part == new_part {
            return Err(row.refuse("new_part", "supersession-loop", "a part can't replace itself"));
        }
        Ok(Self {
            old_part,
            new_part,
            two_way: two_way?.unwrap_or(false),
            new_quantity: new_quantity?.unwrap_or(1),
            old_quantity: old_quantity?.unwrap_or(1),
            use_up_old: use_up_old?.unwrap_or(true),
            effective_on: effective_on?,
            source: source?,
        })
    }
}
