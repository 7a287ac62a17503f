//! Snapshots kept with a run (Parquet): monthly demand that went in, sample paths that came out.
//!
//! Written and read column by column, without Arrow's arrays: those alone are a twentieth of a first
//! build.

use std::sync::Arc;

use bytes::Bytes;
use chrono::{Days, NaiveDate};
use parquet::basic::Compression;
use parquet::column::reader::{ColumnReader, ColumnReaderImpl};
use parquet::data_type::{ByteArray, ByteArrayType, DataType, DoubleType, FloatType, Int32Type};
use parquet::file::properties::WriterProperties;
use parquet::file::reader::{FileReader, RowGroupReader, SerializedFileReader};
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::parser::parse_message_type;

use crate::error::ExchangeError;

const EPOCH: NaiveDate = NaiveDate::from_ymd_opt(1970, 1, 1).expect("a day of every calendar");

const DEMAND: &str = "message demand {
    required binary part (STRING);
    required int32 month (DATE);
    required double quantity;
}";
const PATHS: &str = "message paths {
    required binary part (STRING);
    required int32 months (INTEGER(32, false));
    required group values (LIST) { repeated group list { required float element; } }
}";

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
    let parts: Vec<ByteArray> = rows.iter().map(|row| row.part.as_str().into()).collect();
    let days = |row: &MonthlyDemand| (row.month - EPOCH).num_days();
    let months: Result<Vec<i32>, _> = rows.iter().map(|row| i32::try_from(days(row))).collect();
    let months =
        months.map_err(|_| ExchangeError::SnapshotValue { what: "a month beyond the calendar" })?;
    let quantities: Vec<f64> = rows.iter().map(|row| row.quantity).collect();
    write(DEMAND, |group| {
        write_column::<ByteArrayType>(group, &parts, None)?;
        write_column::<Int32Type>(group, &months, None)?;
        write_column::<DoubleType>(group, &quantities, None)
    })
}

/// # Errors
/// Not a snapshot of monthly demand.
pub fn read_demand(bytes: Vec<u8>) -> Result<Vec<MonthlyDemand>, ExchangeError> {
    let mut rows = Vec::new();
    for_each_group(bytes, |group| {
        let parts = read_column::<ByteArrayType>(group, "part")?;
        let months = read_column::<Int32Type>(group, "month")?;
        let quantities = read_column::<DoubleType>(group, "quantity")?;
        for ((part, month), quantity) in parts.iter().zip(months).zip(quantities) {
            rows.push(MonthlyDemand { part: text(part)?, month: day(month)?, quantity });
        }
        Ok(())
    })?;
    Ok(rows)
}

/// # Errors
/// Only what the library can't write.
pub fn write_paths(rows: &[PartPaths]) -> Result<Vec<u8>, ExchangeError> {
    let parts: Vec<ByteArray> = rows.iter().map(|row| row.part.as_str().into()).collect();
    let months: Result<Vec<i32>, _> = rows.iter().map(|row| i32::try_from(row.months)).collect();
    let months =
        months.map_err(|_| ExchangeError::SnapshotValue { what: "more months than a number" })?;
    let values: Vec<f32> = rows.iter().flat_map(|row| &row.values).copied().collect();
    let mut levels = Levels::default();
    for row in rows {
        levels.list(row.values.len());
    }
    write(PATHS, |group| {
        write_column::<ByteArrayType>(group, &parts, None)?;
        write_column::<Int32Type>(group, &months, None)?;
        write_column::<FloatType>(group, &values, Some(&levels))
    })
}

/// # Errors
/// Not a snapshot of sample paths, or paths of unequal length.
pub fn read_paths(bytes: Vec<u8>) -> Result<Vec<PartPaths>, ExchangeError> {
    let mut rows = Vec::new();
    for_each_group(bytes, |group| {
        let parts = read_column::<ByteArrayType>(group, "part")?;
        let months = read_column::<Int32Type>(group, "months")?;
        let lists = read_lists(group, "values")?;
        for ((part, months), values) in parts.iter().zip(months).zip(lists) {
            let months = u32::try_from(months).unwrap_or(0);
            if months == 0 || !values.len().is_multiple_of(months as usize) {
                return Err(ExchangeError::SnapshotValue { what: "paths of unequal length" });
            }
            rows.push(PartPaths { part: text(part)?, months, values });
        }
        Ok(())
    })?;
    Ok(rows)
}

/// Where lists begin (repetition) and whether they hold anything (definition), as Parquet counts it.
#[derive(Default)]
struct Levels {
    definition: Vec<i16>,
    repetition: Vec<i16>,
}

impl Levels {
    fn list(&mut self, length: usize) {
        self.definition.push(i16::from(length > 0));
        self.repetition.push(0);
        let more = length.saturating_sub(1);
        self.definition.extend(std::iter::repeat_n(1, more));
        self.repetition.extend(std::iter::repeat_n(1, more));
    }
}

fn write(
    schema: &str,
    columns: impl FnOnce(&mut SerializedRowGroupWriter<'_, &mut Vec<u8>>) -> Result<(), ExchangeError>,
) -> Result<Vec<u8>, ExchangeError> {
    let properties = WriterProperties::builder().set_compression(Compression::SNAPPY).build();
    let schema = Arc::new(parse_message_type(schema)?);
    let mut bytes = Vec::new();
    let mut writer = SerializedFileWriter::new(&mut bytes, schema, Arc::new(properties))?;
    let mut group = writer.next_row_group()?;
    columns(&mut group)?;
    group.close()?;
    writer.close()?;
    Ok(bytes)
}

/// The next column of the schema.
fn write_column<T: DataType>(
    group: &mut SerializedRowGroupWriter<'_, &mut Vec<u8>>,
    values: &[T::T],
    levels: Option<&Levels>,
) -> Result<(), ExchangeError> {
    let missing = ExchangeError::SnapshotValue { what: "fewer columns than its schema" };
    let mut column = group.next_column()?.ok_or(missing)?;
    let definition = levels.map(|levels| levels.definition.as_slice());
    let repetition = levels.map(|levels| levels.repetition.as_slice());
    column.typed::<T>().write_batch(values, definition, repetition)?;
    column.close()?;
    Ok(())
}

fn for_each_group(
    bytes: Vec<u8>,
    mut read: impl FnMut(&dyn RowGroupReader) -> Result<(), ExchangeError>,
) -> Result<(), ExchangeError> {
    let file = SerializedFileReader::new(Bytes::from(bytes))?;
    for group in 0..file.num_row_groups() {
        read(file.get_row_group(group)?.as_ref())?;
    }
    Ok(())
}

/// A column's reader, if it is there and of the kind that this program writes.
fn reader<T: Kind>(
    group: &dyn RowGroupReader,
    name: &'static str,
) -> Result<ColumnReaderImpl<T>, ExchangeError> {
    let missing = ExchangeError::SnapshotColumn { column: name };
    let is_asked = |at: &usize| {
        let column = group.metadata().column(*at).column_descr();
        column.path().parts().first().is_some_and(|part| part == name)
    };
    let Some(at) = (0..group.num_columns()).find(is_asked) else { return Err(missing) };
    T::of(group.get_column_reader(at)?).ok_or(missing)
}

/// The values of a column without gaps.
fn read_column<T: Kind>(
    group: &dyn RowGroupReader,
    name: &'static str,
) -> Result<Vec<T::T>, ExchangeError> {
    let rows = rows(group);
    let (mut values, mut definition) = (Vec::new(), Vec::new());
    // A list would have more values than rows.
    let missing = ExchangeError::SnapshotColumn { column: name };
    let mut reader = reader::<T>(group, name)?;
    let read = reader.read_records(rows, Some(&mut definition), None, &mut values);
    read.map_err(|_| ExchangeError::SnapshotColumn { column: name })?;
    if values.len() == rows { Ok(values) } else { Err(missing) }
}

/// The lists of a column without gaps.
fn read_lists(
    group: &dyn RowGroupReader,
    name: &'static str,
) -> Result<Vec<Vec<f32>>, ExchangeError> {
    let (mut values, mut levels) = (Vec::new(), Levels::default());
    let mut reader = reader::<FloatType>(group, name)?;
    let (definition, repetition) = (&mut levels.definition, &mut levels.repetition);
    reader.read_records(rows(group), Some(definition), Some(repetition), &mut values)?;
    let mut values = values.into_iter();
    let mut lists: Vec<Vec<f32>> = Vec::new();
    for (definition, repetition) in levels.definition.iter().zip(&levels.repetition) {
        if *repetition == 0 {
            lists.push(Vec::new());
        }
        if *definition == 0 {
            continue;
        }
        match (lists.last_mut(), values.next()) {
            (Some(list), Some(value)) => list.push(value),
            _ => return Err(ExchangeError::SnapshotColumn { column: name }),
        }
    }
    Ok(lists)
}

fn rows(group: &dyn RowGroupReader) -> usize {
    usize::try_from(group.metadata().num_rows()).unwrap_or(0)
}

fn text(bytes: &ByteArray) -> Result<String, ExchangeError> {
    Ok(bytes.as_utf8()?.to_owned())
}

/// A kind of column that this program writes.
trait Kind: DataType + Sized {
    fn of(reader: ColumnReader) -> Option<ColumnReaderImpl<Self>>;
}

impl Kind for ByteArrayType {
    fn of(reader: ColumnReader) -> Option<ColumnReaderImpl<Self>> {
        if let ColumnReader::ByteArrayColumnReader(reader) = reader { Some(reader) } else { None }
    }
}

impl Kind for Int32Type {
    fn of(reader: ColumnReader) -> Option<ColumnReaderImpl<Self>> {
        if let ColumnReader::Int32ColumnReader(reader) = reader { Some(reader) } else { None }
    }
}

impl Kind for DoubleType {
    fn of(reader: ColumnReader) -> Option<ColumnReaderImpl<Self>> {
        if let ColumnReader::DoubleColumnReader(reader) = reader { Some(reader) } else { None }
    }
}

impl Kind for FloatType {
    fn of(reader: ColumnReader) -> Option<ColumnReaderImpl<Self>> {
        if let ColumnReader::FloatColumnReader(reader) = reader { Some(reader) } else { None }
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
