//! What can go wrong on the way out, and with files of our own on the way in.

/// A file could not be written, or one of our own could not be read back.
#[derive(Debug, thiserror::Error)]
pub enum ExchangeError {
    #[error("{rows} rows are more than a sheet holds ({max}); write CSV instead")]
    TooManyRows { rows: usize, max: usize },
    #[error("{number} is not a number that a sheet can hold")]
    NotFinite { number: f64 },
    #[error("the workbook could not be written")]
    Workbook(#[from] rust_xlsxwriter::XlsxError),
    #[error("the table could not be written")]
    Table(#[from] std::io::Error),
    #[error("the printed sheet could not be made: {cause}")]
    Printed { cause: String },
    #[error("the snapshot could not be written or read")]
    Snapshot(#[from] parquet::errors::ParquetError),
    #[error("the snapshot holds no column {column:?} of the kind that this program writes")]
    SnapshotColumn { column: &'static str },
    #[error("the snapshot holds {what}, which no version of this program writes")]
    SnapshotValue { what: &'static str },
}

impl ExchangeError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::TooManyRows { .. } => "sheet-too-long",
            Self::NotFinite { .. } => "number-not-finite",
            Self::Workbook(_) => "workbook-not-written",
            Self::Table(_) => "table-not-written",
            Self::Printed { .. } => "sheet-not-printed",
            Self::Snapshot(_) => "snapshot-unreadable",
            Self::SnapshotColumn { .. } => "snapshot-column",
            Self::SnapshotValue { .. } => "snapshot-value",
        }
    }
}
