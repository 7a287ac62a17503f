//! Marginal analysis: which purchases keep the most boat-days on the water for the money.
//!
//! Each part is a ladder of quantities; each rung costs money and leaves so many boat-days to be
//! lost. Rungs are joined into steps of falling worth (their lower convex hull), and the steps of
//! all parts are taken in the order of boat-days kept per unit of money. At every sum that this order
//! spends exactly, no other purchase keeps more: Fox (1966), Management Science 13:210-216;
//! Sherbrooke (1968), Operations Research 16:122-141. Below such a sum a step may not fit; then the
//! next that does is taken, and a small problem is searched to the end.

use std::cmp::Ordering;

/// A quantity that can be bought.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rung {
    pub quantity: u64,
    /// Minor units, freight not counted.
    pub money: i64,
    /// Boat-days still expected to be lost.
    pub lost: f64,
}

/// What can be bought of one part. The first rung is nothing; quantities rise, losses never do.
#[derive(Clone, Debug, PartialEq)]
pub struct Ladder {
    /// Rungs, the first with quantity and money of zero.
    pub rungs: Vec<Rung>,
    /// Orders that share freight: the place of a supplier in the list of freights.
    pub supplier: usize,
}

/// A purchase from one rung to a higher one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    pub ladder: usize,
    pub from: usize,
    pub to: usize,
    pub money: i64,
    /// Boat-days that it keeps.
    pub kept: f64,
}

/// A point of the curve of money against boat-days.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurvePoint {
    pub money: i64,
    pub lost: f64,
}

/// The rung chosen on each ladder.
#[derive(Clone, Debug, PartialEq)]
pub struct Allocation {
    pub rungs: Vec<usize>,
    /// With freight.
    pub money: i64,
    pub lost: f64,
}

/// Problems of up to so many ladders and rungs are searched to the end.
const EXACT_LADDERS: usize = 40;
const EXACT_RUNGS: usize = 1_000;
/// The search ends after so many choices looked at; what it has is then at least what the order of
/// worth gave.
const CHOICES_MAX: usize = 50_000;
/// Rounds of filling what is left of a budget.
const FILL_ROUNDS: usize = 64;

impl Step {
    fn worth(&self) -> f64 {
        if self.money <= 0 { f64::INFINITY } else { self.kept / self.money as f64 }
    }
}

impl Ladder {
    /// Places of the rungs on the lower convex hull of money against loss, rising from the first.
    fn hull(&self) -> Vec<usize> {
        let mut hull: Vec<usize> = vec![0];
        let ratio = |low: usize, high: usize| {
            let (low, high) = (&self.rungs[low], &self.rungs[high]);
            let money = high.money - low.money;
            let kept = low.lost - high.lost;
            if money <= 0 { f64::INFINITY } else { kept / money as f64 }
        };
        for place in 1..self.rungs.len() {
            let rung = &self.rungs[place];
            if rung.lost >= self.rungs[hull[hull.len() - 1]].lost {
                continue; // costs more and keeps nothing
            }
            while hull.len() > 1 {
                let (last, before) = (hull[hull.len() - 1], hull[hull.len() - 2]);
                if ratio(last, place) < ratio(before, last) {
                    break;
                }
                hull.pop();
            }
            hull.push(place);
        }
        hull
    }
}

/// The steps of all ladders, the worthiest first; steps of one ladder stay in its order.
pub fn steps(ladders: &[Ladder]) -> Vec<Step> {
    let mut steps = Vec::new();
    for (ladder, row) in ladders.iter().enumerate() {
        for pair in row.hull().windows(2) {
            let (from, to) = (pair[0], pair[1]);
            let (low, high) = (&row.rungs[from], &row.rungs[to]);
            let (money, kept) = (high.money - low.money, low.lost - high.lost);
            steps.push(Step { ladder, from, to, money, kept });
        }
    }
    steps.sort_by(|a, b| {
        b.worth()
            .partial_cmp(&a.worth())
            .unwrap_or(Ordering::Equal)
            .then(a.ladder.cmp(&b.ladder))
            .then(a.from.cmp(&b.from))
    });
    steps
}

fn lost_of(ladders: &[Ladder], rungs: &[usize]) -> f64 {
    ladders.iter().zip(rungs).map(|(ladder, rung)| ladder.rungs[*rung].lost).sum()
}

/// The curve of money against boat-days lost, one point a step from nothing on, freight not counted.
pub fn curve(ladders: &[Ladder], steps: &[Step]) -> Vec<CurvePoint> {
    let mut point = CurvePoint { money: 0, lost: lost_of(ladders, &vec![0; ladders.len()]) };
    let mut points = vec![point];
    for step in steps {
        point =
            CurvePoint { money: point.money + step.money, lost: (point.lost - step.kept).max(0.0) };
        points.push(point);
    }
    points
}

/// `points` thinned to `most`, the first and the last kept, evenly along the money.
pub fn thin(points: &[CurvePoint], most: usize) -> Vec<CurvePoint> {
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return Vec::new() };
    if points.len() <= most.max(2) {
        return points.to_vec();
    }
    let span = (last.money - first.money).max(1) as f64;
    let mut kept: Vec<CurvePoint> = vec![*first];
    let mut reached = 0;
    for point in &points[1..points.len() - 1] {
        let place = ((point.money - first.money) as f64 / span * (most - 1) as f64) as usize;
        if place > reached {
            kept.push(*point);
            reached = place;
        }
    }
    kept.push(*last);
    kept
}

/// Purchases under a budget: the worthiest steps first; what does not fit is passed over and the
/// next taken. `freight` is paid once for each supplier from whom anything is bought.
pub fn allocate(ladders: &[Ladder], freight: &[i64], budget: i64) -> Allocation {
    let mut chosen = Chosen::nothing(ladders, freight, budget);
    let mut blocked = vec![false; ladders.len()];
    for step in steps(ladders) {
        if blocked[step.ladder] {
            continue;
        }
        if !chosen.take(step.ladder, step.to) {
            blocked[step.ladder] = true;
        }
    }
    for _ in 0..FILL_ROUNDS {
        let candidates = (0..ladders.len()).filter(|ladder| blocked[*ladder]);
        let best = candidates
            .filter_map(|ladder| chosen.best_fitting(ladder))
            .max_by(|a, b| a.worth().total_cmp(&b.worth()).then(b.ladder.cmp(&a.ladder)));
        let Some(step) = best else { break };
        chosen.take(step.ladder, step.to);
    }
    let rungs_in_all: usize = ladders.iter().map(|ladder| ladder.rungs.len()).sum();
    let free_of_freight = freight.iter().all(|cost| *cost == 0);
    if ladders.len() <= EXACT_LADDERS && rungs_in_all <= EXACT_RUNGS && free_of_freight {
        let found = Search::new(ladders, budget).improve(&chosen.rungs);
        for (ladder, rung) in found.into_iter().enumerate() {
            chosen.rungs[ladder] = rung;
        }
        let money = |(ladder, rung): (&Ladder, &usize)| ladder.rungs[*rung].money;
        chosen.money = ladders.iter().zip(&chosen.rungs).map(money).sum();
    }
    let lost = lost_of(ladders, &chosen.rungs);
    Allocation { rungs: chosen.rungs, money: chosen.money, lost }
}

struct Chosen<'a> {
    ladders: &'a [Ladder],
    freight: &'a [i64],
    budget: i64,
    rungs: Vec<usize>,
    opened: Vec<bool>,
    money: i64,
}

impl<'a> Chosen<'a> {
    fn nothing(ladders: &'a [Ladder], freight: &'a [i64], budget: i64) -> Self {
        let rungs = vec![0; ladders.len()];
        Self { ladders, freight, budget, rungs, opened: vec![false; freight.len()], money: 0 }
    }

    fn freight_of(&self, supplier: usize) -> i64 {
        let opened = self.opened.get(supplier).copied().unwrap_or(true);
        if opened { 0 } else { self.freight[supplier] }
    }

    fn cost(&self, ladder: usize, to: usize) -> i64 {
        let row = &self.ladders[ladder];
        let step = row.rungs[to].money - row.rungs[self.rungs[ladder]].money;
        step.saturating_add(self.freight_of(row.supplier))
    }

    fn take(&mut self, ladder: usize, to: usize) -> bool {
        let cost = self.cost(ladder, to);
        if self.money.saturating_add(cost) > self.budget {
            return false;
        }
        self.money += cost;
        self.rungs[ladder] = to;
        if let Some(opened) = self.opened.get_mut(self.ladders[ladder].supplier) {
            *opened = true;
        }
        true
    }

    fn best_fitting(&self, ladder: usize) -> Option<Step> {
        let row = &self.ladders[ladder];
        let from = self.rungs[ladder];
        let fitting = (from + 1..row.rungs.len()).filter_map(|to| {
            let kept = row.rungs[from].lost - row.rungs[to].lost;
            let money = self.cost(ladder, to);
            let fits = self.money.saturating_add(money) <= self.budget;
            (fits && kept > 0.0).then_some(Step { ladder, from, to, money, kept })
        });
        fitting.max_by(|a, b| a.worth().total_cmp(&b.worth()))
    }
}

/// Depth-first search over the ladders, with the fractional solution of what is left as its bound.
struct Search<'a> {
    ladders: &'a [Ladder],
    budget: i64,
    /// For each depth the steps of the ladders from there on, the worthiest first.
    tails: Vec<Vec<Step>>,
    /// For each depth the loss of the ladders from there on where nothing is bought.
    tail_lost: Vec<f64>,
    best: Vec<usize>,
    best_lost: f64,
    looked_at: usize,
}

impl<'a> Search<'a> {
    fn new(ladders: &'a [Ladder], budget: i64) -> Self {
        let all = steps(ladders);
        let tails = (0..=ladders.len())
            .map(|depth| all.iter().filter(|step| step.ladder >= depth).copied().collect())
            .collect();
        let nothing = vec![0; ladders.len()];
        let tail_lost = (0..=ladders.len())
            .map(|depth| lost_of(&ladders[depth..], &nothing[depth..]))
            .collect();
        let (best, best_lost) = (nothing, f64::INFINITY);
        Self { ladders, budget, tails, tail_lost, best, best_lost, looked_at: 0 }
    }

    fn improve(mut self, start: &[usize]) -> Vec<usize> {
        self.best = start.to_vec();
        self.best_lost = lost_of(self.ladders, start);
        let mut rungs = start.to_vec();
        self.descend(0, self.budget, 0.0, &mut rungs);
        self.best
    }

    fn descend(&mut self, depth: usize, left: i64, lost: f64, rungs: &mut [usize]) {
        self.looked_at += 1;
        if depth == self.ladders.len() {
            if lost < self.best_lost - 1e-12 {
                self.best_lost = lost;
                self.best.copy_from_slice(rungs);
            }
            return;
        }
        if self.looked_at > CHOICES_MAX || self.bound(depth, left, lost) >= self.best_lost - 1e-12 {
            return;
        }
        for place in (0..self.ladders[depth].rungs.len()).rev() {
            let rung = self.ladders[depth].rungs[place];
            if rung.money <= left {
                rungs[depth] = place;
                self.descend(depth + 1, left - rung.money, lost + rung.lost, rungs);
            }
        }
        rungs[depth] = 0;
    }

    fn bound(&self, depth: usize, mut left: i64, lost: f64) -> f64 {
        let mut bound = lost + self.tail_lost[depth];
        for step in &self.tails[depth] {
            if step.money > left {
                return bound - step.kept * left as f64 / step.money as f64;
            }
            left -= step.money.max(0);
            bound -= step.kept;
        }
        bound
    }
}
