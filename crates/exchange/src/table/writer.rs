//! Tables out: comma, decimal point, LF, quotes only where they are needed.

use std::io::{self, Write};

/// Writes a CSV table of a fixed number of columns.
pub struct TableWriter<W: Write> {
    writer: csv::Writer<W>,
}

impl<W: Write> TableWriter<W> {
    /// Writes the header.
    pub fn new(writer: W, columns: &[&str]) -> io::Result<Self> {
        let mut writer = csv::WriterBuilder::new().from_writer(writer);
        writer.write_record(columns)?;
        Ok(Self { writer })
    }

    /// Writes a row. Its number of fields must be the header's.
    pub fn row<I, T>(&mut self, fields: I) -> io::Result<()>
    where
        I: IntoIterator<Item = T>,
        T: AsRef<str>,
    {
        let mut record = csv::StringRecord::new();
        for field in fields {
            record.push_field(field.as_ref());
        }
        Ok(self.writer.write_record(&record)?)
    }

    /// Flushes and gives back what was written to.
    pub fn finish(self) -> io::Result<W> {
        self.writer.into_inner().map_err(|error| error.into_error())
    }
}
