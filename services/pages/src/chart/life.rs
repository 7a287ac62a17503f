//! How long a part lasts, and what renewing it at an age costs.
//!
//! Above: the share that lives beyond each age, as seen and as the law has it, with what else the
//! data allow as a band. Below, on the same scale of hours: money per 100 running hours of
//! renewing at that age; pale, where it hardly matters.

use runs::lives::kept::{BestAge, Group};

use super::{Anchor, Fill, Picture, Scale, Sheet, Table};
use crate::figures::capital;

/// The lives of one part, drawn.
pub struct LifePicture<'a> {
    pub subject: String,
    pub group: &'a Group,
    pub currency: String,
    /// The interval in use, hours, where the programme has one.
    pub interval: Option<f64>,
}

/// Points of a drawn law.
const POINTS: usize = 80;
/// Rows of the table.
const TABLE_ROWS: usize = 12;
/// The cost is drawn up to this many times the least: near age 0 it has no end.
const COST_TIMES: f64 = 3.0;

impl LifePicture<'_> {
    pub fn draw(&self, id: &str) -> Picture {
        let title = format!("How long {} lasts", self.subject);
        let says = self.describe();
        let cost = if self.best().is_some() {
            format!(
                " Below: money per 100 h of renewing at that age or on failure, {}; pale: where it \
                 hardly matters.",
                self.currency
            )
        } else {
            String::new()
        };
        Picture {
            wide: self.drawn((1000.0, self.height())).finish(&format!("{id}-w"), &title, &says),
            narrow: self.drawn((358.0, self.height())).finish(&format!("{id}-n"), &title, &says),
            caption: format!(
                "Across: running hours. Above: share that lasts longer; stepped as seen, line the \
                 fitted law, band what else the data allow.{cost}"
            ),
            table: self.table(),
        }
    }

    /// The picture in a sentence.
    pub fn describe(&self) -> String {
        let lasts = |share: f64| self.group.law.and_then(|law| law.lasts(share));
        match (lasts(0.9), lasts(0.5)) {
            (Some(nine), Some(half)) => format!(
                "Nine in ten last beyond {nine:.0} h, half beyond {half:.0} h. {}.",
                capital(&self.group.sentence)
            ),
            _ => format!("{}.", capital(&self.group.sentence)),
        }
    }

    fn best(&self) -> Option<BestAge> {
        self.group.cheapest.as_ref().and_then(|cheapest| cheapest.best)
    }

    fn height(&self) -> f64 {
        if self.best().is_some() { 420.0 } else { 240.0 }
    }

    /// Ages that the picture covers.
    fn reach(&self) -> f64 {
        let seen = self.group.survival.last().map_or(0.0, |last| last.0);
        let law = self.group.law.and_then(|law| law.lasts(0.1)).unwrap_or(0.0);
        let flat = self.best().and_then(|best| best.to).unwrap_or(0.0) * 1.2;
        // A law that goes far beyond everything seen would squeeze what is known to the left.
        let most = if seen > 0.0 { 2.0 * seen } else { f64::INFINITY };
        law.min(most).max(seen).max(flat).max(self.interval.unwrap_or(0.0) * 1.2).max(10.0)
    }

    fn ages(&self) -> Vec<f64> {
        let reach = self.reach();
        (0..=POINTS).map(|at| reach * at as f64 / POINTS as f64).collect()
    }

    fn cost(&self, age: f64) -> Option<f64> {
        let (law, costs) = (self.group.law?, self.group.costs.as_ref()?);
        law.cost_rate(costs, age).map(|rate| rate * 100.0)
    }

    fn table(&self) -> Table {
        let mut head = vec!["Age, h".to_owned(), "Last longer, seen".to_owned()];
        head.push("Last longer, by the law".to_owned());
        if self.best().is_some() {
            head.push(format!("{} per 100 h", self.currency));
        }
        let reach = self.reach();
        let row = |at: usize| {
            let age = reach * at as f64 / TABLE_ROWS as f64;
            let mut row = vec![format!("{age:.0}")];
            row.push(
                self.seen(age).map_or("–".to_owned(), |share| format!("{:.0} %", share * 100.0)),
            );
            row.push(
                self.group
                    .law
                    .map_or("–".to_owned(), |law| format!("{:.0} %", law.survival(age) * 100.0)),
            );
            if self.best().is_some() {
                row.push(self.cost(age).map_or("–".to_owned(), |cost| format!("{cost:.1}")));
            }
            row
        };
        Table { head, rows: (1..=TABLE_ROWS).map(row).collect() }
    }

    /// Share seen to last longer; `None` beyond what was seen.
    fn seen(&self, age: f64) -> Option<f64> {
        let steps = &self.group.survival;
        if steps.last().is_none_or(|last| age > last.0) {
            return None;
        }
        let after = steps.partition_point(|step| step.0 <= age);
        Some(after.checked_sub(1).map_or(1.0, |at| steps[at].1))
    }

    fn drawn(&self, (width, height): (f64, f64)) -> Sheet {
        let mut sheet = Sheet::new(width, height);
        let (left, right) = (56.0, width - 14.0);
        let x = Scale::new((0.0, self.reach()), (left, right));
        let most = if width > 500.0 { 8 } else { 4 };
        let (top, bottom) = (14.0, 200.0);
        let y = Scale::new((0.0, 1.0), (bottom, top));
        for share in [0.0, 0.25, 0.5, 0.75, 1.0] {
            sheet.line((left, y.at(share)), (right, y.at(share)), "grid");
            let label = format!("{:.0} %", share * 100.0);
            sheet.text((left - 8.0, y.at(share) + 4.0), Anchor::End, "", &label);
        }
        if let Some(law) = self.group.law {
            let ages = self.ages();
            let band: Vec<(f64, (f64, f64))> = ages
                .iter()
                .filter_map(|age| Some((x.at(*age), law.survival_band(*age)?)))
                .collect();
            let lower: Vec<_> = band.iter().map(|(at, (low, _))| (*at, y.at(*low))).collect();
            let upper: Vec<_> = band.iter().map(|(at, (_, high))| (*at, y.at(*high))).collect();
            sheet.band(&lower, &upper, "band-8");
            let line: Vec<_> =
                ages.iter().map(|age| (x.at(*age), y.at(law.survival(*age)))).collect();
            sheet.path(&line, "level");
        }
        self.draw_seen(&mut sheet, x, y);
        let axis = |sheet: &mut Sheet, bottom: f64| {
            for tick in x.ticks(most, 1.0) {
                sheet.line((x.at(tick), bottom), (x.at(tick), bottom + 5.0), "tick");
                sheet.text(
                    (x.at(tick), bottom + 19.0),
                    Anchor::Middle,
                    "",
                    &format!("{tick:.0} h"),
                );
            }
        };
        axis(&mut sheet, bottom);
        if let Some(best) = self.best() {
            self.draw_cost(&mut sheet, x, best, (245.0, height - 30.0), (left, right));
            axis(&mut sheet, height - 30.0);
        }
        sheet
    }

    fn draw_seen(&self, sheet: &mut Sheet, x: Scale, y: Scale) {
        let mut from = (0.0, 1.0);
        let mut levels = Vec::new();
        for step in &self.group.survival {
            levels.push((x.at(from.0), x.at(step.0), y.at(from.1)));
            from = *step;
        }
        sheet.steps(&levels, "seen");
    }

    fn draw_cost(
        &self,
        sheet: &mut Sheet,
        x: Scale,
        best: BestAge,
        (top, bottom): (f64, f64),
        (left, right): (f64, f64),
    ) {
        let least = best.cost_rate * 100.0;
        let y = Scale::new((0.0, least * COST_TIMES), (bottom, top));
        let reach = best.to.unwrap_or(f64::INFINITY).min(self.reach());
        let (flat_left, flat_right) = (x.at(best.from), x.at(reach));
        sheet.column(flat_left, flat_right - flat_left, (top, bottom), Fill::Pale);
        for tick in y.ticks(4, 0.0) {
            sheet.line((left, y.at(tick)), (right, y.at(tick)), "grid");
            sheet.text((left - 8.0, y.at(tick) + 4.0), Anchor::End, "", &format!("{tick:.0}"));
        }
        let line: Vec<(f64, f64)> = self
            .ages()
            .into_iter()
            .filter_map(|age| Some((age, self.cost(age)?)))
            .filter(|(_, cost)| *cost <= least * COST_TIMES)
            .map(|(age, cost)| (x.at(age), y.at(cost)))
            .collect();
        sheet.path(&line, "level");
        let at = (x.at(best.age), y.at(least));
        sheet.mark(at, "m-service");
        sheet.label((at.0 + 8.0, at.1 - 10.0), &format!("least at {:.0} h", best.age));
        if let Some(interval) = self.interval {
            let place = x.at(interval);
            sheet.line((place, top), (place, bottom), "now");
            sheet.label((place + 6.0, top + 12.0), &format!("now {interval:.0} h"));
        }
    }
}

#[cfg(test)]
pub mod tests {
    use runs::lives::kept::{Cheapest, GroupOf, Law, RenewalCosts};

    use super::*;

    pub fn group() -> Group {
        Group {
            of: GroupOf::All,
            name: String::new(),
            lives: 155,
            failures: 62,
            intervals: 0,
            method: "kaplan_meier".into(),
            sentence: "water-pump kit: 62 failures in 155 lives".into(),
            law: Some(Law {
                shape: 2.2,
                shape_low: Some(1.8),
                shape_high: Some(2.6),
                scale: 335.0,
                scale_low: Some(300.0),
                scale_high: Some(386.0),
                scale_at_shape_low: Some(356.0),
                scale_at_shape_high: Some(323.0),
            }),
            mean_life: Some(297.0),
            range: None,
            survival: vec![(80.0, 0.97), (160.0, 0.85), (240.0, 0.6)],
            costs: Some(RenewalCosts { planned: 86.0, failure: 407.0, basis: "made up".into() }),
            cheapest: Some(Cheapest {
                run_to_failure_rate: 1.37,
                best: Some(BestAge { age: 171.0, cost_rate: 0.9, from: 128.0, to: Some(240.0) }),
                at_shape_low: Some(200.0),
                at_shape_high: Some(150.0),
            }),
        }
    }

    fn picture(group: &Group) -> LifePicture<'_> {
        LifePicture {
            subject: "water-pump kit".into(),
            group,
            currency: "EUR".into(),
            interval: Some(200.0),
        }
    }

    #[test]
    fn the_age_that_costs_least_and_the_interval_in_use_stand_in_the_picture() {
        let drawn = picture(&group()).draw("life");
        assert!(drawn.wide.contains("least at 171 h") && drawn.wide.contains("now 200 h"));
        assert!(drawn.table.head.contains(&"EUR per 100 h".to_owned()));
        // 86 + 321 F(171) over the mean life to there, by hand: some 0.9 a running hour.
        let least = picture(&group()).cost(171.0).unwrap();
        assert!((80.0..100.0).contains(&least), "{least}");
    }

    #[test]
    fn without_a_law_there_is_what_was_seen_and_no_cost() {
        let seen = Group { law: None, cheapest: None, ..group() };
        let drawn = picture(&seen).draw("life");
        assert!(!drawn.wide.contains("NaN") && !drawn.wide.contains("least at"));
        assert_eq!(drawn.table.head.len(), 3);
        let nothing = Group { survival: vec![], ..seen };
        assert!(!picture(&nothing).draw("life").wide.contains("NaN"));
    }
}
