//! Files in, values out: no paths, no database, no clock.
//!
//! - [`table`]: rows of text with named columns, from CSV of every usual dialect.
//! - [`load`]: the kinds of file that a fleet is loaded from, their columns and rules.
//! - [`workbook`]: tables out as XLSX.
//! - [`snapshot`]: monthly demand and sample paths as Parquet, out and back.
//! - [`order_sheet`]: an order as a supplier reads it: CSV, XLSX, PDF.
//! - [`feed`]: bench visits as iCalendar.
//!
//! Invariant: whatever bytes come in, the answer is values or a list of faults with their places;
//! memory is bounded by the longest row allowed and the number of faults kept, not by the file.

mod error;
pub mod feed;
pub mod load;
pub mod order_sheet;
pub mod snapshot;
pub mod table;
pub mod workbook;

pub use error::ExchangeError;
