//! Snapshots kept with a run (Parquet): monthly demand that went in, sample paths that came out.

use std::sync::Arc;

use arrow_array::builder::{Float32Builder, ListBuilder};
use arrow_array::{
    Array, ArrayRef, Date32Array, Float32Array, Float64Array, ListArray, RecordBatch, StringArray,
    UInt32Array,
};
use bytes::Bytes;
use chrono::{Days, NaiveDate};
use parquet::arrow::ArrowWriter;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use parquet::basic::Compression;
use parquet::file::properties::WriterProperties;

use crate::error::ExchangeError;

const EPOCH: NaiveDate = NaiveDate::from_ymd_opt(1970, 1, 1).expect("a day of every calendar");

/// Demand of a part in a month, in the part's unit.
#[derive(Clone, Debug, PartialEq)]
pub struct MonthlyDemand {
    pub part: String,
    /// First day of the month.
    pub month: NaiveDate,
    pub quantity: f64,
}

/// Equally likely futures of a part.
#[derive(Clone, Debug, PartialEq)]
pub struct PartPaths {
    pub part: String,
    pub months: u32,
    /// Path after path, each of `months` quantities.
    pub values: Vec<f32>,
}

/// # Errors
/// Only what the library can't write.
pub fn write_demand(rows: &[MonthlyDemand]) -> Result<Vec<u8>, ExchangeError> {
    let parts: StringArray = rows.iter().map(|row| Some(row.part.as_str())).collect();
    let days = |row: &MonthlyDemand| (row.month - EPOCH).num_days();
    let months: Date32Array = rows.iter().map(|row| i32::try_from(days(row)).ok()).collect();
    let quantities: Float64Array = rows.iter().map(|row| Some(row.quantity)).collect();
    write(vec![
        ("part", Arc::new(parts) as ArrayRef),
        ("month", Arc::new(months)),
        ("quantity", Arc::new(quantities)),
    ])
}

/// # Errors
/// Not a snapshot of monthly demand.
pub fn read_demand(bytes: Vec<u8>) -> Result<Vec<MonthlyDemand>, ExchangeError> {
    let mut rows = Vec::new();
    for batch in read(bytes)? {
        let batch = batch?;
        let parts: &StringArray = column(&batch, "part")?;
        let months: &Date32Array = column(&batch, "month")?;
        let quantities: &Float64Array = column(&batch, "quantity")?;
        for row in 0..batch.num_rows() {
            rows.push(MonthlyDemand {
                part: parts.value(row).to_owned(),
                month: day(months.value(row))?,
                quantity: quantities.value(row),
            });
        }
    }
    Ok(rows)
}

/// # Errors
/// Only what the library can't write.
pub fn write_paths(rows: &[PartPaths]) -> Result<Vec<u8>, ExchangeError> {
    let parts: StringArray = rows.iter().map(|row| Some(row.part.as_str())).collect();
    let months: UInt32Array = rows.iter().map(|row| Some(row.months)).collect();
    let mut values = ListBuilder::new(Float32Builder::new());
    for row in rows {
        values.values().append_slice(&row.values);
        values.append(true);
    }
    write(vec![
        ("part", Arc::new(parts) as ArrayRef),
        ("months", Arc::new(months)),
        ("values", Arc::new(values.finish())),
    ])
}

/// # Errors
/// Not a snapshot of sample paths, or paths of unequal length.
pub fn read_paths(bytes: Vec<u8>) -> Result<Vec<PartPaths>, ExchangeError> {
    let mut rows = Vec::new();
    for batch in read(bytes)? {
        let batch = batch?;
        let parts: &StringArray = column(&batch, "part")?;
        let months: &UInt32Array = column(&batch, "months")?;
        let lists: &ListArray = column(&batch, "values")?;
        for row in 0..batch.num_rows() {
            let list = lists.value(row);
            let values: &Float32Array = list
                .as_any()
                .downcast_ref()
                .ok_or(ExchangeError::SnapshotColumn { column: "values" })?;
            let months = months.value(row);
            if months == 0 || !values.len().is_multiple_of(months as usize) {
                return Err(ExchangeError::SnapshotValue { what: "paths of unequal length" });
            }
            let values = values.values().to_vec();
            rows.push(PartPaths { part: parts.value(row).to_owned(), months, values });
        }
    }
    Ok(rows)
}

fn write(columns: Vec<(&str, ArrayRef)>) -> Result<Vec<u8>, ExchangeError> {
    let batch = RecordBatch::try_from_iter(columns)?;
    let properties = WriterProperties::builder().set_compression(Compression::SNAPPY).build();
    let mut bytes = Vec::new();
    let mut writer = ArrowWriter::try_new(&mut bytes, batch.schema(), Some(properties))?;
    writer.write(&batch)?;
    writer.close()?;
    Ok(bytes)
}

fn read(
    bytes: Vec<u8>,
) -> Result<impl Iterator<Item = Result<RecordBatch, ExchangeError>>, ExchangeError> {
    let reader = ParquetRecordBatchReaderBuilder::try_new(Bytes::from(bytes))?.build()?;
    Ok(reader.map(|batch| batch.map_err(ExchangeError::from)))
}

/// A column of the expected kind, without gaps.
fn column<'a, T: Array + 'static>(
    batch: &'a RecordBatch,
    name: &'static str,
) -> Result<&'a T, ExchangeError> {
    let missing = ExchangeError::SnapshotColumn { column: name };
    match batch
        .column_by_name(name)
        .map(|array| (array.null_count(), array.as_any().downcast_ref()))
    {
        Some((0, Some(array))) => Ok(array),
        _ => Err(missing),
    }
}

fn day(since_epoch: i32) -> Result<NaiveDate, ExchangeError> {
    let outside = ExchangeError::SnapshotValue { what: "a month before 1970" };
    let days = u64::try_from(since_epoch).map_err(|_| outside)?;
    let later = ExchangeError::SnapshotValue { what: "a month beyond the calendar" };
    EPOCH.checked_add_days(Days::new(days)).ok_or(later)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::{any, prop, prop_assert_eq, proptest};

    use super::{
        MonthlyDemand, NaiveDate, PartPaths, read_demand, read_paths, write_demand, write_paths,
    };

    fn month(number: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2020 + (number / 12) as i32, number % 12 + 1, 1).expect("a month")
    }

    proptest! {
        #[test]
        fn demand_reads_back_as_it_was(
            rows in prop::collection::vec(("\\PC{0,8}", 0..600_u32, 0.0..1e6), 0..50),
        ) {
            let rows: Vec<_> = rows
                .into_iter()
                .map(|(part, number, quantity)| MonthlyDemand { part, month: month(number), quantity })
                .collect();
            prop_assert_eq!(read_demand(write_demand(&rows).expect("bytes")).expect("rows"), rows);
        }

        #[test]
        fn paths_read_back_as_they_were(
            rows in prop::collection::vec(("\\PC{0,8}", 1..5_u32, 0..6_usize, 0.0..99.0_f32), 0..20),
        ) {
            let rows: Vec<_> = rows
                .into_iter()
                .map(|(part, months, count, value)| {
                    PartPaths { part, months, values: vec![value; count * months as usize] }
                })
                .collect();
            prop_assert_eq!(read_paths(write_paths(&rows).expect("bytes")).expect("rows"), rows);
        }

        #[test]
        fn bytes_of_anything_else_are_refused(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            assert!(read_demand(bytes.clone()).is_err());
            assert!(read_paths(bytes).is_err());
        }
    }

    #[test]
    fn one_snapshot_is_not_taken_for_another() {
        let demand =
            write_demand(&[MonthlyDemand { part: "A".into(), month: month(3), quantity: 2.0 }])
                .expect("bytes");
        assert_eq!(read_paths(demand).map_err(|error| error.rule()), Err("snapshot-column"));
        let uneven = PartPaths { part: "A".into(), months: 2, values: vec![1.0] };
        let uneven = write_paths(&[uneven]).expect("bytes");
        assert_eq!(read_paths(uneven).map_err(|error| error.rule()), Err("snapshot-value"));
    }
}
