//! The Lagrangian relaxation: prices on everything shared, each visit free to choose by itself.
//!
//! ```text
//! L(y) = Σ_trees min Σ (cost + priced use) − Σ_rows yᵣ·capacityᵣ − Σ_weeks max(0, y − overtime cost)·overtime
//! ```
//!
//! Rows: minutes by skill and day, minutes by skill and week (overtime bought at its cost, up to its
//! limit), places by bay and day, pieces by kit and stretch between receipts (cumulated), engines by
//! pool and day (shortfall bought at its cost). For every y ≥ 0 with pool prices at most the
//! shortfall cost, L(y) is at most the cost of any plan; Geoffrion (1974), Mathematical Programming
//! Study 2, 82-114. Visits joined by `after` form trees, each solved whole by dynamic programming;
//! what the trees leave out (a second `after` of one visit, two visits of one engine without an
//! `after`) is relaxed. A column that does not fit the empty workshop is not a choice.

use std::collections::HashMap;

use crate::cuts::Cut;
use crate::model::{CompiledMode, Model, NOWHERE};
use crate::patterns::{Item, Kept, Whole};
use crate::state::{Place, State};

/// A quantity of money: `f64` cents while climbing, `i128` thousandths of a cent for the proof.
pub(crate) trait Money:
    Copy
    + Default
    + PartialOrd
    + std::ops::Add<Output = Self>
    + std::ops::AddAssign
    + std::ops::Sub<Output = Self>
    + Send
    + Sync
{
    const ZERO: Self;
    /// More than any plan costs; adding a few of them does not overflow.
    const NEVER: Self;
    fn of_cents(cents: i64) -> Self;
    fn times(self, count: i64) -> Self;
    /// About this much, to put amounts in order.
    fn rough(self) -> f64;
}

impl Money for f64 {
    const ZERO: Self = 0.0;
    const NEVER: Self = 1e18;
    fn of_cents(cents: i64) -> Self {
        cents as f64
    }
    fn times(self, count: i64) -> Self {
        self * count as f64
    }
    fn rough(self) -> f64 {
        self
    }
}

impl Money for i128 {
    const ZERO: Self = 0;
    const NEVER: Self = Self::MAX >> 40;
    fn of_cents(cents: i64) -> Self {
        Self::from(cents) * 1000
    }
    fn times(self, count: i64) -> Self {
        self * Self::from(count)
    }
    fn rough(self) -> f64 {
        self as f64
    }
}

/// Columns, modes, visits of trees and rows that are priced in the time of a search's move.
const COLUMNS_PER_UNIT: usize = 900;
const MODES_PER_UNIT: usize = 12;
const LINKED_PER_UNIT: usize = 2;
const ROWS_PER_UNIT: usize = 60;

/// Where each kind of row begins in a vector of prices.
#[derive(Clone, Debug)]
pub(crate) struct Rows {
    pub week: usize,
    pub bay: usize,
    pub kit: usize,
    pub pool: usize,
    /// Worth of each visit, used where skills are kept whole.
    pub visit: usize,
    /// Prices of secondary minutes of whole skills follow from here, then those of cuts.
    pub len: usize,
}

/// The relaxation of one model, its columns' costs in `N`.
#[derive(Clone, Debug)]
pub(crate) struct Relaxation<'m, N> {
    pub model: &'m Model,
    pub rows: Rows,
    /// Cost of each column; [`Money::NEVER`] where it does not fit the empty workshop.
    pub cost: Vec<N>,
    /// Visits with followers after their followers.
    order: Vec<u32>,
    /// The visit each one follows in its tree, and by which of `ready`.
    leader: Vec<Option<(u32, u32)>>,
    /// The visits that follow each one in its tree, and by which of `ready`.
    followers: Vec<Vec<(u32, u32)>>,
    /// For each gap of an `after`, by the last open day of the visit ahead: the first open day of the
    /// one behind.
    ready: Vec<Vec<u32>>,
    /// By visit: it may not be left out.
    pub must: Vec<bool>,
    /// The skills whose days are kept whole.
    pub whole: Whole,
    cuts: Vec<Cut>,
    /// Cell of `Tables::stay`, cut, and units that a visit takes which the cut does not list.
    cut_stays: Vec<(u32, u32, i64)>,
    /// By mode, start (from its first) and cut: what a listed visit takes beyond that, one unit each.
    listed: Vec<Vec<(u32, u32)>>,
    /// What modes take beside minutes, each kind once, and the kind of each mode.
    stays: Vec<Stay>,
    stay_of: Vec<u32>,
}

/// What a mode takes beside minutes; many modes share one, so it is priced once a day for all.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
struct Stay {
    bay: u32,
    length: u32,
    /// The pool that the engine is out of.
    pool: Option<u32>,
    /// Kit and pieces.
    takes: Vec<(u32, i64)>,
}

/// Sums of prices that make the price of a column a handful of additions.
#[derive(Clone, Debug)]
struct Tables<N> {
    /// `[skill × open days + t]`, a minute.
    minute: Vec<N>,
    /// `[stay × open days + t]`, all that a stay takes beside minutes.
    stay: Vec<N>,
    secondary: Vec<N>,
    cuts: Vec<N>,
}

/// What each visit chose at some prices.
#[derive(Clone, Debug)]
pub(crate) struct Answer<N> {
    /// Sum over the trees, in `N`; the constant part is not in it.
    pub visits: N,
    pub choice: Vec<Pick<N>>,
    /// What the whole skills may choose from.
    pub items: Vec<Item<N>>,
    /// For each visit of a tree, its best answers by earliest start.
    from: Vec<Followed<N>>,
}

/// A value and the place that gives it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pick<N> {
    pub value: N,
    pub place: Place,
    /// The value is the visit's worth alone: a whole skill accounts for the place and what it uses.
    pub covered: bool,
}

impl<N: Money> Answer<N> {
    pub(crate) fn new(model: &Model) -> Self {
        let choice =
            vec![Pick { value: N::ZERO, place: Place::NONE, covered: false }; model.visits.len()];
        Self {
            visits: N::ZERO,
            choice,
            items: Vec::new(),
            from: vec![Followed::default(); model.visits.len()],
        }
    }
}

impl<'m, N: Money> Relaxation<'m, N> {
    pub(crate) fn new(model: &'m Model, whole: Whole, cuts: Vec<Cut>) -> Self {
        let empty = State::empty(model);
        let mut cost: Vec<N> = model.cost.iter().map(|&cents| N::of_cents(cents)).collect();
        for mode in &model.modes {
            for start in mode.first..mode.first + mode.starts {
                if empty.block(mode.visit as usize, mode, start).is_some() {
                    cost[(mode.column + start - mode.first) as usize] = N::NEVER;
                }
            }
        }
        let (leader, order) = trees(model);
        let mut gaps: Vec<i64> = leader.iter().flatten().map(|(_, gap)| *gap).collect();
        gaps.sort_unstable();
        gaps.dedup();
        let ready = gaps.iter().map(|&gap| ready_after(model, gap)).collect();
        let number = |gap: i64| gaps.partition_point(|&known| known < gap) as u32;
        let leader: Vec<Option<(u32, u32)>> = leader
            .into_iter()
            .map(|ahead| ahead.map(|(ahead, gap)| (ahead, number(gap))))
            .collect();
        let mut followers = vec![Vec::new(); model.visits.len()];
        for (visit, ahead) in (0..).zip(&leader) {
            if let Some((ahead, gap)) = ahead {
                followers[*ahead as usize].push((visit, *gap));
            }
        }
        let must = model.visits.iter().map(|visit| visit.locked).collect();
        let mut known = HashMap::new();
        let mut stays = Vec::new();
        let stay_of = model.modes.iter().map(|mode| {
            let stay = Stay::of(model, mode);
            *known.entry(stay.clone()).or_insert_with(|| {
                stays.push(stay);
                stays.len() as u32 - 1
            })
        });
        let stay_of = stay_of.collect();
        let mut relaxation = Self {
            model,
            rows: Rows::of(model),
            cost,
            order,
            leader,
            followers,
            ready,
            must,
            whole,
            cuts: Vec::new(),
            cut_stays: Vec::new(),
            listed: vec![Vec::new(); model.modes.len()],
            stays,
            stay_of,
        };
        cuts.into_iter().for_each(|cut| relaxation.add_cut(cut));
        relaxation
    }

    /// Adds a cut; its price follows those of the cuts there are.
    pub(crate) fn add_cut(&mut self, cut: Cut) {
        let (model, number) = (self.model, self.cuts.len() as u32);
        let open = model.open();
        for (kind, stay) in self.stays.iter().enumerate() {
            if stay.pool != Some(cut.pool) {
                continue;
            }
            for start in 0..(open + 1).saturating_sub(stay.length as usize) {
                let last = model.open_days[start + stay.length as usize - 1];
                let units = cut.days_out(model.open_days[start], last) as i64 / 2;
                if units > 0 {
                    self.cut_stays.push(((kind * open + start) as u32, number, units));
                }
            }
        }
        for &visit in &cut.visits {
            for number_of_mode in model.visits[visit as usize].modes.clone() {
                let mode = &model.modes[number_of_mode as usize];
                let odd = (0..mode.starts).filter(|&start| {
                    let (first, last) = model.span(mode, mode.first + start);
                    mode.out && cut.days_out(first, last) % 2 == 1
                });
                self.listed[number_of_mode as usize].extend(odd.map(|start| (start, number)));
            }
        }
        self.cuts.push(cut);
    }

    pub(crate) fn cuts(&self) -> &[Cut] {
        &self.cuts
    }

    /// Where the prices of cuts begin.
    pub(crate) const fn cut_row(&self) -> usize {
        self.rows.len + self.whole.secondary
    }

    /// About what an answer takes, in units of a search's move.
    pub(crate) fn answer_work(&self) -> u64 {
        let linked = self
            .order
            .iter()
            .map(|&visit| visit as usize)
            .filter(|&visit| self.leader[visit].is_some() || !self.followers[visit].is_empty());
        let work = self.cost.len() / COLUMNS_PER_UNIT
            + self.model.modes.len() / MODES_PER_UNIT
            + linked.count() / LINKED_PER_UNIT
            + self.rows.len / ROWS_PER_UNIT;
        work.max(1) as u64
    }

    /// Looks at one tree of visits in `one_in` from here on, spread evenly over the instance; answers
    /// the share of visits that stay.
    pub(crate) fn sample(&mut self, one_in: usize) -> f64 {
        let all = self.order.len();
        let mut root: Vec<usize> = (0..all).collect();
        for &visit in self.order.iter().rev() {
            if let Some((leader, _)) = self.leader[visit as usize] {
                root[visit as usize] = root[leader as usize];
            }
        }
        self.order.retain(|&visit| root[visit as usize].is_multiple_of(one_in));
        self.order.len() as f64 / all.max(1) as f64
    }

    /// Each visit's, or tree's, cheapest choice at prices `y`.
    pub(crate) fn answer(&self, y: &[N], answer: &mut Answer<N>) {
        let tables = self.tables(y);
        let mut buffer = vec![N::ZERO; self.model.open()];
        let mut items = std::mem::take(&mut answer.items);
        items.clear();
        answer.visits = N::ZERO;
        for &visit in &self.order {
            let visit = visit as usize;
            if self.leader[visit].is_none() && self.followers[visit].is_empty() {
                let pick = self.alone(visit, y, &tables, &mut buffer, &mut items);
                answer.visits += pick.value;
                answer.choice[visit] = pick;
                continue;
            }
            let mut followed = std::mem::take(&mut answer.from[visit]);
            self.follow(visit, y, &tables, &answer.from, (&mut buffer, &mut items), &mut followed);
            if self.leader[visit].is_none() {
                let best = followed.pick_from(0);
                answer.visits += best.value;
                answer.choice[visit] = best;
            }
            answer.from[visit] = followed;
        }
        answer.items = items;
        self.settle_followers(answer);
    }

    /// The visit that `visit` follows in its tree.
    pub(crate) fn leader_of(&self, visit: usize) -> Option<usize> {
        self.leader[visit].map(|(leader, _)| leader as usize)
    }

    /// Calls `visit_place(visit, pick)` for everyone who follows `visit` when it stands at `place`,
    /// down its tree; what a whole skill covers is passed over with its own followers.
    pub(crate) fn each_follower(
        &self,
        visit: usize,
        place: Place,
        answer: &Answer<N>,
        visit_place: &mut impl FnMut(usize, &Pick<N>),
    ) {
        for &(other, gap) in &self.followers[visit] {
            let other = other as usize;
            let pick = self.pick_when(&answer.from[other], place, gap);
            visit_place(other, &pick);
            if !pick.covered {
                self.each_follower(other, pick.place, answer, visit_place);
            }
        }
    }

    /// Value of every column at prices `y`, without what its followers would pay.
    pub(crate) fn column_values(&self, y: &[N]) -> Vec<N> {
        let tables = self.tables(y);
        let mut values = vec![N::ZERO; self.cost.len()];
        for (number, mode) in (0..).zip(&self.model.modes) {
            let range = mode.column as usize..(mode.column + mode.starts) as usize;
            if !range.is_empty() {
                self.mode_values(number, mode, &tables, &mut values[range]);
            }
        }
        values
    }

    fn alone(
        &self,
        visit: usize,
        y: &[N],
        tables: &Tables<N>,
        buffer: &mut [N],
        items: &mut Vec<Item<N>>,
    ) -> Pick<N> {
        let model = self.model;
        let mut best = Pick { value: self.left_out(visit), place: Place::NONE, covered: false };
        for (number, mode) in model.visits[visit].modes.clone().zip(model.modes_of(visit)) {
            if mode.starts == 0 {
                continue;
            }
            let values = &mut buffer[..mode.starts as usize];
            self.mode_values(number, mode, tables, values);
            let worth = self.whole.primary(number).map(|_| y[self.rows.visit + visit]);
            if let Some(worth) = worth {
                self.whole.offer(model, number, worth, values, items);
            }
            self.whole.offer_secondary(model, number, &tables.secondary, values, items);
            let Some((at, value)) = least_of(values) else { continue };
            let place = Place { mode: number, start: mode.first + at as u32 };
            // Below its worth a column is worth exactly that: the whole skill pays the rest.
            let pick = match worth {
                Some(worth) if value < worth => Pick { value: worth, place, covered: true },
                _ => Pick { value, place, covered: false },
            };
            if pick.value < best.value {
                best = pick;
            }
        }
        best
    }

    fn left_out(&self, visit: usize) -> N {
        match self.must[visit] {
            true => N::NEVER,
            false => N::of_cents(self.model.visits[visit].unplanned_cost),
        }
    }

    /// A visit of a tree, its own followers' best answers included.
    fn follow(
        &self,
        visit: usize,
        y: &[N],
        tables: &Tables<N>,
        from: &[Followed<N>],
        (buffer, items): (&mut [N], &mut Vec<Item<N>>),
        followed: &mut Followed<N>,
    ) {
        let (model, open) = (self.model, self.model.open());
        // Left out, its followers choose freely.
        let mut left_out = self.left_out(visit);
        for &(follower, _) in &self.followers[visit] {
            left_out += from[follower as usize].least_from[0];
        }
        followed.clear(open, left_out);
        for (number, mode) in model.visits[visit].modes.clone().zip(model.modes_of(visit)) {
            if mode.starts == 0 {
                continue;
            }
            let values = &mut buffer[..mode.starts as usize];
            self.mode_values(number, mode, tables, values);
            for &(follower, gap) in &self.followers[visit] {
                let least_from = &from[follower as usize].least_from[..=open];
                let last = (mode.first + mode.length - 1) as usize;
                for (value, &earliest) in values.iter_mut().zip(&self.ready[gap as usize][last..]) {
                    *value += least_from[earliest as usize];
                }
            }
            let worth = self.whole.primary(number).map(|_| y[self.rows.visit + visit]);
            if let Some(worth) = worth {
                self.whole.offer(model, number, worth, values, items);
            }
            self.whole.offer_secondary(model, number, &tables.secondary, values, items);
            followed.offer(number, mode.first as usize, worth, values);
        }
        followed.sum_up();
    }

    /// The best answer of one that follows when the visit ahead stands at `place`.
    fn pick_when(&self, followed: &Followed<N>, place: Place, gap: u32) -> Pick<N> {
        if place.is_none() {
            return followed.pick_from(0);
        }
        let last = place.start + self.model.modes[place.mode as usize].length - 1;
        followed.pick_from(self.ready[gap as usize][last as usize])
    }

    /// Walks the trees from their roots and fixes what each follower chose.
    fn settle_followers(&self, answer: &mut Answer<N>) {
        for &visit in self.order.iter().rev() {
            let Some((leader, gap)) = self.leader[visit as usize] else { continue };
            let ahead = answer.choice[leader as usize];
            let mut pick = self.pick_when(&answer.from[visit as usize], ahead.place, gap);
            // What covers the visit ahead has this one's answer in it.
            pick.covered |= ahead.covered;
            answer.choice[visit as usize] = pick;
        }
    }

    /// Cost with priced use for each start of a mode.
    fn mode_values(&self, number: u32, mode: &CompiledMode, tables: &Tables<N>, values: &mut [N]) {
        let model = self.model;
        let open = model.open();
        let (first, starts) = (mode.first as usize, mode.starts as usize);
        let cost = &self.cost[mode.column as usize..][..starts];
        let stay = &tables.stay[self.stay_of[number as usize] as usize * open + first..][..starts];
        for ((value, &cost), &stay) in values.iter_mut().zip(cost).zip(stay) {
            *value = cost + stay;
        }
        for (at, used) in mode.uses.clone().zip(model.uses_of(mode)) {
            if let Some(row) = self.whole.secondary_row(at) {
                for (value, &price) in values.iter_mut().zip(&tables.secondary[row..]) {
                    *value += price;
                }
            }
            if self.whole.skills[used.skill as usize] == Kept::Weeks {
                continue;
            }
            let from = used.skill as usize * open + first + used.offset as usize;
            for (value, &price) in values.iter_mut().zip(&tables.minute[from..][..starts]) {
                *value += price.times(used.minutes);
            }
        }
        for &(start, cut) in &self.listed[number as usize] {
            values[start as usize] += tables.cuts[cut as usize];
        }
    }

    fn tables(&self, y: &[N]) -> Tables<N> {
        let (model, rows) = (self.model, &self.rows);
        let open = model.open();
        let mut minute = Vec::with_capacity(model.skills * open);
        for skill in 0..model.skills {
            for t in 0..open {
                let of_week = y[rows.week + skill * model.weeks + model.week_of[t] as usize];
                minute.push(match self.whole.skills[skill] {
                    Kept::Nothing => y[skill * open + t] + of_week,
                    Kept::Days => of_week,
                    Kept::Weeks => N::ZERO,
                });
            }
        }
        let mut bay = Vec::with_capacity(model.bays * (open + 1));
        for number in 0..model.bays {
            let mut sum = N::ZERO;
            bay.push(sum);
            for t in 0..open {
                sum += y[rows.bay + number * open + t];
                bay.push(sum);
            }
        }
        let mut kit = vec![N::ZERO; model.kit_rows.len() * open];
        for (number, range) in model.kit_rows.iter().enumerate() {
            for t in 0..open {
                let row = model.kit_row[number * open + t];
                for row in row..range.end {
                    kit[number * open + t] += y[rows.kit + row as usize];
                }
            }
        }
        let (mut pool_before, mut pool_after) = (Vec::new(), Vec::new());
        for pool in 0..model.pools {
            let mut sums = vec![N::ZERO];
            for day in 0..model.days {
                sums.push(sums[day] + y[rows.pool + pool * model.days + day]);
            }
            pool_before.extend(model.open_days.iter().map(|&day| sums[day]));
            pool_after.extend(model.open_days.iter().map(|&day| sums[day + 1]));
        }
        let mut stay = vec![N::ZERO; self.stays.len() * open];
        for (kind, values) in self.stays.iter().zip(stay.chunks_exact_mut(open.max(1))) {
            let length = kind.length as usize;
            if length > open {
                continue;
            }
            let bay = &bay[kind.bay as usize * (open + 1)..][..=open];
            for (value, ends) in values.iter_mut().zip(bay.windows(length + 1)) {
                *value = ends[length] - ends[0];
            }
            for &(number, pieces) in &kind.takes {
                for (value, &price) in values.iter_mut().zip(&kit[number as usize * open..]) {
                    *value += price.times(pieces);
                }
            }
            if let Some(pool) = kind.pool {
                let from = pool as usize * open;
                let (before, after) = (&pool_before[from..], &pool_after[from..from + open]);
                for ((value, &before), &after) in
                    values.iter_mut().zip(before).zip(&after[length - 1..])
                {
                    *value += after - before;
                }
            }
        }
        let (secondary, cuts) = y[rows.len..].split_at(self.whole.secondary);
        for &(cell, cut, units) in &self.cut_stays {
            stay[cell as usize] += cuts[cut as usize].times(units);
        }
        Tables { minute, stay, secondary: secondary.to_vec(), cuts: cuts.to_vec() }
    }
}

/// Best values of a visit in a tree.
#[derive(Clone, Debug, Default)]
struct Followed<N> {
    left_out: N,
    /// Least value of a start on each open day, its mode, and whether a whole skill covers it.
    value: Vec<N>,
    mode: Vec<u32>,
    covered: Vec<bool>,
    /// The least it costs if it may start on or after each open day, or is left out.
    least_from: Vec<N>,
}

impl<N: Money> Followed<N> {
    fn clear(&mut self, open: usize, left_out: N) {
        self.left_out = left_out;
        self.value.clear();
        self.value.resize(open, N::NEVER);
        self.mode.resize(open, NOWHERE);
        self.covered.clear();
        self.covered.resize(open, false);
        self.least_from.resize(open + 1, N::NEVER);
    }

    /// Takes in what a mode's starts from `first` on cost; below its worth one costs exactly that.
    fn offer(&mut self, number: u32, first: usize, worth: Option<N>, values: &[N]) {
        let known = self.value[first..].iter_mut().zip(&mut self.mode[first..]);
        let Some(worth) = worth else {
            for ((least, mode), &value) in known.zip(values) {
                let better = value < *least;
                *least = if better { value } else { *least };
                *mode = if better { number } else { *mode };
            }
            return;
        };
        for (((least, mode), covered), &value) in known.zip(&mut self.covered[first..]).zip(values)
        {
            let is_covered = value < worth;
            let value = if is_covered { worth } else { value };
            if value < *least {
                (*least, *mode, *covered) = (value, number, is_covered);
            }
        }
    }

    fn sum_up(&mut self) {
        let mut least = self.left_out;
        let rest = self.least_from.split_last_mut();
        if let Some((end, rest)) = rest {
            *end = least;
            for (&value, least_from) in self.value.iter().zip(rest).rev() {
                least = if value < least { value } else { least };
                *least_from = least;
            }
        }
    }

    /// The best answer with a start on or after open day `earliest`.
    fn pick_from(&self, earliest: u32) -> Pick<N> {
        let least = self.least_from[earliest as usize];
        let starts = earliest..self.value.len() as u32;
        let mut starts = starts.zip(&self.value[earliest as usize..]);
        match starts.find(|(_, value)| **value <= least && least < self.left_out) {
            Some((start, &value)) => {
                let place = Place { mode: self.mode[start as usize], start };
                Pick { value, place, covered: self.covered[start as usize] }
            }
            None => Pick { value: self.left_out, place: Place::NONE, covered: false },
        }
    }
}

impl Stay {
    fn of(model: &Model, mode: &CompiledMode) -> Self {
        Self {
            bay: mode.bay,
            length: mode.length,
            pool: mode.out.then(|| model.visits[mode.visit as usize].pool),
            takes: model.takes_of(mode).iter().map(|take| (take.kit, take.pieces)).collect(),
        }
    }
}

/// By last open day of a visit ahead: the open day from which one that keeps `gap` may start.
fn ready_after(model: &Model, gap: i64) -> Vec<u32> {
    let earliest = |&last: &usize| {
        let day = (last as i64 + gap).clamp(0, model.days as i64);
        model.first_open[day as usize]
    };
    model.open_days.iter().map(earliest).collect()
}

impl Rows {
    pub(crate) fn of(model: &Model) -> Self {
        let open = model.open();
        let week = model.skills * open;
        let bay = week + model.skills * model.weeks;
        let kit = bay + model.bays * open;
        let pool = kit + model.received.len();
        let visit = pool + model.pools * model.days;
        Self { week, bay, kit, pool, visit, len: visit + model.visits.len() }
    }

    /// Units of each row that are there without buying; visits' worths have none.
    pub(crate) fn capacities(&self, model: &Model) -> Vec<i64> {
        let parts =
            [&model.day_minutes, &model.week_minutes, &model.places, &model.received, &model.slack];
        let mut units: Vec<i64> = parts.into_iter().flatten().copied().collect();
        units.resize(self.len, 0);
        units
    }
}

/// For each visit the one it follows (its first `after`), and an order with followers first.
fn trees(model: &Model) -> (Vec<Option<(u32, i64)>>, Vec<u32>) {
    let count = model.visits.len();
    let leader: Vec<Option<(u32, i64)>> = (0..count)
        .map(|visit| {
            model
                .links_of(visit)
                .iter()
                .find(|link| link.follows)
                .map(|link| (link.other, link.gap))
        })
        .collect();
    let mut depth = vec![NOWHERE; count];
    for visit in 0..count {
        let mut path = Vec::new();
        let mut at = visit;
        while depth[at] == NOWHERE {
            path.push(at);
            match leader[at] {
                Some((ahead, _)) => at = ahead as usize,
                None => break,
            }
        }
        let mut reached = if depth[at] == NOWHERE { None } else { Some(depth[at]) };
        for &step in path.iter().rev() {
            let next = reached.map_or(0, |above| above + 1);
            depth[step] = next;
            reached = Some(next);
        }
    }
    let mut order: Vec<u32> = (0..count as u32).collect();
    order.sort_by_key(|&visit| std::cmp::Reverse(depth[visit as usize]));
    (leader, order)
}

/// The first of the least values.
fn least_of<N: Money>(values: &[N]) -> Option<(usize, N)> {
    // Several running minima let the processor compare side by side.
    let mut lanes = [*values.first()?; 8];
    let chunks = values.chunks_exact(8);
    for &value in chunks.remainder() {
        lanes[0] = if value < lanes[0] { value } else { lanes[0] };
    }
    for chunk in chunks {
        for (least, &value) in lanes.iter_mut().zip(chunk) {
            *least = if value < *least { value } else { *least };
        }
    }
    let least = lanes.into_iter().reduce(|a, b| if b < a { b } else { a })?;
    values.iter().position(|&value| value <= least).map(|at| (at, least))
}
