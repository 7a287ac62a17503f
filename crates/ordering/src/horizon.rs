//! From months to days: what a part may need until any day, on each sample path.
//!
//! A month's demand falls on its days at random: of `x` events the share `f` of the month sees a
//! binomial number. Where a distribution is asked for, its chances are used, so that a slow mover's
//! few events are not thinned to noise; where a single path is followed, one number is drawn for the
//! path and month, so that what is needed by a day never falls as days go on. Lead times are drawn for each path from a log-normal law with the given median and
//! 95 % quantile; both uncertainties then meet in the same sample.

use chrono::{Datelike, NaiveDate};
use fleet::calendar::{add_months, month_of};
use fleet::terms::LeadTime;
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use statrs::function::erf::erf_inv;

use crate::error::OrderingError;
use crate::paths::DemandPaths;

/// Standard normal 95 % quantile.
const NORMAL_95: f64 = 1.644_853_626_951_472_7;
/// Beyond these normal scores (1 % and 99 %) a lead time is not drawn: two figures say nothing
/// about rarer ones.
const NORMAL_MOST: f64 = 2.326_347_874_040_841;
/// Months of demand seen ahead at most, the forecast's own or repeated.
const MONTHS_AHEAD: usize = 36;
/// Up to so many events in a month the chances of a part of it are written out; of more, one number
/// is drawn a path, and the paths even it out.
const EXACT_EVENTS: u32 = 12;
/// Up to so many events a binomial number is found by adding up chances, beyond it by the normal law.
const SUMMED_EVENTS: u32 = 48;
/// Chances below this are left out.
const NEGLIGIBLE: f64 = 1e-12;

/// Demand of one part from a day on.
pub struct Horizon<'a> {
    demand: &'a DemandPaths,
    on: NaiveDate,
    /// Units that leave together.
    issue_size: u32,
    /// Days from `on` to the start of each month from the one that holds `on`.
    starts: Vec<i64>,
    /// Index in the forecast of that first month.
    shift: i64,
    /// One uniform number a path.
    uniform: Vec<f64>,
    /// For each path the normal score of its lead time.
    lead_score: Vec<f64>,
    /// Cumulated demand at the starts of months, path after path.
    cumulated: Vec<u32>,
    /// Its mean over the paths.
    mean_cumulated: Vec<f64>,
    /// What the part of the first month before `on` took, by path.
    gone: Vec<u32>,
    /// Needs known by day, earliest first: days from `on`, and quantity added up.
    dated: Vec<(i64, u32)>,
}

impl<'a> Horizon<'a> {
    /// `stream` picks the part's own random numbers: neither its neighbours nor threads change them.
    ///
    /// # Errors
    /// A day more than two months before the forecast, or after its last month.
    pub fn new(
        demand: &'a DemandPaths,
        on: NaiveDate,
        issue_size: u32,
        dated_needs: &[(NaiveDate, u32)],
        seed: u64,
        stream: u64,
    ) -> Result<Self, OrderingError> {
        let shift = demand.month_index(on);
        if shift < -2 || shift >= demand.months() as i64 {
            let first = demand.first_month();
            let last = add_months(first, demand.months() as u32 - 1);
            return Err(OrderingError::ForecastElsewhere { first, last, on });
        }
        let first = month_of(on);
        let starts = (0..=MONTHS_AHEAD as u32)
            .map(|month| (add_months(first, month) - on).num_days())
            .collect();
        let paths = demand.paths();
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        random.set_stream(stream);
        let uniform = (0..paths).map(|_| random.random::<f64>()).collect();
        let mut places: Vec<u32> = (0..paths as u32).collect();
        places.shuffle(&mut random);
        let lead_score = places
            .into_iter()
            .map(|place| normal_score((f64::from(place) + 0.5) / paths as f64))
            .collect();
        let mut dated: Vec<(i64, u32)> =
            dated_needs.iter().map(|(day, quantity)| ((*day - on).num_days(), *quantity)).collect();
        dated.sort_unstable();
        let mut sum = 0_u32;
        for (_, quantity) in &mut dated {
            sum = sum.saturating_add(*quantity);
            *quantity = sum;
        }
        let mut horizon = Self {
            demand,
            on,
            issue_size: issue_size.max(1),
            starts,
            shift,
            uniform,
            lead_score,
            cumulated: Vec::new(),
            mean_cumulated: Vec::new(),
            gone: Vec::new(),
            dated,
        };
        horizon.cumulate();
        Ok(horizon)
    }

    fn cumulate(&mut self) {
        let width = MONTHS_AHEAD + 1;
        let mut cumulated = vec![0_u32; self.paths() * width];
        for (path, row) in cumulated.chunks_exact_mut(width).enumerate() {
            let mut sum = 0_u32;
            for (month, place) in row[1..].iter_mut().enumerate() {
                sum = sum.saturating_add(self.demand.value(path, self.shift + month as i64));
                *place = sum;
            }
        }
        let mut sums = vec![0_u64; width];
        for row in cumulated.chunks_exact(width) {
            for (sum, value) in sums.iter_mut().zip(row) {
                *sum += u64::from(*value);
            }
        }
        let paths = self.paths() as f64;
        self.mean_cumulated = sums.into_iter().map(|sum| sum as f64 / paths).collect();
        self.cumulated = cumulated;
        let gone = (0..self.paths()).map(|path| self.since_month(path, 0)).collect();
        self.gone = gone;
    }

    pub fn paths(&self) -> usize {
        self.demand.paths()
    }

    pub const fn on(&self) -> NaiveDate {
        self.on
    }

    /// Last day, counted from `on`, about which something is said.
    pub fn last_day(&self) -> i64 {
        self.starts[MONTHS_AHEAD]
    }

    /// Whether days up to `day` from `on` lie within the forecast itself.
    pub fn is_forecast(&self, day: i64) -> bool {
        let months_left = self.demand.months() as i64 - self.shift;
        day <= self.starts[(months_left as usize).min(MONTHS_AHEAD)]
    }

    /// Units needed by a path before the day that lies `day` days after `on`.
    pub fn until(&self, path: usize, day: i64) -> u32 {
        let day = day.clamp(0, self.last_day());
        let modelled = self.since_month(path, day).saturating_sub(self.gone[path]);
        modelled.saturating_add(self.known_before(day))
    }

    /// Modelled units of a path from the start of the month that holds `on`.
    fn since_month(&self, path: usize, day: i64) -> u32 {
        let part = self.part_of_month(path, day);
        let uniform = self.uniform_of(path, part.month);
        let seen = binomial_quantile(part.events(self.issue_size), part.share, uniform);
        part.before + seen.saturating_mul(self.issue_size).min(part.amount)
    }

    /// The golden ratio spreads the months of a path over the unit interval.
    fn uniform_of(&self, path: usize, month: usize) -> f64 {
        (self.uniform[path] + 0.618_033_988_749_894_9 * month as f64).fract()
    }

    /// Where a day lies among the months of a path.
    fn part_of_month(&self, path: usize, day: i64) -> PartOfMonth {
        // A month has 28 to 31 days: guess, then step.
        let offset = i64::from(self.on.day0());
        let mut month = (((day + offset) / 31) as usize).min(MONTHS_AHEAD);
        while month < MONTHS_AHEAD && self.starts[month + 1] <= day {
            month += 1;
        }
        let row = &self.cumulated[path * (MONTHS_AHEAD + 1)..][..=MONTHS_AHEAD];
        let before = row[month];
        if month == MONTHS_AHEAD {
            return PartOfMonth { month, before, amount: 0, share: 0.0 };
        }
        let length = (self.starts[month + 1] - self.starts[month]) as f64;
        let share = (day - self.starts[month]) as f64 / length;
        PartOfMonth { month, before, amount: row[month + 1] - before, share }
    }

    /// The chances of what a path needs before `day`, each given to `take` with its quantity.
    pub fn chances_until(&self, path: usize, day: i64, mut take: impl FnMut(u32, f64)) {
        let day = day.clamp(0, self.last_day());
        let known = self.known_before(day);
        let mut part = self.part_of_month(path, day);
        let mut sure = part.before.saturating_sub(self.gone[path]).saturating_add(known);
        if part.month == 0 {
            // Both ends lie in one month: the days between see their own share of it.
            part.share -= self.part_of_month(path, 0).share;
            sure = known;
        }
        let events = part.events(self.issue_size);
        if events > EXACT_EVENTS {
            let seen = binomial_quantile(events, part.share, self.uniform_of(path, part.month));
            let units = seen.saturating_mul(self.issue_size).min(part.amount);
            take(sure.saturating_add(units), 1.0);
            return;
        }
        binomial_chances(events, part.share, |seen, chance| {
            let units = seen.saturating_mul(self.issue_size).min(part.amount);
            take(sure.saturating_add(units), chance);
        });
    }

    fn known_before(&self, day: i64) -> u32 {
        let known = self.dated.partition_point(|(needed, _)| *needed < day);
        if known == 0 { 0 } else { self.dated[known - 1].1 }
    }

    /// Mean units that a path needs before `day`.
    pub fn mean_until(&self, path: usize, day: i64) -> f64 {
        let day = day.clamp(0, self.last_day());
        let mean = |day: i64| {
            let part = self.part_of_month(path, day);
            f64::from(part.before) + f64::from(part.amount) * part.share
        };
        let gone = if self.part_of_month(path, day).month == 0 {
            mean(0)
        } else {
            f64::from(self.gone[path])
        };
        mean(day) - gone + f64::from(self.known_before(day))
    }

    /// Days that a delivery takes on a path.
    pub fn lead_days(&self, path: usize, lead: LeadTime) -> i64 {
        lead_at(lead, self.lead_score[path]).round() as i64
    }

    /// Mean units needed between two days.
    pub fn mean_between(&self, from: i64, to: i64) -> f64 {
        self.mean_before(to) - self.mean_before(from)
    }

    /// Mean units from the start of the month that holds `on` until a day, known needs included.
    fn mean_before(&self, day: i64) -> f64 {
        let day = day.clamp(0, self.last_day());
        let month = (0..MONTHS_AHEAD).rev().find(|month| self.starts[*month] <= day).unwrap_or(0);
        let length = (self.starts[month + 1] - self.starts[month]) as f64;
        let share = (day - self.starts[month]) as f64 / length;
        let (before, after) = (self.mean_cumulated[month], self.mean_cumulated[month + 1]);
        before + (after - before) * share + f64::from(self.known_before(day))
    }

    /// Day by which the mean need has reached so many units; the last one where it never does.
    pub fn day_of_mean(&self, units: i64) -> i64 {
        let wanted = units as f64 + self.mean_before(0);
        let month = self.mean_cumulated.partition_point(|mean| *mean <= wanted);
        let Some(after) = self.mean_cumulated.get(month) else { return self.last_day() };
        if month == 0 {
            return 0;
        }
        let before = self.mean_cumulated[month - 1];
        let (start, end) = (self.starts[month - 1], self.starts[month]);
        let share = (wanted - before) / (after - before);
        (start + ((end - start) as f64 * share) as i64).max(0)
    }

    /// Units that leave together.
    pub const fn issue_size(&self) -> u32 {
        self.issue_size
    }
}

/// A day within a month of a path.
struct PartOfMonth {
    /// Counted from the month that holds the horizon's first day.
    month: usize,
    /// Units of the months before.
    before: u32,
    /// Units of this month.
    amount: u32,
    /// Share of the month that is over.
    share: f64,
}

impl PartOfMonth {
    fn events(&self, issue_size: u32) -> u32 {
        self.amount.div_ceil(issue_size)
    }
}

/// Lead time in days at a normal score.
pub(crate) fn lead_at(lead: LeadTime, score: f64) -> f64 {
    let (median, worst) = (f64::from(lead.median_days), f64::from(lead.worst_days));
    if worst <= median {
        return median;
    }
    let score = score.clamp(-NORMAL_MOST, NORMAL_MOST) / NORMAL_95;
    // A shelf delivery of zero days has no logarithm: its excess is half normal.
    if median < 1.0 { worst * score.max(0.0) } else { median * (worst / median).powf(score) }
}

pub(crate) fn normal_score(share: f64) -> f64 {
    std::f64::consts::SQRT_2 * erf_inv(2.0 * share - 1.0)
}

/// Smallest `k` with `P(K <= k) >= uniform` for `K` binomial of `events` and `share`; for many events
/// by the normal law.
fn binomial_quantile(events: u32, share: f64, uniform: f64) -> u32 {
    if share <= 0.0 || events == 0 {
        return 0;
    }
    if share >= 1.0 {
        return events;
    }
    let count = f64::from(events);
    if events > SUMMED_EVENTS {
        let deviation = (count * share * (1.0 - share)).sqrt();
        let drawn = count * share + deviation * normal_score(uniform.clamp(1e-9, 1.0 - 1e-9));
        return drawn.round().clamp(0.0, count) as u32;
    }
    let odds = share / (1.0 - share);
    let mut chance = (1.0 - share).powi(events as i32);
    let mut sum = chance;
    let mut seen = 0;
    while sum < uniform && seen < events {
        chance *= odds * f64::from(events - seen) / f64::from(seen + 1);
        sum += chance;
        seen += 1;
    }
    seen
}

/// Gives every count of `events` that each happen with chance `share` to `take`, with its chance.
fn binomial_chances(events: u32, share: f64, mut take: impl FnMut(u32, f64)) {
    if events == 0 || share <= 0.0 {
        return take(0, 1.0);
    }
    if share >= 1.0 {
        return take(events, 1.0);
    }
    let odds = share / (1.0 - share);
    let mut chance = (1.0 - share).powi(events as i32);
    for seen in 0..=events {
        if chance > NEGLIGIBLE {
            take(seen, chance);
        }
        chance *= odds * f64::from(events - seen) / f64::from(seen + 1);
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    fn constant(months: usize, paths: usize, value: u32) -> DemandPaths {
        DemandPaths::new(day("2026-01-01"), months, vec![value; months * paths]).expect("paths")
    }

    #[test]
    fn whole_months_are_exact_and_parts_of_a_month_are_binomial() {
        let demand = constant(12, 4_000, 10);
        let horizon = Horizon::new(&demand, day("2026-01-01"), 1, &[], 1, 1).expect("covered");
        assert_eq!((horizon.until(0, 31), horizon.until(7, 59)), (10, 20));
        let half: Vec<f64> =
            (0..4_000).map(|path| f64::from(horizon.until(path, 31 + 14))).collect();
        let mean = half.iter().sum::<f64>() / 4_000.0;
        let variance = half.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 4_000.0;
        // Binomial of 10 and one half, after 10 for certain: mean 15, variance 2.5.
        assert!((mean - 15.0).abs() < 0.1, "{mean}");
        assert!((variance - 2.5).abs() < 0.25, "{variance}");
    }

    #[test]
    fn in_the_middle_of_a_month_only_its_rest_is_needed() {
        let demand = constant(12, 2_000, 31);
        let horizon = Horizon::new(&demand, day("2026-01-11"), 1, &[], 1, 1).expect("covered");
        assert!((horizon.mean_between(0, 21) - 21.0).abs() < 0.2);
        assert!((horizon.mean_between(0, 21 + 28) - 52.0).abs() < 0.2);
        assert!(horizon.is_forecast(355) && !horizon.is_forecast(356));
    }

    #[test]
    fn oil_leaves_in_fills_not_in_drops() {
        let demand = constant(12, 500, 3_500);
        let horizon = Horizon::new(&demand, day("2026-01-01"), 350, &[], 1, 1).expect("covered");
        assert!((0..500).all(|path| horizon.until(path, 10).is_multiple_of(350)));
    }

    #[test]
    fn a_dated_need_counts_from_its_day() {
        let demand = constant(12, 3, 0);
        let needs = [(day("2026-02-10"), 4), (day("2026-02-01"), 2), (day("2025-12-01"), 1)];
        let horizon = Horizon::new(&demand, day("2026-01-01"), 1, &needs, 1, 1).expect("covered");
        let until = |text: &str| horizon.until(0, (day(text) - day("2026-01-01")).num_days());
        assert_eq!(
            ["2026-01-02", "2026-02-01", "2026-02-02", "2026-03-01"].map(until),
            [1, 1, 3, 7]
        );
    }

    #[test]
    fn drawn_lead_times_have_the_given_median_and_worst() {
        let demand = constant(12, 1_000, 1);
        let horizon = Horizon::new(&demand, day("2026-01-01"), 1, &[], 1, 1).expect("covered");
        let lead = LeadTime { median_days: 20, worst_days: 60 };
        let mut days: Vec<i64> = (0..1_000).map(|path| horizon.lead_days(path, lead)).collect();
        days.sort_unstable();
        assert_eq!((days[500], days[950]), (20, 60));
        assert!(days[999] < 100);
        assert_eq!(horizon.lead_days(5, LeadTime::fixed(9)), 9);
    }

    #[test]
    fn a_day_that_the_forecast_does_not_know_is_refused() {
        let demand = constant(3, 1, 1);
        let rule =
            |on: &str| Horizon::new(&demand, day(on), 1, &[], 1, 1).err().map(|error| error.rule());
        assert_eq!(rule("2025-10-31"), Some("forecast-elsewhere"));
        assert_eq!(rule("2025-11-01"), None);
        assert_eq!(rule("2026-03-31"), None);
        assert_eq!(rule("2026-04-01"), Some("forecast-elsewhere"));
    }

    #[test]
    fn chances_agree_with_what_is_drawn() {
        let values = (0..3_000).flat_map(|path| [path % 5, path % 7, path % 3]).collect();
        let demand = DemandPaths::new(day("2026-01-01"), 3, values).expect("paths");
        let horizon = Horizon::new(&demand, day("2026-01-11"), 1, &[], 1, 1).expect("covered");
        for days in [5, 21, 40, 60] {
            let (mut mean, mut chance_of_none) = (0.0, 0.0);
            let (mut drawn, mut drawn_none, mut stated) = (0.0, 0.0, 0.0);
            for path in 0..horizon.paths() {
                horizon.chances_until(path, days, |units, chance| {
                    mean += f64::from(units) * chance;
                    chance_of_none += if units == 0 { chance } else { 0.0 };
                });
                stated += horizon.mean_until(path, days);
                drawn += f64::from(horizon.until(path, days));
                drawn_none += f64::from(u32::from(horizon.until(path, days) == 0));
            }
            assert!((mean - stated).abs() < 1e-6 * stated, "{days}: {mean} {stated}");
            assert!((mean - drawn).abs() < 0.05 * drawn, "{days}: {mean} {drawn}");
            // Within the first month a drawn path moves in step with what it took before the first
            // day: its mean is right, its spread is not, which is why chances are used there.
            if days > 21 {
                assert!((chance_of_none - drawn_none).abs() < 75.0, "{days}: {drawn_none}");
            }
        }
    }

    proptest! {
        #[test]
        fn need_never_falls_as_days_go_on(
            values in prop::collection::vec(0_u32..80, 24), on in 1_u32..28, seed in 0_u64..50,
        ) {
            let demand = DemandPaths::new(day("2026-01-01"), 6, values).expect("paths");
            let on = NaiveDate::from_ymd_opt(2026, 2, on).expect("a date");
            let horizon = Horizon::new(&demand, on, 1, &[], seed, 3).expect("covered");
            for path in 0..horizon.paths() {
                let mut before = 0;
                for day in 0..400 {
                    let now = horizon.until(path, day);
                    prop_assert!(now >= before);
                    before = now;
                }
            }
        }
    }
}
