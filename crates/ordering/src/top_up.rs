//! Reaching a supplier's minimum with what is least useless.

/// A further pack that could go onto an order.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Addition {
    /// The line that it adds to; additions to one line are taken in the order given.
    pub line: usize,
    pub quantity: u64,
    /// What it costs, in minor units.
    pub money: i64,
    /// What of that money does nothing: held before it is needed, or never needed. Minor units.
    pub useless: f64,
}

/// Steps in which money is counted.
const BUCKETS: usize = 2_000;
/// Candidates looked at, the least useless for their money.
const CANDIDATES_MAX: usize = 200;

/// The additions that together cost at least `gap` and are least useless; their places in
/// `candidates`, rising. `None` where all of them together do not reach it.
///
/// A covering knapsack by dynamic programming over the money still missing, in two thousand steps;
/// each addition counts as the whole steps that it surely fills, so what is chosen always reaches
/// the gap. Exact where `gap` is below two thousand minor units; beyond, within that grain.
pub fn least_useless(candidates: &[Addition], gap: i64) -> Option<Vec<usize>> {
    if gap <= 0 {
        return Some(Vec::new());
    }
    let grain = (gap as usize).div_ceil(BUCKETS) as i64;
    let buckets = (gap as usize).div_ceil(grain as usize);
    let mut places: Vec<usize> =
        (0..candidates.len()).filter(|place| candidates[*place].money >= grain).collect();
    if places.len() > CANDIDATES_MAX {
        let share = |place: &usize| candidates[*place].useless / candidates[*place].money as f64;
        places.sort_by(|a, b| share(a).total_cmp(&share(b)).then(a.cmp(b)));
        let mut kept: Vec<usize> = places[..CANDIDATES_MAX].to_vec();
        let reached: i64 = kept.iter().map(|place| candidates[*place].money).sum();
        if reached < gap {
            kept = places;
        }
        kept.sort_unstable();
        places = kept;
    }
    let mut least = vec![f64::INFINITY; buckets + 1];
    let mut taken: Vec<Vec<bool>> = Vec::with_capacity(places.len());
    least[0] = 0.0;
    for place in &places {
        let addition = &candidates[*place];
        let filled = ((addition.money / grain) as usize).min(buckets);
        let mut row = vec![false; buckets + 1];
        for reached in (1..=buckets).rev() {
            let before = reached.saturating_sub(filled);
            let cost = least[before] + addition.useless;
            if cost < least[reached] {
                least[reached] = cost;
                row[reached] = true;
            }
        }
        taken.push(row);
    }
    if least[buckets].is_infinite() {
        return None;
    }
    let mut chosen = Vec::new();
    let mut reached = buckets;
    for (place, row) in places.iter().zip(&taken).rev() {
        if reached > 0 && row[reached] {
            chosen.push(*place);
            let filled = ((candidates[*place].money / grain) as usize).min(buckets);
            reached = reached.saturating_sub(filled);
        }
    }
    drop_spare(candidates, gap, &mut chosen);
    chosen.sort_unstable();
    Some(in_line_order(candidates, &chosen))
}

/// Whatever the gap is reached without is left out, the most useless first.
fn drop_spare(candidates: &[Addition], gap: i64, chosen: &mut Vec<usize>) {
    let mut reached: i64 = chosen.iter().map(|place| candidates[*place].money).sum();
    chosen.sort_by(|a, b| candidates[*b].useless.total_cmp(&candidates[*a].useless).then(b.cmp(a)));
    chosen.retain(|place| {
        let spare = reached - candidates[*place].money >= gap;
        if spare {
            reached -= candidates[*place].money;
        }
        !spare
    });
}

/// The same number of additions of each line, but its first ones: a third pack without the second
/// means nothing.
fn in_line_order(candidates: &[Addition], chosen: &[usize]) -> Vec<usize> {
    let mut lines: Vec<usize> = chosen.iter().map(|place| candidates[*place].line).collect();
    lines.sort_unstable();
    let mut places: Vec<usize> = Vec::with_capacity(chosen.len());
    for same in lines.chunk_by(|a, b| a == b) {
        let of_line = (0..candidates.len()).filter(|place| candidates[*place].line == same[0]);
        places.extend(of_line.take(same.len()));
    }
    places.sort_unstable();
    places
}
