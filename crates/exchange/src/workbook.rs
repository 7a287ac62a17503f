//! Tables out as workbooks (XLSX).
//!
//! Text is written as text, whatever it begins with: a part name that starts with `=` is no formula.

use chrono::{NaiveDate, NaiveDateTime};
use rust_xlsxwriter::{Format, Workbook, Worksheet};

use crate::error::ExchangeError;

/// Rows of a sheet, the header's included.
const SHEET_ROWS: usize = 1 << 20;

/// A value in a sheet.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    Empty,
    Text(String),
    Number(f64),
    Truth(bool),
    Day(NaiveDate),
    /// By the clock of the site.
    Time(NaiveDateTime),
}

impl From<&str> for Cell {
    fn from(text: &str) -> Self {
        Self::Text(text.to_owned())
    }
}

impl<T: Into<Self>> From<Option<T>> for Cell {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Empty, Into::into)
    }
}

impl From<f64> for Cell {
    fn from(number: f64) -> Self {
        Self::Number(number)
    }
}

impl From<NaiveDate> for Cell {
    fn from(day: NaiveDate) -> Self {
        Self::Day(day)
    }
}

/// A workbook of one sheet: a header that stays in sight and can be filtered by, then the rows.
///
/// # Errors
/// More rows than a sheet holds, a number that is not finite, a sheet name or text that a workbook
/// can't hold.
pub fn write_workbook(
    sheet_name: &str,
    columns: &[&str],
    rows: &[Vec<Cell>],
) -> Result<Vec<u8>, ExchangeError> {
    if rows.len() >= SHEET_ROWS {
        return Err(ExchangeError::TooManyRows { rows: rows.len(), max: SHEET_ROWS - 1 });
    }
    let mut workbook = Workbook::new();
    let sheet = workbook.add_worksheet().set_name(sheet_name)?;
    let bold = Format::new().set_bold();
    for (place, column) in (0..).zip(columns) {
        sheet.write_string_with_format(0, place, *column, &bold)?;
    }
    let day = Format::new().set_num_format("yyyy-mm-dd");
    let time = Format::new().set_num_format("yyyy-mm-dd hh:mm");
    for (row, cells) in (1..).zip(rows) {
        for (place, cell) in (0..).zip(cells) {
            write_cell(sheet, row, place, cell, [&day, &time])?;
        }
    }
    sheet.set_freeze_panes(1, 0)?;
    if let (Some(last_column), Some(last_row)) =
        (columns.len().checked_sub(1), u32::try_from(rows.len()).ok())
    {
        sheet.autofilter(0, 0, last_row, u16::try_from(last_column).unwrap_or(u16::MAX))?;
    }
    sheet.autofit();
    Ok(workbook.save_to_buffer()?)
}

fn write_cell(
    sheet: &mut Worksheet,
    row: u32,
    column: u16,
    cell: &Cell,
    [day_format, time_format]: [&Format; 2],
) -> Result<(), ExchangeError> {
    match cell {
        Cell::Empty => {}
        Cell::Text(text) => {
            sheet.write_string(row, column, text)?;
        }
        Cell::Number(number) if number.is_finite() => {
            sheet.write_number(row, column, *number)?;
        }
        Cell::Number(number) => return Err(ExchangeError::NotFinite { number: *number }),
        Cell::Truth(truth) => {
            sheet.write_boolean(row, column, *truth)?;
        }
        Cell::Day(day) => {
            sheet.write_datetime_with_format(row, column, day, day_format)?;
        }
        Cell::Time(time) => {
            sheet.write_datetime_with_format(row, column, time, time_format)?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::io::Empty;

    use super::{Cell, NaiveDate, write_workbook};
    use crate::table::{Column, Table};

    const COLUMNS: [Column; 4] = [
        Column::required("part", "number"),
        Column::required("quantity", "pieces"),
        Column::required("due", "day"),
        Column::required("kitted", "yes or no"),
    ];

    #[test]
    fn what_is_written_reads_back() {
        let due = NaiveDate::from_ymd_opt(2026, 2, 28).expect("a day");
        let rows = [
            vec![Cell::from("=1+1"), Cell::from(2.5), Cell::from(due), Cell::Truth(true)],
            vec![
                Cell::from("0042"),
                Cell::Number(0.0),
                Cell::Time(due.and_hms_opt(8, 30, 0).expect("a time")),
                Cell::from(None::<f64>),
            ],
        ];
        let columns = COLUMNS.map(|column| column.name);
        let bytes = write_workbook("Order lines", &columns, &rows).expect("a workbook");
        let table: Table<Empty> = Table::open_workbook(&bytes, None, &COLUMNS).expect("a table");
        let read = table.rows(|row| Ok(columns.map(|column| row.raw(column).to_owned())));
        let read: Vec<_> = read.map(|row| row.expect("a row").value).collect();
        assert_eq!(read[0], ["=1+1", "2.5", "2026-02-28", "true"]);
        assert_eq!(read[1], ["0042", "0", "2026-02-28 08:30:00", ""]);
    }

    #[test]
    fn what_a_sheet_cannot_hold_is_refused() {
        let rule = |rows: &[Vec<Cell>], name: &str| {
            write_workbook(name, &["a"], rows).map_err(|error| error.rule()).err()
        };
        assert_eq!(rule(&[vec![Cell::Number(f64::NAN)]], "A"), Some("number-not-finite"));
        assert_eq!(
            rule(&[vec![Cell::Text("x".repeat(40_000))]], "A"),
            Some("workbook-not-written")
        );
        assert_eq!(rule(&[], "a/b"), Some("workbook-not-written"));
        assert_eq!(rule(&vec![Vec::new(); 1 << 20], "A"), Some("sheet-too-long"));
        assert_eq!(rule(&[], "A"), None);
    }
}
