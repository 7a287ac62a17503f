//! Climbing the Lagrangian bound by a deflected subgradient with patience.
//!
//! Step lengths after Polyak (1969), deflection after Camerini, Fratta and Maffioli (1975),
//! Mathematical Programming Study 3, 26-34. Minutes rows are scaled so that a minute weighs what a
//! place weighs. Nothing here has to be right for the bound to be valid: that is proven afterwards,
//! in whole numbers, from the prices alone.

use crate::model::Model;
use crate::patterns::{Item, Whole, best_weeks};
use crate::relaxation::{Answer, Relaxation, Rows};
use crate::state::Place;

/// Minutes that weigh as much as one place or piece.
const MINUTES_SCALE: f64 = 1.0 / 90.0;
/// Columns that are priced in the time of a search's move, and cells of knapsacks that are filled.
const COLUMNS_PER_UNIT: u64 = 256;
const CELLS_PER_UNIT: u64 = 1_000;
/// Highest price that is written down, thousandths of a cent.
const PRICE_MAX: f64 = 1e15;
/// Weight of the newest subgradient in the direction.
const NEWEST: f64 = 0.25;

/// A sample has at least so many columns; each is so many times as large as the one before.
const SAMPLE_COLUMNS: usize = 30_000;
const SAMPLE_STEP: usize = 4;
const PATIENCE_SAMPLE: u32 = 250;
/// Step of a climb that begins where a sample ended.
const STEP_MORE: f64 = 0.3;
/// Steps of a climb with whole skills begin where the plain one has been already.
const STEP_WHOLE: f64 = 0.3;
const PATIENCE_WHOLE: u32 = 250;

/// Where a climb stands.
#[derive(Clone, Debug)]
pub(crate) struct Ascent<'m> {
    relaxation: Relaxation<'m, f64>,
    capacities: Vec<f64>,
    /// Square of each row's scale; 0 where its price is settled from the start.
    scale: Vec<f64>,
    /// Highest price of each row.
    ceiling: Vec<f64>,
    y: Vec<f64>,
    direction: Vec<f64>,
    answer: Answer<f64>,
    use_of_rows: Vec<f64>,
    pub best_y: Vec<f64>,
    pub best: f64,
    step: f64,
    fruitless: u32,
    patience: u32,
    /// One tree in so many is looked at, and what share of the visits that is.
    one_in: usize,
    share: f64,
    /// Work that each step's pricing is, and all work so far, in units of a search's move.
    step_work: u64,
    pub work: u64,
}

impl<'m> Ascent<'m> {
    /// The plain relaxation from prices of nothing; of a large instance first a sample, whose prices
    /// are a fair start for the whole at a fraction of the work.
    pub(crate) fn new(model: &'m Model) -> Self {
        let mut one_in = 1;
        while model.cost.len() / (one_in * SAMPLE_STEP) >= SAMPLE_COLUMNS {
            one_in *= SAMPLE_STEP;
        }
        let mut ascent = Self::at(model, Whole::none(model), vec![0.0; Rows::of(model).len]);
        ascent.sample(one_in);
        for row in 0..ascent.y.len() {
            // No engine can go without breaking the minimum: each pays the whole shortfall.
            if ascent.capacities[row] <= 0.0 && ascent.ceiling[row].is_finite() {
                ascent.y[row] = ascent.ceiling[row];
            }
        }
        ascent.best_y.copy_from_slice(&ascent.y);
        ascent
    }

    /// Climbs on from the best prices of a sample with a larger one, or with everything.
    pub(crate) fn with_more(sample: &Self) -> Self {
        let model = sample.relaxation.model;
        let mut ascent = Self::at(model, Whole::none(model), sample.best_y.clone());
        ascent.sample(sample.one_in / SAMPLE_STEP);
        ascent.step = STEP_MORE;
        ascent
    }

    fn sample(&mut self, one_in: usize) {
        self.one_in = one_in;
        if one_in > 1 {
            self.share = self.relaxation.sample(one_in);
            self.step_work = ((self.step_work as f64 * self.share) as u64).max(1);
            self.capacities.iter_mut().for_each(|units| *units *= self.share);
            self.patience = PATIENCE_SAMPLE;
        }
    }

    /// Whether only a sample of the visits is looked at, so that the value is no bound of anything.
    pub(crate) const fn is_sample(&self) -> bool {
        self.one_in > 1
    }

    /// Climbs on from the best prices of `plain` with skills kept whole. A visit begins with what
    /// it costs at those prices as its worth, so the bound begins no lower.
    pub(crate) fn with_whole(plain: &Self, whole: Whole) -> Self {
        let model = plain.relaxation.model;
        let mut answer = Answer::new(model);
        plain.relaxation.answer(&plain.best_y, &mut answer);
        let mut y = plain.best_y.clone();
        for (visit, pick) in answer.choice.iter().enumerate() {
            y[plain.relaxation.rows.visit + visit] = pick.value.max(0.0);
        }
        let mut ascent = Self::at(model, whole, y);
        ascent.step = STEP_WHOLE;
        ascent.patience = PATIENCE_WHOLE;
        ascent
    }

    fn at(model: &'m Model, whole: Whole, y: Vec<f64>) -> Self {
        let relaxation = Relaxation::<f64>::new(model, whole);
        let rows = &relaxation.rows;
        let mut capacities: Vec<f64> =
            rows.capacities(model).iter().map(|&units| units as f64).collect();
        let mut scale = vec![1.0; rows.len];
        scale[..rows.bay].fill(MINUTES_SCALE * MINUTES_SCALE);
        let mut ceiling = vec![f64::INFINITY; rows.len];
        for row in rows.pool..rows.visit {
            ceiling[row] = model.shortfall_cost[(row - rows.pool) / model.days] as f64;
            if capacities[row] <= 0.0 {
                scale[row] = 0.0;
            }
        }
        for skill in (0..model.skills).filter(|&skill| relaxation.whole.skills[skill]) {
            // What a whole skill holds stands in its weeks, not in rows.
            capacities[skill * model.open()..][..model.open()].fill(0.0);
            capacities[rows.week + skill * model.weeks..][..model.weeks].fill(0.0);
        }
        Self {
            direction: vec![0.0; rows.len],
            use_of_rows: vec![0.0; rows.len],
            answer: Answer::new(model),
            best_y: y.clone(),
            best: f64::NEG_INFINITY,
            step: 1.0,
            fruitless: 0,
            patience: 600,
            one_in: 1,
            share: 1.0,
            step_work: (model.cost.len() as u64 / COLUMNS_PER_UNIT).max(1),
            work: 0,
            relaxation,
            capacities,
            scale,
            ceiling,
            y,
        }
    }

    /// The skills kept whole.
    pub(crate) const fn whole(&self) -> &Whole {
        &self.relaxation.whole
    }

    /// Whether more steps are unlikely to raise the bound visibly.
    pub(crate) fn is_done(&self) -> bool {
        self.step < if self.is_sample() { 0.02 } else { 0.001 }
    }

    /// Value of every column at the best prices, in cents.
    pub(crate) fn column_values(&self) -> Vec<f64> {
        self.relaxation.column_values(&self.best_y)
    }

    /// The best prices in thousandths of a cent, rounded down.
    pub(crate) fn prices(&self) -> Vec<i64> {
        self.best_y.iter().map(|&price| (price * 1000.0).min(PRICE_MAX) as i64).collect()
    }

    /// Climbs for about `work` units towards `target`, the cost of the best plan known.
    pub(crate) fn climb(&mut self, work: u64, target: f64) {
        let until = self.work + work;
        // A sample's optimum is only about its share of the whole.
        let target =
            if self.is_sample() { (target * self.share).max(self.best * 1.03) } else { target };
        while self.work < until && !self.is_done() {
            self.climb_once(target);
        }
    }

    fn climb_once(&mut self, target: f64) {
        self.relaxation.answer(&self.y, &mut self.answer);
        let mut items = std::mem::take(&mut self.answer.items);
        let weeks = best_weeks(self.relaxation.model, &self.relaxation.whole, &mut items);
        self.work += self.step_work + weeks.cells / CELLS_PER_UNIT;
        let value = self.answer.visits - weeks.gain + self.constant();
        if value > self.best + 1e-6 * self.best.abs() {
            self.fruitless = 0;
        } else {
            self.fruitless += 1;
        }
        if value > self.best {
            self.best = value;
            self.best_y.copy_from_slice(&self.y);
        }
        if self.fruitless >= self.patience {
            self.fruitless = 0;
            self.step *= 0.5;
            self.y.copy_from_slice(&self.best_y);
            self.direction.fill(0.0);
            return;
        }
        self.count_use(&items, &weeks.taken);
        self.answer.items = items;
        let mut norm = 0.0;
        for row in 0..self.y.len() {
            let excess = self.use_of_rows[row] - self.capacities[row];
            let mixed = NEWEST * excess + (1.0 - NEWEST) * self.direction[row];
            self.direction[row] = mixed;
            let stuck = (self.y[row] <= 0.0 && mixed < 0.0)
                || (self.y[row] >= self.ceiling[row] && mixed > 0.0);
            if !stuck {
                norm += mixed * mixed * self.scale[row];
            }
        }
        if norm <= 1e-12 {
            self.step = 0.0;
            return;
        }
        let length = self.step * (target - value).max(1e-4 * target.abs()).max(1.0) / norm;
        for row in 0..self.y.len() {
            let moved = self.y[row] + length * self.scale[row] * self.direction[row];
            self.y[row] = moved.clamp(0.0, self.ceiling[row]);
        }
    }

    fn constant(&self) -> f64 {
        let free: f64 =
            self.y.iter().zip(&self.capacities).map(|(price, units)| price * units).sum();
        -free - self.bought_weeks().map(|(_, margin, minutes)| margin * minutes).sum::<f64>()
    }

    /// Weeks whose minutes are dearer than overtime: row, by how much, and the overtime there is.
    fn bought_weeks(&self) -> impl Iterator<Item = (usize, f64, f64)> {
        let model = self.relaxation.model;
        (0..model.week_minutes.len()).filter_map(move |cell| {
            let skill = cell / model.weeks;
            let row = self.relaxation.rows.week + cell;
            let margin = self.y[row] - model.overtime_cost[skill] as f64;
            let bought = margin > 0.0 && !self.relaxation.whole.skills[skill];
            bought.then_some((row, margin, self.share * model.week_overtime[cell] as f64))
        })
    }

    /// Units of each row that the answer and the whole skills' weeks use, less what they bring.
    fn count_use(&mut self, items: &[Item<f64>], taken: &[usize]) {
        let mut used = std::mem::take(&mut self.use_of_rows);
        used.fill(0.0);
        let relaxation = &self.relaxation;
        let worth = relaxation.rows.visit;
        for (visit, pick) in self.answer.choice.iter().enumerate() {
            if !pick.covered {
                self.add_place(visit, pick.place, &mut used);
            } else if self.is_own_worth(visit) {
                used[worth + visit] += 1.0;
            }
        }
        for item in taken.iter().map(|&at| &items[at]) {
            let visit = relaxation.model.modes[item.mode as usize].visit as usize;
            if !item.primary {
                let minutes = f64::from(item.minutes);
                used[item.cell as usize] -= minutes;
                used[self.week_row(item.cell)] -= minutes;
                continue;
            }
            let place = Place { mode: item.mode, start: item.start };
            used[worth + visit] -= 1.0;
            self.add_place(visit, place, &mut used);
            relaxation.each_follower(visit, place, &self.answer, &mut |other, pick| match pick
                .covered
            {
                true => used[worth + other] += 1.0,
                false => self.add_place(other, pick.place, &mut used),
            });
        }
        for (row, _, minutes) in self.bought_weeks() {
            used[row] -= minutes;
        }
        self.use_of_rows = used;
    }

    /// Whether a covered visit counts for its own worth, and not within that of the one it follows.
    fn is_own_worth(&self, visit: usize) -> bool {
        let leader = self.relaxation.leader_of(visit);
        leader.is_none_or(|leader| !self.answer.choice[leader].covered)
    }

    fn week_row(&self, cell: u32) -> usize {
        let model = self.relaxation.model;
        let (skill, t) = (cell as usize / model.open(), cell as usize % model.open());
        self.relaxation.rows.week + skill * model.weeks + model.week_of[t] as usize
    }

    /// Adds what a place uses, its main minutes of a whole skill left out.
    fn add_place(&self, visit: usize, place: Place, used: &mut [f64]) {
        if place.is_none() {
            return;
        }
        let model = self.relaxation.model;
        let rows = &self.relaxation.rows;
        let open = model.open();
        let mode = &model.modes[place.mode as usize];
        for (at, one) in mode.uses.clone().zip(model.uses_of(mode)) {
            if self.relaxation.whole.is_primary(at) {
                continue;
            }
            let cell = one.skill * open as u32 + place.start + one.offset;
            used[cell as usize] += one.minutes as f64;
            used[self.week_row(cell)] += one.minutes as f64;
        }
        for t in place.start..place.start + mode.length {
            used[rows.bay + mode.bay as usize * open + t as usize] += 1.0;
        }
        for take in model.takes_of(mode) {
            let row = model.kit_row[take.kit as usize * open + place.start as usize];
            for row in row..model.kit_rows[take.kit as usize].end {
                used[rows.kit + row as usize] += take.pieces as f64;
            }
        }
        if mode.out {
            let (first, last) = model.span(mode, place.start);
            let pool = rows.pool + model.visits[visit].pool as usize * model.days;
            for row in &mut used[pool + first..=pool + last] {
                *row += 1.0;
            }
        }
    }
}
