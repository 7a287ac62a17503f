//! What is wrong with a file, and where.

use std::fmt;

use serde::Serialize;

/// Longest piece of a refused value that is repeated in a fault, in characters.
const SHOWN_CHARS: usize = 80;

/// One broken rule in one place of a file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct RowFault {
    /// Sheet of a workbook; none for CSV.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sheet: Option<String>,
    /// Line of the file or row of the sheet, from 1; where a quoted field spans lines, the first.
    pub line: u64,
    /// Column, by its name in the header; empty where the row or file as a whole is meant.
    pub column: String,
    /// What stood there, shortened.
    pub value: String,
    /// Stable name of the rule. Never reworded.
    pub rule: &'static str,
    /// What is wrong and what to do instead.
    pub message: String,
}

impl RowFault {
    /// A fault of one field.
    pub fn new(
        line: u64,
        column: &str,
        value: &str,
        rule: &'static str,
        message: impl fmt::Display,
    ) -> Self {
        Self {
            sheet: None,
            line,
            column: column.to_owned(),
            value: shorten(value),
            rule,
            message: message.to_string(),
        }
    }

    /// A fault of a row, or of the file, as a whole.
    pub fn of_row(line: u64, rule: &'static str, message: impl fmt::Display) -> Self {
        Self::new(line, "", "", rule, message)
    }
}

impl fmt::Display for RowFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.sheet {
            Some(sheet) => write!(f, "sheet {sheet:?}, row {}", self.line)?,
            None => write!(f, "line {}", self.line)?,
        }
        if !self.column.is_empty() {
            write!(f, ", column {}, {:?}", self.column, self.value)?;
        }
        write!(f, ": {} [{}]", self.message, self.rule)
    }
}

/// A row was refused; why has been noted in it. Only a row's methods make this.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Refused(pub(super) ());

/// All that is wrong with a file. Keeps up to a limit and counts the rest.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Faults {
    faults: Vec<RowFault>,
    /// Faults beyond those kept.
    not_kept: u64,
    #[serde(skip)]
    kept_max: usize,
}

impl Faults {
    /// Nothing wrong yet; will keep up to `kept_max` faults.
    pub fn none(kept_max: usize) -> Self {
        Self { faults: Vec::new(), not_kept: 0, kept_max }
    }

    /// The faults kept, in the order of the file.
    pub fn faults(&self) -> &[RowFault] {
        &self.faults
    }

    /// How many there were, kept or not.
    pub fn count(&self) -> u64 {
        self.faults.len() as u64 + self.not_kept
    }

    pub fn is_empty(&self) -> bool {
        self.faults.is_empty()
    }

    pub fn push(&mut self, fault: RowFault) {
        // At least one is always kept: whatever says "faulty" can also say why.
        if self.faults.len() < self.kept_max.max(1) {
            // Rows are looked at in several rounds; whoever corrects the file goes through it once.
            let at = self.faults.partition_point(|kept| kept.line <= fault.line);
            self.faults.insert(at, fault);
        } else {
            self.not_kept += 1;
        }
    }

    /// Names the sheet in every fault.
    pub(super) fn in_sheet(mut self, sheet: &str) -> Self {
        self.faults.iter_mut().for_each(|fault| fault.sheet = Some(sheet.to_owned()));
        self
    }

    /// `Err(self)` if anything is wrong.
    pub fn into_result(self) -> Result<(), Self> {
        if self.is_empty() { Ok(()) } else { Err(self) }
    }
}

impl Extend<RowFault> for Faults {
    fn extend<I: IntoIterator<Item = RowFault>>(&mut self, faults: I) {
        for fault in faults {
            self.push(fault);
        }
    }
}

impl From<RowFault> for Faults {
    fn from(fault: RowFault) -> Self {
        Self { faults: vec![fault], not_kept: 0, kept_max: 1 }
    }
}

/// One line a fault.
impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, fault) in self.faults.iter().enumerate() {
            let line_break = if index == 0 { "" } else { "\n" };
            write!(f, "{line_break}{fault}")?;
        }
        if self.not_kept > 0 {
            write!(f, "\nand {} more faults, not listed", self.not_kept)?;
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}

fn shorten(value: &str) -> String {
    match value.char_indices().nth(SHOWN_CHARS) {
        Some((end, _)) => format!("{}…", &value[..end]),
        None => value.to_owned(),
    }
}
