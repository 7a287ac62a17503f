//! Branch and bound over the relaxation, for instances small enough to be proven optimal.
//!
//! A split halves one visit's choices (starts before a day or is left out; starts from that day on;
//! or by mode) where the relaxation is undecided about it. Each part climbs on from its parent's
//! prices. The bound is the least of the parts', each proven in whole numbers; since every plan costs
//! whole cents a part's figure is rounded up. Land and Doig (1960), Econometrica 28, 497-520.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use crate::ascent::Ascent;
use crate::certificate::exact_thousandths;
use crate::cuts::Cut;
use crate::model::Model;
use crate::patterns::Whole;
use crate::relaxation::Relaxation;

/// Columns up to which a tree is worth growing, and parts it may have. Beyond, a single split takes
/// several rounds, for which the search would wait, and the gap is far from closing.
const COLUMNS_MAX: usize = 9_000;
const PARTS_MAX: usize = 6_000;
/// Steps a part climbs at most.
const STEPS: u32 = 160;
/// Steps for a part that can't be split further.
const STEPS_ALONE: u32 = 5_000;
/// Questions that are tried before one is asked, and steps each side is tried for.
const CANDIDATES: usize = 8;
const TRIAL_STEPS: u32 = 25;

/// A question about one visit that splits its choices in two.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Split {
    pub visit: u32,
    pub on: SplitOn,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum SplitOn {
    /// Planned, and starting on this open day or later.
    From(u32),
    /// Planned in this mode.
    Mode(u32),
}

/// A part of all plans: those that answer the questions above it its way.
#[derive(Clone, Debug)]
pub(crate) struct Part {
    /// Questions and answers from the root.
    answers: Vec<(Split, bool)>,
    y: Vec<f64>,
    pub prices: Vec<i64>,
    /// Cents, rounded up; no plan of this part costs less.
    pub bound: i64,
    /// How it could be split.
    undecided: Vec<Split>,
    /// Value of its climb, cents.
    value: f64,
    /// How it was, and its parts where the answer is yes and no.
    pub split: Option<(Split, usize, usize)>,
}

/// The tree grown so far. The first part is the whole.
#[derive(Clone, Debug)]
pub(crate) struct Branching<'m> {
    root: Ascent<'m>,
    pub parts: Vec<Part>,
    /// Parts that may still hold a better plan, least bound first.
    open: BinaryHeap<Reverse<(i64, usize)>>,
    /// Least bound of parts that can't be split further.
    stuck: i64,
    pub work: u64,
}

impl Split {
    /// Whether the answer of a column is yes.
    fn takes(self, mode: u32, start: u32) -> bool {
        match self.on {
            SplitOn::From(day) => start >= day,
            SplitOn::Mode(wanted) => mode == wanted,
        }
    }
}

/// Leaves only what gives these answers.
pub(crate) fn restrict<N: crate::relaxation::Money>(
    relaxation: &mut Relaxation<N>,
    answers: &[(Split, bool)],
) {
    let model = relaxation.model;
    for &(split, yes) in answers {
        let visit = split.visit as usize;
        for (number, mode) in model.visits[visit].modes.clone().zip(model.modes_of(visit)) {
            for start in mode.first..mode.first + mode.starts {
                if split.takes(number, start) != yes {
                    relaxation.cost[(mode.column + start - mode.first) as usize] = N::NEVER;
                }
            }
        }
        relaxation.must[visit] |= yes;
    }
}

impl<'m> Branching<'m> {
    /// A tree with `root`'s best prices at its root; `None` where the instance is too large.
    pub(crate) fn new(model: &Model, root: &Ascent<'m>) -> Option<Self> {
        if model.cost.len() > COLUMNS_MAX {
            return None;
        }
        let mut tree = Self {
            root: root.clone(),
            parts: Vec::new(),
            open: BinaryHeap::new(),
            stuck: i64::MAX,
            work: 0,
        };
        let first = tree.climb(Vec::new(), &root.best_y, i64::MAX);
        tree.add(first, i64::MAX);
        Some(tree)
    }

    /// No plan costs less, cents.
    pub(crate) fn bound(&self, best_cost: i64) -> i64 {
        let open = self.open.peek().map_or(i64::MAX, |Reverse((bound, _))| *bound);
        open.min(self.stuck).min(best_cost)
    }

    /// The skills kept whole in every part.
    pub(crate) const fn whole(&self) -> &Whole {
        self.root.whole()
    }

    /// The cuts that every part keeps.
    pub(crate) fn cuts(&self) -> &[Cut] {
        self.root.cuts()
    }

    /// Whether nothing is left to split.
    pub(crate) fn is_done(&self) -> bool {
        self.open.is_empty() || self.parts.len() > PARTS_MAX
    }

    /// Grows for about `work` units; `best_cost` is what a part must beat.
    pub(crate) fn grow(&mut self, work: u64, best_cost: i64) {
        let until = self.work + work;
        while self.work < until && !self.is_done() {
            let Some(Reverse((bound, number))) = self.open.pop() else { return };
            if bound >= best_cost {
                // All that is left is as dear as the best plan: it stays as the proof of that.
                self.stuck = self.stuck.min(bound);
                continue;
            }
            let Some(split) = self.best_split(number, best_cost) else {
                self.settle(number, best_cost);
                continue;
            };
            let y = std::mem::take(&mut self.parts[number].y);
            let prices = std::mem::take(&mut self.parts[number].prices);
            let mut children = [0, 0];
            for (child, yes) in children.iter_mut().zip([true, false]) {
                let mut answers = self.parts[number].answers.clone();
                answers.push((split, yes));
                let mut part = self.climb(answers, &y, best_cost);
                if part.bound < bound {
                    // Rounded prices may fall short of the parent's; those hold for the part too.
                    part.prices.clone_from(&prices);
                    part.bound = self.exact(&part.answers, &prices);
                }
                *child = self.add(part, best_cost);
            }
            self.parts[number].split = Some((split, children[0], children[1]));
        }
    }

    fn add(&mut self, part: Part, best_cost: i64) -> usize {
        let number = self.parts.len();
        if part.bound < best_cost {
            self.open.push(Reverse((part.bound, number)));
        } else {
            self.stuck = self.stuck.min(part.bound);
        }
        self.parts.push(part);
        number
    }

    /// A part that holds one plan alone: a longer climb proves what that plan costs.
    fn settle(&mut self, number: usize, best_cost: i64) {
        let part = &self.parts[number];
        let mut ascent =
            self.root.restricted(&part.y, |relaxation| restrict(relaxation, &part.answers));
        ascent.climb_steps(STEPS_ALONE, best_cost as f64);
        self.work += ascent.work;
        let prices = ascent.prices();
        let bound = self.exact(&self.parts[number].answers, &prices);
        let part = &mut self.parts[number];
        if bound > part.bound {
            (part.bound, part.prices) = (bound, prices);
        }
        self.stuck = self.stuck.min(part.bound);
    }

    /// Of the undecided questions the one whose answers raise the bound most: each is tried for a few
    /// steps, and the product of the two rises counts (Achterberg, Koch and Martin, 2005, Operations
    /// Research Letters 33, 42-54).
    fn best_split(&mut self, number: usize, best_cost: i64) -> Option<Split> {
        let part = &self.parts[number];
        let (value, candidates) = (part.value, part.undecided.clone());
        if candidates.len() < 2 {
            return candidates.first().copied();
        }
        let mut best: Option<(f64, Split)> = None;
        for split in candidates {
            let mut score = 1.0;
            for yes in [true, false] {
                let part = &self.parts[number];
                let mut answers = part.answers.clone();
                answers.push((split, yes));
                let mut ascent =
                    self.root.restricted(&part.y, |relaxation| restrict(relaxation, &answers));
                ascent.climb_steps(TRIAL_STEPS, best_cost as f64);
                self.work += ascent.work;
                // Beyond the best plan a part is closed: more does not help.
                score *= (ascent.best.min(best_cost as f64) - value).max(0.5);
            }
            if best.is_none_or(|(highest, _)| score > highest) {
                best = Some((score, split));
            }
        }
        best.map(|(_, split)| split)
    }

    fn climb(&mut self, answers: Vec<(Split, bool)>, y: &[f64], best_cost: i64) -> Part {
        let mut ascent = self.root.restricted(y, |relaxation| restrict(relaxation, &answers));
        let target = if best_cost == i64::MAX { ascent.best } else { best_cost as f64 };
        ascent.climb_steps(STEPS, target);
        self.work += ascent.work;
        let prices = ascent.prices();
        let bound = self.exact(&answers, &prices);
        let undecided = ascent.most_undecided(CANDIDATES);
        let value = ascent.best;
        Part { answers, value, y: ascent.best_y, prices, bound, undecided, split: None }
    }

    /// What `prices` prove of the part that gives `answers`, cents, rounded up.
    fn exact(&self, answers: &[(Split, bool)], prices: &[i64]) -> i64 {
        let thousandths =
            exact_thousandths(self.root.model(), (self.whole(), self.cuts()), answers, prices);
        i64::try_from(-(-thousandths).div_euclid(1000)).unwrap_or(i64::MAX)
    }
}
