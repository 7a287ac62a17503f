//! Bytes to records.
//!
//! Written by hand because the `csv` crate gives no bound on a record's length and ends a quote that
//! is never closed without a word: a 2 GB line would be held in memory, and half a file could vanish
//! into one field.

use std::io::{BufRead, BufReader, Read};

use super::fault::RowFault;

const BUFFER_BYTES: usize = 1 << 16;

/// One record: its fields' bytes end to end, and where each ends.
#[derive(Debug, Default)]
pub(super) struct Record {
    line: u64,
    bytes: Vec<u8>,
    ends: Vec<usize>,
    quote_misplaced: bool,
}

impl Record {
    pub(super) fn line(&self) -> u64 {
        self.line
    }

    pub(super) fn set_line(&mut self, line: u64) {
        self.line = line;
    }

    pub(super) fn len(&self) -> usize {
        self.ends.len()
    }

    pub(super) fn field(&self, index: usize) -> &[u8] {
        let start = if index == 0 { 0 } else { self.ends[index - 1] };
        &self.bytes[start..self.ends[index]]
    }

    /// All fields end to end.
    pub(super) fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// Where each field ends within [`Record::bytes`].
    pub(super) fn ends(&self) -> &[usize] {
        &self.ends
    }

    /// Whether text followed a closing quote.
    pub(super) fn quote_misplaced(&self) -> bool {
        self.quote_misplaced
    }

    /// Nothing but delimiters and spaces, as spreadsheets leave below the last row.
    pub(super) fn is_blank(&self) -> bool {
        self.bytes.iter().all(u8::is_ascii_whitespace)
    }

    /// Adds a field as it is.
    pub(super) fn push_field(&mut self, text: &str) {
        self.bytes.extend_from_slice(text.as_bytes());
        self.end_field();
    }

    /// Empties it for what stands in `line`.
    pub(super) fn begin(&mut self, line: u64) {
        self.line = line;
        self.bytes.clear();
        self.ends.clear();
        self.quote_misplaced = false;
    }

    fn end_field(&mut self) {
        self.ends.push(self.bytes.len());
    }

    /// Fields cost memory too, even empty ones: a row of nothing but commas is bounded as well.
    fn weight(&self) -> usize {
        self.bytes.len() + self.ends.len()
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum State {
    FieldStart,
    Plain,
    Quoted,
    /// After a quote inside a quoted field: a second quote is a quote, anything else ends the field.
    QuoteInQuoted,
    /// Text after a closing quote.
    Spoilt,
}

/// Splits a stream into records.
pub(super) struct RecordReader<R> {
    reader: BufReader<R>,
    delimiter: u8,
    line: u64,
    row_bytes_max: usize,
}

impl<R: Read> RecordReader<R> {
    pub(super) fn new(reader: R, row_bytes_max: usize) -> Self {
        Self {
            reader: BufReader::with_capacity(BUFFER_BYTES, reader),
            delimiter: b',',
            line: 1,
            row_bytes_max,
        }
    }

    pub(super) fn separate_by(&mut self, delimiter: u8) {
        self.delimiter = delimiter;
    }

    /// Number of the line that comes next.
    pub(super) fn line(&self) -> u64 {
        self.line
    }

    /// The next physical line without its break, for what comes before the delimiter is known;
    /// `None` at the end.
    pub(super) fn read_line(&mut self) -> Result<Option<Vec<u8>>, RowFault> {
        let mut taken = Vec::new();
        loop {
            let available =
                self.reader.fill_buf().map_err(|error| unreadable(self.line, &error))?;
            if available.is_empty() {
                return Ok(if taken.is_empty() { None } else { Some(taken) });
            }
            let newline = available.iter().position(|&byte| byte == b'\n');
            let used = newline.map_or(available.len(), |at| at + 1);
            taken.extend_from_slice(&available[..newline.unwrap_or(used)]);
            self.reader.consume(used);
            if taken.len() > self.row_bytes_max {
                return Err(too_long(self.line, self.row_bytes_max));
            }
            if newline.is_some() {
                self.line += 1;
                if taken.last() == Some(&b'\r') {
                    taken.pop();
                }
                return Ok(Some(taken));
            }
        }
    }

    /// Reads the next record into `record`; `false` at the end of the file.
    ///
    /// An error is the end: what follows it can't be told apart with certainty.
    pub(super) fn read(&mut self, record: &mut Record) -> Result<bool, RowFault> {
        record.begin(self.line);
        let mut state = State::FieldStart;
        loop {
            let available =
                self.reader.fill_buf().map_err(|error| unreadable(self.line, &error))?;
            if available.is_empty() {
                if state == State::Quoted {
                    return Err(quote_open(record.line, self.line));
                }
                let nothing = record.ends.is_empty() && record.bytes.is_empty();
                if nothing && state == State::FieldStart {
                    return Ok(false);
                }
                record.end_field();
                return Ok(true);
            }
            let (used, ended) = split(available, self.delimiter, record, &mut state);
            self.line += available[..used].iter().filter(|&&byte| byte == b'\n').count() as u64;
            self.reader.consume(used);
            if record.weight() > self.row_bytes_max {
                return Err(if state == State::Quoted {
                    quote_open(record.line, self.line)
                } else {
                    too_long(record.line, self.row_bytes_max)
                });
            }
            if ended {
                return Ok(true);
            }
        }
    }
}

/// Moves bytes into `record` until the record or `available` ends; says how many and which.
fn split(available: &[u8], delimiter: u8, record: &mut Record, state: &mut State) -> (usize, bool) {
    let mut at = 0;
    while at < available.len() {
        let byte = available[at];
        match *state {
            State::Quoted if byte == b'"' => *state = State::QuoteInQuoted,
            State::Quoted => record.bytes.push(byte),
            _ if byte == delimiter => {
                record.end_field();
                *state = State::FieldStart;
            }
            _ if byte == b'\n' => {
                if *state == State::Plain && record.bytes.last() == Some(&b'\r') {
                    record.bytes.pop();
                }
                record.end_field();
                return (at + 1, true);
            }
            State::FieldStart if byte == b'"' => *state = State::Quoted,
            State::QuoteInQuoted if byte == b'"' => {
                record.bytes.push(byte);
                *state = State::Quoted;
            }
            State::QuoteInQuoted if byte == b'\r' || byte == b' ' => {}
            State::QuoteInQuoted | State::Spoilt => {
                record.quote_misplaced = true;
                *state = State::Spoilt;
                record.bytes.push(byte);
            }
            State::FieldStart | State::Plain => {
                // The rest of a plain field in one go: nearly all of every file is this.
                let rest = &available[at..];
                let length = rest
                    .iter()
                    .position(|&byte| byte == delimiter || byte == b'\n')
                    .unwrap_or(rest.len());
                record.bytes.extend_from_slice(&rest[..length]);
                *state = State::Plain;
                at += length;
                continue;
            }
        }
        at += 1;
    }
    (at, false)
}

fn unreadable(line: u64, error: &std::io::Error) -> RowFault {
    RowFault::of_row(
        line,
        "file-unreadable",
        format_args!("the file could not be read on: {error}"),
    )
}

fn too_long(line: u64, bytes_max: usize) -> RowFault {
    RowFault::of_row(
        line,
        "row-too-long",
        format_args!("the row is longer than {bytes_max} bytes. Reading stopped here"),
    )
}

fn quote_open(line: u64, reached: u64) -> RowFault {
    RowFault::of_row(
        line,
        "quote-not-closed",
        format_args!("a quote opened in this row is not closed; looked as far as line {reached}"),
    )
}
