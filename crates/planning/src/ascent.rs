//! Climbing the Lagrangian bound by a deflected subgradient with patience.
//!
//! Step lengths after Polyak (1969), deflection after Camerini, Fratta and Maffioli (1975),
//! Mathematical Programming Study 3, 26-34. Minutes rows are scaled so that a minute weighs what a
//! place weighs. Nothing here has to be right for the bound to be valid: that is proven afterwards,
//! in whole numbers, from the prices alone.

use crate::model::Model;
use crate::relaxation::{Answer, Relaxation};
use crate::state::Place;

/// Minutes that weigh as much as one place or piece.
const MINUTES_SCALE: f64 = 1.0 / 90.0;
/// Highest price that is written down, thousandths of a cent.
const PRICE_MAX: f64 = 1e15;
/// Weight of the newest subgradient in the direction.
const NEWEST: f64 = 0.25;

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
    pub steps: u64,
}

impl<'m> Ascent<'m> {
    pub(crate) fn new(model: &'m Model) -> Self {
        let relaxation = Relaxation::<f64>::new(model);
        let rows = relaxation.rows.clone();
        let capacities: Vec<f64> =
            rows.capacities(model).iter().map(|&units| units as f64).collect();
        let mut scale = vec![1.0; rows.len];
        scale[..rows.bay].fill(MINUTES_SCALE * MINUTES_SCALE);
        let mut ceiling = vec![f64::INFINITY; rows.len];
        let mut y = vec![0.0; rows.len];
        for row in rows.pool..rows.len {
            ceiling[row] = model.shortfall_cost[(row - rows.pool) / model.days] as f64;
            // No engine can go without breaking the minimum: each pays the whole shortfall.
            if capacities[row] <= 0.0 {
                y[row] = ceiling[row];
                scale[row] = 0.0;
            }
        }
        Self {
            direction: vec![0.0; rows.len],
            use_of_rows: vec![0.0; rows.len],
            answer: Answer { visits: Vec::new(), choice: vec![Place::NONE; model.visits.len()] },
            best_y: y.clone(),
            best: f64::NEG_INFINITY,
            step: 1.0,
            fruitless: 0,
            patience: 600,
            steps: 0,
            relaxation,
            capacities,
            scale,
            ceiling,
            y,
        }
    }

    /// Whether more steps are unlikely to raise the bound visibly.
    pub(crate) fn is_done(&self) -> bool {
        self.step < 0.001
    }

    /// Value of every column at the best prices, in cents.
    pub(crate) fn column_values(&self) -> Vec<f64> {
        self.relaxation.column_values(&self.best_y)
    }

    /// The best prices in thousandths of a cent, rounded down.
    pub(crate) fn prices(&self) -> Vec<i64> {
        self.best_y.iter().map(|&price| (price * 1000.0).min(PRICE_MAX) as i64).collect()
    }

    /// Takes `steps` steps towards `target`, the cost of the best plan known.
    pub(crate) fn climb(&mut self, steps: u64, target: f64) {
        for _ in 0..steps {
            if self.is_done() {
                return;
            }
            self.climb_once(target);
        }
    }

    fn climb_once(&mut self, target: f64) {
        self.steps += 1;
        self.relaxation.answer(&self.y, &mut self.answer);
        let value = self.answer.visits.iter().sum::<f64>() + self.constant();
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
        self.count_use();
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
        let rows = &self.relaxation.rows;
        let model = self.relaxation.model;
        let bought: f64 = (rows.week..rows.bay)
            .map(|row| {
                let cell = row - rows.week;
                let margin = self.y[row] - model.overtime_cost[cell / model.weeks] as f64;
                margin.max(0.0) * model.week_overtime[cell] as f64
            })
            .sum();
        -free - bought
    }

    /// Units of each row that the answer uses, less the overtime it would buy.
    fn count_use(&mut self) {
        let model = self.relaxation.model;
        let rows = &self.relaxation.rows;
        let open = model.open();
        let used = &mut self.use_of_rows;
        used.fill(0.0);
        for (visit, place) in self.answer.choice.iter().enumerate() {
            if place.is_none() {
                continue;
            }
            let mode = &model.modes[place.mode as usize];
            for one in model.uses_of(mode) {
                let t = (place.start + one.offset) as usize;
                used[one.skill as usize * open + t] += one.minutes as f64;
                used[rows.week + one.skill as usize * model.weeks + model.week_of[t] as usize] +=
                    one.minutes as f64;
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
        for cell in 0..rows.bay - rows.week {
            if self.y[rows.week + cell] > model.overtime_cost[cell / model.weeks] as f64 {
                used[rows.week + cell] -= model.week_overtime[cell] as f64;
            }
        }
    }
}
