//! Calendar months, the steps of every demand history.

use std::fmt;
use std::str::FromStr;

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

use crate::error::DemandError;

/// A calendar month, counted from January of year 0; ordered, and dense so that months subtract.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Month {
    index: i32, // year × 12 + month − 1
}

impl Month {
    /// Month `month` (1 to 12) of `year` (0 to 9999); `None` outside.
    pub const fn new(year: i32, month: u32) -> Option<Self> {
        if year < 0 || year > 9999 || month < 1 || month > 12 {
            return None;
        }
        Some(Self { index: year * 12 + month as i32 - 1 })
    }

    /// The month a day lies in.
    pub fn of(day: NaiveDate) -> Self {
        Self { index: day.year() * 12 + day.month0() as i32 }
    }

    /// The month `months` later, or earlier where negative.
    pub const fn plus(self, months: i32) -> Self {
        Self { index: self.index + months }
    }

    /// Months from `earlier` to here; negative where `earlier` is the later one.
    pub const fn since(self, earlier: Self) -> i32 {
        self.index - earlier.index
    }

    /// Place in the calendar year, 0 for January to 11 for December.
    pub const fn of_year(self) -> usize {
        self.index.rem_euclid(12) as usize
    }

    /// The year.
    pub const fn year(self) -> i32 {
        self.index.div_euclid(12)
    }

    /// First day of the month; `None` beyond the calendar of `chrono`.
    pub fn first_day(self) -> Option<NaiveDate> {
        NaiveDate::from_ymd_opt(self.year(), self.of_year() as u32 + 1, 1)
    }
}

impl fmt::Display for Month {
    /// `YYYY-MM` (ISO 8601).
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "{:04}-{:02}", self.year(), self.of_year() + 1)
    }
}

impl FromStr for Month {
    type Err = DemandError;

    /// Reads `YYYY-MM`, nothing else.
    fn from_str(text: &str) -> Result<Self, DemandError> {
        let refused = || DemandError::Month { given: text.to_owned() };
        let (year, month) = text.split_once('-').ok_or_else(refused)?;
        let digits = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit());
        if year.len() != 4 || month.len() != 2 || !digits(year) || !digits(month) {
            return Err(refused());
        }
        let year = year.parse().map_err(|_| refused())?;
        let month = month.parse().map_err(|_| refused())?;
        Self::new(year, month).ok_or_else(refused)
    }
}

#[cfg(test)]
mod tests {
    use super::Month;

    #[test]
    fn a_month_reads_back_as_written_and_counts_over_the_year() {
        let month: Month = "2001-12".parse().unwrap();
        assert_eq!(month.plus(1).to_string(), "2002-01");
        assert_eq!(month.plus(-12).since(month), -12);
        assert_eq!(month.of_year(), 11);
    }

    #[test]
    fn what_is_not_a_month_is_refused() {
        for text in ["2001-13", "2001-00", "2001-1", "2001", "01-2001", "2001-01-01", "", "+001-01"]
        {
            assert_eq!(
                text.parse::<Month>().map_err(|error| error.rule()),
                Err("month-format"),
                "{text}"
            );
        }
    }
}
