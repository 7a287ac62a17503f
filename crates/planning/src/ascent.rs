//! Climbing the Lagrangian bound by a deflected subgradient with patience.
//!
//! Step lengths after Polyak (1969), deflection after Camerini, Fratta and Maffioli (1975),
//! Mathematical Programming Study 3, 26-34. Minutes rows are scaled so that a minute weighs what a
//! place weighs. Nothing here has to be right for the bound to be valid: that is proven afterwards,
//! in whole numbers, from the prices alone.

use crate::branching::{Split, SplitOn};
use crate::cuts::{Cut, broken_cuts};
use crate::model::Model;
use crate::patterns::{Item, Kept, Whole, best_patterns};
use crate::relaxation::{Answer, Relaxation, Rows};
use crate::state::Place;

/// Minutes that weigh as much as one place or piece.
const MINUTES_SCALE: f64 = 1.0 / 90.0;
/// Cells of knapsacks that are filled in the time of a search's move.
const CELLS_PER_UNIT: u64 = 1_000;
/// Highest price that is written down, thousandths of a cent.
const PRICE_MAX: f64 = 1e15;
/// Weight of the newest subgradient in the direction.
const NEWEST: f64 = 0.25;
/// Fruitless steps until the step is halved, and the share of them that is enough where it has not
/// borne fruit at all since it was halved last: a step that is far too long shows at once.
const PATIENCE: u32 = 300;
const PATIENCE_UNTRIED: f64 = 0.2;
/// How far below the best value, in gaps to the target, a value may lengthen the next step: without
/// a limit a step that is too long makes the next one longer still, and the first thousand ran away.
const FALL_MAX: f64 = 2.0;
/// Lengths at which a climb ends: of a sample, of all by prices alone, with whole skills.
const STEP_END_SAMPLE: f64 = 0.02;
const STEP_END: f64 = 0.0003;
const STEP_END_WHOLE: f64 = 0.001;

/// A sample has at least so many columns; each is so many times as large as the one before.
const SAMPLE_COLUMNS: usize = 30_000;
const SAMPLE_STEP: usize = 4;
const PATIENCE_SAMPLE: u32 = 250;
/// Step of a climb that begins where a sample ended.
const STEP_MORE: f64 = 0.3;
/// Steps of a climb with whole skills begin where the plain one has been already. With one more skill
/// whole they begin at good prices whose value longer steps find again only after a while: the first
/// values are not heeded, for a climb that goes back there and shortens its steps creeps.
const STEP_WHOLE: f64 = 0.02;
const STEP_MORE_WHOLE: f64 = 0.06;
const UNHEEDED: u32 = 40;
const PATIENCE_WHOLE: u32 = 250;

/// Part of a tree: step and patience, weight of the newest choice, and how much of a visit may be
/// missing before it counts as left out.
const STEP_PART: f64 = 0.5;
const PATIENCE_PART: u32 = 15;
const NEWEST_CHOICE: f64 = 0.03;
const LEFT_OUT_NOISE: f64 = 0.0;

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
    /// Values still to come that are no record of this climb.
    unheeded: u32,
    /// Whether the value has risen since the step was halved.
    bore_fruit: bool,
    patience: u32,
    /// One tree in so many is looked at, and what share of the visits that is.
    one_in: usize,
    share: f64,
    /// By column: how often it was chosen of late; empty where nobody asks.
    chosen: Vec<f64>,
    /// By column: how often it was chosen since the step was halved, of so many answers; empty where
    /// no cuts are looked for.
    tally: Vec<f64>,
    tallied: u32,
    /// Rows of pools' days that cuts share, each with the rows of those cuts.
    shared: Vec<(usize, Vec<usize>)>,
    /// Work that each step's pricing is, and all work so far, in units of a search's move.
    step_work: u64,
    pub work: u64,
}

/// Whether a climb begins with a sample.
fn is_large(model: &Model) -> bool {
    model.cost.len() / SAMPLE_STEP >= SAMPLE_COLUMNS
}

impl<'m> Ascent<'m> {
    /// The plain relaxation from prices of nothing; of a large instance first a sample, whose prices
    /// are a fair start for the whole at a fraction of the work.
    pub(crate) fn new(model: &'m Model) -> Self {
        let mut one_in = 1;
        while model.cost.len() / (one_in * SAMPLE_STEP) >= SAMPLE_COLUMNS {
            one_in *= SAMPLE_STEP;
        }
        let mut ascent =
            Self::at(model, Whole::none(model), Vec::new(), vec![0.0; Rows::of(model).len]);
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
        let mut ascent = Self::at(model, Whole::none(model), Vec::new(), sample.best_y.clone());
        ascent.sample(sample.one_in / SAMPLE_STEP);
        ascent.step = STEP_MORE;
        ascent
    }

    fn sample(&mut self, one_in: usize) {
        self.one_in = one_in;
        if one_in == 1 {
            self.tally = vec![0.0; self.relaxation.cost.len()];
        } else {
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
        let cut_prices = y.split_off(plain.relaxation.cut_row());
        y.truncate(plain.relaxation.rows.len);
        y.extend(plain.secondary_prices(&whole));
        y.extend(cut_prices);
        let mut ascent = Self::at(model, whole, plain.cuts().to_vec(), y);
        (ascent.step, ascent.unheeded) = match plain.whole().any() {
            true => (STEP_MORE_WHOLE, UNHEEDED),
            false => (STEP_WHOLE, 0),
        };
        ascent.patience = PATIENCE_WHOLE;
        ascent
    }

    /// What this climb's best prices ask for the secondary minutes that `whole` has.
    ///
    /// Minutes that a skill accounted for until now are worth what it gained by them.
    fn secondary_prices(&self, whole: &Whole) -> Vec<f64> {
        let (model, rows) = (self.relaxation.model, &self.relaxation.rows);
        let values = self.column_values();
        let mut prices = vec![0.0; whole.secondary];
        for (number, mode) in (0..).zip(&model.modes) {
            let main = self.relaxation.whole.primary(number);
            let worth = self.best_y[rows.visit + mode.visit as usize];
            for (at, used) in mode.uses.clone().zip(model.uses_of(mode)) {
                let Some(row) = whole.secondary_row(at) else { continue };
                let known = self.relaxation.whole.secondary_row(at);
                for start in 0..mode.starts {
                    let cell = used.skill * model.open() as u32 + mode.first + start + used.offset;
                    let mut minute = self.best_y[cell as usize];
                    if whole.skills[used.skill as usize] == Kept::Weeks {
                        minute += self.best_y[self.week_row(cell)];
                    }
                    let value = values[(mode.column + start) as usize];
                    prices[row + start as usize] = match known {
                        Some(known) => self.best_y[rows.len + known + start as usize],
                        None if main == Some(at) => (worth - value).max(0.0),
                        None => minute * used.minutes as f64,
                    };
                }
            }
        }
        prices
    }

    fn at(model: &'m Model, whole: Whole, cuts: Vec<Cut>, y: Vec<f64>) -> Self {
        let relaxation = Relaxation::<f64>::new(model, whole, cuts);
        let rows = &relaxation.rows;
        let mut capacities: Vec<f64> =
            rows.capacities(model).iter().map(|&units| units as f64).collect();
        capacities.resize(relaxation.cut_row(), 0.0);
        capacities.extend(relaxation.cuts().iter().map(|cut| cut.capacity(model) as f64));
        let mut scale = vec![1.0; y.len()];
        scale[..rows.bay].fill(MINUTES_SCALE * MINUTES_SCALE);
        let mut ceiling = vec![f64::INFINITY; y.len()];
        for row in rows.pool..rows.visit {
            ceiling[row] = model.shortfall_cost[(row - rows.pool) / model.days] as f64;
            if capacities[row] <= 0.0 {
                scale[row] = 0.0;
            }
        }
        for (row, cut) in (relaxation.cut_row()..).zip(relaxation.cuts()) {
            ceiling[row] = model.shortfall_cost[cut.pool as usize] as f64;
        }
        for (skill, &kept) in relaxation.whole.skills.iter().enumerate() {
            // What a whole skill holds stands in its days or weeks, not in rows.
            if kept != Kept::Nothing {
                capacities[skill * model.open()..][..model.open()].fill(0.0);
            }
            if kept == Kept::Weeks {
                capacities[rows.week + skill * model.weeks..][..model.weeks].fill(0.0);
            }
        }
        let mut ascent = Self {
            direction: vec![0.0; y.len()],
            use_of_rows: vec![0.0; y.len()],
            answer: Answer::new(model),
            best_y: y.clone(),
            best: f64::NEG_INFINITY,
            step: 1.0,
            fruitless: 0,
            unheeded: 0,
            bore_fruit: false,
            patience: PATIENCE,
            one_in: 1,
            share: 1.0,
            chosen: Vec::new(),
            tally: Vec::new(),
            tallied: 0,
            shared: Vec::new(),
            step_work: relaxation.answer_work(),
            work: 0,
            relaxation,
            capacities,
            scale,
            ceiling,
            y,
        };
        ascent.note_shared(0);
        ascent
    }

    /// Notes which days the cuts from number `first` on share.
    fn note_shared(&mut self, first: usize) {
        let (pool, days) = (self.relaxation.rows.pool, self.model().days);
        let cut_row = self.relaxation.cut_row();
        for (number, cut) in self.relaxation.cuts().iter().enumerate().skip(first) {
            for &day in &cut.days {
                let row = pool + cut.pool as usize * days + day as usize;
                match self.shared.iter_mut().find(|(known, _)| *known == row) {
                    Some((_, cuts)) => cuts.push(cut_row + number),
                    None => self.shared.push((row, vec![cut_row + number])),
                }
            }
        }
    }

    /// Takes in the cuts that the answers since the step was halved break on average.
    fn tighten(&mut self) {
        if self.tally.is_empty() {
            return;
        }
        let share = 1.0 / f64::from(self.tallied.max(1));
        self.tally.iter_mut().for_each(|count| *count *= share);
        let model = self.model();
        let cuts = broken_cuts(model, &self.tally, &self.best_y, self.cuts());
        self.tally.fill(0.0);
        self.tallied = 0;
        let known = self.cuts().len();
        for cut in cuts {
            self.capacities.push(cut.capacity(model) as f64);
            self.ceiling.push(model.shortfall_cost[cut.pool as usize] as f64);
            self.scale.push(1.0);
            for list in [&mut self.y, &mut self.best_y, &mut self.direction, &mut self.use_of_rows]
            {
                list.push(0.0);
            }
            self.relaxation.add_cut(cut);
        }
        self.note_shared(known);
    }

    /// An engine short is short for a day and for its cuts: their prices together stay below its cost.
    fn share_ceilings(&mut self) {
        for (row, cuts) in &self.shared {
            let ceiling = self.ceiling[*row];
            let mut sum: f64 = cuts.iter().map(|&cut| self.y[cut]).sum();
            if sum > ceiling {
                cuts.iter().for_each(|&cut| self.y[cut] *= ceiling / sum);
                sum = ceiling;
            }
            self.y[*row] = self.y[*row].min(ceiling - sum);
        }
    }

    /// Climbs anew from `y` on what `restrict` leaves of the same relaxation, watching what is chosen.
    pub(crate) fn restricted(
        &self,
        y: &[f64],
        restrict: impl FnOnce(&mut Relaxation<f64>),
    ) -> Self {
        let mut ascent = self.clone();
        restrict(&mut ascent.relaxation);
        ascent.y.copy_from_slice(y);
        ascent.best_y.copy_from_slice(y);
        ascent.direction.fill(0.0);
        (ascent.best, ascent.work, ascent.fruitless) = (f64::NEG_INFINITY, 0, 0);
        (ascent.step, ascent.patience) = (STEP_PART, PATIENCE_PART);
        ascent.chosen = vec![0.0; ascent.relaxation.cost.len()];
        ascent
    }

    /// Takes at most `steps` steps, fewer where the value passes `target`.
    pub(crate) fn climb_steps(&mut self, steps: u32, target: f64) {
        for _ in 0..steps {
            if self.best > target || self.step < 0.01 {
                return;
            }
            self.climb_once(target.max(self.best));
        }
    }

    /// Whether steps that are too long show at once and are cut short. Not on a part of a tree: it
    /// begins at good prices, with little patience as it is. Not where prices begin with a sample:
    /// hundreds of steps there go down before one goes up, and a climb cut short stays low.
    fn shows_at_once(&self) -> bool {
        self.chosen.is_empty() && !is_large(self.relaxation.model)
    }

    pub(crate) const fn model(&self) -> &'m Model {
        self.relaxation.model
    }

    /// For each visit the question whose two answers were chosen most evenly, of late; the `count`
    /// most even ones, most even first.
    pub(crate) fn most_undecided(&self, count: usize) -> Vec<Split> {
        let model = self.relaxation.model;
        let mut found: Vec<(f64, Split)> = Vec::new();
        for visit in 0..model.visits.len() {
            let mut by_start = vec![0.0; model.open() + 1];
            let mut questions = Vec::new();
            let must = self.relaxation.must[visit];
            let (mut sum, mut choices) = (0.0, 0);
            // What is left of the visit: a question that all of it answers alike divides nothing, and
            // a part that asks it is its own child.
            let (mut first, mut last) = (u32::MAX, 0);
            for (number, mode) in model.visits[visit].modes.clone().zip(model.modes_of(visit)) {
                let (mut of_mode, mut left) = (0.0, 0);
                for start in mode.first..mode.first + mode.starts {
                    let column = (mode.column + start - mode.first) as usize;
                    if self.relaxation.cost[column] < 1e17 {
                        left += 1;
                        (first, last) = (first.min(start), last.max(start));
                    }
                    by_start[start as usize] += self.chosen[column];
                    of_mode += self.chosen[column];
                }
                sum += of_mode;
                choices += left;
                questions.push((of_mode, SplitOn::Mode(number), left));
            }
            questions.retain(|&(_, _, left)| left > 0 && (left < choices || !must));
            let whole = f64::max(sum, 1.0 - LEFT_OUT_NOISE);
            if choices + u32::from(!must) < 2 {
                continue;
            }
            let mut from = 0.0;
            for start in (0..model.open()).rev() {
                from += by_start[start];
                let start = start as u32;
                if start <= last && (start > first || !must) {
                    questions.push((from, SplitOn::From(start), choices));
                }
            }
            let mut best: Option<(f64, Split)> = None;
            for (mass, on, _) in questions {
                let evenness = f64::min(mass, whole - mass) / whole;
                if evenness > best.map_or(0.01, |(evenness, _)| evenness) {
                    best = Some((evenness, Split { visit: visit as u32, on }));
                }
            }
            found.extend(best);
        }
        if found.is_empty() {
            // Decided about everything, but not proven: halve whatever has a choice.
            found.extend(
                (0..model.visits.len()).filter_map(|visit| Some((0.0, self.halve(visit)?))),
            );
        }
        found.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.visit.cmp(&b.1.visit)));
        found.into_iter().take(count).map(|(_, split)| split).collect()
    }

    /// A question that halves what is left of a visit's choices; `None` where there is one alone.
    fn halve(&self, visit: usize) -> Option<Split> {
        let model = self.relaxation.model;
        let mut left = Vec::new();
        for (number, mode) in model.visits[visit].modes.clone().zip(model.modes_of(visit)) {
            let starts = mode.first..mode.first + mode.starts;
            let column = |start: u32| (mode.column + start - mode.first) as usize;
            left.extend(
                starts
                    .filter(|&start| self.relaxation.cost[column(start)] < 1e17)
                    .map(|start| (start, number)),
            );
        }
        left.sort_unstable();
        let (first, last) = (*left.first()?, *left.last()?);
        let on = if last.0 > first.0 {
            let middle = left[left.len() / 2].0;
            SplitOn::From(if middle > first.0 { middle } else { last.0 })
        } else if last.1 > first.1 {
            SplitOn::Mode(first.1)
        } else if !self.relaxation.must[visit] {
            SplitOn::From(first.0)
        } else {
            return None;
        };
        Some(Split { visit: visit as u32, on })
    }

    /// Notes what was chosen in this step; older steps fade.
    fn note_choices(&mut self, items: &[Item<f64>], taken: &[usize]) {
        let model = self.relaxation.model;
        let mut chosen = std::mem::take(&mut self.chosen);
        chosen.iter_mut().for_each(|share| *share *= 1.0 - NEWEST_CHOICE);
        let mut note = |place: Place| {
            if !place.is_none() {
                let mode = &model.modes[place.mode as usize];
                chosen[(mode.column + place.start - mode.first) as usize] += NEWEST_CHOICE;
            }
        };
        for pick in self.answer.choice.iter().filter(|pick| !pick.covered) {
            note(pick.place);
        }
        for item in taken.iter().map(|&at| &items[at]).filter(|item| item.is_primary()) {
            let place = Place { mode: item.mode, start: item.start };
            note(place);
            let visit = model.modes[item.mode as usize].visit as usize;
            self.relaxation.each_follower(visit, place, &self.answer, &mut |_, pick| {
                if !pick.covered {
                    note(pick.place);
                }
            });
        }
        self.chosen = chosen;
    }

    pub(crate) fn cuts(&self) -> &[Cut] {
        self.relaxation.cuts()
    }

    /// The skills kept whole.
    pub(crate) const fn whole(&self) -> &Whole {
        &self.relaxation.whole
    }

    /// Whether more steps are unlikely to raise the bound visibly.
    pub(crate) fn is_done(&self) -> bool {
        let end = match self.is_sample() {
            true => STEP_END_SAMPLE,
            false if self.whole().any() => STEP_END_WHOLE,
            false => STEP_END,
        };
        self.step < end
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
        let weeks = best_patterns(self.relaxation.model, &self.relaxation.whole, &mut items);
        self.work += self.step_work + weeks.cells / CELLS_PER_UNIT;
        let value = self.answer.visits - weeks.gain + self.constant();
        if self.unheeded > 0 {
            self.unheeded -= 1;
        } else {
            if value > self.best + 1e-6 * self.best.abs() {
                self.fruitless = 0;
                self.bore_fruit = true;
            } else {
                self.fruitless += 1;
            }
            if value > self.best {
                self.best = value;
                self.best_y.copy_from_slice(&self.y);
            }
        }
        let patience = match self.bore_fruit || !self.shows_at_once() {
            true => self.patience,
            false => (f64::from(self.patience) * PATIENCE_UNTRIED) as u32,
        };
        if self.fruitless >= patience {
            (self.fruitless, self.bore_fruit) = (0, false);
            self.step *= 0.5;
            self.y.copy_from_slice(&self.best_y);
            self.direction.fill(0.0);
            self.tighten();
            return;
        }
        if !self.tally.is_empty() {
            self.tally_choices();
        }
        if !self.chosen.is_empty() {
            self.note_choices(&items, &weeks.taken);
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
        let value = match self.shows_at_once() {
            false => value,
            true => value.max(target - FALL_MAX * (target - self.best)),
        };
        let length = self.step * (target - value).max(1e-4 * target.abs()).max(1.0) / norm;
        for row in 0..self.y.len() {
            let moved = self.y[row] + length * self.scale[row] * self.direction[row];
            self.y[row] = moved.clamp(0.0, self.ceiling[row]);
        }
        self.share_ceilings();
    }

    fn tally_choices(&mut self) {
        let modes = &self.relaxation.model.modes;
        self.tallied += 1;
        for place in
            self.answer.choice.iter().map(|pick| pick.place).filter(|place| !place.is_none())
        {
            let mode = &modes[place.mode as usize];
            self.tally[(mode.column + place.start - mode.first) as usize] += 1.0;
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
            let bought = margin > 0.0 && self.relaxation.whole.skills[skill] != Kept::Weeks;
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
            if !item.is_primary() {
                used[relaxation.rows.len + item.row as usize] -= 1.0;
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

    /// Adds what a place uses; a whole skill's minutes of the day, or of day and week, are left out.
    fn add_place(&self, visit: usize, place: Place, used: &mut [f64]) {
        if place.is_none() {
            return;
        }
        let model = self.relaxation.model;
        let rows = &self.relaxation.rows;
        let open = model.open();
        let mode = &model.modes[place.mode as usize];
        for (at, one) in mode.uses.clone().zip(model.uses_of(mode)) {
            if let Some(row) = self.relaxation.whole.secondary_row(at) {
                used[rows.len + row + (place.start - mode.first) as usize] += 1.0;
            }
            let kept = self.relaxation.whole.skills[one.skill as usize];
            let cell = one.skill * open as u32 + place.start + one.offset;
            if kept == Kept::Nothing {
                used[cell as usize] += one.minutes as f64;
            }
            if kept != Kept::Weeks {
                used[self.week_row(cell)] += one.minutes as f64;
            }
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
            let cut_row = self.relaxation.cut_row();
            let pool = model.visits[visit].pool;
            for (number, cut) in self.relaxation.cuts().iter().enumerate() {
                if cut.pool == pool {
                    used[cut_row + number] += cut.units(visit as u32, (first, last)) as f64;
                }
            }
        }
    }
}
