//! Skills kept whole: instead of a price for each minute, the best set of visits for each week or day.
//!
//! Prices let half a visit fit a day; a day of a mechanic takes whole ones. Where a skill is kept
//! whole, each visit that can be done by it gets a *worth* Λ (its price in the sense of Lagrange,
//! one number a visit). A start of such a visit that costs less than Λ costs Λ to the visit, and the
//! rest, Λ − cost, is what the skill's week gains by taking it. Each week chooses the set with the
//! most gain that its days, its contract and its overtime hold: a knapsack per day, joined over the
//! week by max-plus convolution. By Lagrangian decomposition (Guignard and Kim, 1987, Mathematical
//! Programming 39, 215-228) the sum is at most the cost of any plan, whatever the worths.
//!
//! A stay's minutes of a whole skill beside its main ones ("secondary") have a price per start, which
//! the visit pays and the skill's day gains.
//!
//! Where weeks would take too long the days alone are kept whole, each by itself, and the week's
//! minutes keep their price.

use crate::model::{Model, NOWHERE};
use crate::relaxation::Money;
use crate::weeks::{DayOffer, Filler, WeekLimits, joins};

/// What of a skill holds whole pieces of work instead of minutes at a price.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Kept {
    Nothing,
    /// Each day; the week's minutes still have a price.
    Days,
    /// Each week with its days, its contract and its overtime.
    Weeks,
}

/// Which skills are kept whole, and by which of its uses a mode belongs to one.
#[derive(Clone, Debug)]
pub(crate) struct Whole {
    pub skills: Vec<Kept>,
    /// By mode: its main use, an index in the model's uses.
    primary_of: Vec<u32>,
    /// By use: whether it is its mode's main one.
    is_primary: Vec<bool>,
    /// By use: where the prices of its starts begin if it is another of a whole skill's.
    secondary_row: Vec<u32>,
    /// Prices of secondary minutes, one per use and start.
    pub secondary: usize,
}

/// Cells a step with whole weeks may fill; more takes too long to climb within a few seconds.
const STEP_WORK_MAX: u64 = 20_000_000;
/// Cells of a week's days that are held at once; when proven they take sixteen bytes each, and there may
/// be twice as many.
const WEEK_CELLS_MAX: u64 = 4_000_000;
/// Pieces of work a day may hold to be kept whole by itself; with more, its last minutes weigh little.
const PIECES_MAX: f64 = 12.0;

/// Something a whole skill may take on a day.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Item<N> {
    /// `skill × open days + day`.
    pub cell: u32,
    pub minutes: u32,
    pub gain: N,
    pub mode: u32,
    pub start: u32,
    /// [`NOWHERE`] for the mode's main use; else the price that the visit pays for this one.
    pub row: u32,
}

impl<N> Item<N> {
    /// Whether it stands for the visit's stay, and not for minutes beside it.
    pub(crate) const fn is_primary(&self) -> bool {
        self.row == NOWHERE
    }
}

impl Whole {
    pub(crate) fn none(model: &Model) -> Self {
        Self::of(model, vec![Kept::Nothing; model.skills])
    }

    /// Keeps `skills` whole. A mode belongs to the whole skill it needs most minutes of, to one whose
    /// weeks are whole rather than to one whose days are.
    pub(crate) fn of(model: &Model, skills: Vec<Kept>) -> Self {
        let mut whole = Self {
            primary_of: vec![NOWHERE; model.modes.len()],
            is_primary: vec![false; model.uses.len()],
            secondary_row: vec![NOWHERE; model.uses.len()],
            secondary: 0,
            skills,
        };
        for (number, mode) in model.modes.iter().enumerate() {
            // A visit that follows another keeps a price per start: a worth would hide from the one
            // ahead on which days it is dear.
            let follows = model.links_of(mode.visit as usize).iter().any(|link| link.follows);
            let uses = mode.uses.clone().zip(model.uses_of(mode));
            let main = uses
                .filter(|(_, used)| whole.keeps(used.skill) && !follows)
                .max_by_key(|(_, used)| (whole.skills[used.skill as usize], used.minutes));
            if let Some((at, _)) = main {
                whole.primary_of[number] = at;
                whole.is_primary[at as usize] = true;
            }
            for (at, used) in mode.uses.clone().zip(model.uses_of(mode)) {
                if whole.keeps(used.skill) && !whole.is_primary[at as usize] {
                    whole.secondary_row[at as usize] = whole.secondary as u32;
                    whole.secondary += mode.starts as usize;
                }
            }
        }
        whole
    }

    /// Sets of skills worth keeping whole, the first to try last: the skill whose days hold the
    /// fewest pieces alone, then with the next one, as long as a step stays affordable; at the end the
    /// days of those whose weeks are not.
    pub(crate) fn stages(model: &Model) -> Vec<Self> {
        let mut skills: Vec<(f64, usize)> =
            (0..model.skills).map(|skill| (pieces_a_day(model, skill), skill)).collect();
        skills.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let (mut kept, mut stages) = (vec![Kept::Nothing; model.skills], Vec::new());
        let mut dear = Vec::new();
        for (pieces, skill) in skills {
            kept[skill] = Kept::Weeks;
            let whole = Self::of(model, kept.clone());
            if !pieces.is_finite() || whole.step_work(model) > STEP_WORK_MAX {
                kept[skill] = Kept::Nothing;
                if pieces <= PIECES_MAX {
                    dear.push(skill);
                }
                continue;
            }
            stages.insert(0, whole);
        }
        if !dear.is_empty() {
            dear.iter().for_each(|&skill| kept[skill] = Kept::Days);
            stages.insert(0, Self::of(model, kept));
        }
        stages
    }

    fn keeps(&self, skill: u32) -> bool {
        self.skills[skill as usize] != Kept::Nothing
    }

    /// Cells that a step fills at most, roughly: knapsacks and joins; beyond all measure where one week
    /// would take too much memory.
    fn step_work(&self, model: &Model) -> u64 {
        let open = model.open();
        let mut offered = vec![0_u64; model.day_minutes.len()];
        let mut minutes = vec![0_u64; model.day_minutes.len()];
        for mode in &model.modes {
            for used in model.uses_of(mode).iter().filter(|used| self.keeps(used.skill)) {
                for start in mode.first..mode.first + mode.starts {
                    let cell = used.skill as usize * open + (start + used.offset) as usize;
                    offered[cell] += 1;
                    minutes[cell] = minutes[cell].saturating_add(used.minutes as u64);
                }
            }
        }
        let limit = |cell: usize| minutes[cell].min(model.day_minutes[cell] as u64);
        let mut work = 0_u64;
        for skill in 0..model.skills {
            let cells: Vec<usize> = (skill * open..(skill + 1) * open).collect();
            for week in cells.chunk_by(|a, b| model.week_of[a % open] == model.week_of[b % open]) {
                let filled = week.iter().fold(0_u64, |filled, &cell| {
                    filled.saturating_add((offered[cell] / 2).saturating_mul(limit(cell)))
                });
                if filled > WEEK_CELLS_MAX {
                    return u64::MAX;
                }
                let limits: Vec<u64> =
                    week.iter().map(|&cell| limit(cell)).filter(|&limit| limit > 0).collect();
                work = work.saturating_add(filled).saturating_add(joins(&limits));
            }
        }
        work
    }

    pub(crate) fn any(&self) -> bool {
        self.skills.iter().any(|kept| *kept != Kept::Nothing)
    }

    /// The main use of a mode that belongs to a whole skill.
    pub(crate) fn primary(&self, mode: u32) -> Option<u32> {
        Some(self.primary_of[mode as usize]).filter(|&at| at != NOWHERE)
    }

    /// Offers each start that costs less than the visit's worth to the skill's day.
    pub(crate) fn offer<N: Money>(
        &self,
        model: &Model,
        mode: u32,
        worth: N,
        values: &[N],
        items: &mut Vec<Item<N>>,
    ) {
        let Some(at) = self.primary(mode) else { return };
        let used = model.uses[at as usize];
        let cell = used.skill * model.open() as u32 + used.offset;
        for (start, &value) in (model.modes[mode as usize].first..).zip(values) {
            if value < worth {
                let gain = worth - value;
                items.push(Item {
                    cell: cell + start,
                    minutes: used.minutes as u32,
                    gain,
                    mode,
                    start,
                    row: NOWHERE,
                });
            }
        }
    }

    /// Where the prices of a use's starts begin among the secondary ones.
    pub(crate) fn secondary_row(&self, at: u32) -> Option<usize> {
        Some(self.secondary_row[at as usize]).filter(|&row| row != NOWHERE).map(|row| row as usize)
    }

    /// Offers the other uses of whole skills for what the visit pays for them; `values` tell the
    /// starts that are no choice at all.
    pub(crate) fn offer_secondary<N: Money>(
        &self,
        model: &Model,
        mode: u32,
        prices: &[N],
        values: &[N],
        items: &mut Vec<Item<N>>,
    ) {
        let compiled = &model.modes[mode as usize];
        for at in compiled.uses.clone() {
            let Some(row) = self.secondary_row(at) else { continue };
            let used = model.uses[at as usize];
            let cell = used.skill * model.open() as u32 + used.offset;
            for (start, (&value, &gain)) in
                (compiled.first..).zip(values.iter().zip(&prices[row..]))
            {
                if gain > N::ZERO && value + value < N::NEVER {
                    let row = row as u32 + (start - compiled.first);
                    let minutes = used.minutes as u32;
                    items.push(Item { cell: cell + start, minutes, gain, mode, start, row });
                }
            }
        }
    }
}

/// How many of a skill's pieces of work a mean day holds; infinite where it has none.
fn pieces_a_day(model: &Model, skill: usize) -> f64 {
    let days = &model.day_minutes[skill * model.open()..][..model.open()];
    let worked: Vec<f64> =
        days.iter().filter(|minutes| **minutes > 0).map(|&minutes| minutes as f64).collect();
    let pieces = model
        .uses
        .iter()
        .filter(|used| used.skill as usize == skill)
        .map(|used| used.minutes as f64);
    let (count, sum) =
        pieces.fold((0.0, 0.0), |(count, sum), minutes| (count + 1.0, sum + minutes));
    if worked.is_empty() || sum <= 0.0 {
        return f64::INFINITY;
    }
    worked.iter().sum::<f64>() / worked.len() as f64 / (sum / count)
}

/// What the whole skills' weeks and days choose.
#[derive(Clone, Debug)]
pub(crate) struct Weeks<N> {
    /// The most they gain together.
    pub gain: N,
    /// Which of the items they take.
    pub taken: Vec<usize>,
    /// Cells filled to find it.
    pub cells: u64,
}

/// The best choice of every week or day of the whole skills; sorts `items` by cell.
///
/// `O(items × day minutes)` at most, and a convolution of days for each day of a week but two.
pub(crate) fn best_patterns<N: Money>(
    model: &Model,
    whole: &Whole,
    items: &mut Vec<Item<N>>,
) -> Weeks<N> {
    sort_by_cell(model, items);
    let open = model.open();
    let mut weeks = Weeks { gain: N::ZERO, taken: Vec::new(), cells: 0 };
    let mut filler = Filler::default();
    for skill in 0..model.skills {
        match whole.skills[skill] {
            Kept::Nothing => {}
            Kept::Days => {
                for cell in skill * open..(skill + 1) * open {
                    take_day(model, cell as u32, items, &mut weeks);
                }
            }
            Kept::Weeks => take_weeks(model, skill, items, &mut filler, &mut weeks),
        }
    }
    weeks.cells += filler.cells;
    weeks
}

/// The best set of every week of a skill.
fn take_weeks<N: Money>(
    model: &Model,
    skill: usize,
    items: &[Item<N>],
    filler: &mut Filler<N>,
    weeks: &mut Weeks<N>,
) {
    let open = model.open();
    let (mut first, mut days) = (0, Vec::new());
    while first < open {
        let week = model.week_of[first];
        let end = (first..open).find(|&t| model.week_of[t] != week).unwrap_or(open);
        days.clear();
        days.extend((first..end).filter_map(|t| day_offer(model, skill * open + t, items)));
        let row = skill * model.weeks + week as usize;
        let limits = WeekLimits {
            contract: model.week_minutes[row] as usize,
            overtime: model.week_overtime[row] as usize,
            cost: N::of_cents(model.overtime_cost[skill]),
        };
        weeks.gain += filler.fill(items, &days, &limits, &mut weeks.taken);
        first = end;
    }
}

/// What a day may choose from; `None` where there is nothing.
fn day_offer<N>(model: &Model, cell: usize, items: &[Item<N>]) -> Option<DayOffer> {
    let from = items.partition_point(|item| (item.cell as usize) < cell);
    let until = from + items[from..].partition_point(|item| item.cell as usize <= cell);
    (from < until).then(|| DayOffer { items: from..until, limit: model.day_minutes[cell] as usize })
}

/// Puts `items` in order of cell, mode, start and row: into the cells in one pass, for they are many.
fn sort_by_cell<N: Money>(model: &Model, items: &mut Vec<Item<N>>) {
    let mut ends = vec![0_u32; model.day_minutes.len() + 1];
    items.iter().for_each(|item| ends[item.cell as usize + 1] += 1);
    for cell in 1..ends.len() {
        ends[cell] += ends[cell - 1];
    }
    let Some(&any) = items.first() else { return };
    let mut sorted = vec![any; items.len()];
    for item in &*items {
        let at = &mut ends[item.cell as usize];
        sorted[*at as usize] = *item;
        *at += 1;
    }
    for of_cell in sorted.chunk_by_mut(|a, b| a.cell == b.cell) {
        of_cell.sort_unstable_by_key(|item| (item.mode, item.start, item.row));
    }
    *items = sorted;
}

/// The best set of a day by itself.
///
/// By gain a minute, the best set takes nearly all of the dearest items and nearly none of the others:
/// what loses more by being turned over than the best set known is below the bound by fractions is
/// settled, and a knapsack chooses among the few in between. Dantzig (1957), Operations Research 5,
/// 266-288; Ingargiola and Korsh (1973), Management Science 20, 460-463.
fn take_day<N: Money>(model: &Model, cell: u32, items: &[Item<N>], weeks: &mut Weeks<N>) {
    let limit = model.day_minutes[cell as usize];
    let from = items.partition_point(|item| item.cell < cell);
    let until = items.partition_point(|item| item.cell <= cell);
    let minutes = |at: usize| i64::from(items[at].minutes);
    let mut order: Vec<usize> = (from..until).filter(|&at| minutes(at) <= limit).collect();
    weeks.cells += 10 * order.len() as u64;
    let worth_a_minute = |at: usize| items[at].gain.rough() / minutes(at) as f64;
    order
        .sort_unstable_by(|&a, &b| worth_a_minute(b).total_cmp(&worth_a_minute(a)).then(a.cmp(&b)));
    let (mut left, mut gain, mut split) = (limit, N::ZERO, 0);
    while split < order.len() && minutes(order[split]) <= left {
        left -= minutes(order[split]);
        gain += items[order[split]].gain;
        split += 1;
    }
    if split == order.len() {
        weeks.gain += gain;
        weeks.taken.extend(order);
        return;
    }
    // At the price of the first item that does not fit; all times its minutes, so that nothing is
    // divided. For any price this bounds every set, and what is turned over loses its margin.
    let unit = minutes(order[split]);
    let price = items[order[split]].gain;
    let margin = |at: usize| (items[at].gain.times(unit), price.times(minutes(at)));
    let mut bound = price.times(limit);
    for &at in &order {
        let (own, fair) = margin(at);
        if own > fair {
            bound += own - fair;
        }
    }
    let mut greedy = order[..split].to_vec();
    let (mut least, mut rest) = (gain, left);
    for &at in &order[split..] {
        if minutes(at) <= rest {
            rest -= minutes(at);
            least += items[at].gain;
            greedy.push(at);
        }
    }
    let (mut room, mut settled) = (limit, N::ZERO);
    let mut taken = Vec::new();
    let mut core = Vec::new();
    for &at in &order {
        let (own, fair) = margin(at);
        let loss = if own > fair { own - fair } else { fair - own };
        if bound - loss > least.times(unit) {
            core.push(at);
        } else if own > fair {
            room -= minutes(at);
            settled += items[at].gain;
            taken.push(at);
        }
    }
    // Without room for what any better set must take, there is none.
    let room = usize::try_from(room).ok();
    let better =
        room.map(|room| best_of(items, &core, room)).filter(|(best, _)| settled + *best > least);
    weeks.cells += (core.len() * room.map_or(0, |room| room + 1)) as u64;
    if let Some((best, chosen)) = better {
        weeks.gain += settled + best;
        weeks.taken.extend(taken.into_iter().chain(chosen));
    } else {
        weeks.gain += least;
        weeks.taken.extend(greedy);
    }
}

/// The most that some of the items at `core` gain within `room` minutes, and which.
fn best_of<N: Money>(items: &[Item<N>], core: &[usize], room: usize) -> (N, Vec<usize>) {
    let width = room + 1;
    let mut gain = vec![N::ZERO; width];
    let mut taken = vec![false; core.len() * width];
    for (&at, row) in core.iter().zip(taken.chunks_exact_mut(width)) {
        let item = &items[at];
        for minutes in (item.minutes as usize..width).rev() {
            let with = gain[minutes - item.minutes as usize] + item.gain;
            if with > gain[minutes] {
                (gain[minutes], row[minutes]) = (with, true);
            }
        }
    }
    let mut minutes = room;
    let mut chosen = Vec::new();
    for (number, &at) in core.iter().enumerate().rev() {
        if taken[number * width + minutes] {
            chosen.push(at);
            minutes -= items[at].minutes as usize;
        }
    }
    (gain[room], chosen)
}
