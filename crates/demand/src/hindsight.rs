//! A forecast of months that have passed, beside what happened in them.

use crate::changes::Shown;
use crate::month::Month;

/// A month as it was forecast: the mean, and the band of eight in ten.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MonthBand {
    pub month: Month,
    pub mean: f64,
    pub q10: f64,
    pub q90: f64,
}

/// The same, and what was used in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MonthAfter {
    pub forecast: MonthBand,
    pub used: f64,
}

impl MonthAfter {
    pub fn inside(&self) -> bool {
        (self.forecast.q10..=self.forecast.q90).contains(&self.used)
    }
}

/// Months of a forecast that have passed whole.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Hindsight {
    pub months: Vec<MonthAfter>,
}

/// Sets a forecast beside the quantities used from the month `first` on. Months that are not among
/// them have not passed, or lie before the record.
pub fn hindsight(forecast: &[MonthBand], (first, used): (Month, &[f64])) -> Hindsight {
    let passed = forecast.iter().filter_map(|&forecast| {
        let place = usize::try_from(forecast.month.since(first)).ok()?;
        Some(MonthAfter { forecast, used: *used.get(place)? })
    });
    Hindsight { months: passed.collect() }
}

impl Hindsight {
    /// How many months lie inside their band.
    pub fn inside(&self) -> usize {
        self.months.iter().filter(|month| month.inside()).count()
    }

    /// How it did, in a sentence; `None` without a month that has passed.
    pub fn says(&self, shown: Shown<'_>) -> Option<String> {
        let months = self.months.len();
        if months == 0 {
            return None;
        }
        let expected: f64 = self.months.iter().map(|month| month.forecast.mean).sum();
        let used: f64 = self.months.iter().map(|month| month.used).sum();
        let inside = self.inside();
        let of = if months == 1 { "1 month".to_owned() } else { format!("{months} months") };
        let lie = if inside == 1 { "lies" } else { "lie" };
        Some(format!(
            "Of {of}, {inside} {lie} inside the 80 % band; {} used where {} expected",
            were(used, shown),
            were(expected, shown)
        ))
    }
}

fn were(quantity: f64, shown: Shown<'_>) -> String {
    let shown = shown(quantity);
    let verb = if shown == "1" { "was" } else { "were" };
    format!("{shown} {verb}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn band(ahead: i32, (q10, mean, q90): (f64, f64, f64)) -> MonthBand {
        MonthBand { month: Month::new(2025, 11).unwrap().plus(ahead), mean, q10, q90 }
    }

    fn says(months: &Hindsight) -> Option<String> {
        months.says(&|quantity| format!("{quantity:.0}"))
    }

    /// November and December 2025 have passed, January has not; both edges of a band are inside it.
    #[test]
    fn only_months_that_have_passed_are_compared_and_the_edges_are_inside() {
        let bands = [(2.0, 3.0, 5.0), (0.0, 1.5, 2.0), (0.0, 1.0, 2.0)];
        let forecast: Vec<MonthBand> = (0..).zip(bands).map(|(at, it)| band(at, it)).collect();
        let first = Month::new(2025, 10).unwrap();
        let seen = hindsight(&forecast, (first, &[9.0, 5.0, 3.0]));
        assert_eq!((seen.months.len(), seen.inside()), (2, 1));
        assert_eq!(seen.months[0].used, 5.0);
        let said = "Of 2 months, 1 lies inside the 80 % band; 8 were used where 4 were expected";
        assert_eq!(says(&seen).as_deref(), Some(said));
        let exactly = hindsight(&forecast[..1], (first, &[0.0, 2.0]));
        assert_eq!(exactly.inside(), 1);
        assert_eq!(hindsight(&forecast[..1], (first, &[0.0, 1.0])).inside(), 0);
    }

    #[test]
    fn a_forecast_of_which_nothing_has_passed_says_nothing() {
        let forecast = [band(0, (0.0, 1.0, 2.0))];
        for (year, used) in [(2025, &[][..]), (2026, &[1.0, 2.0][..])] {
            let seen = hindsight(&forecast, (Month::new(year, 11).unwrap(), used));
            assert_eq!((seen.clone(), says(&seen)), (Hindsight::default(), None), "{year}");
        }
    }
}
