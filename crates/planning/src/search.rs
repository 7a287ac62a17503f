//! The search for a cheaper plan: annealing by moves that throw out what is in the way.
//!
//! A move takes one visit to another place, throws out the visits that block it there and puts each
//! of them back where it is cheapest, or leaves it out. The exact difference in cost decides, by
//! Metropolis et al. (1953), J. Chem. Phys. 21, 1087-1092. The places worth trying come from a menu
//! per visit, ordered by cost with the prices of the bound where there are any; how far down a menu
//! places are drawn follows from how far down the plan stands.

use std::ops::Range;

use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::model::Model;
use crate::state::{Block, Place, State};

/// Places kept on a visit's menu.
const MENU: usize = 40;
/// How often a visit is only shifted by a few days, and by how many open days at most.
const SHIFTED: f64 = 0.25;
const SHIFT_MAX: i64 = 4;
/// How far down a menu a place is drawn: in multiples of how far down the plan stands by itself, and
/// of the temperature. Where prices tell nearly all, a plan stands near the heads of its menus.
const REACH_OF_STANDING: f64 = 4.0;
const REACH_OF_HEAT: f64 = 0.3;
/// How often the visit to move is one that stands below the head of its menu, and by how many cents:
/// with good prices those few are where a plan costs more than the bound.
const MISPLACED: f64 = 0.5;
const MISPLACED_BY: f64 = 0.5;
/// How often a visit that was thrown out throws out others in turn.
const CHAINED: f64 = 0.05;
/// How often a group of visits is placed anew together, its size, and the places looked at for it.
/// It decides small instances; in large ones it takes a third of the time and buys nothing.
const REGROUPED: f64 = 0.01;
const REGROUPED_AMONG: usize = 100;
const GROUP_MAX: usize = 7;
const CHECKS_MAX: u32 = 15_000;
/// Visits one move may throw out.
const THROWN_MAX: usize = 6;

/// For each visit the places worth trying, most promising first.
#[derive(Clone, Debug)]
pub(crate) struct Menus {
    places: Vec<Place>,
    /// By how much each is worth less than the first on its menu, cents.
    rises: Vec<f64>,
    /// Visit's range in `places`.
    starts: Vec<u32>,
}

impl Menus {
    /// Orders each visit's columns by `worth(column)`, given every column's value.
    pub(crate) fn by(model: &Model, worth: &[f64]) -> Self {
        let mut menus = Self { places: Vec::new(), rises: Vec::new(), starts: vec![0] };
        let mut all: Vec<(f64, Place)> = Vec::new();
        for visit in 0..model.visits.len() {
            all.clear();
            for (number, mode) in model.visits[visit].modes.clone().zip(model.modes_of(visit)) {
                let columns = &worth[mode.column as usize..(mode.column + mode.starts) as usize];
                all.extend(
                    (mode.first..)
                        .zip(columns)
                        .map(|(start, &value)| (value, Place { mode: number, start })),
                );
            }
            let kept = MENU.min(all.len());
            if kept < all.len() {
                all.select_nth_unstable_by(kept, |a, b| a.0.total_cmp(&b.0));
            }
            all[..kept].sort_unstable_by(|a, b| {
                a.0.total_cmp(&b.0).then((a.1.mode, a.1.start).cmp(&(b.1.mode, b.1.start)))
            });
            menus.places.extend(all[..kept].iter().map(|(_, place)| *place));
            menus.rises.extend(all[..kept].iter().map(|(value, _)| value - all[0].0));
            menus.starts.push(menus.places.len() as u32);
        }
        menus
    }

    fn of(&self, visit: usize) -> &[Place] {
        &self.places[self.range(visit)]
    }

    fn range(&self, visit: usize) -> Range<usize> {
        self.starts[visit] as usize..self.starts[visit + 1] as usize
    }

    /// By how much `place` is worth less than the first on the menu; what is not on it counts as its
    /// last one.
    pub(crate) fn rise(&self, visit: usize, place: Place) -> f64 {
        let rises = &self.rises[self.range(visit)];
        let at = self.of(visit).iter().position(|&other| other == place);
        at.map_or_else(|| rises.last().copied().unwrap_or_default(), |at| rises[at])
    }

    /// A place from the menu: any of those whose rise is at most a draw from an exponential
    /// distribution with `reach` as its mean.
    pub(crate) fn draw(&self, visit: usize, reach: f64, rng: &mut ChaCha8Rng) -> Place {
        let limit = -(1.0 - rng.random::<f64>()).ln() * reach;
        let range = self.range(visit);
        let within = self.rises[range.clone()].iter().take_while(|rise| **rise <= limit);
        let count = within.count().max(1);
        self.places[range.start + rng.random_range(0..count)]
    }
}

/// One chain of annealing with its own stream of random numbers.
#[derive(Clone, Debug)]
pub(crate) struct Search<'m> {
    pub state: State<'m>,
    pub best: Vec<Place>,
    pub best_cost: i64,
    rng: ChaCha8Rng,
    /// Visits that have a choice.
    free: Vec<u32>,
    /// Those of them that stood below the heads of their menus when this round began.
    misplaced: Vec<u32>,
    /// What the current move changed: visit and where it stood.
    journal: Vec<(u32, Place)>,
    thrown: Vec<u32>,
    pub menus: Menus,
    /// Cents by which a place drawn from a menu is worth less than the first on it, on average.
    reach: f64,
}

impl<'m> Search<'m> {
    pub(crate) fn new(state: State<'m>, menus: Menus, seed: u64, stream: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        let model = state.model;
        let free =
            (0..model.visits.len() as u32).filter(|&visit| has_choice(model, visit as usize));
        Self {
            best: state.place.clone(),
            best_cost: state.cost,
            free: free.collect(),
            misplaced: Vec::new(),
            state,
            rng,
            journal: Vec::new(),
            thrown: Vec::new(),
            menus,
            reach: 0.0,
        }
    }

    /// Whether there is anything to search.
    pub(crate) fn has_choice(&self) -> bool {
        !self.free.is_empty()
    }

    /// Draws from another stream from here on.
    pub(crate) fn redraw(&mut self, stream: u64) {
        self.rng.set_stream(stream);
    }

    /// Goes on from `places`; the best it found stays its own.
    pub(crate) fn continue_from(&mut self, places: &[Place]) {
        self.state = State::of(self.state.model, places);
        if self.state.cost < self.best_cost {
            self.best_cost = self.state.cost;
            self.best.copy_from_slice(places);
        }
    }

    /// Makes `moves` moves while the temperature (cents) falls evenly in its logarithm.
    pub(crate) fn anneal(&mut self, moves: u64, from: f64, to: f64) {
        if self.free.is_empty() {
            return;
        }
        let factor = (to / from).powf(1.0 / moves as f64);
        let mut temperature = from;
        let standing = REACH_OF_STANDING * self.look_over();
        for _ in 0..moves {
            self.reach = standing + REACH_OF_HEAT * temperature;
            self.step(temperature);
            temperature *= factor;
        }
    }

    /// Moves a visit and puts back what it throws out, as long as the cost can still end at `most`;
    /// `None` where nothing was drawn, false where the target can't be had for that. Either way
    /// `undo` restores what was.
    fn try_move(&mut self, most: i64) -> Option<bool> {
        let misplaced = !self.misplaced.is_empty() && self.rng.random::<f64>() < MISPLACED;
        let visits = if misplaced { &self.misplaced } else { &self.free };
        let visit = visits[self.rng.random_range(0..visits.len())] as usize;
        let target = self.target(visit);
        if target == self.state.place[visit] {
            return None;
        }
        self.journal.clear();
        self.thrown.clear();
        self.lift(visit as u32);
        Some(self.take_to(visit, target) && self.put_back(most))
    }

    fn step(&mut self, temperature: f64) {
        let small = self.free.len() < REGROUPED_AMONG;
        if small && self.rng.random::<f64>() < REGROUPED {
            self.regroup();
            return self.remember();
        }
        // The draw that decides comes first: most moves are seen to cost too much half way.
        let before = self.state.cost;
        let most = before + (-(1.0 - self.rng.random::<f64>()).ln() * temperature) as i64;
        let Some(fits) = self.try_move(most) else { return };
        if fits && self.state.cost <= most {
            self.remember();
        } else {
            self.undo(before);
        }
    }

    fn remember(&mut self) {
        if self.state.cost < self.best_cost {
            self.best_cost = self.state.cost;
            self.best.copy_from_slice(&self.state.place);
        }
    }

    /// Takes out a few visits that stand near one another and puts them back in the best way that a
    /// bounded search over their menus finds; never worse than they stood.
    fn regroup(&mut self) {
        let model = self.state.model;
        let count = self.rng.random_range(3..=GROUP_MAX);
        let first = self.free[self.rng.random_range(0..self.free.len())];
        let mut group = vec![first];
        for _ in 0..count * 3 {
            let other = self.neighbour(group[0]);
            if group.len() < count && !group.contains(&other) && has_choice(model, other as usize) {
                group.push(other);
            }
        }
        let before = self.state.cost;
        let old: Vec<Place> = group.iter().map(|&visit| self.state.place[visit as usize]).collect();
        for &visit in &group {
            if !self.state.place[visit as usize].is_none() {
                self.state.take(visit as usize);
            }
        }
        let mut trial = Regrouping {
            best: old,
            cost: before,
            now: Vec::new(),
            checks: CHECKS_MAX,
            least: Vec::new(),
        };
        trial.bound_rest(&self.state, &self.menus, &group);
        trial.place_next(&mut self.state, &self.menus, &group);
        for (&visit, &place) in group.iter().zip(&trial.best) {
            if !place.is_none() {
                self.state.put(visit as usize, place);
            }
        }
    }

    /// A visit that stands where this one stands or might stand, or any.
    fn neighbour(&mut self, visit: u32) -> u32 {
        let menu = self.menus.of(visit as usize);
        let place = match self.rng.random_range(0..3) {
            0 => self.state.place[visit as usize],
            _ => menu[self.rng.random_range(0..menu.len().min(12))],
        };
        let day = if place.is_none() { &[][..] } else { &self.state.on_day[place.start as usize] };
        match day.is_empty() {
            true => self.free[self.rng.random_range(0..self.free.len())],
            false => day[self.rng.random_range(0..day.len())],
        }
    }

    /// A place from the menu, or one near where the visit stands.
    fn target(&mut self, visit: usize) -> Place {
        let model = self.state.model;
        let place = self.state.place[visit];
        let draw: f64 = self.rng.random();
        if draw < SHIFTED && !place.is_none() {
            let modes = model.modes_of(visit);
            let mode_at = self.rng.random_range(0..modes.len());
            let mode = &modes[mode_at];
            if mode.starts > 0 {
                let shift = self.rng.random_range(-SHIFT_MAX..=SHIFT_MAX);
                let last = i64::from(mode.first + mode.starts) - 1;
                let start = (i64::from(place.start) + shift).clamp(i64::from(mode.first), last);
                return Place {
                    mode: model.visits[visit].modes.start + mode_at as u32,
                    start: start as u32,
                };
            }
        }
        self.menus.draw(visit, self.reach, &mut self.rng)
    }

    /// Notes which visits stand below the heads of their menus; by how much all do on average, cents.
    fn look_over(&mut self) -> f64 {
        self.misplaced.clear();
        let mut sum = 0.0;
        for &visit in &self.free {
            let rise = self.menus.rise(visit as usize, self.state.place[visit as usize]);
            sum += rise;
            if rise > MISPLACED_BY {
                self.misplaced.push(visit);
            }
        }
        sum / self.free.len() as f64
    }

    /// Takes `visit` out where it stands and remembers it.
    fn lift(&mut self, visit: u32) {
        let from = match self.state.place[visit as usize].is_none() {
            true => Place::NONE,
            false => self.state.take(visit as usize),
        };
        self.journal.push((visit, from));
    }

    /// Puts `visit`, now nowhere, on `target`, throwing out what is in the way; false where that
    /// cannot be. What this move has touched already is not thrown out again.
    fn take_to(&mut self, visit: usize, target: Place) -> bool {
        let model = self.state.model;
        let mode = &model.modes[target.mode as usize];
        while let Some(block) = self.state.block(visit, mode, target.start) {
            let Some(other) = self.victim(block) else { return false };
            if self.thrown.len() == THROWN_MAX || !is_movable(model, &self.journal, other) {
                return false;
            }
            self.lift(other);
            self.thrown.push(other);
        }
        self.state.put(visit, target);
        true
    }

    /// A visit whose going makes room, drawn evenly from those that use what is short.
    fn victim(&mut self, block: Block) -> Option<u32> {
        let state = &self.state;
        let model = state.model;
        let pick = |rng: &mut ChaCha8Rng, list: &[u32], uses: &dyn Fn(u32) -> bool| {
            let offset =
                if list.is_empty() { return None } else { rng.random_range(0..list.len()) };
            (0..list.len()).map(|at| list[(at + offset) % list.len()]).find(|&other| uses(other))
        };
        let movable = |other: u32| is_movable(model, &self.journal, other);
        match block {
            Block::SkillDay { skill, t } => {
                let uses = |other: u32| movable(other) && works(state, other, skill, t);
                pick(&mut self.rng, &state.on_day[t as usize], &uses)
            }
            Block::SkillWeek { skill, week } => {
                let days = model.week_of.iter().enumerate().filter(|(_, other)| **other == week);
                let days: Vec<u32> = days.map(|(t, _)| t as u32).collect();
                let offset = self.rng.random_range(0..days.len());
                (0..days.len()).find_map(|at| {
                    let t = days[(at + offset) % days.len()];
                    let uses = |other: u32| movable(other) && works(state, other, skill, t);
                    pick(&mut self.rng, &state.on_day[t as usize], &uses)
                })
            }
            Block::Bay { bay, t } => {
                let uses = |other: u32| {
                    movable(other)
                        && model.modes[state.place[other as usize].mode as usize].bay == bay
                };
                pick(&mut self.rng, &state.on_day[t as usize], &uses)
            }
            Block::Kit { kit, row } => {
                let uses = |other: u32| movable(other) && has_taken(state, other, kit, row);
                pick(&mut self.rng, &model.wanted_by[kit as usize], &uses)
            }
            Block::After { other } | Block::Engine { other } => Some(other),
        }
    }

    /// Puts what was thrown out back where it is cheapest, the dearest to leave out first; false as
    /// soon as the cost can't end at `most` any more.
    fn put_back(&mut self, most: i64) -> bool {
        let model = self.state.model;
        let gain = |visit: u32| model.visits[visit as usize].gain_max;
        // What those still out may bring down the cost by, at the most.
        let mut hoped: i64 = self.thrown.iter().map(|&visit| gain(visit)).sum();
        if self.state.cost - hoped > most {
            return false;
        }
        if self.thrown.len() > 1 && self.rng.next_u32() & 1 == 0 {
            self.thrown.sort_unstable_by_key(|&visit| {
                std::cmp::Reverse(model.visits[visit as usize].unplanned_cost)
            });
        }
        let mut at = 0;
        while at < self.thrown.len() {
            let visit = self.thrown[at] as usize;
            at += 1;
            // Now and then it pushes on instead, and a chain of three changes places at once.
            if self.rng.random::<f64>() < CHAINED {
                let target = self.menus.draw(visit, self.reach, &mut self.rng);
                let (thrown, touched) = (self.thrown.len(), self.journal.len());
                if self.take_to(visit, target) {
                    hoped += self.thrown[thrown..].iter().map(|&other| gain(other)).sum::<i64>();
                    hoped -= gain(visit as u32);
                    if self.state.cost - hoped > most {
                        return false;
                    }
                    continue;
                }
                self.put_back_since(thrown, touched);
            }
            hoped -= gain(visit as u32);
            let left_out = model.visits[visit].unplanned_cost;
            let limit = left_out.min(most - self.state.cost + left_out + hoped + 1);
            if let Some(place) = self.state.cheapest(visit, limit) {
                self.state.put(visit, place);
            } else if limit < left_out {
                return false;
            }
        }
        true
    }

    /// Undoes the throwing out of a chain that led nowhere.
    fn put_back_since(&mut self, thrown: usize, touched: usize) {
        for at in (touched..self.journal.len()).rev() {
            let (visit, place) = self.journal[at];
            self.state.put(visit as usize, place);
        }
        self.thrown.truncate(thrown);
        self.journal.truncate(touched);
    }

    /// Back to what was, at the cost it had.
    fn undo(&mut self, cost: i64) {
        for &(visit, _) in &self.journal {
            if !self.state.place[visit as usize].is_none() {
                self.state.lift(visit as usize);
            }
        }
        for &(visit, place) in &self.journal {
            if !place.is_none() {
                self.state.set(visit as usize, place);
            }
        }
        self.state.cost = cost;
    }
}

/// A depth-first search for the best places of a few visits, all else as it stands.
struct Regrouping {
    best: Vec<Place>,
    cost: i64,
    now: Vec<Place>,
    /// Places that may still be looked at.
    checks: u32,
    /// For each visit of the group, what it and those after it change the cost by at least.
    least: Vec<i64>,
}

impl Regrouping {
    /// Others only ever take room, so each visit's cheapest place alone bounds what it costs.
    fn bound_rest(&mut self, state: &State, menus: &Menus, group: &[u32]) {
        self.least = vec![0; group.len() + 1];
        for at in (0..group.len()).rev() {
            let visit = group[at] as usize;
            let model = state.model;
            let left_out = model.visits[visit].unplanned_cost;
            let mut least = if model.visits[visit].locked { i64::MAX } else { left_out };
            for place in menus.of(visit) {
                let mode = &model.modes[place.mode as usize];
                let own = model.column_cost(mode, place.start);
                if own < least && state.block(visit, mode, place.start).is_none() {
                    least = least.min(own + state.coupled_cost(visit, mode, place.start));
                }
            }
            self.least[at] = self.least[at + 1].saturating_add(least.saturating_sub(left_out));
        }
    }

    fn place_next(&mut self, state: &mut State, menus: &Menus, group: &[u32]) {
        let at = self.now.len();
        if state.cost.saturating_add(self.least[at]) >= self.cost {
            return;
        }
        if at == group.len() {
            (self.cost, self.best) = (state.cost, self.now.clone());
            return;
        }
        let (visit, model) = (group[at] as usize, state.model);
        for &place in menus.of(visit) {
            if self.checks == 0 {
                return;
            }
            self.checks -= 1;
            let mode = &model.modes[place.mode as usize];
            let own = model.column_cost(mode, place.start) - model.visits[visit].unplanned_cost;
            let hopeless = state.cost + own + self.least[at + 1] >= self.cost;
            if hopeless || state.block(visit, mode, place.start).is_some() {
                continue;
            }
            state.put(visit, place);
            self.now.push(place);
            self.place_next(state, menus, group);
            self.now.pop();
            state.take(visit);
        }
        if !model.visits[visit].locked {
            self.now.push(Place::NONE);
            self.place_next(state, menus, group);
            self.now.pop();
        }
    }
}

fn is_movable(model: &Model, journal: &[(u32, Place)], visit: u32) -> bool {
    !model.visits[visit as usize].locked && journal.iter().all(|(touched, _)| *touched != visit)
}

pub(crate) fn has_choice(model: &Model, visit: usize) -> bool {
    let places: u32 = model.modes_of(visit).iter().map(|mode| mode.starts).sum();
    places > u32::from(model.visits[visit].locked)
}

/// Whether a visit takes pieces of `kit` by the end of `row`.
fn has_taken(state: &State, visit: u32, kit: u32, row: u32) -> bool {
    let (model, place) = (state.model, state.place[visit as usize]);
    !place.is_none() && {
        let takes = model.takes_of(&model.modes[place.mode as usize]);
        takes.iter().any(|take| take.kit == kit)
            && model.kit_row[kit as usize * model.open() + place.start as usize] <= row
    }
}

fn works(state: &State, visit: u32, skill: u32, t: u32) -> bool {
    let place = state.place[visit as usize];
    let mode = &state.model.modes[place.mode as usize];
    state
        .model
        .uses_of(mode)
        .iter()
        .any(|used| used.skill == skill && place.start + used.offset == t)
}
