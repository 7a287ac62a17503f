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

use crate::model::{CompiledMode, Model, NOWHERE};
use crate::patterns::{Item, Whole};
use crate::state::{Place, State};

/// A quantity of money: `f64` cents while climbing, `i128` thousandths of a cent for the proof.
pub(crate) trait Money:
    Copy
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
}

/// Where each kind of row begins in a vector of prices.
#[derive(Clone, Debug)]
pub(crate) struct Rows {
    pub week: usize,
    pub bay: usize,
    pub kit: usize,
    pub pool: usize,
    /// Worth of each visit, used where skills are kept whole.
    pub visit: usize,
    /// Prices of secondary minutes of whole skills follow from here.
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
    /// The visit each one follows in its tree, and the gap.
    leader: Vec<Option<(u32, i64)>>,
    /// Whether somebody follows it in its tree.
    leads: Vec<bool>,
    /// By visit: it may not be left out.
    pub must: Vec<bool>,
    /// The skills whose days are kept whole.
    pub whole: Whole,
}

/// Sums of prices that make the price of a column a handful of additions.
#[derive(Clone, Debug)]
struct Tables<N> {
    minute: Vec<N>,
    bay: Vec<N>,
    kit: Vec<N>,
    pool_before: Vec<N>,
    pool_after: Vec<N>,
    secondary: Vec<N>,
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
    from: Vec<Option<Followed<N>>>,
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
        Self { visits: N::ZERO, choice, items: Vec::new(), from: vec![None; model.visits.len()] }
    }
}

impl<'m, N: Money> Relaxation<'m, N> {
    pub(crate) fn new(model: &'m Model, whole: Whole) -> Self {
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
        let mut leads = vec![false; model.visits.len()];
        for (ahead, _) in leader.iter().flatten() {
            leads[*ahead as usize] = true;
        }
        let must = model.visits.iter().map(|visit| visit.locked).collect();
        Self { model, rows: Rows::of(model), cost, order, leader, leads, must, whole }
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
            if self.leader[visit].is_none() && !self.leads[visit] {
                let pick = self.alone(visit, y, &tables, &mut buffer, &mut items);
                answer.visits += pick.value;
                answer.choice[visit] = pick;
                continue;
            }
            let followed = self.followed(visit, y, &tables, &answer.from, &mut buffer, &mut items);
            if self.leader[visit].is_none() {
                answer.visits += followed.best.value;
                answer.choice[visit] = followed.best;
            }
            answer.from[visit] = Some(followed);
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
        if !self.leads[visit] {
            return;
        }
        for link in self.model.links_of(visit) {
            let other = link.other as usize;
            if link.follows || self.leader[other] != Some((visit as u32, link.gap)) {
                continue;
            }
            let Some(followed) = &answer.from[other] else { continue };
            let pick = followed.when(self.model, place, link.gap);
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
        for mode in &self.model.modes {
            let range = mode.column as usize..(mode.column + mode.starts) as usize;
            self.mode_values(mode, &tables, &mut values[range]);
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
            let values = &mut buffer[..mode.starts as usize];
            self.mode_values(mode, tables, values);
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
    fn followed(
        &self,
        visit: usize,
        y: &[N],
        tables: &Tables<N>,
        from: &[Option<Followed<N>>],
        buffer: &mut [N],
        items: &mut Vec<Item<N>>,
    ) -> Followed<N> {
        let model = self.model;
        let followers: Vec<(&Followed<N>, i64)> = self.followers(visit, from).collect();
        // Left out, its followers choose freely.
        let mut left_out = self.left_out(visit);
        for (follower, _) in &followers {
            left_out += follower.best.value;
        }
        let nowhere = |value| Pick { value, place: Place::NONE, covered: false };
        let mut best = nowhere(left_out);
        let mut at_start = vec![nowhere(N::NEVER); model.open() + 1];
        for (number, mode) in model.visits[visit].modes.clone().zip(model.modes_of(visit)) {
            let values = &mut buffer[..mode.starts as usize];
            self.mode_values(mode, tables, values);
            for (start, value) in (mode.first..).zip(values.iter_mut()) {
                let place = Place { mode: number, start };
                for (follower, gap) in &followers {
                    *value += follower.when(model, place, *gap).value;
                }
            }
            let worth = self.whole.primary(number).map(|_| y[self.rows.visit + visit]);
            if let Some(worth) = worth {
                self.whole.offer(model, number, worth, values, items);
            }
            self.whole.offer_secondary(model, number, &tables.secondary, values, items);
            for (start, &value) in (mode.first..).zip(values.iter()) {
                let place = Place { mode: number, start };
                let pick = match worth {
                    Some(worth) if value < worth => Pick { value: worth, place, covered: true },
                    _ => Pick { value, place, covered: false },
                };
                if pick.value < best.value {
                    best = pick;
                }
                if pick.value < at_start[start as usize].value {
                    at_start[start as usize] = pick;
                }
            }
        }
        for t in (0..model.open()).rev() {
            if at_start[t + 1].value < at_start[t].value {
                at_start[t] = at_start[t + 1];
            }
        }
        Followed { left_out: nowhere(left_out), best, at_start }
    }

    fn followers<'a>(
        &'a self,
        visit: usize,
        from: &'a [Option<Followed<N>>],
    ) -> impl Iterator<Item = (&'a Followed<N>, i64)> {
        self.model.links_of(visit).iter().filter(|link| !link.follows).filter_map(move |link| {
            let ours = self.leader[link.other as usize] == Some((visit as u32, link.gap));
            if ours {
                from[link.other as usize].as_ref().map(|followed| (followed, link.gap))
            } else {
                None
            }
        })
    }

    /// Walks the trees from their roots and fixes what each follower chose.
    fn settle_followers(&self, answer: &mut Answer<N>) {
        for &visit in self.order.iter().rev() {
            let Some((leader, gap)) = self.leader[visit as usize] else { continue };
            let Some(followed) = &answer.from[visit as usize] else { continue };
            let ahead = answer.choice[leader as usize];
            let mut pick = followed.when(self.model, ahead.place, gap);
            // What covers the visit ahead has this one's answer in it.
            pick.covered |= ahead.covered;
            answer.choice[visit as usize] = pick;
        }
    }

    /// Cost with priced use for each start of a mode.
    fn mode_values(&self, mode: &CompiledMode, tables: &Tables<N>, values: &mut [N]) {
        let model = self.model;
        let open = model.open();
        let (first, starts) = (mode.first as usize, mode.starts as usize);
        if starts == 0 {
            return;
        }
        values.copy_from_slice(&self.cost[mode.column as usize..mode.column as usize + starts]);
        for (at, used) in mode.uses.clone().zip(model.uses_of(mode)) {
            if self.whole.is_primary(at) {
                continue;
            }
            if let Some(row) = self.whole.secondary_row(at) {
                for (value, &price) in values.iter_mut().zip(&tables.secondary[row..]) {
                    *value += price;
                }
                continue;
            }
            let from = used.skill as usize * open + first + used.offset as usize;
            for (value, &price) in values.iter_mut().zip(&tables.minute[from..from + starts]) {
                *value += price.times(used.minutes);
            }
        }
        let bay = mode.bay as usize * (open + 1) + first;
        let ends = &tables.bay[bay + mode.length as usize..];
        for ((value, &before), &after) in values.iter_mut().zip(&tables.bay[bay..]).zip(ends) {
            *value += after - before;
        }
        for take in model.takes_of(mode) {
            let from = take.kit as usize * open + first;
            for (value, &price) in values.iter_mut().zip(&tables.kit[from..from + starts]) {
                *value += price.times(take.pieces);
            }
        }
        if mode.out {
            let from = model.visits[mode.visit as usize].pool as usize * open + first;
            let ends = &tables.pool_after[from + mode.length as usize - 1..];
            for ((value, &before), &after) in
                values.iter_mut().zip(&tables.pool_before[from..]).zip(ends)
            {
                *value += after - before;
            }
        }
    }

    fn tables(&self, y: &[N]) -> Tables<N> {
        let (model, rows) = (self.model, &self.rows);
        let open = model.open();
        let mut minute = Vec::with_capacity(model.skills * open);
        for skill in 0..model.skills {
            for t in 0..open {
                let week = model.week_of[t] as usize;
                minute.push(y[skill * open + t] + y[rows.week + skill * model.weeks + week]);
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
        let secondary = y[rows.len..].to_vec();
        Tables { minute, bay, kit, pool_before, pool_after, secondary }
    }
}

/// Best values of a visit in a tree, given the earliest open day it may start on.
#[derive(Clone, Debug)]
struct Followed<N> {
    left_out: Pick<N>,
    best: Pick<N>,
    /// Least over starts on or after each open day.
    at_start: Vec<Pick<N>>,
}

impl<N: Money> Followed<N> {
    /// The best answer when the visit ahead stands at `place`.
    fn when(&self, model: &Model, place: Place, gap: i64) -> Pick<N> {
        if place.is_none() {
            return self.best;
        }
        let (_, last) = model.span(&model.modes[place.mode as usize], place.start);
        let day = (last as i64 + gap).clamp(0, model.days as i64);
        let placed = self.at_start[model.first_open[day as usize] as usize];
        if placed.value < self.left_out.value { placed } else { self.left_out }
    }
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

fn least_of<N: Money>(values: &[N]) -> Option<(usize, N)> {
    let mut least = *values.first()?;
    for &value in values {
        if value < least {
            least = value;
        }
    }
    values.iter().position(|&value| value <= least).map(|at| (at, least))
}
