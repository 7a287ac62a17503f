//! What happens in the middle: a process killed, a line without end.

use std::fmt::Write as _;
use std::io::{ErrorKind, Write as _};
use std::process::{Child, Stdio};

use chrono::{Days, NaiveDate};
use tests::program::{Folder, Said};

use crate::yard::small;

/// Rows of an engine, an hour's running each.
fn many(serial: &str, rows: u32) -> String {
    let mut file = String::from("serial,read_at,hours\n");
    let first = NaiveDate::from_ymd_opt(2020, 1, 1).expect("a day");
    for row in 0..rows {
        let (day, hour) = (first + Days::new(u64::from(row / 24)), row % 24);
        // Writing to a String does not fail.
        let _ = writeln!(file, "{serial},{day}T{hour:02}:00:00Z,{row}");
    }
    file
}

fn loading(folder: &Folder, kind: &str) -> Child {
    folder.command(["load", kind, "-"]).stdin(Stdio::piped()).spawn().expect("the program starts")
}

#[test]
fn a_load_killed_in_the_middle_leaves_the_database_as_it_was() {
    let folder = small();
    let engine = "serial,maker,model,pool,first_run_on\nB-3,Brattvik,B6,Dinghies,2019-04-01\n";
    folder.must_load("engines", engine);
    let before = folder.rows();
    let file = many("B-3", 12_000);
    let mut child = loading(&folder, "readings");
    let mut into = child.stdin.take().expect("piped");
    // It stops reading while it writes a chunk: once all is taken from us, most rows are in its
    // transaction, and it waits for more.
    into.write_all(file.as_bytes()).expect("it reads");
    child.kill().expect("it is there to be killed");
    child.wait().expect("it ends");
    drop(into);
    assert_eq!(folder.rows(), before);
    let loaded = folder.must_load("readings", file);
    assert_eq!(loaded, "readings: 12000 rows read, 12000 new, 0 there already.\n");
    assert_eq!(folder.count("readings"), before["readings"].len() + 12_000);
}

const LINE_BYTES: usize = 2 << 30;
/// Resident memory that no line, however long, makes the program exceed, in kB: far below the line.
const PEAK_KB_MAX: u64 = 300_000;

/// Peak resident memory of a process so far, in kB; `None` when it has gone.
fn peak_kb(child: &Child) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    line.trim().strip_suffix(" kB")?.parse().ok()
}

#[test]
fn a_line_of_two_gigabytes_is_refused_in_little_memory() {
    let folder = small();
    let before = folder.rows();
    let mut child = loading(&folder, "readings");
    let mut into = child.stdin.take().expect("piped");
    into.write_all(b"serial,read_at,hours\nB-2,2026-05-02 18:00,9\nB-2,").expect("it reads");
    let piece = vec![b'7'; 1 << 16];
    let (mut sent, mut peak) = (0, 0);
    while sent < LINE_BYTES {
        match into.write_all(&piece) {
            Ok(()) => sent += piece.len(),
            // It has seen enough.
            Err(cause) if cause.kind() == ErrorKind::BrokenPipe => break,
            Err(cause) => panic!("{cause}"),
        }
        peak = peak_kb(&child).unwrap_or(peak).max(peak);
    }
    drop(into);
    let said = Said::of(&child.wait_with_output().expect("it ends"));
    assert_eq!(said.code, 1, "{said:?}");
    assert!(said.err.contains("line 3") && said.err.contains("[row-too-long]"), "{}", said.err);
    assert!((1..PEAK_KB_MAX).contains(&peak), "{peak} kB after {sent} bytes");
    assert_eq!(folder.rows(), before);
}
