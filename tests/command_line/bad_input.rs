//! Bad input: each broken rule is named with line, column and value, and nothing is changed.

use rstest::rstest;
use tests::program::Folder;

use crate::yard::{READINGS, small};

/// The file is refused, `told` stands in what is said, and every row of the database is as before.
#[track_caller]
fn refused(folder: &Folder, kind: &str, file: &[u8], told: &str) {
    let before = folder.rows();
    let said = folder.load(kind, file, &[]);
    assert_eq!((said.code, said.out.as_str()), (1, ""), "{said:?}");
    assert!(said.err.lines().any(|line| line.trim() == told), "{told}\n{}", said.err);
    assert!(said.err.contains("nothing was written"), "{}", said.err);
    assert_eq!(folder.rows(), before);
}

#[rstest]
#[case::unknown_serial(
    "X-9,2026-05-02,5",
    "line 2, column serial, \"X-9\": no engine of that name is on record; load it first, \
     or correct it [engine-unknown]"
)]
#[case::two_values(
    "B-1,2026-05-10 18:00,112.6",
    "line 2, column hours, \"112.6 h\": engine B-1: 112.6 h was given for a moment at which 112.5 h is \
     on record; to change it, correct it [reading-two-values]"
)]
#[case::falling(
    "B-1,2026-05-11 18:00,112.4",
    "line 2, column hours, \"112.4 h\": engine B-1: 112.4 h is below 112.5 h, shown before; if the \
     meter was swapped, record that instead [reading-falls]"
)]
#[case::twenty_five_hours_a_day(
    "B-1,2026-05-11 18:00,137.5",
    "line 2, column hours, \"137.5 h\": engine B-1: 25.0 h gained in 24 h is more than 24 h a day \
     [reading-faster-than-time]"
)]
#[case::future(
    "B-1,2199-05-11,200",
    "line 2, column read_at, \"2199-05-11\": lies in the future [in-the-future]"
)]
#[case::below_zero(
    "B-1,2026-05-11,-3",
    "line 2, column hours, \"-3\": -3 hours is below zero [hours-negative]"
)]
fn a_bad_reading_is_named_and_changes_nothing(#[case] row: &str, #[case] told: &str) {
    let folder = small();
    let good = "B-2,2026-05-02 18:00,9\n";
    let file = format!("serial,read_at,hours\n{row}\n{good}");
    refused(&folder, "readings", file.as_bytes(), told);
}

#[rstest]
#[case::quantity_below_zero(
    "kits",
    "kit,part,quantity\nPUMP,ORING,-1\n",
    "line 2, column quantity, \"-1\": may not be below zero [below-zero]"
)]
#[case::unknown_column(
    "kits",
    "kit,part,quantity,colour\nPUMP,ORING,1,red\n",
    "line 1, column colour, \"colour\": no such column here; the columns are kit,part,quantity \
     [column-unknown]"
)]
#[case::kit_of_itself(
    "kits",
    "kit,part,quantity\nPUMP,PUMP,1\n",
    "line 2, column part, \"PUMP\": a kit can't hold itself [kit-loop]"
)]
#[case::kit_cycle(
    "kits",
    "kit,part,quantity\nSEALS,PUMP,1\n",
    "line 2, column part, \"PUMP\": a kit can't hold itself: SEALS > PUMP > SEALS [kit-loop]"
)]
#[case::supersession_cycle(
    "supersessions",
    "old_part,new_part,effective_on\nORING,IMP,2026-02-01\n",
    "line 2, column new_part, \"IMP\": a part can't follow itself: ORING > IMP > ORING \
     [supersession-loop]"
)]
fn a_bad_row_is_named_and_changes_nothing(
    #[case] kind: &str,
    #[case] file: &str,
    #[case] told: &str,
) {
    refused(&small(), kind, file.as_bytes(), told);
}

#[rstest]
#[case::latin_1(b"part,name\nA,seal\nB,joint \xE0 l\xE8vre\n".as_slice(), "line 3, column name, \"joint \u{fffd} l\u{fffd}vre\": not UTF-8 text; save the file as CSV in UTF-8 \
     [not-utf-8]")]
#[case::utf_16(b"\xFF\xFEp\0a\0r\0t\0,\0n\0a\0m\0e\0\n\0".as_slice(), "line 1: the file is in UTF-16; save it as CSV in UTF-8 [not-utf-8]")]
fn a_file_in_another_encoding_is_named_and_changes_nothing(
    #[case] file: &[u8],
    #[case] told: &str,
) {
    refused(&small(), "parts", file, told);
}

#[test]
fn every_bad_row_is_listed_and_good_ones_are_kept_only_where_that_was_asked() {
    let folder = small();
    let mut file = READINGS.to_owned();
    file.push_str("B-2,2026-05-02 18:00,6\nB-2,2026-05-03 18:00,8\nX-9,2026-05-03,1\n");
    let before = folder.rows();
    let said = folder.load("readings", &file, &[]);
    assert_eq!(said.code, 1);
    let lines: Vec<_> = said.err.lines().map(str::trim).collect();
    assert_eq!(lines[0], "slackwater: readings.csv: 2 values break a rule; nothing was written");
    assert!(
        lines[1].starts_with("line 7, column serial") || lines[2].starts_with("line 7"),
        "{lines:?}"
    );
    assert_eq!(lines.len(), 3, "{lines:?}");
    assert_eq!(folder.rows(), before);

    let dry = folder.load("readings", &file, &["--dry-run", "--keep-good"]);
    assert_eq!(
        dry.out,
        "readings: 6 rows read, 1 new, 3 there already; a dry run: nothing was kept.\n"
    );
    assert_eq!(dry.code, 1, "rows were left out");
    assert_eq!(folder.rows(), before);

    let kept = folder.load("readings", &file, &["--keep-good"]);
    assert_eq!(kept.out, "readings: 6 rows read, 1 new, 3 there already.\n");
    assert_eq!(kept.code, 1, "rows were left out");
    assert!(kept.err.contains("2 values break a rule; those rows were left out"), "{}", kept.err);
    assert_eq!(folder.count("readings"), before["readings"].len() + 1);
}

#[test]
fn a_dry_run_of_a_good_file_says_what_would_come_and_keeps_nothing() {
    let folder = small();
    let before = folder.rows();
    let file = "serial,read_at,hours\nB-2,2026-05-02 18:00,9\n";
    let said = folder.load("readings", file, &["--dry-run"]).good();
    assert_eq!(
        said,
        "readings: 1 row read, 1 new, 0 there already; a dry run: nothing was kept.\n"
    );
    assert_eq!(folder.rows(), before);
    assert_eq!(
        folder.must_load("readings", file),
        "readings: 1 row read, 1 new, 0 there already.\n"
    );
}

#[test]
fn loading_twice_is_loading_once() {
    let folder = small();
    let before = folder.rows();
    let again = folder.must_load("readings", READINGS);
    assert_eq!(again, "readings: 3 rows read, 0 new, 3 there already.\n");
    let semicolons = READINGS.replace(',', ";").replace("112.5", "112:30");
    assert!(folder.must_load("readings", semicolons).contains("0 new, 3 there already"));
    let with_mark = format!("\u{feff}{READINGS}");
    assert!(folder.must_load("readings", with_mark).contains("0 new, 3 there already"));
    assert!(folder.load_piped("readings", READINGS).good().contains("0 new, 3 there already"));
    assert_eq!(folder.rows(), before);
}
