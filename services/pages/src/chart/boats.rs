//! Boats wanted and boats there, day by day.

use chrono::NaiveDate;

use super::{Anchor, Fill, Picture, Scale, Sheet, Table};
use crate::figures::{count, day, day_short};

const NARROW_DAYS: usize = 14;

/// One day of one pool.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BoatDay {
    pub day: NaiveDate,
    pub wanted: u32,
    pub there: u32,
}

impl BoatDay {
    /// Boats short on this day.
    pub fn short(&self) -> u32 {
        self.wanted.saturating_sub(self.there)
    }
}

/// Draws `days` of one pool; `today` settles when a year is written out.
pub fn draw(id: &str, pool: &str, days: &[BoatDay], today: NaiveDate) -> Picture {
    let title = format!("{pool}: boats wanted and boats there");
    let says = describe(days, today);
    let narrow = &days[..days.len().min(NARROW_DAYS)];
    let row = |d: &BoatDay| {
        let cells = [d.wanted, d.there, d.short()].map(|n| n.to_string());
        [vec![day(d.day, today)], cells.to_vec()].concat()
    };
    Picture {
        wide: drawn(days, (1000.0, 230.0), 7, today).finish(&format!("{id}-w"), &title, &says),
        narrow: drawn(narrow, (358.0, 220.0), 7, today).finish(
            &format!("{id}-n"),
            &title,
            &describe(narrow, today),
        ),
        caption: "Columns: boats wanted. Line: boats there. Outlined: short.".to_owned(),
        table: Table {
            head: ["Day", "Wanted", "There", "Short"].map(str::to_owned).to_vec(),
            rows: days.iter().map(row).collect(),
        },
    }
}

/// What the picture shows, in a sentence: the thin day first.
pub fn describe(days: &[BoatDay], today: NaiveDate) -> String {
    let (Some(first), Some(last)) = (days.first(), days.last()) else {
        return "No days to show.".to_owned();
    };
    let span = format!("from {} to {}", day(first.day, today), day(last.day, today));
    let short: Vec<_> = days.iter().filter(|d| d.short() > 0).collect();
    if let Some(worst) = short.iter().max_by_key(|d| (d.short(), std::cmp::Reverse(d.day))) {
        return format!(
            "{} {span}; the thinnest is {} with {} short ({} wanted, {} there).",
            count(short.len(), "day is short", "days are short"),
            day(worst.day, today),
            count(worst.short() as usize, "boat", "boats"),
            worst.wanted,
            worst.there,
        );
    }
    let spare = |d: &BoatDay| d.there - d.wanted;
    let thin = days.iter().min_by_key(|d| spare(d)).unwrap_or(first);
    let left = match spare(thin) {
        0 => "none".to_owned(),
        n => count(n as usize, "boat", "boats"),
    };
    format!(
        "Enough boats every day {span}; the thinnest is {} with {left} to spare.",
        day(thin.day, today)
    )
}

fn drawn(
    days: &[BoatDay],
    (width, height): (f64, f64),
    label_every: usize,
    today: NaiveDate,
) -> Sheet {
    let mut sheet = Sheet::new(width, height);
    let (left, right, bottom) = (38.0, width - 12.0, height - 30.0);
    let most = days.iter().map(|d| d.wanted.max(d.there)).max().unwrap_or(0);
    let y = Scale::new((0.0, f64::from(most.max(4)) * 1.12), (bottom, 12.0));
    let slot = (right - left) / days.len().max(1) as f64;
    let x = |i: usize| left + i as f64 * slot;
    for tick in y.ticks(4, 1.0) {
        sheet.line((left, y.at(tick)), (right, y.at(tick)), "grid");
        sheet.text((left - 8.0, y.at(tick) + 4.0), Anchor::End, "", &format!("{tick:.0}"));
    }
    let gap = (slot * 0.1).min(3.0);
    for (i, d) in days.iter().enumerate() {
        let top = y.at(f64::from(d.wanted));
        sheet.column(x(i) + gap, slot - 2.0 * gap, (top, bottom), Fill::Pale);
        if d.short() > 0 {
            let there = y.at(f64::from(d.there));
            sheet.column(x(i) + gap, slot - 2.0 * gap, (top, there), Fill::Short);
        }
        if i % label_every == 0 {
            sheet.text((x(i) + gap, height - 10.0), Anchor::Start, "", &day_short(d.day));
        }
    }
    let levels: Vec<_> =
        days.iter().enumerate().map(|(i, d)| (x(i), x(i + 1), y.at(f64::from(d.there)))).collect();
    sheet.steps(&levels, "level");
    let worst =
        days.iter().enumerate().filter(|(_, d)| d.short() > 0).max_by_key(|(_, d)| d.short());
    if let Some((i, d)) = worst {
        // Above everything near it, tied to its column by a thin line.
        let highest = days.iter().map(|d| y.at(f64::from(d.wanted.max(d.there))));
        let above = (highest.fold(f64::MAX, f64::min) - 7.0).max(12.0);
        let middle = x(i) + slot / 2.0;
        sheet.line((middle, above + 3.0), (middle, y.at(f64::from(d.wanted))), "leader");
        sheet.label((x(i), above), &format!("{} short, {}", d.short(), day(d.day, today)));
    }
    sheet
}

#[cfg(test)]
mod tests {
    use super::*;

    fn days(pairs: &[(u32, u32)]) -> Vec<BoatDay> {
        let first = NaiveDate::from_ymd_opt(2026, 7, 6).unwrap();
        let one = |(i, &(wanted, there)): (usize, &(u32, u32))| BoatDay {
            day: first + chrono::Days::new(i as u64),
            wanted,
            there,
        };
        pairs.iter().enumerate().map(one).collect()
    }

    #[test]
    fn the_thin_day_is_named_in_the_sentence_and_in_both_pictures() {
        let days = days(&[(20, 22), (24, 22), (21, 22)]);
        let picture = draw("b", "Wherries", &days, days[0].day);
        assert!(describe(&days, days[0].day).contains("thinnest is Tue 7 Jul with 2 boats short"));
        assert!(picture.wide.contains("2 short, Tue 7 Jul"));
        assert!(picture.narrow.contains("2 short, Tue 7 Jul"));
        assert_eq!(picture.table.rows[1], ["Tue 7 Jul", "24", "22", "2"]);
    }

    #[test]
    fn a_pool_with_enough_boats_is_quiet() {
        let days = days(&[(20, 22), (21, 22)]);
        let says = describe(&days, days[0].day);
        assert!(says.starts_with("Enough boats every day") && says.contains("1 boat to spare"));
        assert!(!draw("b", "Skiffs", &days, days[0].day).wide.contains("f-short"));
    }

    #[test]
    fn no_days_draw_an_empty_sheet() {
        let picture = draw("b", "Skiffs", &[], NaiveDate::MIN);
        assert!(picture.wide.contains("No days to show.") && !picture.wide.contains("NaN"));
    }
}
