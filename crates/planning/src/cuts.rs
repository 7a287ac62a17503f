//! Cuts: what whole visits cannot do to a pool, though halves of them could.
//!
//! Three visits that keep an engine out on two of three days each, one engine to spare: by halves all
//! three fit, whole only one does. Half the sum of the pool's rows of some days and of the rows "one
//! place each" of some visits, rounded down, says so:
//!
//! ```text
//! Σ ⌊(days out among them + 1 if the visit is listed) / 2⌋ ≤ ⌊(Σ engines to spare + visits listed) / 2⌋
//! ```
//!
//! where an engine short on one of the days adds one on the right. Chvátal (1973), Discrete Mathematics
//! 4, 305-337; Caprara and Fischetti (1996), Mathematical Programming 74, 221-235. For given days the
//! visits that make it hardest to keep are known at once: those that, on average over a climb's
//! answers, are out on an odd number of the days more often than not.

use crate::model::Model;
use crate::relaxation::Rows;

// Settings found by trial on the public rotation of 500 engines.

/// A pool's day counts as dear from this price on, cents.
const DEAR: f64 = 1.0;
/// Dear days from the first one of a cut on that may belong to it as well.
const WINDOW: usize = 3;
/// By how much the average answer must break a cut.
const BROKEN_BY: f64 = 0.15;
/// Cuts taken in at once from one pool, in all from one pool for the same days, and in all.
const AT_ONCE: usize = 4;
const SAME_DAYS_MAX: usize = 2;
const CUTS_MAX: usize = 400;
/// A column counts from this share of the answers on.
const SEEN: f64 = 0.01;

/// Some days of a pool and some visits of its engines, in order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Cut {
    pub pool: u32,
    pub days: Vec<u32>,
    pub visits: Vec<u32>,
}

impl Cut {
    /// Units that a visit of the pool takes when it is out from `first` to `last`.
    pub(crate) fn units(&self, visit: u32, (first, last): (usize, usize)) -> i64 {
        let out = self.days_out(first, last) as i64;
        (out + i64::from(self.visits.binary_search(&visit).is_ok())) / 2
    }

    /// How many of the days lie between `first` and `last`.
    pub(crate) fn days_out(&self, first: usize, last: usize) -> usize {
        self.days.iter().filter(|&&day| (first..=last).contains(&(day as usize))).count()
    }

    /// Units there are while no engine is short.
    pub(crate) fn capacity(&self, model: &Model) -> i64 {
        (self.spare(model) + self.visits.len() as i64).div_euclid(2)
    }

    fn spare(&self, model: &Model) -> i64 {
        self.days
            .iter()
            .map(|&day| model.slack[self.pool as usize * model.days + day as usize])
            .sum()
    }
}

/// A column out of its pool, and how often it was chosen.
struct Seen {
    visit: u32,
    first: usize,
    last: usize,
    share: f64,
}

/// Cuts that an average answer breaks, not among `known`: `share` by column, `y` the prices so far.
pub(crate) fn broken_cuts(model: &Model, share: &[f64], y: &[f64], known: &[Cut]) -> Vec<Cut> {
    let mut found = Vec::new();
    let mut of_pool: Vec<Vec<Seen>> = (0..model.pools).map(|_| Vec::new()).collect();
    for (visit, compiled) in (0..).zip(&model.visits) {
        for mode in model.modes_of(visit as usize).iter().filter(|mode| mode.out) {
            for start in mode.first..mode.first + mode.starts {
                let share = share[(mode.column + start - mode.first) as usize];
                if share > SEEN {
                    let (first, last) = model.span(mode, start);
                    of_pool[compiled.pool as usize].push(Seen { visit, first, last, share });
                }
            }
        }
    }
    let rows = Rows::of(model);
    for (pool, seen) in of_pool.iter().enumerate() {
        let dear = (0..model.days).filter(|day| {
            let row = pool * model.days + day;
            let price = y[rows.pool + row];
            model.slack[row] > 0 && price >= DEAR && price < model.shortfall_cost[pool] as f64
        });
        let dear: Vec<u32> = dear.map(|day| day as u32).collect();
        let mut broken = Vec::new();
        for at in 0..dear.len() {
            let others = &dear[at + 1..(at + 1 + WINDOW).min(dear.len())];
            for chosen in 1..1_u32 << others.len() {
                let others = others.iter().enumerate().filter(|(bit, _)| chosen >> bit & 1 == 1);
                let days = std::iter::once(dear[at]).chain(others.map(|(_, &day)| day)).collect();
                let cut = Cut { pool: pool as u32, days, visits: Vec::new() };
                broken.extend(hardest(model, seen, cut).filter(|(by, _)| *by > BROKEN_BY));
            }
        }
        broken.sort_by(|a, b| b.0.total_cmp(&a.0).then_with(|| a.1.days.cmp(&b.1.days)));
        let same_days = |cut: &Cut, list: &[Cut]| {
            list.iter().filter(|other| other.pool == cut.pool && other.days == cut.days).count()
        };
        let news = broken
            .into_iter()
            .map(|(_, cut)| cut)
            .filter(|cut| !known.contains(cut) && same_days(cut, known) < SAME_DAYS_MAX);
        found.extend(news.take(AT_ONCE));
    }
    found.truncate(CUTS_MAX.saturating_sub(known.len()));
    found
}

/// The cut of these days that the average answer breaks by most, and by how much.
fn hardest(model: &Model, seen: &[Seen], mut cut: Cut) -> Option<(f64, Cut)> {
    let mut units = 0.0;
    // Each visit's share of answers out on an odd number of the days, over a half.
    let mut over_half: Vec<(f64, u32)> = Vec::new();
    let mut joins = false;
    for of_visit in seen.chunk_by(|a, b| a.visit == b.visit) {
        let mut odd = 0.0;
        for column in of_visit {
            let out = cut.days_out(column.first, column.last);
            joins |= out > 1;
            units += column.share * (out / 2) as f64;
            odd += column.share * (out % 2) as f64;
        }
        if odd > 0.0 {
            over_half.push((odd - 0.5, of_visit[0].visit));
        }
    }
    if !joins {
        return None;
    }
    let mut listed = over_half.iter().filter(|(over, _)| *over > 0.0).count() as i64;
    // Rounding down must take a half away: else one visit goes or comes, the one that matters least.
    let turned = if (cut.spare(model) + listed).rem_euclid(2) == 1 {
        None
    } else {
        let least = over_half.iter().min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
        let &(over, visit) = least?;
        listed += if over > 0.0 { -1 } else { 1 };
        Some(visit)
    };
    for &(over, visit) in &over_half {
        if (over > 0.0) != (turned == Some(visit)) {
            units += over + 0.5;
            cut.visits.push(visit);
        }
    }
    let by = units - (cut.spare(model) + listed).div_euclid(2) as f64;
    cut.visits.sort_unstable();
    Some((by, cut))
}
