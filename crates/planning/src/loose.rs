//! The search for a cheaper plan where nearly every stay is of one day: moves and exchanges that may
//! use more than there is, at a price.
//!
//! Where dozens of short visits share a day, what keeps a plan from a better one is that the days
//! between are full by a few minutes or one engine. Here a unit used beyond what there is costs a
//! multiple of its price in the bound, and that multiple grows until next to nothing is beyond. What
//! still is, is put right when a plan is read off. Annealed after Metropolis et al. (1953), J. Chem.
//! Phys. 21, 1087-1092.

use std::sync::Arc;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::model::Model;
use crate::relaxation::Rows;
use crate::search::{Menus, has_choice};
use crate::solve::settle_greedily;
use crate::state::{Place, State};

/// Share of the modes' stays that are of one day, from which on this search is worth it. Winter
/// instances, whose stays are of several days, are better served by throwing out what is in the way.
const SHORT_SHARE: f64 = 0.9;
/// Visits from which on it is worth it: a smaller instance is searched from many sides instead.
const VISITS_MIN: usize = 300;
/// Temperatures at the beginning and the end, as shares of a visit's mean cost.
pub(crate) const HOT: f64 = 0.3;
pub(crate) const COLD: f64 = 0.005;
/// A unit beyond what there is costs so many times its price, and so much of the mean price of its
/// kind besides; at the end that many times more.
const OF_PRICE: f64 = 3.0;
const OF_MEAN: f64 = 0.5;
const FIRM: f64 = 30.0;
/// How far down a menu a place is drawn; see [`crate::search`].
const REACH_OF_STANDING: f64 = 10.0;
const REACH_OF_HEAT: f64 = 0.3;
/// How often the visit to move stands below the head of its menu, how often it is only shifted, and
/// by how many open days at most.
const MISPLACED: f64 = 0.9;
const MISPLACED_BY: f64 = 0.5;
const SHIFTED: f64 = 0.25;
const SHIFT_MAX: i64 = 4;
/// How often a second visit moves out of the way of one that would cost too much alone, and how often
/// it goes where the first one came from.
const EXCHANGED: f64 = 0.8;
const SENT_BACK: f64 = 0.5;
/// Visits one move may touch, and places tried for one that has to keep its distance.
const TOUCHED_MAX: usize = 5;
const TRIES: u32 = 4;

/// What is used of one thing: minutes of a day or week, places, pieces, engines of a pool's day.
#[derive(Clone, Debug)]
struct Row {
    left: i64,
    /// Units that may be bought beyond what there is, and their price, cents.
    spare: i64,
    bought: f64,
    /// What every further unit costs now, cents.
    barred: f64,
}

impl Row {
    #[inline]
    fn cost(&self, left: i64) -> f64 {
        if left >= 0 {
            return 0.0;
        }
        -left as f64 * self.bought + (-left - self.spare).max(0) as f64 * self.barred
    }
}

/// For each column the rows it uses and how many units of each; columns as in [`Model::cost`].
#[derive(Debug)]
pub(crate) struct Needs {
    starts: Vec<u32>,
    units: Vec<(u32, i32)>,
}

impl Needs {
    pub(crate) fn of(model: &Model) -> Self {
        let rows = Rows::of(model);
        let mut needs = Self { starts: vec![0], units: Vec::new() };
        for mode in &model.modes {
            for start in mode.first..mode.first + mode.starts {
                let from = needs.units.len();
                let mut add = |row: usize, units: i64| {
                    // Larger ones do not matter: what a plan holds is counted again when it is read.
                    let units = i32::try_from(units).unwrap_or(i32::MAX);
                    match needs.units[from..].iter_mut().find(|(known, _)| *known == row as u32) {
                        Some((_, sum)) => *sum = sum.saturating_add(units),
                        None => needs.units.push((row as u32, units)),
                    }
                };
                for used in model.uses_of(mode) {
                    let (skill, t) = (used.skill as usize, (start + used.offset) as usize);
                    add(skill * model.open() + t, used.minutes);
                    let week = model.week_of[t] as usize;
                    add(rows.week + skill * model.weeks + week, used.minutes);
                }
                for t in start..start + mode.length {
                    add(rows.bay + mode.bay as usize * model.open() + t as usize, 1);
                }
                for take in model.takes_of(mode) {
                    let first = model.kit_row[take.kit as usize * model.open() + start as usize];
                    for row in first..model.kit_rows[take.kit as usize].end {
                        add(rows.kit + row as usize, take.pieces);
                    }
                }
                if mode.out {
                    let pool = model.visits[mode.visit as usize].pool as usize;
                    let (first, last) = model.span(mode, start);
                    (first..=last).for_each(|day| add(rows.pool + pool * model.days + day, 1));
                }
                needs.starts.push(needs.units.len() as u32);
            }
        }
        needs
    }

    #[inline]
    fn of_column(&self, column: usize) -> &[(u32, i32)] {
        &self.units[self.starts[column] as usize..self.starts[column + 1] as usize]
    }
}

/// Whether this search is worth it for `model`.
pub(crate) fn suits(model: &Model) -> bool {
    let short = model.modes.iter().filter(|mode| mode.length == 1).count();
    model.visits.len() >= VISITS_MIN && short as f64 >= SHORT_SHARE * model.modes.len() as f64
}

/// One chain of annealing whose plan may use more than there is.
#[derive(Clone, Debug)]
pub(crate) struct Loose<'m> {
    model: &'m Model,
    needs: Arc<Needs>,
    menus: Menus,
    rows: Vec<Row>,
    /// What a unit that is barred costs in each row when the search begins, and at the most; cents.
    barred: Vec<(f64, f64)>,
    place: Vec<Place>,
    cost: f64,
    /// Visits that start on each open day.
    on_day: Vec<Vec<u32>>,
    rng: ChaCha8Rng,
    /// Visits that are planned and have a choice. One that was left out stays out: there is no room
    /// beyond what there is that would be worth its price.
    free: Vec<u32>,
    misplaced: Vec<u32>,
    reach: f64,
    /// What the current move changed: visit and where it stood.
    journal: Vec<(u32, Place)>,
}

impl<'m> Loose<'m> {
    /// Begins where `state` stands; `prices` of the plain relaxation, cents.
    pub(crate) fn new(
        state: &State<'m>,
        needs: Arc<Needs>,
        menus: Menus,
        prices: &[f64],
        seed: u64,
        stream: u64,
    ) -> Self {
        let model = state.model;
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        let (rows, barred) = rows_at(model, prices).into_iter().unzip();
        let mut loose = Self {
            needs,
            menus,
            rows,
            barred,
            place: vec![Place::NONE; model.visits.len()],
            cost: 0.0,
            on_day: vec![Vec::new(); model.open()],
            rng,
            free: (0..model.visits.len() as u32)
                .filter(|&visit| {
                    has_choice(model, visit as usize) && !state.place[visit as usize].is_none()
                })
                .collect(),
            misplaced: Vec::new(),
            reach: 0.0,
            journal: Vec::new(),
            model,
        };
        for (visit, &place) in state.place.iter().enumerate() {
            if !place.is_none() {
                loose.put(visit, place);
                loose.on_day[place.start as usize].push(visit as u32);
            }
        }
        loose
    }

    /// Makes `moves` moves while the temperature (cents) falls evenly in its logarithm; `progress`
    /// from 0 to 1 makes what is beyond dearer.
    pub(crate) fn anneal(&mut self, moves: u64, from: f64, to: f64, progress: f64) {
        if self.free.is_empty() {
            return;
        }
        self.firm_up(progress);
        let factor = (to / from).powf(1.0 / moves as f64);
        let mut temperature = from;
        let standing = REACH_OF_STANDING * self.look_over();
        for _ in 0..moves {
            self.reach = standing + REACH_OF_HEAT * temperature;
            let most = self.cost - (1.0 - self.rng.random::<f64>()).ln() * temperature;
            self.step(most);
            temperature *= factor;
        }
    }

    /// The plan as it stands, with what does not fit put where it is cheapest or left out.
    pub(crate) fn settled(&self) -> State<'m> {
        let mut state = State::empty(self.model);
        let mut order: Vec<usize> = (0..self.place.len()).collect();
        order.sort_by_key(|&visit| !self.model.visits[visit].locked);
        for visit in order {
            let place = self.place[visit];
            if place.is_none() {
                continue;
            }
            let mode = &self.model.modes[place.mode as usize];
            if state.block(visit, mode, place.start).is_none() {
                state.put(visit, place);
            }
        }
        settle_greedily(&mut state);
        state
    }

    fn firm_up(&mut self, progress: f64) {
        let firmness = FIRM.powf(progress);
        for (row, &(first, most)) in self.rows.iter_mut().zip(&self.barred) {
            row.barred = (first * firmness).min(most);
        }
        let beyond: f64 = self.rows.iter().map(|row| row.cost(row.left)).sum();
        let own = (0..self.place.len()).filter(|&visit| !self.place[visit].is_none());
        let own: i64 = own.map(|visit| self.model.cost[self.column(self.place[visit])]).sum();
        self.cost = beyond + own as f64;
    }

    /// Notes which visits stand below the heads of their menus; by how much all do on average, cents.
    fn look_over(&mut self) -> f64 {
        self.misplaced.clear();
        let mut sum = 0.0;
        for &visit in &self.free {
            let rise = self.menus.rise(visit as usize, self.place[visit as usize]);
            sum += rise;
            if rise > MISPLACED_BY {
                self.misplaced.push(visit);
            }
        }
        sum / self.free.len() as f64
    }

    /// Moves a visit, and another out of its way, where the cost ends at `most` at the most.
    fn step(&mut self, most: f64) {
        let among_misplaced = !self.misplaced.is_empty() && self.rng.random::<f64>() < MISPLACED;
        let visits = if among_misplaced { &self.misplaced } else { &self.free };
        let visit = visits[self.rng.random_range(0..visits.len())] as usize;
        let old = self.place[visit];
        let Some(target) = self.target(visit) else { return };
        if target == old {
            return;
        }
        let before = self.cost;
        self.journal.clear();
        let mut fits = self.go(visit, target);
        if fits && self.cost > most && self.rng.random::<f64>() < EXCHANGED {
            fits = self.send_away(target.start, old.start);
        }
        if fits && self.cost <= most {
            self.keep();
        } else {
            self.undo(before);
        }
    }

    /// A place from the menu, or one near where the visit stands.
    fn target(&mut self, visit: usize) -> Option<Place> {
        if self.rng.random::<f64>() >= SHIFTED {
            return Some(self.draw(visit));
        }
        let number = self.rng.random_range(self.model.visits[visit].modes.clone());
        let mode = &self.model.modes[number as usize];
        if mode.starts == 0 {
            return None;
        }
        let shift = self.rng.random_range(-SHIFT_MAX..=SHIFT_MAX);
        let last = i64::from(mode.first + mode.starts) - 1;
        let start = i64::from(self.place[visit].start) + shift;
        Some(Place { mode: number, start: start.clamp(i64::from(mode.first), last) as u32 })
    }

    fn draw(&mut self, visit: usize) -> Place {
        self.menus.draw(visit, self.reach, &mut self.rng)
    }

    /// Another visit leaves the open day `from`, for the one `to` or for a place on its menu; false
    /// where that cannot be.
    fn send_away(&mut self, from: u32, to: u32) -> bool {
        let day = &self.on_day[from as usize];
        if day.is_empty() {
            return true;
        }
        let other = day[self.rng.random_range(0..day.len())] as usize;
        let now = self.place[other];
        if self.is_touched(other) || !has_choice(self.model, other) {
            return true;
        }
        let target = if self.rng.random::<f64>() < SENT_BACK {
            let mode = &self.model.modes[now.mode as usize];
            let start = to.clamp(mode.first, mode.first + mode.starts - 1);
            Place { mode: now.mode, start }
        } else {
            self.draw(other)
        };
        target == now || self.go(other, target)
    }

    fn is_touched(&self, visit: usize) -> bool {
        self.journal.iter().any(|(touched, _)| *touched as usize == visit)
    }

    /// Takes `visit` to `target`, and those that have to keep their distance from it elsewhere.
    fn go(&mut self, visit: usize, target: Place) -> bool {
        let from = self.place[visit];
        self.journal.push((visit as u32, from));
        self.take(visit);
        while let Some(other) = self.too_near(visit, target) {
            if self.journal.len() == TOUCHED_MAX
                || self.is_touched(other)
                || !has_choice(self.model, other)
            {
                return false;
            }
            // It has to see where this visit will stand.
            self.place[visit] = target;
            let mut apart = None;
            for _ in 0..TRIES {
                let drawn = self.draw(other);
                if self.too_near(other, drawn).is_none() {
                    apart = Some(drawn);
                    break;
                }
            }
            self.place[visit] = Place::NONE;
            if !apart.is_some_and(|place| self.go(other, place)) {
                return false;
            }
        }
        self.put(visit, target);
        true
    }

    /// A visit that may not stand so near to `visit` on `place`: by an `after`, or of its engine.
    fn too_near(&self, visit: usize, place: Place) -> Option<usize> {
        let model = self.model;
        let (links, fellows) = (model.links_of(visit), model.fellows_of(visit));
        if links.is_empty() && fellows.is_empty() {
            return None;
        }
        let (first, last) = model.span(&model.modes[place.mode as usize], place.start);
        let by_order = links.iter().find(|link| {
            self.span(link.other as usize).is_some_and(|(other_first, other_last)| {
                match link.follows {
                    true => (first as i64) < other_last as i64 + link.gap,
                    false => (other_first as i64) < last as i64 + link.gap,
                }
            })
        });
        let by_engine = || {
            fellows.iter().find(|&&other| {
                other as usize != visit
                    && self.span(other as usize).is_some_and(|(other_first, other_last)| {
                        first <= other_last && other_first <= last
                    })
            })
        };
        by_order.map(|link| link.other).or_else(|| by_engine().copied()).map(|other| other as usize)
    }

    fn span(&self, visit: usize) -> Option<(usize, usize)> {
        let place = self.place[visit];
        let mode = || &self.model.modes[place.mode as usize];
        (!place.is_none()).then(|| self.model.span(mode(), place.start))
    }

    fn column(&self, place: Place) -> usize {
        let mode = &self.model.modes[place.mode as usize];
        (mode.column + place.start - mode.first) as usize
    }

    fn put(&mut self, visit: usize, place: Place) {
        self.place[visit] = place;
        self.cost += self.count(place, 1);
    }

    fn take(&mut self, visit: usize) {
        let place = std::mem::replace(&mut self.place[visit], Place::NONE);
        self.cost += self.count(place, -1);
    }

    /// Counts what a visit on `place` uses; what that changes the cost by.
    #[inline]
    fn count(&mut self, place: Place, sign: i64) -> f64 {
        let column = self.column(place);
        let mut change = sign as f64 * self.model.cost[column] as f64;
        for &(row, units) in self.needs.of_column(column) {
            let row = &mut self.rows[row as usize];
            let left = row.left - sign * i64::from(units);
            change += row.cost(left) - row.cost(row.left);
            row.left = left;
        }
        change
    }

    /// As [`Self::count`], where nobody asks for the cost.
    #[inline]
    fn recount(&mut self, place: Place, sign: i64) {
        for &(row, units) in self.needs.of_column(self.column(place)) {
            self.rows[row as usize].left -= sign * i64::from(units);
        }
    }

    /// Lists the visits that moved on their new days.
    fn keep(&mut self) {
        for at in 0..self.journal.len() {
            let (visit, from) = self.journal[at];
            let day = &mut self.on_day[from.start as usize];
            if let Some(at) = day.iter().rposition(|&other| other == visit) {
                day.swap_remove(at);
            }
            self.on_day[self.place[visit as usize].start as usize].push(visit);
        }
    }

    /// Back to what was, at the cost it had.
    fn undo(&mut self, cost: f64) {
        for at in (0..self.journal.len()).rev() {
            let (visit, from) = self.journal[at];
            let now = std::mem::replace(&mut self.place[visit as usize], from);
            if !now.is_none() {
                self.recount(now, -1);
            }
            self.recount(from, 1);
        }
        self.cost = cost;
    }
}

/// Everything unused, with what a unit beyond it costs at the prices of the bound.
fn rows_at(model: &Model, prices: &[f64]) -> Vec<(Row, (f64, f64))> {
    let rows = Rows::of(model);
    let units = rows.capacities(model);
    let kinds = [
        0..rows.week,
        rows.week..rows.bay,
        rows.bay..rows.kit,
        rows.kit..rows.pool,
        rows.pool..rows.visit,
    ];
    let mut all = Vec::with_capacity(rows.visit);
    for kind in kinds {
        let priced = prices[kind.clone()].iter().filter(|price| **price > 1e-3);
        let (sum, count) = priced.fold((0.0, 0), |(sum, count), price| (sum + price, count + 1));
        let mean = if count > 0 { sum / f64::from(count) } else { 1.0 };
        for row in kind {
            let first = OF_PRICE * prices[row] + OF_MEAN * mean;
            let mut made = Row { left: units[row], spare: 0, bought: 0.0, barred: first };
            if (rows.week..rows.bay).contains(&row) {
                let week = row - rows.week;
                made.spare = model.week_overtime[week];
                made.bought = model.overtime_cost[week / model.weeks] as f64;
            }
            let most = match row >= rows.pool {
                true => model.shortfall_cost[(row - rows.pool) / model.days] as f64,
                false => f64::INFINITY,
            };
            all.push((made, (first, most)));
        }
    }
    all
}
