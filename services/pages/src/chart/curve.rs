//! What money buys: boat-days that are expected to be lost, by what is spent on parts.

use super::{Anchor, Picture, Scale, Sheet, Table};

/// A point of the curve: spending `money`, `lost` boat-days are still expected to be lost.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    pub money: f64,
    pub lost: f64,
}

/// The curve of one budget question. `points` rise in money.
#[derive(Clone, Debug)]
pub struct Curve {
    pub currency: String,
    pub points: Vec<Point>,
    /// What the advice spends.
    pub spent: f64,
}

/// Rows of the table: a curve has a point for every piece that could be bought.
const TABLE_ROWS: usize = 20;

impl Curve {
    pub fn draw(&self, id: &str) -> Picture {
        let title = "Boat-days lost, by money spent on parts";
        let says = self.describe();
        let step = self.points.len().div_ceil(TABLE_ROWS).max(1);
        let row = |p: &Point| vec![format!("{:.0}", p.money), format!("{:.1}", p.lost)];
        let head = [format!("Money, {}", self.currency), "Boat-days lost".to_owned()];
        Picture {
            wide: self.drawn((1000.0, 240.0)).finish(&format!("{id}-w"), title, &says),
            narrow: self.drawn((358.0, 220.0)).finish(&format!("{id}-n"), title, &says),
            caption: format!(
                "Across: money in {}. Up: boat-days that are still expected to be lost.",
                self.currency
            ),
            table: Table {
                head: head.to_vec(),
                rows: self.points.iter().step_by(step).map(row).collect(),
            },
        }
    }

    /// What the advice buys, and what more money would.
    pub fn describe(&self) -> String {
        let (Some(first), Some(last)) = (self.points.first(), self.points.last()) else {
            return "Nothing can be bought that keeps a boat on the water.".to_owned();
        };
        let at = self.lost_at(self.spent);
        let more = (last.money - first.money) / 10.0;
        let next = at - self.lost_at(self.spent + more);
        let next = if next > 0.05 {
            format!(" The next {more:.0} {} would save {next:.1} more.", self.currency)
        } else {
            " More money would save next to nothing.".to_owned()
        };
        let beyond = self.spent - last.money;
        let beyond = if beyond >= 0.5 {
            format!(
                " The curve ends at {:.0} {}, where nothing more is short until the next delivery; \
                 the other {beyond:.0} go to packs, least orders, price breaks, a window's discount \
                 and orders that cover longer.",
                last.money, self.currency
            )
        } else {
            String::new()
        };
        format!(
            "Spending {:.0} {} leaves {at:.1} boat-days lost, instead of {:.1} with nothing \
             bought.{next}{beyond}",
            self.spent, self.currency, first.lost
        )
    }

    /// Straight between the points, held beyond them.
    fn lost_at(&self, money: f64) -> f64 {
        let after = self.points.partition_point(|point| point.money <= money);
        match (after.checked_sub(1).map(|i| self.points[i]), self.points.get(after)) {
            (Some(a), Some(b)) => {
                let share = (money - a.money) / (b.money - a.money).max(f64::MIN_POSITIVE);
                a.lost + share * (b.lost - a.lost)
            }
            (Some(only), None) => only.lost,
            (None, Some(only)) => only.lost,
            (None, None) => 0.0,
        }
    }

    fn drawn(&self, (width, height): (f64, f64)) -> Sheet {
        let mut sheet = Sheet::new(width, height);
        let (left, right, bottom) = (44.0, width - 14.0, height - 30.0);
        let money = self.points.iter().map(|p| p.money).fold(self.spent, f64::max);
        let lost = self.points.iter().map(|p| p.lost).fold(1.0, f64::max);
        let x = Scale::new((0.0, money), (left, right));
        let y = Scale::new((0.0, lost * 1.05), (bottom, 14.0));
        for tick in y.ticks(4, 0.0) {
            sheet.line((left, y.at(tick)), (right, y.at(tick)), "grid");
            sheet.text((left - 8.0, y.at(tick) + 4.0), Anchor::End, "", &format!("{tick}"));
        }
        let most = if width > 500.0 { 8 } else { 3 };
        for tick in x.ticks(most, 1.0) {
            sheet.line((x.at(tick), bottom), (x.at(tick), bottom + 5.0), "tick");
            sheet.text((x.at(tick), height - 9.0), Anchor::Middle, "", &format!("{tick:.0}"));
        }
        let line: Vec<_> = self.points.iter().map(|p| (x.at(p.money), y.at(p.lost))).collect();
        sheet.path(&line, "level");
        let at = (x.at(self.spent), y.at(self.lost_at(self.spent)));
        sheet.line((at.0, at.1), (at.0, bottom), "now");
        sheet.mark(at, "m-service");
        sheet.label((at.0 + 8.0, at.1 - 8.0), &format!("the advice: {:.0}", self.spent));
        sheet
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(spent: f64) -> Curve {
        let points = [(0.0, 40.0), (100.0, 20.0), (300.0, 10.0), (1000.0, 9.0)];
        let points = points.map(|(money, lost)| Point { money, lost }).to_vec();
        Curve { currency: "EUR".into(), points, spent }
    }

    #[test]
    fn an_advice_beyond_the_curves_end_says_what_the_rest_is_for() {
        assert!(!curve(1000.0).describe().contains("The curve ends"));
        let says = curve(1400.0).describe();
        assert!(
            says.contains("The curve ends at 1000 EUR") && says.contains("the other 400"),
            "{says}"
        );
    }

    #[test]
    fn the_sentence_says_what_the_next_money_buys() {
        assert_eq!(
            curve(200.0).describe(),
            "Spending 200 EUR leaves 15.0 boat-days lost, instead of 40.0 with nothing bought. The \
             next 100 EUR would save 5.0 more."
        );
        assert!(curve(1000.0).describe().ends_with("next to nothing."));
    }

    #[test]
    fn a_curve_without_points_is_drawn_empty() {
        let empty = Curve { points: vec![], ..curve(0.0) };
        assert!(!empty.draw("c").wide.contains("NaN"));
        assert!(empty.describe().starts_with("Nothing can be bought"));
    }
}
