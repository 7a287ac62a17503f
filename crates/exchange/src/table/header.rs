//! The header: comments before it, the delimiter it tells, and how rows must fit it.

use std::io::Read;

use super::column::{Column, Presence};
use super::fault::{Faults, RowFault};
use super::record::{Record, RecordReader};
use super::sheet::{SheetReader, is_workbook};

const DELIMITERS: [u8; 3] = [b',', b';', b'\t'];
const BYTE_ORDER_MARK: &[u8] = b"\xEF\xBB\xBF";

/// Which column stands where.
#[derive(Debug)]
pub(super) struct Header {
    /// Each column the table may have, with its place in a record; `None` if the file lacks it.
    places: Vec<(Column, Option<usize>)>,
    /// Names by place, for faults. Trailing fields without a name are not counted.
    names: Vec<&'static str>,
    pub(super) delimiter: u8,
}

/// A record's text, cut into fields.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fields<'a> {
    text: &'a str,
    ends: &'a [usize],
}

impl<'a> Fields<'a> {
    fn get(&self, place: usize) -> &'a str {
        let start = if place == 0 { 0 } else { self.ends[place - 1] };
        &self.text[start..self.ends[place]]
    }
}

impl Header {
    /// Every column, in the order given.
    pub(super) fn of_all(columns: &[Column]) -> Self {
        let places = columns.iter().enumerate().map(|(place, &column)| (column, Some(place)));
        let names = columns.iter().map(|column| column.name).collect();
        Self { places: places.collect(), names, delimiter: b',' }
    }

    pub(super) fn has(&self, column: &str) -> bool {
        self.place(column).is_some()
    }

    /// The field of a column, without spaces around; empty where the file lacks the column.
    pub(super) fn field<'a>(&self, fields: Fields<'a>, column: &str) -> &'a str {
        self.place(column).map_or("", |place| fields.get(place).trim())
    }

    fn place(&self, column: &str) -> Option<usize> {
        let found = self.places.iter().find(|(known, _)| known.name == column);
        let Some((_, place)) = found else {
            panic!("column {column} was asked for but not declared");
        };
        *place
    }

    /// Checks a record's encoding and number of fields.
    pub(super) fn fit<'a>(&self, record: &'a Record) -> Result<Fields<'a>, Vec<RowFault>> {
        let line = record.line();
        if record.quote_misplaced() {
            return Err(vec![RowFault::of_row(
                line,
                "quote-misplaced",
                "text follows a closing quote; write a quote inside a quoted field twice",
            )]);
        }
        let Ok(text) = std::str::from_utf8(record.bytes()) else {
            return Err(self.encoding_faults(record));
        };
        if let Some(at) = text.bytes().position(|byte| byte == 0) {
            let place = record.ends().partition_point(|&end| end <= at);
            return Err(vec![RowFault::new(
                line,
                self.names.get(place).copied().unwrap_or_default(),
                "",
                "nul-byte",
                "there is a NUL byte in the field; the file is damaged, or not text",
            )]);
        }
        let fields = Fields { text, ends: record.ends() };
        self.check_width(line, fields)?;
        Ok(fields)
    }

    fn check_width(&self, line: u64, fields: Fields<'_>) -> Result<(), Vec<RowFault>> {
        let wanted = self.names.len();
        let found = fields.ends.len();
        if found < wanted {
            let message = format!("the row has {found} fields, the header {wanted}");
            return Err(vec![RowFault::of_row(line, "row-too-few-fields", message)]);
        }
        let extra =
            (wanted..found).map(|place| fields.get(place)).find(|text| !text.trim().is_empty());
        if let Some(text) = extra {
            let hint = if self.delimiter == b',' {
                "; a value with a comma in it must stand in quotes"
            } else {
                ""
            };
            let message = format!(
                "the row has {found} fields, the header {wanted}; {text:?} has no column{hint}"
            );
            return Err(vec![RowFault::of_row(line, "row-too-many-fields", message)]);
        }
        Ok(())
    }

    fn encoding_faults(&self, record: &Record) -> Vec<RowFault> {
        let fault = |(place, field): (usize, &[u8])| {
            let column = self.names.get(place).copied().unwrap_or_default();
            let value = String::from_utf8_lossy(field);
            let message = "not UTF-8 text; save the file as CSV in UTF-8";
            RowFault::new(record.line(), column, &value, "not-utf-8", message)
        };
        (0..record.len())
            .map(|place| (place, record.field(place)))
            .filter(|(_, field)| std::str::from_utf8(field).is_err())
            .map(fault)
            .collect()
    }
}

/// Reads up to the end of the header and sets the delimiter it shows.
pub(super) fn of_text<R: Read>(
    records: &mut RecordReader<R>,
    columns: &[Column],
    faults_max: usize,
) -> Result<Header, Faults> {
    let mut told = None;
    loop {
        let line = records.line();
        let Some(mut bytes) = records.read_line()? else {
            return Err(Faults::from(missing(line, columns)));
        };
        if line == 1 {
            refuse_other_forms(&bytes)?;
            if bytes.starts_with(BYTE_ORDER_MARK) {
                bytes.drain(..BYTE_ORDER_MARK.len());
            }
            // Spreadsheets write and heed this line; it is not part of the table.
            if let &[b's' | b'S', b'e' | b'E', b'p' | b'P', b'=', delimiter] = bytes.as_slice() {
                told = Some(delimiter).filter(|delimiter| DELIMITERS.contains(delimiter));
                continue;
            }
        }
        if is_comment(&bytes) {
            continue;
        }
        let (delimiter, header) = split_header(&bytes, line, columns, told)?;
        records.separate_by(delimiter);
        return place_columns(&header, columns, delimiter, faults_max);
    }
}

/// Reads the first row of a sheet that is not a comment.
pub(super) fn of_sheet(
    sheet: &mut SheetReader,
    columns: &[Column],
    faults_max: usize,
) -> Result<Header, Faults> {
    let mut record = Record::default();
    loop {
        let line = sheet.line();
        if !sheet.read(&mut record) {
            return Err(Faults::from(missing(line, columns)));
        }
        if !record.is_blank() && !is_comment(record.bytes()) {
            // Cells have no delimiter; as in a file with semicolons, a comma in a number is no
            // thousands mark.
            return place_columns(&record, columns, b';', faults_max);
        }
    }
}

fn missing(line: u64, columns: &[Column]) -> RowFault {
    let message = format!("there is no header; the first line must name {}", names(columns));
    RowFault::of_row(line, "header-missing", message)
}

fn refuse_other_forms(bytes: &[u8]) -> Result<(), RowFault> {
    if is_workbook(bytes) {
        let message = "the file is a workbook or an archive, not text; name it .xlsx, or save it as \
                       CSV in UTF-8";
        return Err(RowFault::of_row(1, "not-text", message));
    }
    if bytes.starts_with(b"\xFF\xFE") || bytes.starts_with(b"\xFE\xFF") {
        let message = "the file is in UTF-16; save it as CSV in UTF-8";
        return Err(RowFault::of_row(1, "not-utf-8", message));
    }
    Ok(())
}

/// Comments as our templates have them, also after a spreadsheet put quotes around them; and lines
/// of nothing but delimiters.
fn is_comment(bytes: &[u8]) -> bool {
    let text = bytes.trim_ascii_start();
    let text = text.strip_prefix(b"\"").unwrap_or(text);
    text.first().is_none_or(|&first| first == b'#')
        || bytes.iter().all(|byte| byte.is_ascii_whitespace() || DELIMITERS.contains(byte))
}

/// Splits the header by each delimiter; the one that yields most known columns is the file's.
fn split_header(
    bytes: &[u8],
    line: u64,
    columns: &[Column],
    told: Option<u8>,
) -> Result<(u8, Record), RowFault> {
    let mut best: Option<(usize, u8, Record)> = None;
    for delimiter in DELIMITERS.into_iter().filter(|&delimiter| told.is_none_or(|t| t == delimiter))
    {
        let mut reader = RecordReader::new(bytes, usize::MAX);
        reader.separate_by(delimiter);
        let mut record = Record::default();
        if reader.read(&mut record).is_err() {
            let message = "a quote in the header is not closed on the same line";
            return Err(RowFault::of_row(line, "quote-not-closed", message));
        }
        record.set_line(line);
        let known = (0..record.len())
            .filter(|&place| find(columns, &normal_name(record.field(place))).is_some())
            .count();
        if best.as_ref().is_none_or(|(most, ..)| known > *most) {
            best = Some((known, delimiter, record));
        }
    }
    let Some((_, delimiter, record)) = best else { unreachable!("there are delimiters to try") };
    Ok((delimiter, record))
}

fn place_columns(
    header: &Record,
    columns: &[Column],
    delimiter: u8,
    faults_max: usize,
) -> Result<Header, Faults> {
    let line = header.line();
    let mut faults = Faults::none(faults_max);
    let mut places: Vec<_> = columns.iter().map(|&column| (column, None)).collect();
    let mut by_place = Vec::new();
    let named = (0..header.len()).rfind(|&place| !header.field(place).trim_ascii().is_empty());
    for place in 0..named.map_or(0, |last| last + 1) {
        let written = String::from_utf8_lossy(header.field(place));
        let name = normal_name(header.field(place));
        let mut fault = |rule, message| {
            faults.push(RowFault::new(line, written.trim(), written.trim(), rule, message));
        };
        match places.iter_mut().find(|(column, _)| column.name == name) {
            None if name.is_empty() => {
                fault("column-unnamed", format!("column {} has no name", place + 1));
            }
            None => fault(
                "column-unknown",
                format!("no such column here; the columns are {}", names(columns)),
            ),
            Some((_, Some(first))) => {
                let message = format!("named twice, as column {} and {}", *first + 1, place + 1);
                fault("column-repeated", message);
            }
            Some((column, at)) => {
                *at = Some(place);
                by_place.push(column.name);
            }
        }
    }
    for (column, place) in &places {
        if place.is_none() && column.presence == Presence::Required {
            let message = format!("the column is missing ({})", column.about);
            faults.push(RowFault::new(line, column.name, "", "column-missing", message));
        }
    }
    faults.into_result()?;
    Ok(Header { places, names: by_place, delimiter })
}

fn find<'a>(columns: &'a [Column], name: &str) -> Option<&'a Column> {
    columns.iter().find(|column| column.name == name)
}

/// `Lead days ` and `LEAD-DAYS` are `lead_days`: two columns never differ by that alone.
fn normal_name(written: &[u8]) -> String {
    String::from_utf8_lossy(written).trim().to_lowercase().replace([' ', '-'], "_")
}

fn names(columns: &[Column]) -> String {
    let name = |column: &Column| match column.presence {
        Presence::Required => column.name.to_owned(),
        Presence::Optional => format!("{}?", column.name),
    };
    columns.iter().map(name).collect::<Vec<_>>().join(",")
}
