//! Workbooks (XLSX) as records.
//!
//! Cells are taken one by one into a sparse list. Not `worksheet_range`: that allocates the whole
//! rectangle, so that two cells in opposite corners of a sheet would ask for all memory there is.

use std::fmt::Write as _;
use std::io::Cursor;

use calamine::{DataRef, ExcelDateTime, Reader as _, Xlsx};

use super::fault::RowFault;
use super::record::Record;

/// Unpacked size that a workbook may claim, and text that a sheet may hold.
const UNPACKED_BYTES_MAX: u64 = 1 << 29;
const TEXT_BYTES_MAX: usize = 1 << 28;
const COLUMNS_MAX: u32 = 1_000;
/// Serial numbers of 1900-01-00 and 9999-12-31, between which spreadsheets know dates.
const SERIAL_DAYS: std::ops::Range<f64> = 0.0..2_958_466.0;
const ZIP_SIGNATURE: &[u8] = b"PK\x03\x04";

/// Whether a file that begins with these bytes is a workbook rather than text.
pub fn is_workbook(beginning: &[u8]) -> bool {
    beginning.starts_with(ZIP_SIGNATURE)
}

/// The cells of one sheet, row by row.
#[derive(Debug)]
pub(super) struct SheetReader {
    pub(super) name: String,
    cells: Vec<SheetCell>,
    text: String,
    next: usize,
    width: u32,
}

#[derive(Clone, Copy, Debug)]
struct SheetCell {
    row: u32,
    column: u32,
    /// Where its text ends.
    end: usize,
}

impl SheetReader {
    /// Reads `sheet`, or the only one that has anything in it.
    pub(super) fn open(bytes: &[u8], sheet: Option<&str>) -> Result<Self, RowFault> {
        refuse_bomb(bytes)?;
        let mut workbook: Xlsx<_> = Xlsx::new(Cursor::new(bytes)).map_err(unreadable)?;
        let names = workbook.sheet_names();
        if let Some(wanted) = sheet {
            if !names.iter().any(|name| name == wanted) {
                let message = format!("no sheet {wanted:?}; there are {}", listed(&names));
                return Err(RowFault::of_row(1, "sheet-unknown", message));
            }
            return Self::read_sheet(&mut workbook, wanted);
        }
        let mut filled = Vec::new();
        for name in &names {
            let sheet = Self::read_sheet(&mut workbook, name)?;
            if !sheet.cells.is_empty() {
                filled.push(sheet);
            }
        }
        if filled.len() > 1 {
            let names: Vec<_> = filled.iter().map(|sheet| sheet.name.clone()).collect();
            let message = format!("several sheets are filled in; name one of {}", listed(&names));
            return Err(RowFault::of_row(1, "sheet-not-named", message));
        }
        let nothing = || RowFault::of_row(1, "header-missing", "no sheet has anything in it");
        filled.pop().ok_or_else(nothing)
    }

    fn read_sheet(workbook: &mut Xlsx<Cursor<&[u8]>>, name: &str) -> Result<Self, RowFault> {
        let (cells, text, next, width) = (Vec::new(), String::new(), 0, 0);
        let mut sheet = Self { name: name.to_owned(), cells, text, next, width };
        let mut reader = workbook.worksheet_cells_reader(name).map_err(unreadable)?;
        while let Some(cell) = reader.next_cell().map_err(unreadable)? {
            let (row, column) = cell.get_position();
            let start = sheet.text.len();
            write_cell(&mut sheet.text, cell.get_value());
            if sheet.text.len() == start {
                continue;
            }
            let line = u64::from(row) + 1;
            if column >= COLUMNS_MAX || sheet.text.len() > TEXT_BYTES_MAX {
                let message = format!(
                    "the sheet is wider than {COLUMNS_MAX} columns or holds more than {} MB of text",
                    TEXT_BYTES_MAX >> 20,
                );
                return Err(RowFault::of_row(line, "workbook-too-large", message));
            }
            let rises = |last: &SheetCell| (last.row, last.column) < (row, column);
            if !sheet.cells.last().is_none_or(rises) {
                let message = "the cells are not in order; save the workbook anew";
                return Err(RowFault::of_row(line, "workbook-unreadable", message));
            }
            sheet.width = sheet.width.max(column + 1);
            sheet.cells.push(SheetCell { row, column, end: sheet.text.len() });
        }
        Ok(sheet)
    }

    /// Number of the row that comes next.
    pub(super) fn line(&self) -> u64 {
        let last = self.cells.last().map_or(0, |cell| cell.row + 1);
        u64::from(self.cells.get(self.next).map_or(last, |cell| cell.row)) + 1
    }

    /// The next row that has anything in it; `false` at the end.
    pub(super) fn read(&mut self, record: &mut Record) -> bool {
        record.begin(self.line());
        let Some(first) = self.cells.get(self.next) else { return false };
        let row = first.row;
        let mut column = 0;
        while let Some(cell) = self.cells.get(self.next).filter(|cell| cell.row == row) {
            while column < cell.column {
                record.push_field("");
                column += 1;
            }
            let start = self.next.checked_sub(1).map_or(0, |before| self.cells[before].end);
            record.push_field(&self.text[start..cell.end]);
            column += 1;
            self.next += 1;
        }
        while column < self.width {
            record.push_field("");
            column += 1;
        }
        true
    }
}

/// A cell's value as people would write it in a text file.
fn write_cell(text: &mut String, value: &DataRef<'_>) {
    let written = match value {
        DataRef::Empty => Ok(()),
        DataRef::Int(number) => write!(text, "{number}"),
        DataRef::Float(number) => write!(text, "{number}"),
        DataRef::Bool(truth) => write!(text, "{truth}"),
        DataRef::String(string) => write!(text, "{string}"),
        DataRef::SharedString(string) => write!(text, "{string}"),
        DataRef::DateTimeIso(string) | DataRef::DurationIso(string) => write!(text, "{string}"),
        DataRef::Error(error) => write!(text, "{error}"),
        DataRef::DateTime(time) => write_time(text, time),
    };
    debug_assert!(written.is_ok(), "a string takes what is written to it");
}

fn write_time(text: &mut String, time: &ExcelDateTime) -> std::fmt::Result {
    let days = time.as_f64();
    if !SERIAL_DAYS.contains(&days) {
        return write!(text, "{days}");
    }
    if time.is_duration() || days < 1.0 {
        let seconds = (days * 86_400.0).round() as u64;
        let (hours, minutes, seconds) = (seconds / 3_600, seconds / 60 % 60, seconds % 60);
        return match seconds {
            0 => write!(text, "{hours}:{minutes:02}"),
            _ => write!(text, "{hours}:{minutes:02}:{seconds:02}"),
        };
    }
    let (year, month, day, hour, minute, second, _) = time.to_ymd_hms_milli();
    write!(text, "{year:04}-{month:02}-{day:02}")?;
    if (hour, minute, second) != (0, 0, 0) {
        write!(text, " {hour:02}:{minute:02}:{second:02}")?;
    }
    Ok(())
}

fn refuse_bomb(bytes: &[u8]) -> Result<(), RowFault> {
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).map_err(unreadable)?;
    let mut unpacked: u64 = 0;
    for index in 0..archive.len() {
        let file = archive.by_index_raw(index).map_err(unreadable)?;
        unpacked = unpacked.saturating_add(file.size());
    }
    if unpacked > UNPACKED_BYTES_MAX {
        let message = format!("the workbook unpacks to more than {} MB", UNPACKED_BYTES_MAX >> 20);
        return Err(RowFault::of_row(1, "workbook-too-large", message));
    }
    Ok(())
}

fn unreadable(error: impl std::fmt::Display) -> RowFault {
    let message = format!("the workbook can't be read ({error}); save it as XLSX anew");
    RowFault::of_row(1, "workbook-unreadable", message)
}

fn listed(names: &[String]) -> String {
    names.iter().map(|name| format!("{name:?}")).collect::<Vec<_>>().join(", ")
}
