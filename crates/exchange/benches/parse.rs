//! How fast files come in: `cargo bench -p exchange`.

use std::io::Write as _;

use chrono::{DateTime, Utc};
use divan::Bencher;
use divan::counter::{BytesCount, ItemsCount};
use exchange::load::{LoadRow as _, ReadingRow};
use exchange::table::Table;

fn main() {
    divan::main();
}

/// A season of readings of 500 engines.
fn readings(rows: u64) -> Vec<u8> {
    let mut file = b"serial,read_at,hours,kind,source\n".to_vec();
    for row in 0..rows {
        let (engine, day) = (row % 500, row / 500);
        let (month, day_of_month) = (day / 28 % 12 + 1, day % 28 + 1);
        let hours = 100.0 + day as f64 * 1.7;
        writeln!(
            file,
            "ND6-{engine:05},{}-{month:02}-{day_of_month:02} 18:30,{hours:.1},reading,Sunday list",
            2020 + day / 336,
        )
        .expect("memory takes it");
    }
    file
}

#[divan::bench(args = [100_000, 1_000_000], sample_count = 3)]
fn parse_readings(bencher: Bencher, rows: u64) {
    let file = readings(rows);
    let now = DateTime::<Utc>::from_timestamp(1_800_000_000, 0).expect("a time");
    bencher.counter(BytesCount::of_slice(&file)).counter(ItemsCount::new(rows)).bench(|| {
        let table = Table::open(file.as_slice(), ReadingRow::COLUMNS).expect("a header");
        let good = table.rows(|row| ReadingRow::parse(row, now)).filter(Result::is_ok).count();
        assert_eq!(good as u64, rows);
    });
}
