//! An engine's hours over the seasons: what the meter showed, and where the hours will stand.

use chrono::{Datelike, NaiveDate};

use super::{Anchor, Picture, Scale, Sheet, Table};
use crate::figures::{day, day_short};

/// Life hours on a day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shown {
    pub day: NaiveDate,
    pub hours: f64,
}

/// Life hours on a day ahead, eight times in ten between `low` and `high`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ahead {
    pub day: NaiveDate,
    pub low: f64,
    pub median: f64,
    pub high: f64,
}

/// Something that happened on a day.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    pub day: NaiveDate,
    pub kind: EventKind,
    pub what: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EventKind {
    Service,
    MeterSwap,
    Finding,
}

impl EventKind {
    const fn class(self) -> &'static str {
        match self {
            Self::Service => "m-service",
            Self::MeterSwap => "m-swap",
            Self::Finding => "m-finding",
        }
    }

    const fn word(self) -> &'static str {
        match self {
            Self::Service => "service",
            Self::MeterSwap => "meter swapped",
            Self::Finding => "finding",
        }
    }
}

/// Everything on the picture of one engine. `shown` and `ahead` rise in day.
pub struct EngineHours {
    pub engine: String,
    pub shown: Vec<Shown>,
    pub ahead: Vec<Ahead>,
    pub events: Vec<Event>,
    pub today: NaiveDate,
}

impl EngineHours {
    pub fn draw(&self, id: &str) -> Picture {
        let title = format!("{}: hours run", self.engine);
        let says = self.describe();
        Picture {
            wide: self.drawn((1000.0, 260.0), 400 * 4).finish(&format!("{id}-w"), &title, &says),
            narrow: self.drawn((358.0, 240.0), 400).finish(&format!("{id}-n"), &title, &says),
            caption: "Line: hours from the readings. Band: where they will stand, eight times in \
                      ten. Filled circle: service. Square: meter swapped. Open circle: finding."
                .to_owned(),
            table: self.table(),
        }
    }

    /// The picture in a sentence.
    pub fn describe(&self) -> String {
        let now = match self.shown.last() {
            None => return "No reading yet: the first one starts the picture.".to_owned(),
            Some(last) => {
                format!("{:.1} h by the reading of {}", last.hours, day(last.day, self.today))
            }
        };
        match self.ahead.last() {
            Some(end) => format!(
                "{now}; {:.0} to {:.0} h by {}, most likely about {:.0}.",
                end.low,
                end.high,
                day(end.day, self.today),
                end.median
            ),
            None => format!("{now}."),
        }
    }

    fn table(&self) -> Table {
        let shown = self
            .shown
            .iter()
            .rev()
            .take(30)
            .rev()
            .map(|s| vec![day(s.day, self.today), format!("{:.1}", s.hours), String::new()]);
        let events = self
            .events
            .iter()
            .map(|e| vec![day(e.day, self.today), e.kind.word().to_owned(), e.what.clone()]);
        let ahead = self.ahead.iter().map(|a| {
            let range = format!("{:.0} to {:.0}", a.low, a.high);
            vec![day(a.day, self.today), format!("{:.0}", a.median), range]
        });
        let head = ["Day", "Hours or event", "What, or 8 of 10"].map(str::to_owned).to_vec();
        Table { head, rows: shown.chain(events).chain(ahead).collect() }
    }

    /// Draws the last `days_back` days and all that is ahead.
    fn drawn(&self, (width, height): (f64, f64), days_back: i64) -> Sheet {
        let mut sheet = Sheet::new(width, height);
        let since = self.today - chrono::Days::new(days_back.unsigned_abs());
        let shown: Vec<_> = self.shown.iter().filter(|s| s.day >= since).collect();
        let (Some(first), Some(last)) = (shown.first(), shown.last()) else {
            sheet.text((width / 2.0, height / 2.0), Anchor::Middle, "", "no reading in this time");
            return sheet;
        };
        let end = self.ahead.last().map_or(last.day, |a| a.day).max(last.day);
        let top = self.ahead.iter().map(|a| a.high).fold(last.hours, f64::max);
        let (left, right, bottom) = (48.0, width - 12.0, height - 30.0);
        let of = |d: NaiveDate| f64::from(d.num_days_from_ce());
        let x = Scale::new((of(first.day), of(end)), (left, right));
        let y = Scale::new((first.hours.min(top - 1.0), top), (bottom, 16.0));
        for tick in y.ticks(4, 1.0) {
            sheet.line((left, y.at(tick)), (right, y.at(tick)), "grid");
            sheet.text((left - 8.0, y.at(tick) + 4.0), Anchor::End, "", &format!("{tick:.0}"));
        }
        self.label_days(&mut sheet, (first.day, end), &x, height);
        let along = |value: fn(&Ahead) -> f64| -> Vec<(f64, f64)> {
            self.ahead.iter().map(|a| (x.at(of(a.day)), y.at(value(a)))).collect()
        };
        sheet.band(&along(|a| a.low), &along(|a| a.high), "band-8");
        sheet.path(&along(|a| a.median), "median");
        let line: Vec<_> = shown.iter().map(|s| (x.at(of(s.day)), y.at(s.hours))).collect();
        sheet.path(&line, "level");
        for event in self.events.iter().filter(|e| e.day >= first.day && e.day <= end) {
            let place = (x.at(of(event.day)), y.at(level_on(&shown, event.day)));
            match event.kind {
                EventKind::MeterSwap => sheet.square_mark(place, event.kind.class()),
                _ => sheet.mark(place, event.kind.class()),
            }
        }
        sheet.line((x.at(of(self.today)), 10.0), (x.at(of(self.today)), bottom), "now");
        sheet
    }

    fn label_days(
        &self,
        sheet: &mut Sheet,
        (from, to): (NaiveDate, NaiveDate),
        x: &Scale,
        height: f64,
    ) {
        let of = |d: NaiveDate| f64::from(d.num_days_from_ce());
        let days = (to - from).num_days();
        let step = if days > 800 {
            12
        } else if days > 300 {
            3
        } else {
            1
        };
        let mut at = from.with_day(1).unwrap_or(from);
        let mut last_label = f64::MIN;
        while at <= to {
            let place = x.at(of(at));
            if at >= from && at.month0() % step == 0 && place - last_label > 44.0 {
                let text = if step == 12 { at.format("%Y").to_string() } else { day_short(at) };
                sheet.text((place, height - 10.0), Anchor::Start, "", &text);
                sheet.line((place, height - 30.0), (place, height - 25.0), "tick");
                last_label = place;
            }
            at = at.checked_add_months(chrono::Months::new(1)).unwrap_or(NaiveDate::MAX);
        }
    }
}

/// Hours on `day`, straight between the readings around it.
fn level_on(shown: &[&Shown], day: NaiveDate) -> f64 {
    let after = shown.partition_point(|s| s.day < day);
    match (after.checked_sub(1).and_then(|i| shown.get(i)), shown.get(after)) {
        (Some(a), Some(b)) => {
            let share = (day - a.day).num_days() as f64 / (b.day - a.day).num_days().max(1) as f64;
            a.hours + share * (b.hours - a.hours)
        }
        (Some(only), None) | (None, Some(only)) => only.hours,
        (None, None) => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(m: u32, d: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, m, d).unwrap()
    }

    #[test]
    fn an_event_stands_on_the_line_between_its_readings() {
        let shown =
            [Shown { day: date(6, 1), hours: 10.0 }, Shown { day: date(6, 11), hours: 20.0 }];
        let shown: Vec<_> = shown.iter().collect();
        assert_eq!(level_on(&shown, date(6, 6)), 15.0);
        assert_eq!(level_on(&shown, date(7, 6)), 20.0);
        assert_eq!(level_on(&[], date(7, 6)), 0.0);
    }

    #[test]
    fn the_sentence_says_where_the_hours_stand_and_will_stand() {
        let shown = [Shown { day: date(7, 5), hours: 46.5 }];
        let ahead = [Ahead { day: date(8, 1), low: 55.0, median: 61.0, high: 70.0 }];
        let (engine, today) = ("KV-2".to_owned(), date(7, 6));
        let (shown, ahead) = (shown.to_vec(), ahead.to_vec());
        let drawn = EngineHours { engine, shown, ahead, events: vec![], today };
        assert_eq!(
            drawn.describe(),
            "46.5 h by the reading of Sun 5 Jul; 55 to 70 h by Sat 1 Aug, most likely about 61."
        );
        assert!(!drawn.draw("e").wide.contains("NaN"));
    }

    #[test]
    fn an_engine_without_readings_says_so() {
        let (engine, today) = ("KV-2".to_owned(), date(7, 6));
        let drawn = EngineHours { engine, shown: vec![], ahead: vec![], events: vec![], today };
        assert!(drawn.draw("e").narrow.contains("no reading in this time"));
    }
}
