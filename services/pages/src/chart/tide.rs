//! The tide strip: an interval as a channel that fills.
//!
//! The level is the hours since the task was last done; the limit is a mark at three quarters of
//! the width in every strip, so that rows compare by eye. The hatched band is where the level will
//! stand on the chosen date, eight times in ten, the stroke in it the median. The thin line below
//! is the calendar limb on the same scale: its limit is below the mark too. A level past the end is
//! cut with a small wave and never rescaled.

use super::sheet::{Fill, Sheet, escape};

const WIDE: f64 = 600.0;
const NARROW: f64 = 340.0;
const HEIGHT: f64 = 44.0;
const MARGIN: f64 = 6.0;
/// Full width of the channel in intervals: the limit stands at three quarters.
const CHANNEL_INTERVALS: f64 = 4.0 / 3.0;

/// One interval of one task on one engine, as shares of the interval (1 = the limit).
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tide {
    /// Hours limb; absent where the programme has none or the last time is unknown.
    pub level: Option<f64>,
    /// Where the level will stand on the chosen date.
    pub ahead: Option<Ahead>,
    /// Calendar limb.
    pub calendar: Option<f64>,
}

/// A level in the future: eight times in ten between `low` and `high`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ahead {
    pub low: f64,
    pub median: f64,
    pub high: f64,
}

/// Both drawings of one strip.
#[derive(Clone, Debug, Default)]
pub struct Strip {
    pub wide: String,
    pub narrow: String,
}

impl Tide {
    /// Draws the strip; `says` is the same in words, for those who listen.
    pub fn draw(&self, says: &str) -> Strip {
        Strip { wide: self.drawn(WIDE, says), narrow: self.drawn(NARROW, says) }
    }

    fn drawn(&self, width: f64, says: &str) -> String {
        let channel = Channel { width };
        let mut sheet = Sheet::new(width, HEIGHT);
        sheet.column(MARGIN, width - 2.0 * MARGIN, (8.0, 22.0), Fill::Possible);
        for quarter in 1..4 {
            let x = channel.at(f64::from(quarter) / 4.0);
            sheet.line((x, 22.0), (x, 26.0), "tick");
        }
        match (self.level, self.calendar) {
            (Some(level), _) => channel.fill(&mut sheet, level, (8.0, 22.0), Fill::Certain),
            // The calendar alone has the channel to itself, in its own soft colour.
            (None, Some(alone)) => channel.fill(&mut sheet, alone, (8.0, 22.0), Fill::Past),
            (None, None) => {}
        }
        if let Some(ahead) = self.ahead {
            let (left, right) = (channel.at(ahead.low), channel.at(ahead.high));
            sheet.column(left, (right - left).max(2.0), (5.0, 25.0), Fill::Probable);
            let x = channel.at(ahead.median);
            sheet.line((x, 3.0), (x, 27.0), "median");
            if ahead.high > CHANNEL_INTERVALS {
                channel.wave(&mut sheet);
            }
        }
        channel.limit_mark(&mut sheet);
        if let (Some(calendar), Some(_)) = (self.calendar, self.level) {
            let full = channel.at(1.0) - MARGIN;
            sheet.column(MARGIN, full, (32.0, 36.0), Fill::Possible);
            channel.fill(&mut sheet, calendar, (32.0, 36.0), Fill::Past);
        }
        sheet.finish_labelled("tide", says)
    }
}

struct Channel {
    width: f64,
}

impl Channel {
    fn at(&self, share: f64) -> f64 {
        let share = if share.is_finite() { share.clamp(0.0, CHANNEL_INTERVALS) } else { 0.0 };
        MARGIN + (self.width - 2.0 * MARGIN) * share / CHANNEL_INTERVALS
    }

    fn fill(&self, sheet: &mut Sheet, level: f64, (top, bottom): (f64, f64), fill: Fill) {
        let limit = self.at(1.0);
        let reached = self.at(level);
        sheet.column(MARGIN, reached.min(limit) - MARGIN, (top, bottom), fill);
        if reached > limit {
            sheet.column(limit, reached - limit, (top, bottom), Fill::Over);
        }
        if level > CHANNEL_INTERVALS && bottom - top > 8.0 {
            self.wave(sheet);
        }
    }

    fn limit_mark(&self, sheet: &mut Sheet) {
        let x = self.at(1.0);
        sheet.line((x, 2.0), (x, 28.0), "limit");
        sheet.line((x - 5.0, 2.0), (x + 5.0, 2.0), "limit");
        sheet.line((x - 5.0, 28.0), (x + 5.0, 28.0), "limit");
    }

    fn wave(&self, sheet: &mut Sheet) {
        let x = self.at(CHANNEL_INTERVALS);
        let points =
            [(x - 2.0, 3.0), (x + 3.0, 9.0), (x - 3.0, 15.0), (x + 3.0, 21.0), (x - 2.0, 27.0)];
        sheet.path(&points, "wave");
    }
}

impl Sheet {
    /// The drawing with one sentence for those who listen, where a title would be one too many.
    fn finish_labelled(self, class: &str, says: &str) -> String {
        let (width, height, body) = self.into_parts();
        format!(
            r#"<svg viewBox="0 0 {width} {height}" class="{class}" role="img" aria-label="{}">{body}</svg>"#,
            escape(says)
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_limit_stands_at_three_quarters_whatever_the_interval() {
        let channel = Channel { width: WIDE };
        let share = (channel.at(1.0) - MARGIN) / (WIDE - 2.0 * MARGIN);
        assert!((share - 0.75).abs() < 1e-12);
    }

    #[test]
    fn what_is_above_the_limit_is_stop_coloured_and_past_the_end_is_cut_with_a_wave() {
        let drawn = |level| Tide { level: Some(level), ..Tide::default() }.draw("x").wide;
        assert!(!drawn(1.0).contains("f-over"));
        assert!(drawn(1.1).contains("f-over") && !drawn(1.1).contains("wave"));
        assert!(drawn(2.0).contains("wave"));
    }

    #[test]
    fn the_calendar_alone_fills_the_channel_softly() {
        let alone = Tide { calendar: Some(0.5), ..Tide::default() }.draw("x").wide;
        assert!(alone.contains("f-past") && !alone.contains("f-certain"));
        assert_eq!(alone.matches("f-possible").count(), 1);
        let both = Tide { level: Some(0.2), calendar: Some(0.5), ahead: None }.draw("x").wide;
        assert_eq!(both.matches("f-possible").count(), 2);
    }

    #[test]
    fn a_strip_without_any_limb_is_an_empty_channel() {
        let drawn = Tide { level: Some(f64::NAN), ..Tide::default() }.draw("unknown").narrow;
        assert!(!drawn.contains("NaN") && !drawn.contains("f-certain"));
        assert!(drawn.contains("aria-label=\"unknown\""));
    }
}
