//! A planning problem with what its names and numbers stand for. Kept with the run as a file, so
//! that a plan can be moved, compared and explained long after the records went on.

use chrono::{Datelike as _, Days, NaiveDate};
use fleet::Currency;
use fleet::id::{EngineId, SiteId, TaskId};
use fleet::visit::PlanKind;
use planning::Instance;
use serde::{Deserialize, Serialize};

use crate::plan::bundle::Bundled;
use crate::plan::prices::Price;

/// An instance and what it is about.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Problem {
    pub site: SiteId,
    pub kind: PlanKind,
    pub name: String,
    pub currency: Currency,
    /// Day 0.
    pub first: NaiveDate,
    /// The day on which it was made, from which orders count; day 0 where the run is older than this
    /// field.
    #[serde(default)]
    pub made_on: Option<NaiveDate>,
    pub instance: Instance,
    /// In the instance's order.
    pub visits: Vec<Asked>,
    pub prices: Vec<Price>,
    /// What the figures rest on, and what was left aside, in sentences.
    pub notes: Vec<String>,
}

/// What one visit is for.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Asked {
    /// As the instance names it.
    pub id: String,
    pub engine: EngineId,
    pub bundle: Vec<Bundled>,
    /// In the order of the instance's modes.
    pub modes: Vec<ModeTasks>,
    /// Why it is wanted, in a sentence.
    pub why: String,
}

/// What is done where a visit is done in one of its ways.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ModeTasks {
    pub id: String,
    pub tasks: Vec<TaskId>,
    pub minutes: u32,
}

impl Problem {
    /// The day from which an order of that time counts.
    pub fn today(&self) -> NaiveDate {
        self.made_on.unwrap_or(self.first)
    }

    pub fn date(&self, day: i64) -> NaiveDate {
        let days = Days::new(day.unsigned_abs());
        if day < 0 { self.first - days } else { self.first + days }
    }

    /// The day of a date; outside the horizon too.
    pub fn day(&self, date: NaiveDate) -> i64 {
        (date - self.first).num_days()
    }

    pub fn asked(&self, id: &str) -> Option<&Asked> {
        self.visits.iter().find(|asked| asked.id == id)
    }

    pub fn of_engine(&self, engine: EngineId) -> Option<&Asked> {
        self.visits.iter().find(|asked| asked.engine == engine)
    }

    /// The last day of a stay that begins on `day`.
    pub fn last_day(&self, visit: &str, mode: &str, day: i64) -> Option<i64> {
        let visit = self.instance.visits.iter().find(|it| it.id == visit)?;
        let length = visit.modes.iter().find(|it| it.id == mode)?.length.max(1);
        let open = self.instance.open.iter().enumerate().skip(usize::try_from(day).ok()?);
        let mut days = open.filter(|(_, open)| **open == 1).map(|(day, _)| day as i64);
        days.nth(length - 1)
    }
}

/// The accounting week of each day from `first` on: weeks begin on Monday.
pub fn weeks(first: NaiveDate, days: usize) -> Vec<usize> {
    let offset = first.weekday().num_days_from_monday() as usize;
    (0..days).map(|day| (day + offset) / 7).collect()
}
