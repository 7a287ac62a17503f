//! Joint sample paths of monthly demand.

use chrono::{Datelike, NaiveDate};

use crate::error::OrderingError;

/// What one part may need, month by month: `paths` joint draws over `months` calendar months.
///
/// Joint: the months of one path belong together, so that sums over months (what a lead time
/// needs) are distributed as they should be. Adding up the months' quantiles instead would not be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DemandPaths {
    /// First day of the first month.
    first_month: NaiveDate,
    months: usize,
    /// Path after path; whole stock units.
    values: Vec<u32>,
}

impl DemandPaths {
    /// `values` holds the months of the first path, then those of the second, and so on.
    ///
    /// # Errors
    /// No path, no month, or a number of values that is no multiple of `months`.
    pub fn new(
        first_month: NaiveDate,
        months: usize,
        values: Vec<u32>,
    ) -> Result<Self, OrderingError> {
        if months == 0 || values.is_empty() {
            return Err(OrderingError::NoDemand);
        }
        if !values.len().is_multiple_of(months) {
            return Err(OrderingError::RaggedPaths { months, values: values.len() });
        }
        Ok(Self { first_month: fleet::calendar::month_of(first_month), months, values })
    }

    pub const fn first_month(&self) -> NaiveDate {
        self.first_month
    }

    pub const fn months(&self) -> usize {
        self.months
    }

    pub fn paths(&self) -> usize {
        self.values.len() / self.months
    }

    /// The months of one path.
    pub fn path(&self, path: usize) -> &[u32] {
        &self.values[path * self.months..(path + 1) * self.months]
    }

    /// Mean demand of each month.
    pub fn means(&self) -> Vec<f64> {
        let mut sums = vec![0_u64; self.months];
        for path in self.values.chunks_exact(self.months) {
            for (sum, value) in sums.iter_mut().zip(path) {
                *sum += u64::from(*value);
            }
        }
        sums.into_iter().map(|sum| sum as f64 / self.paths() as f64).collect()
    }

    /// Months from the first month to the one that holds `day`, below zero before it.
    pub(crate) fn month_index(&self, day: NaiveDate) -> i64 {
        let months = |day: NaiveDate| i64::from(day.year()) * 12 + i64::from(day.month0());
        months(day) - months(self.first_month)
    }

    /// Demand of a path in month `index` from the first, also outside the forecast: before it the
    /// first month stands in (of another path), after it the same month of the last year, or of the
    /// last months where there is no year.
    pub(crate) fn value(&self, path: usize, index: i64) -> u32 {
        let paths = self.paths();
        if index < 0 {
            let other = (path + 7 * index.unsigned_abs() as usize) % paths;
            return self.path(other)[0];
        }
        let index = index as usize;
        if index < self.months {
            return self.path(path)[index];
        }
        let year = self.months.min(12);
        let rounds = (index - self.months) / year + 1;
        let other = (path + 13 * rounds) % paths;
        self.path(other)[index - rounds * year]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    #[test]
    fn beyond_the_forecast_the_last_year_repeats() {
        let year: Vec<u32> = (1..=14).collect();
        let demand = DemandPaths::new(day("2026-01-15"), 14, year).expect("one path");
        assert_eq!(demand.first_month(), day("2026-01-01"));
        let of = |month: &str| demand.value(0, demand.month_index(day(month)));
        // 2027-02 is the last month known (14); 2027-03 is as 2026-03 was (3).
        assert_eq!(
            ["2027-02-01", "2027-03-01", "2028-02-01", "2028-03-01"].map(of),
            [14, 3, 14, 3]
        );
        assert_eq!(of("2025-12-31"), 1);
        let short = DemandPaths::new(day("2026-01-01"), 2, vec![5, 6]).expect("one path");
        assert_eq!([2, 3, 4].map(|index| short.value(0, index)), [5, 6, 5]);
    }

    #[test]
    fn paths_that_do_not_come_out_even_are_refused() {
        let rule = |months, values| {
            DemandPaths::new(day("2026-01-01"), months, values).err().map(|error| error.rule())
        };
        assert_eq!(rule(2, vec![1, 2, 3]), Some("paths-ragged"));
        assert_eq!(rule(0, vec![1]), Some("demand-empty"));
        assert_eq!(rule(1, vec![]), Some("demand-empty"));
        assert_eq!(rule(2, vec![1, 2]), None);
    }
}
