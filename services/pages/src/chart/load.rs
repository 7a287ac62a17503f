//! Load against hands, week by week, two skills side by side.

use super::{Anchor, Fill, Picture, Scale, Sheet, Table};
use crate::figures::count;

/// Weeks that a phone has room for.
const NARROW_WEEKS: usize = 10;

/// One week: per skill, hours planned and hours there are.
#[derive(Clone, Debug, PartialEq)]
pub struct Week {
    /// As under the columns: the number of the ISO week.
    pub label: String,
    pub skills: Vec<SkillLoad>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SkillLoad {
    pub planned_h: f64,
    pub there_h: f64,
}

/// Draws `weeks`; `skills` names the columns of each, `done_by` is how many of the weeks there are
/// until all must be finished, with its words.
pub fn draw(
    id: &str,
    skills: &[String],
    weeks: &[Week],
    done_by: Option<(usize, &str)>,
) -> Picture {
    let title = "Load against hands by week";
    let says = describe(skills, weeks);
    let from = fullest(weeks, NARROW_WEEKS);
    let narrow = &weeks[from..weeks.len().min(from + NARROW_WEEKS)];
    let seen = |week: usize| week.checked_sub(from).filter(|week| *week <= narrow.len());
    let near = done_by.and_then(|(week, words)| Some((seen(week)?, words)));
    let mut head = vec!["Week".to_owned()];
    head.extend(skills.iter().flat_map(|s| [format!("{s}: planned h"), format!("{s}: there h")]));
    let row = |w: &Week| {
        let hours = |s: &SkillLoad| [format!("{:.1}", s.planned_h), format!("{:.1}", s.there_h)];
        [vec![w.label.clone()], w.skills.iter().flat_map(hours).collect()].concat()
    };
    Picture {
        wide: drawn(weeks, (1000.0, 230.0), done_by).finish(&format!("{id}-w"), title, &says),
        narrow: drawn(narrow, (358.0, 210.0), near).finish(&format!("{id}-n"), title, &says),
        caption: caption(skills),
        table: Table { head, rows: weeks.iter().map(row).collect() },
    }
}

/// Where the `count` weeks in a row begin in which most is planned, the first ones among equals.
fn fullest(weeks: &[Week], count: usize) -> usize {
    let planned = |weeks: &[Week]| {
        weeks.iter().flat_map(|week| &week.skills).map(|skill| skill.planned_h).sum::<f64>()
    };
    let sums = weeks.windows(count).map(planned).enumerate();
    sums.fold((0, 0.0), |best, now| if now.1 > best.1 + 1e-9 { now } else { best }).0
}

fn caption(skills: &[String]) -> String {
    let names = match skills {
        [only] => format!("Columns: {only}."),
        [first, second, ..] => format!("Dark: {first}. Pale: {second}."),
        [] => String::new(),
    };
    format!("{names} Bars across: hours there are.")
}

/// The fullest week, in a sentence.
fn describe(skills: &[String], weeks: &[Week]) -> String {
    let all = weeks.iter().flat_map(|w| w.skills.iter().enumerate().map(move |(i, s)| (w, i, s)));
    let share = |s: &SkillLoad| if s.there_h > 0.0 { s.planned_h / s.there_h } else { 0.0 };
    match all.max_by(|a, b| share(a.2).total_cmp(&share(b.2))) {
        Some((week, i, skill)) if skill.planned_h > 0.0 => format!(
            "{}; fullest is week {}, {:.0} of {:.0} hours of {}.",
            count(weeks.len(), "week", "weeks"),
            week.label,
            skill.planned_h,
            skill.there_h,
            skills.get(i).map_or("the bench", String::as_str),
        ),
        _ => "Nothing is planned yet.".to_owned(),
    }
}

fn drawn(weeks: &[Week], (width, height): (f64, f64), done_by: Option<(usize, &str)>) -> Sheet {
    let mut sheet = Sheet::new(width, height);
    let (left, right, bottom) = (40.0, width - 10.0, height - 28.0);
    let all = weeks.iter().flat_map(|w| &w.skills);
    let most = all.map(|s| s.planned_h.max(s.there_h)).fold(1.0, f64::max);
    let y = Scale::new((0.0, most * 1.1), (bottom, 36.0));
    for tick in y.ticks(4, 1.0) {
        sheet.line((left, y.at(tick)), (right, y.at(tick)), "grid");
        sheet.text((left - 8.0, y.at(tick) + 4.0), Anchor::End, "", &format!("{tick:.0}"));
    }
    let slot = (right - left) / weeks.len().max(1) as f64;
    for (i, week) in weeks.iter().enumerate() {
        let x = left + i as f64 * slot;
        let column = slot * 0.88 / week.skills.len().max(1) as f64;
        for (k, skill) in week.skills.iter().enumerate() {
            let place = x + slot * 0.06 + k as f64 * column;
            let fill = if k == 0 { Fill::Certain } else { Fill::Pale };
            sheet.column(place, column * 0.86, (y.at(skill.planned_h), bottom), fill);
            sheet.limit((place - 1.0, place + column * 0.86 + 1.0), y.at(skill.there_h));
        }
        sheet.text((x + slot / 2.0, height - 9.0), Anchor::Middle, "", &week.label);
    }
    if let Some((week, words)) = done_by {
        let x = left + week as f64 * slot;
        sheet.line((x, 16.0), (x, bottom), "deadline");
        sheet.label((x + 6.0, 26.0), words);
    }
    sheet
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fullest_week_is_named() {
        let week = |label: &str, planned_h| Week {
            label: label.to_owned(),
            skills: vec![SkillLoad { planned_h, there_h: 40.0 }],
        };
        let weeks = [week("51", 10.0), week("52", 38.0)];
        let picture = draw("l", &["mechanic".to_owned()], &weeks, Some((2, "all done")));
        assert!(picture.wide.contains("fullest is week 52, 38 of 40 hours of mechanic."));
        assert!(picture.wide.contains("all done"));
        assert_eq!(picture.table.rows[1], ["52", "38.0", "40.0"]);
    }

    #[test]
    fn a_phone_shows_the_weeks_in_which_the_work_is() {
        let week = |number: usize| Week {
            label: format!("w{number}"),
            skills: vec![SkillLoad {
                planned_h: if (13..=15).contains(&number) { 20.0 } else { 0.0 },
                there_h: 40.0,
            }],
        };
        let weeks: Vec<Week> = (1..=18).map(week).collect();
        let picture = draw("l", &["mechanic".to_owned()], &weeks, Some((15, "all done")));
        let shows = |label: &str| picture.narrow.contains(&format!(">{label}<"));
        assert!(shows("w6") && shows("w15") && !shows("w5") && !shows("w16"));
        assert!(picture.narrow.contains("all done"));
        assert_eq!(fullest(&weeks[..4], NARROW_WEEKS), 0);
    }

    #[test]
    fn an_empty_plan_says_that_nothing_is_planned() {
        assert!(draw("l", &[], &[], None).narrow.contains("Nothing is planned yet."));
    }
}
