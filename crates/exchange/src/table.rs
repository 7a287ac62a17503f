//! Tables of text with named columns: the one way by which people's files come in.
//!
//! A [`Table`] reads UTF-8 CSV in a stream. What it accepts: comma, semicolon or tab between fields
//! (found from the header), a decimal comma, a byte order mark, quoted fields (RFC 4180) with line
//! breaks inside, CRLF or LF, columns in any order, names in any case, comment lines starting with
//! `#` before the header. What it refuses, with the place: unknown, missing and repeated columns,
//! ragged rows, text that is not UTF-8, NUL bytes, a row longer than [`Limits::row_bytes`].
//!
//! A [`Table`] also reads workbooks (XLSX) and newline-delimited JSON into the same rows.
//!
//! A row is parsed by a function of the caller's. Getters give a value, or note what is wrong and
//! give [`Refused`]. Ask for every field first and unfold afterwards, so that all that is wrong with
//! a row is listed at once:
//!
//! ```
//! use exchange::table::{Column, read_all};
//!
//! const COLUMNS: [Column; 3] = [
//!     Column::required("part", "part number"),
//!     Column::required("month", "month of use, YYYY-MM"),
//!     Column::required("quantity", "pieces used in the month"),
//! ];
//! let file = "part;month;quantity\nIMP-3;2026-05;1,5\nIMP-3;2026-13;two\n";
//! let refused = read_all(file.as_bytes(), &COLUMNS, |row| {
//!     let part = row.text("part");
//!     let month = row.month("month");
//!     let quantity = row.not_negative("quantity");
//!     Ok((part?.to_owned(), month?, quantity?))
//! })
//! .unwrap_err();
//! assert_eq!(
//!     refused.faults()[0].to_string(),
//!     "line 3, column month, \"2026-13\": not a month; write YYYY-MM [not-a-month]",
//! );
//! assert_eq!(refused.faults()[1].rule, "not-a-number");
//! ```
//!
//! Invariant: a value is never guessed. What could mean two things is a fault.

mod column;
mod fault;
mod header;
mod number;
mod objects;
mod record;
mod row;
mod sheet;
mod writer;

use std::io::Read;

pub use column::{Column, Presence};
pub use fault::{Faults, Refused, RowFault};
pub use number::DecimalMark;
pub use row::{Moment, Row};
pub use sheet::is_workbook;
pub use writer::TableWriter;

use header::Header;
use number::MarkSeen;
use record::{Record, RecordReader};
use sheet::SheetReader;

/// What a table may cost before it is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Longest row, line breaks inside quotes included. Reading stops at a longer one.
    pub row_bytes: usize,
    /// Faults kept; further ones are counted, not kept.
    pub faults: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self { row_bytes: 1 << 20, faults: 10_000 }
    }
}

/// A row's value and where it stood.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Placed<T> {
    /// Line of the file on which the row starts, the first being 1.
    pub line: u64,
    pub value: T,
}

/// A table whose header has been read and found right.
pub struct Table<R> {
    source: Source<R>,
    header: Header,
    mark: MarkSeen,
}

enum Source<R> {
    Text(RecordReader<R>),
    Objects(RecordReader<R>, &'static [Column]),
    Sheet(SheetReader),
}

impl<R: Read> Table<R> {
    /// Reads the header. `columns` are all that the file may have.
    pub fn open(reader: R, columns: &[Column]) -> Result<Self, Faults> {
        Self::open_within(reader, columns, Limits::default())
    }

    /// As [`Table::open`], with limits of the caller's.
    pub fn open_within(reader: R, columns: &[Column], limits: Limits) -> Result<Self, Faults> {
        let mut records = RecordReader::new(reader, limits.row_bytes);
        let header = header::of_text(&mut records, columns, limits.faults)?;
        Ok(Self { source: Source::Text(records), header, mark: MarkSeen::default() })
    }

    /// Newline-delimited JSON: an object a line, members named as the columns.
    pub fn open_objects(reader: R, columns: &'static [Column]) -> Self {
        let records = RecordReader::new(reader, Limits::default().row_bytes);
        let source = Source::Objects(records, columns);
        Self { source, header: Header::of_all(columns), mark: MarkSeen::default() }
    }

    /// A workbook (XLSX), whole in memory. Reads `sheet`, or the only one that is filled in. Faults
    /// name the sheet and its row.
    pub fn open_workbook(
        bytes: &[u8],
        sheet: Option<&str>,
        columns: &[Column],
    ) -> Result<Self, Faults> {
        let mut sheet = SheetReader::open(bytes, sheet)?;
        let header = header::of_sheet(&mut sheet, columns, Limits::default().faults);
        let header = header.map_err(|faults| faults.in_sheet(&sheet.name))?;
        Ok(Self { source: Source::Sheet(sheet), header, mark: MarkSeen::default() })
    }

    /// Whether the file has this column (optional ones may be left out).
    pub fn has(&self, column: &str) -> bool {
        self.header.has(column)
    }

    /// The sheet that is read, of a workbook.
    pub fn sheet(&self) -> Option<&str> {
        match &self.source {
            Source::Sheet(sheet) => Some(&sheet.name),
            Source::Text(_) | Source::Objects(..) => None,
        }
    }

    /// The rows, one at a time, each either parsed or with its faults. Rows that are empty
    /// throughout are passed over. After a fault of the file itself (cannot be read, a row too
    /// long, a quote never closed) there is nothing more.
    pub fn rows<T, F>(self, parse: F) -> Rows<R, F>
    where
        F: FnMut(&Row<'_>) -> Result<T, Refused>,
    {
        Rows { table: self, parse, record: Record::default(), ended: false }
    }
}

/// Iterator over the rows of a [`Table`].
pub struct Rows<R, F> {
    table: Table<R>,
    parse: F,
    record: Record,
    ended: bool,
}

impl<R: Read, T, F> Iterator for Rows<R, F>
where
    F: FnMut(&Row<'_>) -> Result<T, Refused>,
{
    type Item = Result<Placed<T>, Vec<RowFault>>;

    fn next(&mut self) -> Option<Self::Item> {
        while !self.ended {
            match self.read_record() {
                Ok(Ok(true)) if self.record.is_blank() => {}
                Ok(Ok(true)) => return Some(self.parse_record()),
                Ok(Ok(false)) => self.ended = true,
                Ok(Err(faults)) => return Some(Err(faults)),
                Err(fault) => {
                    self.ended = true;
                    return Some(Err(vec![fault]));
                }
            }
        }
        None
    }
}

impl<R: Read, T, F> Rows<R, F>
where
    F: FnMut(&Row<'_>) -> Result<T, Refused>,
{
    /// `false` at the end. The outer error is the end of the file, the inner only spoils one row.
    fn read_record(&mut self) -> Result<Result<bool, Vec<RowFault>>, RowFault> {
        match &mut self.table.source {
            Source::Text(records) => records.read(&mut self.record).map(Ok),
            Source::Objects(lines, columns) => objects::read(lines, columns, &mut self.record),
            Source::Sheet(sheet) => Ok(Ok(sheet.read(&mut self.record))),
        }
    }

    fn parse_record(&mut self) -> Result<Placed<T>, Vec<RowFault>> {
        let line = self.record.line();
        let parsed = self.table.header.fit(&self.record).and_then(|fields| {
            let row = Row::new(line, fields, &self.table.header, &self.table.mark);
            let parsed = (self.parse)(&row);
            let faults = row.into_faults();
            match parsed {
                Ok(value) if faults.is_empty() => Ok(Placed { line, value }),
                _ => Err(faults),
            }
        });
        parsed.map_err(|mut faults| {
            if let Source::Sheet(sheet) = &self.table.source {
                faults.iter_mut().for_each(|fault| fault.sheet = Some(sheet.name.clone()));
            }
            faults
        })
    }
}

/// Reads a whole table into memory: every row, or every fault.
pub fn read_all<R, T, F>(reader: R, columns: &[Column], parse: F) -> Result<Vec<T>, Faults>
where
    R: Read,
    F: FnMut(&Row<'_>) -> Result<T, Refused>,
{
    let limits = Limits::default();
    let mut faults = Faults::none(limits.faults);
    let mut values = Vec::new();
    for row in Table::open_within(reader, columns, limits)?.rows(parse) {
        match row {
            Ok(placed) => values.push(placed.value),
            Err(of_row) => faults.extend(of_row),
        }
    }
    faults.into_result().map(|()| values)
}

#[cfg(test)]
mod tests;
