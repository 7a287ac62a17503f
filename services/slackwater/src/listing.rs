//! Lists on the command line: a table for people, CSV for spreadsheets, JSON for programs.

use std::fmt::Write as _;
use std::io::IsTerminal;

use clap::Args;
use serde::Serialize;

use crate::failure::CommandError;
use crate::output::write_whole;

/// How a list is written.
#[derive(Args, Clone, Copy, Debug)]
pub struct ListingArgs {
    /// Write JSON, one array of objects
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Write CSV with a header
    #[arg(long)]
    csv: bool,
}

/// One column: its CSV name (which is also what the table shows), and what a row shows in it.
pub struct ListColumn<T> {
    pub name: &'static str,
    pub right: bool,
    pub cell: fn(&T) -> String,
}

/// A column of words.
pub const fn words<T>(name: &'static str, cell: fn(&T) -> String) -> ListColumn<T> {
    ListColumn { name, right: false, cell }
}

/// A column of numbers, lined up on the right.
pub const fn numbers<T>(name: &'static str, cell: fn(&T) -> String) -> ListColumn<T> {
    ListColumn { name, right: true, cell }
}

impl ListingArgs {
    /// Writes `rows`; `empty` teaches what to do where there are none.
    ///
    /// # Errors
    /// Standard output can't be written.
    pub fn write<T: Serialize>(
        self,
        rows: &[T],
        columns: &[ListColumn<T>],
        empty: &str,
    ) -> Result<(), CommandError> {
        let text = if self.json {
            serde_json::to_string_pretty(rows)
                .map_err(|cause| CommandError::Failed(cause.to_string()))?
                + "\n"
        } else if self.csv {
            as_csv(rows, columns)?
        } else if rows.is_empty() {
            format!("{empty}\n")
        } else {
            as_table(rows, columns)
        };
        write_whole(None, |out| out.write_all(text.as_bytes()))
    }

    /// Whether a person reads: then a sentence may stand above the list.
    pub const fn is_for_people(self) -> bool {
        !self.json && !self.csv
    }
}

fn as_csv<T>(rows: &[T], columns: &[ListColumn<T>]) -> Result<String, CommandError> {
    let failed = |cause: &dyn std::fmt::Display| CommandError::Failed(cause.to_string());
    let names: Vec<&str> = columns.iter().map(|column| column.name).collect();
    let mut table =
        exchange::table::TableWriter::new(Vec::new(), &names).map_err(|cause| failed(&cause))?;
    for row in rows {
        let cells: Vec<String> = columns.iter().map(|column| (column.cell)(row)).collect();
        table.row(&cells).map_err(|cause| failed(&cause))?;
    }
    let bytes = table.finish().map_err(|cause| failed(&cause))?;
    String::from_utf8(bytes).map_err(|cause| failed(&cause))
}

fn as_table<T>(rows: &[T], columns: &[ListColumn<T>]) -> String {
    let cells: Vec<Vec<String>> =
        rows.iter().map(|row| columns.iter().map(|column| (column.cell)(row)).collect()).collect();
    let widths: Vec<usize> = columns
        .iter()
        .enumerate()
        .map(|(at, column)| {
            let longest = cells.iter().map(|row| row[at].chars().count()).max().unwrap_or(0);
            longest.max(column.name.chars().count())
        })
        .collect();
    let mut text = String::new();
    let heading: Vec<String> = columns.iter().map(|column| column.name.replace('_', " ")).collect();
    let bold = std::io::stdout().is_terminal();
    if bold {
        text.push_str("\x1b[1m");
    }
    push_line(&mut text, &heading, columns, &widths);
    if bold {
        text.insert_str(text.len() - 1, "\x1b[0m");
    }
    for row in &cells {
        push_line(&mut text, row, columns, &widths);
    }
    text
}

fn push_line<T>(text: &mut String, cells: &[String], columns: &[ListColumn<T>], widths: &[usize]) {
    let start = text.len();
    for ((cell, column), width) in cells.iter().zip(columns).zip(widths) {
        // Writing to a String does not fail.
        let _ = if column.right {
            write!(text, "{cell:>width$}  ")
        } else {
            write!(text, "{cell:<width$}  ")
        };
    }
    text.truncate(start + text[start..].trim_end().len());
    text.push('\n');
}
