//! A part's demand by month: what was used, and what is ahead as a fan with its three streams.

use chrono::{Datelike, NaiveDate};
use fleet::part::Unit;

use super::{Anchor, Fill, Picture, Scale, Sheet, Table};
use crate::figures::{count, grouped, month as month_name};
use crate::part::amount;

const NARROW_PAST: usize = 8;
const NARROW_AHEAD: usize = 12;
/// Of a label on the axis, in the sheet's own measure.
const DIGIT_WIDTH: f64 = 7.5;

/// Pieces used in a past month (`month` is its first day).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Used {
    pub month: NaiveDate,
    pub quantity: f64,
}

/// A month ahead: means of the three streams, and the quantiles of their sum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected {
    pub month: NaiveDate,
    pub planned: f64,
    pub on_finding: f64,
    pub unplanned: f64,
    pub q10: f64,
    pub q25: f64,
    pub q50: f64,
    pub q75: f64,
    pub q90: f64,
}

impl Expected {
    fn mean(&self) -> f64 {
        self.planned + self.on_finding + self.unplanned
    }
}

/// Draws the fan of one part.
pub fn draw(
    id: &str,
    (part, unit): (&str, Unit),
    past: &[Used],
    ahead: &[Expected],
    today: NaiveDate,
) -> Picture {
    let title = format!("{part}: used by month{}, and the months ahead", of_unit(unit));
    let says = describe(past, ahead, unit, today);
    let late = &past[past.len().saturating_sub(NARROW_PAST)..];
    let soon = &ahead[..ahead.len().min(NARROW_AHEAD)];
    Picture {
        wide: drawn(past, ahead, None, (1000.0, 260.0), today).finish(
            &format!("{id}-w"),
            &title,
            &says,
        ),
        narrow: drawn(late, soon, None, (358.0, 240.0), today).finish(
            &format!("{id}-n"),
            &title,
            &says,
        ),
        caption: "Grey: used. Ahead: planned work (filled), on finding (hatched), unplanned \
                  (outlined). Bands: 5 and 8 of 10 months. Line: as likely more as less."
            .to_owned(),
        table: table(past, ahead, unit, today),
    }
}

/// Draws a past forecast with its band, and what was used before it and in its months.
pub fn draw_back(
    id: &str,
    (part, unit): (&str, Unit),
    (before, after): (&[Used], &[Used]),
    then: &[Expected],
    today: NaiveDate,
) -> Picture {
    let title = format!("{part}: a past forecast{}, and what happened", of_unit(unit));
    let after: Vec<f64> = then.iter().filter_map(|month| used_in(after, month)).collect();
    let says = format!("{} of {} months lie inside the band.", inside(&after, then), after.len());
    let late = &before[before.len().saturating_sub(NARROW_PAST)..];
    let draw = |before: &[Used], size: (f64, f64)| drawn(before, then, Some(&after), size, today);
    Picture {
        wide: draw(before, (1000.0, 260.0)).finish(&format!("{id}-w"), &title, &says),
        narrow: draw(late, (358.0, 240.0)).finish(&format!("{id}-n"), &title, &says),
        caption: "Grey: used, before the forecast and after it. Bands: 5 and 8 of 10 months as \
                  they were forecast. Line: as likely more as less."
            .to_owned(),
        table: table_back(&after, then, unit, today),
    }
}

fn used_in(after: &[Used], month: &Expected) -> Option<f64> {
    after.iter().find(|used| used.month == month.month).map(|used| used.quantity)
}

fn inside(after: &[f64], then: &[Expected]) -> usize {
    let inside = |(used, month): &(&f64, &Expected)| (month.q10..=month.q90).contains(*used);
    after.iter().zip(then).filter(inside).count()
}

fn table_back(after: &[f64], then: &[Expected], unit: Unit, today: NaiveDate) -> Table {
    let row = |(place, month): (usize, &Expected)| {
        let used = after.get(place);
        let mark = match used {
            Some(used) if *used < month.q10 => "below",
            Some(used) if *used > month.q90 => "above",
            Some(_) => "inside",
            None => "–",
        };
        vec![
            month_name(month.month, today),
            format!("{:.1}", month.mean()),
            format!("{:.0}", month.q50),
            format!("{:.0} to {:.0}", month.q10, month.q90),
            used.map_or("–".to_owned(), |used| format!("{used:.0}")),
            mark.to_owned(),
        ]
    };
    let head = ["Month", "Expected", "Median", "8 of 10", "Used", "Band"];
    let named = |name: &str| match name {
        "Month" | "Band" => name.to_owned(),
        name => format!("{name}{}", of_unit(unit)),
    };
    Table { head: head.map(named).to_vec(), rows: then.iter().enumerate().map(row).collect() }
}

/// What the fan shows, in a sentence.
pub fn describe(past: &[Used], ahead: &[Expected], unit: Unit, today: NaiveDate) -> String {
    let year: f64 = past.iter().rev().take(12).map(|m| m.quantity).sum();
    let months = past.len().min(12);
    let used = match months {
        0 => "No month of use is on record.".to_owned(),
        _ => {
            format!("{} used in the last {}.", whole(year, unit), count(months, "month", "months"))
        }
    };
    let Some(peak) = ahead.iter().max_by(|a, b| a.mean().total_cmp(&b.mean())) else {
        return used;
    };
    let expected: f64 = ahead.iter().map(Expected::mean).sum();
    format!(
        "{used} {} expected in the next {}; most in {}, {} to {} eight times in ten.",
        whole(expected, unit),
        ahead.len(),
        month_name(peak.month, today),
        grouped(peak.q10.round() as i64),
        whole(peak.q90, unit),
    )
}

fn whole(quantity: f64, unit: Unit) -> String {
    amount(unit, quantity.round() as i64)
}

/// `, in mL` where the unit is not pieces.
fn of_unit(unit: Unit) -> String {
    unit.symbol().map_or_else(String::new, |unit| format!(", in {unit}"))
}

fn table(past: &[Used], ahead: &[Expected], unit: Unit, today: NaiveDate) -> Table {
    let dash = || "–".to_owned();
    let before = past.iter().map(|m| {
        let used = format!("{:.0}", m.quantity);
        [vec![month_name(m.month, today), used], vec![dash(); 5]].concat()
    });
    let after = ahead.iter().map(|m| {
        let streams = [m.planned, m.on_finding, m.unplanned].map(|v| format!("{v:.1}"));
        let range = [format!("{:.0}", m.q50), format!("{:.0} to {:.0}", m.q10, m.q90)];
        [vec![month_name(m.month, today), dash()], streams.to_vec(), range.to_vec()].concat()
    });
    let head = ["Month", "Used", "Planned", "On finding", "Unplanned", "Median", "8 of 10"];
    let named = |name: &str| match name {
        "Month" => name.to_owned(),
        name => format!("{name}{}", of_unit(unit)),
    };
    Table { head: head.map(named).to_vec(), rows: before.chain(after).collect() }
}

/// Places of the months on the sheet: history first, then what is ahead.
struct Months {
    left: f64,
    slot: f64,
}

impl Months {
    fn centre(&self, i: usize) -> f64 {
        self.left + (i as f64 + 0.5) * self.slot
    }
}

/// With `happened`, what was used in the months of the forecast stands in place of its streams.
fn drawn(
    past: &[Used],
    ahead: &[Expected],
    happened: Option<&[f64]>,
    (width, height): (f64, f64),
    today: NaiveDate,
) -> Sheet {
    let mut sheet = Sheet::new(width, height);
    let most = past.iter().map(|m| m.quantity);
    let most = most.chain(happened.into_iter().flatten().copied());
    let most = most.chain(ahead.iter().map(|m| m.q90.max(m.mean()))).fold(4.0, f64::max);
    let bottom = height - 36.0;
    let y = Scale::new((0.0, most * 1.08), (bottom, 14.0));
    let label = |tick: f64| grouped(tick.round() as i64);
    let longest = y.ticks(4, 1.0).iter().map(|tick| label(*tick).chars().count()).max();
    let left = (longest.unwrap_or(0) as f64).mul_add(DIGIT_WIDTH, 16.0).max(40.0);
    let right = width - 12.0;
    for tick in y.ticks(4, 1.0) {
        sheet.line((left, y.at(tick)), (right, y.at(tick)), "grid");
        sheet.text((left - 8.0, y.at(tick) + 4.0), Anchor::End, "", &label(tick));
    }
    let slots = (past.len() + ahead.len()).max(1);
    let months = Months { left, slot: (right - left) / slots as f64 };
    bands(&mut sheet, &months, past.len(), ahead, &y);
    let column = months.slot * 0.56;
    for (i, m) in past.iter().enumerate() {
        let x = months.centre(i) - column / 2.0;
        sheet.column(x, column, (y.at(m.quantity), bottom), Fill::Past);
    }
    for (i, used) in happened.into_iter().flatten().enumerate() {
        let x = months.centre(past.len() + i) - column / 2.0;
        sheet.column(x, column, (y.at(*used), bottom), Fill::Past);
    }
    let streams = if happened.is_some() { &[][..] } else { ahead };
    for (i, m) in streams.iter().enumerate() {
        let x = months.centre(past.len() + i) - column / 2.0;
        let found = m.planned + m.on_finding;
        sheet.column(x, column, (y.at(m.planned), bottom), Fill::Certain);
        sheet.column(x, column, (y.at(found), y.at(m.planned)), Fill::Probable);
        sheet.column(x, column, (y.at(m.mean()), y.at(found)), Fill::Possible);
    }
    let median = ahead.iter().enumerate();
    let median = median.map(|(i, m)| (months.centre(past.len() + i), y.at(m.q50)));
    sheet.path(&median.collect::<Vec<_>>(), "level");
    now_line(&mut sheet, left + past.len() as f64 * months.slot, bottom);
    let all = past.iter().map(|m| m.month).chain(ahead.iter().map(|m| m.month));
    label_months(&mut sheet, &months, &all.collect::<Vec<_>>(), height, today);
    sheet
}

fn bands(sheet: &mut Sheet, months: &Months, offset: usize, ahead: &[Expected], y: &Scale) {
    let along = |value: fn(&Expected) -> f64| -> Vec<(f64, f64)> {
        let place = |(i, m): (usize, &Expected)| (months.centre(offset + i), y.at(value(m)));
        ahead.iter().enumerate().map(place).collect()
    };
    sheet.band(&along(|m| m.q10), &along(|m| m.q90), "band-8");
    sheet.band(&along(|m| m.q25), &along(|m| m.q75), "band-5");
}

fn now_line(sheet: &mut Sheet, x: f64, bottom: f64) {
    sheet.line((x, 10.0), (x, bottom), "now");
}

/// First letters of the months, and the year below each January and below the first month.
fn label_months(
    sheet: &mut Sheet,
    months: &Months,
    all: &[NaiveDate],
    height: f64,
    today: NaiveDate,
) {
    let years = all.last().map_or(today.year(), Datelike::year)
        - all.first().map_or(today.year(), Datelike::year);
    for (i, month) in all.iter().enumerate() {
        let letter: String = month.format("%b").to_string().chars().take(1).collect();
        sheet.text((months.centre(i), height - 20.0), Anchor::Middle, "", &letter);
        // The first year is left out where January follows too soon for both to be read.
        let crowded = i == 0 && years > 0 && (12 - month.month0()) as f64 * months.slot < 40.0;
        if (i == 0 && !crowded) || (i > 0 && month.month() == 1) {
            sheet.text(
                (months.centre(i) - 4.0, height - 5.0),
                Anchor::Start,
                "",
                &month.format("%Y").to_string(),
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(m: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, m, 1).unwrap()
    }

    fn expected(month: u32, planned: f64) -> Expected {
        let month = date(month);
        let (q10, q25, q50, q75, q90) = (1.0, 2.0, 4.0, 6.0, 9.0);
        Expected { month, planned, on_finding: 1.0, unplanned: 0.5, q10, q25, q50, q75, q90 }
    }

    #[test]
    fn the_fan_says_what_was_used_and_where_the_peak_is() {
        let past = [Used { month: date(1), quantity: 3.0 }, Used { month: date(2), quantity: 4.0 }];
        let ahead = [expected(3, 2.0), expected(4, 5.0)];
        let says = describe(&past, &ahead, Unit::Each, date(3));
        assert_eq!(
            says,
            "7 used in the last 2 months. 10 expected in the next 2; most in Apr, 1 to 9 eight \
             times in ten."
        );
        let oil = [Used { month: date(1), quantity: 12_400.0 }];
        let says = describe(&oil, &ahead, Unit::Millilitre, date(3));
        assert!(
            says.starts_with("12\u{202f}400 mL used in the last 1 month. 10 mL expected"),
            "{says}"
        );
        let picture = draw("f", ("Oil", Unit::Millilitre), &oil, &ahead, date(3));
        assert!(picture.wide.contains("used by month, in mL"));
        assert_eq!(picture.table.head[1..3], ["Used, in mL", "Planned, in mL"]);
        // The longest label ends 8 left of the axis and is not cut at the edge.
        assert!(picture.wide.contains("x=\"53"), "{}", picture.wide);
    }

    #[test]
    fn the_three_streams_are_told_apart_without_colour() {
        let ahead = [expected(3, 2.0), expected(4, 3.0)];
        let picture = draw("f", ("Seal kit", Unit::Each), &[], &ahead, date(3));
        for fill in ["f-certain", "url(#hatch)", "f-possible"] {
            assert!(picture.wide.contains(fill) && picture.narrow.contains(fill), "{fill}");
        }
        assert_eq!(picture.table.rows[0], ["Mar", "–", "2.0", "1.0", "0.5", "4", "1 to 9"]);
    }

    #[test]
    fn a_past_forecast_shows_what_happened_in_place_of_its_streams() {
        let used = |month, quantity| Used { month: date(month), quantity };
        let (before, after) = ([used(2, 3.0)], [used(3, 9.0), used(4, 12.0)]);
        let then = [expected(3, 2.0), expected(4, 3.0), expected(5, 3.0)];
        let name = ("Seal kit", Unit::Each);
        let picture = draw_back("t", name, (&before, &after), &then, date(6));
        assert!(picture.wide.contains("1 of 2 months lie inside the band."));
        assert!(!picture.wide.contains("f-certain") && picture.wide.contains("band-8"));
        assert_eq!(picture.table.rows[0], ["Mar", "3.5", "4", "1 to 9", "9", "inside"]);
        assert_eq!(picture.table.rows[1][5], "above");
        assert_eq!(picture.table.rows[2][4..], ["–", "–"]);
    }

    #[test]
    fn a_new_part_with_neither_past_nor_forecast_is_drawn_empty() {
        let picture = draw("f", ("New", Unit::Each), &[], &[], date(3));
        assert!(picture.wide.contains("No month of use is on record."));
        assert!(!picture.wide.contains("NaN"));
    }
}
