use proptest::prelude::{any, prop, prop_assert_eq, proptest};
use rstest::rstest;

use super::{Column, Faults, Limits, Moment, Row, Table, TableWriter, read_all};

const COLUMNS: [Column; 4] = [
    Column::required("part", "part number"),
    Column::required("month", "month of use"),
    Column::required("quantity", "pieces used"),
    Column::optional("note", "anything"),
];

type Entry = (String, String, f64, String);

fn entry(row: &Row<'_>) -> Result<Entry, super::Refused> {
    let part = row.text("part");
    let month = row.month("month");
    let quantity = row.not_negative("quantity");
    let note = row.optional("note", Row::note);
    let (part, month, quantity, note) = (part?, month?, quantity?, note?);
    Ok((part.to_owned(), month.to_string(), quantity, note.unwrap_or_default().to_owned()))
}

fn entries(file: impl AsRef<[u8]>) -> Result<Vec<Entry>, Faults> {
    read_all(file.as_ref(), &COLUMNS, entry)
}

fn plain(part: &str, month: &str, quantity: f64, note: &str) -> Entry {
    (part.into(), month.into(), quantity, note.into())
}

/// `line/column/rule` of each fault.
fn broken<T: std::fmt::Debug>(result: Result<T, Faults>) -> Vec<String> {
    let faults = result.expect_err("the file breaks a rule");
    faults.faults().iter().map(|f| format!("{}/{}/{}", f.line, f.column, f.rule)).collect()
}

#[rstest]
#[case::comma("part,month,quantity\nA,2026-05,1.5\n")]
#[case::semicolon_and_decimal_comma("part;month;quantity\nA;2026-05;1,5\n")]
#[case::tab("part\tmonth\tquantity\nA\t2026-05\t1,5\n")]
#[case::byte_order_mark("\u{feff}part,month,quantity\nA,2026-05,1.5\n")]
#[case::carriage_returns("part,month,quantity\r\nA,2026-05,1.5\r\n")]
#[case::no_last_line_break("part,month,quantity\nA,2026-05,1.5")]
#[case::another_order("quantity,part,month\n1.5,A,2026-05\n")]
#[case::names_in_another_case("Part, MONTH ,Quantity\nA,2026-05,1.5\n")]
#[case::everything_quoted("\"part\",\"month\",\"quantity\"\r\n\"A\",\"2026-05\",\"1.5\"\r\n")]
#[case::quoted_decimal_comma("part,month,quantity\nA,2026-05,\"1,5\"\n")]
#[case::comments_first(
    "# the parts, by month\n\n\"# quoted, by a spreadsheet\",,\npart,month,quantity\nA,2026-05,1.5\n"
)]
#[case::separator_line("sep=;\npart;month;quantity\nA;2026-05;1,5\n")]
#[case::blank_rows("part,month,quantity\n\nA,2026-05,1.5\n,,\n  \n")]
#[case::nameless_columns_at_the_end("part,month,quantity,,\nA,2026-05,1.5,,\n")]
#[case::optional_column_empty("part,month,quantity,note\nA,2026-05,1.5,\n")]
#[case::spaces_around("part,month,quantity\n A , 2026-05 ,1.5 \n")]
fn every_usual_dialect_reads_the_same(#[case] file: &str) {
    assert_eq!(entries(file), Ok(vec![plain("A", "2026-05-01", 1.5, "")]));
}

#[test]
fn quotes_hold_delimiters_quotes_and_line_breaks() {
    let file = "part,month,quantity,note\n\"A,1\",2026-05,1,\"said \"\"no\"\"\nthen left\"\nB 3\" pipe,2026-06,2,\n";
    let expected = [
        plain("A,1", "2026-05-01", 1.0, "said \"no\"\nthen left"),
        plain("B 3\" pipe", "2026-06-01", 2.0, ""),
    ];
    assert_eq!(entries(file), Ok(expected.to_vec()));
}

#[test]
fn lines_are_counted_through_comments_and_quoted_line_breaks() {
    let file = "# one\npart,month,quantity,note\nA,2026-05,1,\"two\nlines\"\n\nB,2026-05,x,\n";
    assert_eq!(broken(entries(file)), ["6/quantity/not-a-number"]);
}

#[test]
fn all_faults_of_all_rows_are_listed() {
    let file = "part,month,quantity\n,2026-13,-1\nA,2026-05,1\nB,,two\n";
    assert_eq!(
        broken(entries(file)),
        [
            "2/part/value-missing",
            "2/month/not-a-month",
            "2/quantity/below-zero",
            "4/month/value-missing",
            "4/quantity/not-a-number",
        ]
    );
}

#[rstest]
#[case::empty_file("", &["1//header-missing"])]
#[case::comments_only("# nothing\n", &["2//header-missing"])]
#[case::unknown_column("part,month,quantity,colour\n", &["1/colour/column-unknown"])]
#[case::missing_column("part,month\n", &["1/quantity/column-missing"])]
#[case::column_twice("part,month,quantity,Part\n", &["1/Part/column-repeated"])]
#[case::column_without_name("part,,month,quantity\n", &["1//column-unnamed"])]
#[case::utf_16("\u{0}", &["1/\u{0}/column-unknown", "1/part/column-missing", "1/month/column-missing", "1/quantity/column-missing"])]
#[case::header_quote_open("part,\"month,quantity\nA,2026-05,1\n", &["1//quote-not-closed"])]
#[case::too_few_fields("part,month,quantity\nA,2026-05\n", &["2//row-too-few-fields"])]
#[case::too_many_fields("part,month,quantity\nA,2026-05,1,5\n", &["2//row-too-many-fields"])]
#[case::quote_never_closed("part,month,quantity\n\"A,2026-05,1\nB,2026-05,1\n", &["2//quote-not-closed"])]
#[case::text_after_quote("part,month,quantity\n\"A\"B,2026-05,1\nC,2026-05,x\n", &["2//quote-misplaced", "3/quantity/not-a-number"])]
#[case::nul_byte("part,month,quantity\nA,2026\u{0}-05,1\n", &["2/month/nul-byte"])]
#[case::control_character("part,month,quantity\nA\u{7}B,2026-05,1\n", &["2/part/control-character"])]
#[case::both_decimal_marks("part;month;quantity\nA;2026-05;1.5\nB;2026-05;1,5\n", &["3/quantity/decimal-mark-mixed"])]
#[case::thousands_or_decimals("part,month,quantity\nA,2026-05,\"1,250\"\n", &["2/quantity/number-ambiguous"])]
#[case::both_marks_in_one("part,month,quantity\nA,2026-05,\"1.250,5\"\n", &["2/quantity/not-a-number"])]
#[case::not_finite("part,month,quantity\nA,2026-05,inf\nB,2026-05,NaN\nC,2026-05,1e999\n", &["2/quantity/not-a-number", "3/quantity/not-a-number", "4/quantity/number-too-large"])]
#[case::month_of_another_order("part,month,quantity\nA,05-2026,1\nB,2026-5,1\nC,0026-05,1\n", &["2/month/not-a-month", "3/month/not-a-month", "4/month/date-out-of-bounds"])]
fn each_broken_rule_is_named_with_its_place(#[case] file: &str, #[case] expected: &[&str]) {
    assert_eq!(broken(entries(file)), expected);
}

#[test]
fn text_in_another_encoding_is_refused_with_its_place() {
    let latin_1 = b"part,month,quantity\nA,2026-05,1\nKr\xFCger,2026-05,1\n";
    assert_eq!(broken(entries(latin_1)), ["3/part/not-utf-8"]);
    assert_eq!(broken(entries(b"\xFF\xFEp\0a\0")), ["1//not-utf-8"]);
}

/// Bytes without end; the reader must stop by itself.
struct Endless {
    header: &'static [u8],
    byte: u8,
    given: u64,
}

impl std::io::Read for Endless {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        if !self.header.is_empty() {
            return self.header.read(buffer);
        }
        assert!(self.given < 4 << 20, "read far past the limit");
        buffer.fill(self.byte);
        self.given += buffer.len() as u64;
        Ok(buffer.len())
    }
}

#[rstest]
#[case::text(b"part,month,quantity\n", b'x', "2//row-too-long")]
#[case::delimiters(b"part,month,quantity\n", b',', "2//row-too-long")]
#[case::open_quote(b"part,month,quantity\nA,\"", b'\n', "2//quote-not-closed")]
#[case::header(b"", b'x', "1//row-too-long")]
#[case::comment(b"# ", b'x', "1//row-too-long")]
fn an_endless_row_is_refused_at_the_limit(
    #[case] header: &'static [u8],
    #[case] byte: u8,
    #[case] expected: &str,
) {
    let endless = Endless { header, byte, given: 0 };
    assert_eq!(broken(read_all(endless, &COLUMNS, entry)), [expected]);
}

#[test]
fn a_row_of_exactly_the_limit_is_read() {
    let limits = Limits { row_bytes: 24, ..Limits::default() };
    let read = |note: &str| {
        let file = format!("part,month,quantity,note\nA,2026-05,1,{note}\n");
        let table = Table::open_within(file.as_bytes(), &COLUMNS, limits).expect("header");
        table.rows(entry).next().expect("a row").map(|placed| placed.value.3)
    };
    // 9 bytes of other fields, 4 ends.
    assert_eq!(read("12345678901").as_deref(), Ok("12345678901"));
    assert_eq!(read("123456789012").map_err(|faults| faults[0].rule), Err("row-too-long"));
}

#[test]
fn faults_beyond_the_limit_are_counted() {
    let mut faults = Faults::none(2);
    for line in 1..=5 {
        faults.push(super::RowFault::of_row(line, "rule", "wrong"));
    }
    assert_eq!((faults.faults().len(), faults.count()), (2, 5));
    assert!(faults.to_string().ends_with("and 3 more faults, not listed"));
}

#[test]
fn a_file_that_cannot_be_read_on_says_so() {
    struct Broken;
    impl std::io::Read for Broken {
        fn read(&mut self, _: &mut [u8]) -> std::io::Result<usize> {
            Err(std::io::Error::other("cable out"))
        }
    }
    let whole = std::io::Read::chain(&b"part,month,quantity\nA,2026-05,1\n"[..], Broken);
    assert_eq!(broken(read_all(whole, &COLUMNS, entry)), ["3//file-unreadable"]);
}

const VALUES: [Column; 3] = [
    Column::required("value", "the value"),
    Column::optional("currency", "its currency"),
    Column::optional("more", "more"),
];

fn value<T>(
    text: &str,
    get: impl Fn(&Row<'_>) -> Result<T, super::Refused>,
) -> Result<T, &'static str> {
    let file = format!("value;currency;more\n{text};EUR;x\n");
    let read = read_all(file.as_bytes(), &VALUES, get);
    read.map(|mut values| values.remove(0)).map_err(|faults| faults.faults()[0].rule)
}

#[rstest]
#[case("12", Ok(12))]
#[case("-3", Ok(-3))]
#[case("+3", Ok(3))]
#[case("\u{2212}3", Ok(-3))]
#[case("12,0", Ok(12))]
#[case("1e3", Ok(1000))]
#[case("9223372036854775807", Ok(i64::MAX))]
#[case("9223372036854775808", Err("number-too-large"))]
#[case("12,5", Err("not-whole"))]
#[case("1 000", Err("not-a-number"))]
#[case("0x10", Err("not-a-number"))]
#[case("e3", Err("not-a-number"))]
#[case("1e", Err("not-a-number"))]
#[case(".", Err("not-a-number"))]
#[case("", Err("value-missing"))]
fn integers(#[case] text: &str, #[case] expected: Result<i64, &str>) {
    assert_eq!(value(text, |row| row.integer("value")), expected);
}

#[rstest]
#[case("2024-02-29", Ok("2024-02-29"))]
#[case("2026-02-29", Err("not-a-date"))]
#[case("2026-2-28", Err("not-a-date"))]
#[case("28.02.2026", Err("not-a-date"))]
#[case("1899-12-31", Err("date-out-of-bounds"))]
#[case("2199-12-31", Ok("2199-12-31"))]
#[case("2200-01-01", Err("date-out-of-bounds"))]
fn dates(#[case] text: &str, #[case] expected: Result<&str, &str>) {
    let read = value(text, |row| row.date("value").map(|date| date.to_string()));
    assert_eq!(read.as_deref().map_err(|rule| *rule), expected);
}

#[rstest]
#[case("12:30", Ok(45_000))]
#[case("12,5", Ok(45_000))]
#[case("12:60", Err("hours-unreadable"))]
#[case("-1", Err("hours-negative"))]
fn running_hours(#[case] text: &str, #[case] expected: Result<u64, &str>) {
    assert_eq!(value(text, |row| row.hours("value").map(fleet::Hours::seconds)), expected);
}

#[rstest]
#[case("4,20", Ok(420))]
#[case("4", Ok(400))]
#[case("4,205", Err("money-unreadable"))]
#[case("-1", Err("below-zero"))]
fn money(#[case] text: &str, #[case] expected: Result<i64, &str>) {
    let read = |row: &Row<'_>| {
        let currency = row.currency("currency")?;
        row.money("value", currency).map(|money| money.minor)
    };
    assert_eq!(value(text, read), expected);
}

#[rstest]
#[case("\"10:4,20;50:3,90\"", Ok(vec![(10, 420), (50, 390)]))]
#[case("10:4,20", Ok(vec![(10, 420)]))]
#[case("\"50:3,90;10:4,20\"", Err("breaks-unreadable"))]
#[case("0:1", Err("breaks-unreadable"))]
#[case("10", Err("breaks-unreadable"))]
#[case("10:x", Err("not-a-number"))]
fn price_breaks(#[case] text: &str, #[case] expected: Result<Vec<(u32, i64)>, &str>) {
    let read = |row: &Row<'_>| {
        let currency = row.currency("currency")?;
        let breaks = row.price_breaks("value", currency)?;
        Ok(breaks.into_iter().map(|(quantity, money)| (quantity, money.minor)).collect())
    };
    assert_eq!(value(text, read), expected);
}

#[test]
fn moments_keep_what_was_said() {
    let moment = |text| value(text, |row| row.moment("value"));
    let instant = moment("2026-07-03T08:00:00+02:00").expect("an instant");
    assert!(
        matches!(instant, Moment::Instant(at) if at.to_rfc3339() == "2026-07-03T06:00:00+00:00")
    );
    let local = moment("2026-07-03 08:00").expect("a local time");
    assert!(matches!(local, Moment::Local(at) if at.to_string() == "2026-07-03 08:00:00"));
    assert!(matches!(moment("2026-07-03"), Ok(Moment::Day(_))));
    assert_eq!(moment("2026-07-03 25:00"), Err("not-a-moment"));
}

#[test]
fn words_and_truths_are_read_in_any_case() {
    let word = |text| value(text, |row| row.one_of("value", &[("fill_rate", 1), ("boat_days", 2)]));
    assert_eq!(word("Fill-Rate"), Ok(1));
    assert_eq!(word("boat days"), Ok(2));
    assert_eq!(word("rate"), Err("word-unknown"));
    let truth = |text| value(text, |row| row.boolean("value"));
    assert_eq!((truth("TRUE"), truth("no")), (Ok(true), Ok(false)));
    assert_eq!(truth("maybe"), Err("not-true-or-false"));
}

#[test]
fn bounds_are_part_of_what_is_allowed() {
    let share = |text| value(text, |row| row.within("value", 0.0..=1.0));
    assert_eq!((share("0"), share("1")), (Ok(0.0), Ok(1.0)));
    assert_eq!((share("1,01"), share("-0,01")), (Err("out-of-bounds"), Err("out-of-bounds")));
    let count = |text| value(text, |row| row.count_from_one("value"));
    assert_eq!((count("1"), count("0")), (Ok(1), Err("not-above-zero")));
    assert_eq!(count("4294967296"), Err("number-too-large"));
}

proptest! {
    #[test]
    fn any_bytes_give_rows_or_faults(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = entries(&bytes);
        let with_header = [b"part,month,quantity,note\n".as_slice(), &bytes].concat();
        let _ = entries(&with_header);
    }

    #[test]
    fn any_csv_like_text_gives_rows_or_faults(text in "[ab0-9,;\t\"\r\n#=:. -]{0,200}") {
        let _ = entries(&text);
        let _ = entries(format!("part;month;quantity\n{text}"));
    }

    #[test]
    fn what_is_written_reads_back(rows in prop::collection::vec(("[^\\p{C} ][^\\p{C}]{0,10}x", 0..1000_u32, ".{0,20}y"), 0..20)) {
        let mut writer = TableWriter::new(Vec::new(), &["part", "month", "quantity", "note"]).expect("header");
        for (part, quantity, note) in &rows {
            writer.row([part.as_str(), "2026-05", &quantity.to_string(), note]).expect("row");
        }
        let file = writer.finish().expect("bytes");
        let expected: Vec<_> = rows
            .iter()
            .map(|(part, quantity, note)| plain(part.trim(), "2026-05-01", f64::from(*quantity), note.trim()))
            .collect();
        // Control characters are not for notes; those draws only must not panic.
        if rows.iter().all(|(_, _, note)| !note.chars().any(char::is_control)) {
            prop_assert_eq!(entries(&file), Ok(expected));
        }
    }
}

/// A workbook of one sheet a list of rows; cells beginning with `=` are numbers, with `@` dates by
/// serial number, with `%` durations in days.
fn workbook(sheets: &[(&str, &[&[&str]])]) -> Vec<u8> {
    use rust_xlsxwriter::{ExcelDateTime, Format, Workbook};
    let mut workbook = Workbook::new();
    for (name, rows) in sheets {
        let sheet = workbook.add_worksheet().set_name(*name).expect("a name");
        for (row, cells) in rows.iter().enumerate() {
            for (column, cell) in cells.iter().enumerate() {
                let (row, column) = (row as u32, column as u16);
                let number = |text: &str| text.parse::<f64>().expect("a number");
                let time = |text, format| {
                    let time = ExcelDateTime::from_serial_datetime(number(text)).expect("a time");
                    (time, Format::new().set_num_format(format))
                };
                match cell.split_at_checked(1) {
                    Some(("=", text)) => sheet.write_number(row, column, number(text)),
                    Some(("@", text)) => {
                        let (time, format) = time(text, "yyyy-mm-dd");
                        sheet.write_datetime_with_format(row, column, &time, &format)
                    }
                    Some(("%", text)) => {
                        let (time, format) = time(text, "[h]:mm");
                        sheet.write_datetime_with_format(row, column, &time, &format)
                    }
                    _ => sheet.write_string(row, column, *cell),
                }
                .expect("a cell");
            }
        }
    }
    workbook.save_to_buffer().expect("a workbook")
}

fn sheet_entries(bytes: &[u8], sheet: Option<&str>) -> Result<Vec<Entry>, Faults> {
    let table: Table<std::io::Empty> = Table::open_workbook(bytes, sheet, &COLUMNS)?;
    let mut faults = Faults::none(100);
    let mut values = Vec::new();
    for row in table.rows(entry) {
        match row {
            Ok(placed) => values.push(placed.value),
            Err(of_row) => faults.extend(of_row),
        }
    }
    faults.into_result().map(|()| values)
}

#[test]
fn a_workbook_reads_like_a_text_file() {
    let rows: &[&[&str]] = &[
        &["# filled in by hand"],
        &[],
        &["part", "month", "note", "quantity"],
        &["A", "2026-05", "first\nsecond", "=1.5"],
        &[],
        &["=7701", "2026-06", "", "=3"],
    ];
    let bytes = workbook(&[("Use", rows), ("Empty", &[])]);
    let expected =
        [plain("A", "2026-05-01", 1.5, "first\nsecond"), plain("7701", "2026-06-01", 3.0, "")];
    assert_eq!(sheet_entries(&bytes, None), Ok(expected.to_vec()));
    assert!(super::is_workbook(&bytes));
    assert_eq!(broken(entries(&bytes)), ["1//not-text"]);
}

#[test]
fn faults_of_a_workbook_name_sheet_and_row() {
    let rows: &[&[&str]] = &[&["part", "month", "quantity"], &[], &["A", "May", "=-1"]];
    let bytes = workbook(&[("Use", rows)]);
    let faults = sheet_entries(&bytes, None).expect_err("two faults");
    let shown = faults.faults()[0].to_string();
    assert_eq!(
        shown,
        "sheet \"Use\", row 3, column month, \"May\": not a month; write YYYY-MM [not-a-month]"
    );
    assert_eq!(faults.faults()[1].rule, "below-zero");
}

#[test]
fn a_sheet_must_be_named_where_several_are_filled_in() {
    let rows: &[&[&str]] = &[&["part", "month", "quantity"], &["A", "2026-05", "=1"]];
    let bytes = workbook(&[("One", rows), ("Two", rows)]);
    assert_eq!(broken(sheet_entries(&bytes, None)), ["1//sheet-not-named"]);
    assert_eq!(sheet_entries(&bytes, Some("Two")).map(|rows| rows.len()), Ok(1));
    assert_eq!(broken(sheet_entries(&bytes, Some("Three"))), ["1//sheet-unknown"]);
    assert_eq!(broken(sheet_entries(&workbook(&[("One", &[])]), None)), ["1//header-missing"]);
    assert_eq!(broken(sheet_entries(b"PK\x03\x04rest", None)), ["1//workbook-unreadable"]);
}

#[test]
fn times_of_a_workbook_become_dates_and_hours() {
    // 45778.75 is 2025-05-01 18:00 in the 1900 date system.
    let rows: &[&[&str]] =
        &[&["value", "more", "currency"], &["@45778", "@45778.75", "%5.1875"], &["x", "@0.5", ""]];
    let bytes = workbook(&[("Times", rows)]);
    let table: Table<std::io::Empty> =
        Table::open_workbook(&bytes, None, &VALUES).expect("a header");
    let texts = table.rows(|row| Ok(["value", "more", "currency"].map(|c| row.raw(c).to_owned())));
    let texts: Vec<_> = texts.map(|row| row.expect("a row").value).collect();
    assert_eq!(texts[0], ["2025-05-01", "2025-05-01 18:00:00", "124:30"]);
    assert_eq!(texts[1][1], "12:00");
}

/// Two cells in opposite corners are two cells, not a rectangle of 17 thousand million.
#[test]
fn a_sheet_as_wide_as_sheets_can_be_is_refused() {
    use rust_xlsxwriter::Workbook;
    let mut workbook = Workbook::new();
    let sheet = workbook.add_worksheet();
    sheet.write_string(0, 0, "part").expect("a cell");
    sheet.write_string(1_048_575, 16_383, "far").expect("a cell");
    let bytes = workbook.save_to_buffer().expect("a workbook");
    assert_eq!(broken(sheet_entries(&bytes, None)), ["1048576//workbook-too-large"]);
}

fn objects(file: &[u8]) -> Result<Vec<Entry>, Vec<String>> {
    let table = Table::open_objects(file, &COLUMNS);
    let mut faults = Faults::none(100);
    let mut values = Vec::new();
    for row in table.rows(entry) {
        match row {
            Ok(placed) => values.push(placed.value),
            Err(of_row) => faults.extend(of_row),
        }
    }
    faults.into_result().map(|()| values).map_err(|faults| broken(Err::<(), _>(faults)))
}

#[test]
fn objects_read_like_rows() {
    let file = br#"{"part": "A, b", "month": "2026-05", "quantity": 1.5}

{"quantity": "2", "month": "2026-06", "part": 7701, "note": null}
"#;
    let expected = [plain("A, b", "2026-05-01", 1.5, ""), plain("7701", "2026-06-01", 2.0, "")];
    assert_eq!(objects(file), Ok(expected.to_vec()));
}

#[rstest]
#[case::not_json("{\"part\": ", &["1//not-json"])]
#[case::not_an_object("[1]", &["1//not-an-object"])]
#[case::unknown_member(r#"{"part":"A","month":"2026-05","quantity":1,"colour":"red"}"#, &["1/colour/column-unknown"])]
#[case::member_missing(r#"{"part":"A","month":"2026-05"}"#, &["1/quantity/value-missing"])]
#[case::list_as_value(r#"{"part":["A"],"month":"2026-05","quantity":1}"#, &["1/part/value-not-plain"])]
fn broken_objects_are_named_with_their_line(#[case] file: &str, #[case] expected: &[&str]) {
    assert_eq!(objects(file.as_bytes()), Err(expected.iter().map(|&text| text.into()).collect()));
}

proptest! {
    #[test]
    fn any_damage_to_a_workbook_gives_rows_or_faults(
        damage in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..20),
    ) {
        let rows: &[&[&str]] = &[&["part", "month", "quantity"], &["A", "2026-05", "=1"]];
        let mut bytes = workbook(&[("Use", rows)]);
        for (place, byte) in damage {
            let place = place.index(bytes.len());
            bytes[place] = byte;
        }
        let _ = sheet_entries(&bytes, None);
    }

    #[test]
    fn any_lines_of_objects_give_rows_or_faults(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let _ = objects(&bytes);
    }
}
