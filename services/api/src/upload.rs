//! Files sent in: received whole before anything is loaded.
//!
//! Why not straight into the database: a load holds its one write transaction, and a slow sender
//! would keep everybody else waiting for as long as it likes. Memory stays bounded: a file goes to a
//! temporary file as it comes, and whatever breaks a limit is refused at that byte.

use std::fs::File;
use std::io::{BufReader, Read, Seek as _, Write as _};

use axum::body::Body;
use axum::http::StatusCode;
use exchange::table::is_workbook;
use futures_util::StreamExt as _;
use store::load::Input;

use crate::problem::{Fault, Problem};

/// Largest file of text; a million readings take about half of it.
pub const UPLOAD_BYTES_MAX: u64 = 256 << 20;
/// Largest workbook: it is read in memory.
const WORKBOOK_BYTES_MAX: u64 = 16 << 20;
/// Longest line of text.
pub const LINE_BYTES_MAX: u64 = 64 << 10;

/// How the text of a file is to be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Text {
    Csv,
    /// An object a line.
    Objects,
}

/// A file that has arrived.
pub struct Received {
    file: File,
    bytes: u64,
    workbook: bool,
}

/// Takes the body in.
///
/// # Errors
/// A file or a line that is too long, a connection that broke, a disk that is full.
pub async fn receive(body: Body) -> Result<Received, Problem> {
    let mut file = tempfile::tempfile().map_err(|cause| Problem::internal(&cause))?;
    let mut chunks = body.into_data_stream();
    let mut seen = Seen::default();
    while let Some(chunk) = chunks.next().await {
        let chunk = chunk
            .map_err(|_| Problem::malformed("the file broke off before its end; send it again"))?;
        seen.take(&chunk)?;
        // Into the page cache, mostly; a file is at most a few hundred of these.
        file.write_all(&chunk).map_err(|cause| Problem::internal(&cause))?;
    }
    file.rewind().map_err(|cause| Problem::internal(&cause))?;
    Ok(Received { file, bytes: seen.bytes, workbook: seen.is_workbook() })
}

impl Received {
    /// The file as the store loads it.
    ///
    /// # Errors
    /// The disk failed.
    pub fn into_input(self, text: Text) -> Result<Input, Problem> {
        if self.workbook {
            let mut bytes = Vec::with_capacity(usize::try_from(self.bytes).unwrap_or(0));
            let mut file = self.file.take(WORKBOOK_BYTES_MAX);
            file.read_to_end(&mut bytes).map_err(|cause| Problem::internal(&cause))?;
            return Ok(Input::Workbook { bytes, sheet: None });
        }
        let reader = Box::new(BufReader::new(self.file));
        Ok(match text {
            Text::Csv => Input::Text(reader),
            Text::Objects => Input::Objects(reader),
        })
    }
}

/// What has come in so far, as far as the limits need to know.
#[derive(Default)]
struct Seen {
    bytes: u64,
    start: Vec<u8>,
    line: u64,
    line_bytes: u64,
}

/// As many as tell a workbook from text.
const START_BYTES: usize = 4;

impl Seen {
    fn is_workbook(&self) -> bool {
        is_workbook(&self.start)
    }

    fn take(&mut self, chunk: &[u8]) -> Result<(), Problem> {
        self.bytes += chunk.len() as u64;
        if self.start.len() < START_BYTES {
            let missing = START_BYTES - self.start.len();
            self.start.extend(chunk.iter().take(missing));
        }
        if self.is_workbook() {
            return if self.bytes > WORKBOOK_BYTES_MAX {
                Err(too_large(WORKBOOK_BYTES_MAX))
            } else {
                Ok(())
            };
        }
        if self.bytes > UPLOAD_BYTES_MAX {
            return Err(too_large(UPLOAD_BYTES_MAX));
        }
        self.take_lines(chunk)
    }

    fn take_lines(&mut self, chunk: &[u8]) -> Result<(), Problem> {
        let mut pieces = chunk.split(|byte| *byte == b'\n').peekable();
        while let Some(piece) = pieces.next() {
            self.line_bytes += piece.len() as u64;
            if self.line_bytes > LINE_BYTES_MAX {
                return Err(line_too_long(self.line + 1));
            }
            if pieces.peek().is_some() {
                self.line += 1;
                self.line_bytes = 0;
            }
        }
        Ok(())
    }
}

fn too_large(bytes: u64) -> Problem {
    let detail = format!("a file holds at most {} MiB; send it in parts", bytes >> 20);
    Problem::new(StatusCode::PAYLOAD_TOO_LARGE, "file-too-large", "The file is too large", detail)
}

fn line_too_long(line: u64) -> Problem {
    let message = format!("a line holds at most {} KiB", LINE_BYTES_MAX >> 10);
    let detail = format!("line {line}: {message}; nothing was changed");
    let fault =
        Fault { line: Some(line), field: None, value: None, rule: "line-too-long".into(), message };
    let title = "The file is too large";
    Problem {
        faults: vec![fault],
        ..Problem::new(StatusCode::PAYLOAD_TOO_LARGE, "line-too-long", title, detail)
    }
}

#[cfg(test)]
mod tests {
    use rstest::rstest;

    use super::*;

    #[rstest]
    #[case::longest_line(&[LINE_BYTES_MAX], None)]
    #[case::a_byte_more(&[LINE_BYTES_MAX + 1], Some("line 1:"))]
    #[case::the_third_line(&[3, LINE_BYTES_MAX, LINE_BYTES_MAX + 1], Some("line 3:"))]
    fn a_line_is_held_to_its_length(#[case] lines: &[u64], #[case] broken: Option<&str>) {
        let lines: Vec<String> = lines.iter().map(|bytes| "x".repeat(*bytes as usize)).collect();
        // In pieces that cut lines anywhere.
        for piece in [1_000, 65_536, 1 << 20] {
            let mut seen = Seen::default();
            let mut text = lines.join("\n").into_bytes();
            text.push(b'\n');
            let refused = text.chunks(piece).find_map(|chunk| seen.take(chunk).err());
            let detail = refused.map(|problem| problem.detail);
            match (&detail, broken) {
                (Some(detail), Some(place)) => assert!(detail.starts_with(place), "{detail}"),
                (detail, place) => assert_eq!(detail.as_deref(), place),
            }
        }
    }

    #[test]
    fn a_workbook_has_no_lines_and_a_limit_of_its_own() {
        let mut seen = Seen::default();
        seen.take(b"PK").expect("too short to tell");
        seen.take(b"\x03\x04").expect("a workbook");
        let block = vec![b'x'; 1 << 20];
        let taken = (0..32).find_map(|_| seen.take(&block).err());
        assert_eq!(taken.map(|problem| problem.status), Some(413));
        assert!(seen.bytes <= (WORKBOOK_BYTES_MAX + (1 << 20)));
    }
}
