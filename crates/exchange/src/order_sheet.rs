//! An order as its supplier reads it: a table for a spreadsheet, a workbook, a printed page.
//!
//! Quantities are in the supplier's terms where they are known: packs beside pieces, the supplier's
//! own number beside ours. Invariant: all three say the same lines in the same order.

mod printed;

use chrono::NaiveDate;
use fleet::{Currency, Money};

use crate::error::ExchangeError;
use crate::table::TableWriter;
use crate::workbook::{Cell, write_workbook};

/// An order with all names in words.
#[derive(Clone, Debug)]
pub struct OrderSheet {
    pub number: String,
    pub buyer: String,
    pub deliver_to: String,
    pub supplier: String,
    /// `None` while it is not sent.
    pub ordered_on: Option<NaiveDate>,
    pub wanted_by: Option<NaiveDate>,
    pub currency: Currency,
    pub lines: Vec<SheetLine>,
    pub note: Option<String>,
}

/// One line of it.
#[derive(Clone, Debug)]
pub struct SheetLine {
    /// The supplier's number of the part.
    pub supplier_number: Option<String>,
    /// Ours.
    pub number: String,
    pub name: String,
    /// In stock units.
    pub quantity: i64,
    /// `pieces`, `mL`, ...
    pub unit: String,
    /// Stock units in a pack; 1 where it is sold singly or unknown.
    pub pack: i64,
    /// Minor units, for `price_units` stock units.
    pub price_minor: i64,
    pub price_units: i64,
    pub total_minor: i64,
    pub note: Option<String>,
}

const COLUMNS: [&str; 13] = [
    "order",
    "line",
    "supplier_number",
    "part",
    "name",
    "quantity",
    "unit",
    "packs",
    "pack_of",
    "price",
    "price_for",
    "total",
    "currency",
];

impl SheetLine {
    /// Whole packs; `None` where the quantity is not a multiple of the pack.
    fn packs(&self) -> Option<i64> {
        (self.pack > 0 && self.quantity % self.pack == 0).then(|| self.quantity / self.pack)
    }
}

impl OrderSheet {
    /// What all lines come to, in minor units.
    pub fn total_minor(&self) -> i64 {
        self.lines.iter().fold(0, |sum, line| sum.saturating_add(line.total_minor))
    }

    fn amount(&self, minor: i64) -> String {
        Money::new(minor, self.currency).amount()
    }

    /// A table of the lines.
    ///
    /// # Errors
    /// None that a text in memory could meet; the writer says so all the same.
    pub fn csv(&self) -> Result<Vec<u8>, ExchangeError> {
        let mut table = TableWriter::new(Vec::new(), &COLUMNS)?;
        for (place, line) in (1..).zip(&self.lines) {
            let packs = line.packs().map(|packs| packs.to_string()).unwrap_or_default();
            table.row([
                self.number.clone(),
                format!("{place}"),
                line.supplier_number.clone().unwrap_or_default(),
                line.number.clone(),
                line.name.clone(),
                line.quantity.to_string(),
                line.unit.clone(),
                packs,
                line.pack.to_string(),
                self.amount(line.price_minor),
                line.price_units.to_string(),
                self.amount(line.total_minor),
                self.currency.to_string(),
            ])?;
        }
        Ok(table.finish()?)
    }

    /// A workbook of the lines, numbers as numbers.
    ///
    /// # Errors
    /// A text longer than a cell holds.
    pub fn workbook(&self) -> Result<Vec<u8>, ExchangeError> {
        let scale = 10_f64.powi(i32::try_from(self.currency.digits()).unwrap_or(0));
        let money = |minor: i64| Cell::Number(minor as f64 / scale);
        let text = |text: &str| Cell::from(text);
        let row = |(place, line): (usize, &SheetLine)| {
            vec![
                text(&self.number),
                Cell::Number((place + 1) as f64),
                line.supplier_number.as_deref().map_or(Cell::Empty, Cell::from),
                text(&line.number),
                text(&line.name),
                Cell::Number(line.quantity as f64),
                text(&line.unit),
                line.packs().map_or(Cell::Empty, |packs| Cell::Number(packs as f64)),
                Cell::Number(line.pack as f64),
                money(line.price_minor),
                Cell::Number(line.price_units as f64),
                money(line.total_minor),
                text(&self.currency.to_string()),
            ]
        };
        let rows: Vec<Vec<Cell>> = self.lines.iter().enumerate().map(row).collect();
        write_workbook("Order", &COLUMNS, &rows)
    }

    /// A page to print or to send, as many pages as it takes.
    ///
    /// # Errors
    /// The page could not be put together.
    pub fn pdf(&self) -> Result<Vec<u8>, ExchangeError> {
        printed::print(self)
    }
}

#[cfg(test)]
mod tests {
    use std::io::Empty;

    use super::*;
    use crate::table::{Column, Table};

    fn line(number: &str, quantity: i64, pack: i64) -> SheetLine {
        SheetLine {
            supplier_number: Some(format!("S-{number}")),
            number: number.to_owned(),
            name: "=Dichtungssatz, größer; für die Welle".to_owned(),
            quantity,
            unit: "pieces".to_owned(),
            pack,
            price_minor: 1_250,
            price_units: 1,
            total_minor: 1_250 * quantity,
            note: None,
        }
    }

    fn sheet(lines: usize) -> OrderSheet {
        OrderSheet {
            number: "2026-014".to_owned(),
            buyer: "Skerry Boats".to_owned(),
            deliver_to: "North quay".to_owned(),
            supplier: "Coast Marine Parts".to_owned(),
            ordered_on: NaiveDate::from_ymd_opt(2026, 11, 25),
            wanted_by: None,
            currency: Currency::EUR,
            lines: (0..lines).map(|place| line(&format!("P-{place}"), 12, 4)).collect(),
            note: Some("Please state cure dates on the bags.".to_owned()),
        }
    }

    #[test]
    fn table_and_workbook_hold_the_same_lines() {
        let sheet = sheet(3);
        let text = String::from_utf8(sheet.csv().expect("a table")).expect("text");
        let second = text.lines().nth(2).expect("a header and three lines");
        assert_eq!(
            second,
            "2026-014,2,S-P-1,P-1,\"=Dichtungssatz, größer; für die Welle\",12,pieces,3,4,12.50,1,\
             150.00,EUR"
        );
        let read = COLUMNS.map(|name| Column::required(name, "as it is written"));
        let bytes = sheet.workbook().expect("a workbook");
        let table: Table<Empty> = Table::open_workbook(&bytes, None, &read).expect("a table");
        let rows = table.rows(|row| Ok((row.raw("part").to_owned(), row.raw("total").to_owned())));
        let rows: Vec<_> = rows.map(|row| row.expect("a row").value).collect();
        assert_eq!(rows.len(), 3);
        assert_eq!(rows[1], ("P-1".to_owned(), "150".to_owned()));
    }

    #[test]
    fn what_is_no_whole_pack_says_no_number_of_packs() {
        assert_eq!(line("a", 12, 4).packs(), Some(3));
        assert_eq!(line("a", 13, 4).packs(), None);
    }

    #[test]
    fn a_long_order_takes_pages() {
        let printed = sheet(200).pdf().expect("pages");
        assert!(printed.starts_with(b"%PDF-"));
        assert_eq!(printed::lay_out(&sheet(3)).len(), 1);
        assert!(printed::lay_out(&sheet(200)).len() > 3);
    }
}
