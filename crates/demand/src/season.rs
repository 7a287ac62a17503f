//! The year's shape, shared between parts.
//!
//! A part asked for three times a year says little about its season; its family says more, and
//! all parts together more still. Each is drawn towards the wider one as far as it is thin: the
//! posterior mean of a gamma-Poisson model whose prior is the wider season (partial pooling;
//! Gelman and others 2013, Bayesian Data Analysis, ch. 5).

use std::collections::BTreeMap;

use crate::counts::dispersion_ratio;
use crate::history::History;

/// Months of the year.
pub const YEAR: usize = 12;

/// Factors of the calendar months, January first; mean 1 over the year, all above 0.
pub type Season = [f64; YEAR];

/// A season without season.
pub const FLAT: Season = [1.0; YEAR];

/// Demand a month that a season must outweigh before it is believed, in events a calendar month.
const PRIOR_EVENTS: f64 = 6.0;

/// What a calendar month showed, against what a level without season expects.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Evidence {
    asked: Season,
    expected: Season,
}

impl Evidence {
    /// Adds a history, its quantities divided by `ratio` so that lumpy parts count by events.
    fn take(&mut self, history: &[f64], first_of_year: usize, ratio: f64) {
        // Whole years only, the newest: a level that moved would otherwise look like a season.
        let whole = history.len() / YEAR * YEAR;
        let skipped = history.len() - whole;
        for year in history[skipped..].chunks_exact(YEAR) {
            let mean = year.iter().sum::<f64>() / YEAR as f64;
            for (index, quantity) in year.iter().enumerate() {
                let place = (first_of_year + skipped + index) % YEAR;
                self.asked[place] += quantity / ratio;
                self.expected[place] += mean / ratio;
            }
        }
    }

    /// Posterior factors under `prior`, scaled to mean 1.
    fn season(&self, prior: &Season) -> Season {
        let mut season = FLAT;
        for place in 0..YEAR {
            season[place] = (self.asked[place] + PRIOR_EVENTS * prior[place])
                / (self.expected[place] + PRIOR_EVENTS);
        }
        let mean = season.iter().sum::<f64>() / YEAR as f64;
        season.map(|factor| (factor / mean).max(0.02))
    }
}

/// Seasons of all parts and of each family, known up to an origin.
#[derive(Clone, Debug, PartialEq)]
pub struct Seasons {
    all: Season,
    families: BTreeMap<String, Season>,
}

impl Seasons {
    /// Learns from `histories` with their newest `back` months cut off.
    pub fn learn(histories: &[History], back: usize) -> Self {
        let mut all = Evidence::default();
        let mut families: BTreeMap<&str, Evidence> = BTreeMap::new();
        for history in histories {
            let known = &history.quantities[..history.quantities.len().saturating_sub(back)];
            if known.len() < 2 * YEAR {
                continue;
            }
            let ratio = dispersion_ratio(known);
            all.take(known, history.first.of_year(), ratio);
            if let Some(family) = &history.family {
                families.entry(family).or_default().take(known, history.first.of_year(), ratio);
            }
        }
        let all = all.season(&FLAT);
        let families = families
            .into_iter()
            .map(|(family, evidence)| (family.to_owned(), evidence.season(&all)))
            .collect();
        Self { all, families }
    }

    /// The season a part of `family` borrows.
    pub fn of_family(&self, family: Option<&str>) -> &Season {
        family.and_then(|family| self.families.get(family)).unwrap_or(&self.all)
    }
}

/// A part's own season, drawn towards the borrowed one as far as its history is thin.
pub fn own_season(history: &[f64], first_of_year: usize, borrowed: &Season) -> Season {
    let mut evidence = Evidence::default();
    evidence.take(history, first_of_year, dispersion_ratio(history));
    evidence.season(borrowed)
}

#[cfg(test)]
mod tests {
    use super::{FLAT, Seasons, own_season};
    use crate::history::History;
    use crate::month::Month;

    /// Asked for in June and July only; part 0 once in two years.
    fn summer(part: usize) -> History {
        let quantities = (0..48)
            .map(|index| match index % 12 {
                5 | 6 if part > 0 => 6.0,
                5 if index % 24 == 5 => 1.0,
                _ => 0.0,
            })
            .collect();
        let first = Month::new(2020, 1).unwrap();
        History { part: part.to_string(), family: Some("seals".into()), first, quantities }
    }

    #[test]
    fn a_family_lends_its_season_to_a_sparse_part() {
        let histories: Vec<History> = (0..20).map(summer).collect();
        let seasons = Seasons::learn(&histories, 0);
        let lent = own_season(&histories[0].quantities, 0, seasons.of_family(Some("seals")));
        let alone = own_season(&histories[0].quantities, 0, &FLAT);
        assert!(lent[6] > 4.0, "July with the family: {}", lent[6]);
        assert!(alone[6] < 1.5, "July alone: {}", alone[6]);
        assert!(lent[0] < 0.2 && alone[0] > 0.5);
    }

    #[test]
    fn a_season_has_mean_one_and_no_month_below_zero() {
        let histories = [summer(1)];
        let season = own_season(&histories[0].quantities, 0, &FLAT);
        assert!((season.iter().sum::<f64>() - 12.0).abs() < 0.25);
        assert!(season.iter().all(|factor| *factor > 0.0));
    }
}
