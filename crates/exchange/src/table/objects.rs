//! Newline-delimited JSON as records: an object a line, members by column name.

use std::io::Read;

use serde_json::Value;

use super::column::Column;
use super::fault::RowFault;
use super::record::{Record, RecordReader};

/// Reads the next object into `record`, its fields in the order of `columns`; `false` at the end.
///
/// The outer error is the end of the file, the inner one only spoils this line.
pub(super) fn read<R: Read>(
    lines: &mut RecordReader<R>,
    columns: &[Column],
    record: &mut Record,
) -> Result<Result<bool, Vec<RowFault>>, RowFault> {
    let (line, bytes) = loop {
        let line = lines.line();
        match lines.read_line()? {
            None => return Ok(Ok(false)),
            Some(bytes) if bytes.trim_ascii().is_empty() => {}
            Some(bytes) => break (line, bytes),
        }
    };
    record.begin(line);
    let mut object = match serde_json::from_slice(&bytes) {
        Ok(Value::Object(object)) => object,
        Ok(_) => {
            let fault = RowFault::of_row(line, "not-an-object", "each line must be a JSON object");
            return Ok(Err(vec![fault]));
        }
        Err(error) => {
            return Ok(Err(vec![RowFault::of_row(line, "not-json", format!("not JSON: {error}"))]));
        }
    };
    let mut faults = Vec::new();
    for column in columns {
        match object.remove(column.name) {
            None | Some(Value::Null) => record.push_field(""),
            Some(Value::String(text)) => record.push_field(&text),
            Some(Value::Bool(truth)) => record.push_field(if truth { "true" } else { "false" }),
            Some(Value::Number(number)) => record.push_field(&number.to_string()),
            Some(other) => {
                let (value, message) = (other.to_string(), "must be text, a number, true or false");
                faults.push(RowFault::new(line, column.name, &value, "value-not-plain", message));
            }
        }
    }
    for (name, value) in object {
        let known: Vec<_> = columns.iter().map(|column| column.name).collect();
        let message = format!("no such member here; the members are {}", known.join(","));
        faults.push(RowFault::new(line, &name, &value.to_string(), "column-unknown", message));
    }
    Ok(if faults.is_empty() { Ok(true) } else { Err(faults) })
}
