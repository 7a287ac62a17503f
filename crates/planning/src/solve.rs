//! One run: a bound that climbs on one lane while plans are searched on the others.
//!
//! A lane is a stream of random numbers with its own state; lanes meet after every round of a fixed
//! amount of work and exchange what they found. So the result depends on the instance, the start,
//! the seed, the work and the number of lanes, and not on how many threads carry them: with a work
//! limit the lanes are [`LANES`], with time alone there are as many as threads.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::ascent::Ascent;
use crate::branching::Branching;
use crate::certificate::{Certificate, Proof, Tree, exact_bound};
use crate::cooling::Cooling;
use crate::error::InstanceError;
use crate::explain::{wanted_places, write_plan};
use crate::instance::Instance;
use crate::locked::settle_locked;
use crate::loose::{self, Loose, Needs};
use crate::model::Model;
use crate::patterns::Whole;
use crate::plan::Plan;
use crate::search::{Menus, Search};
use crate::state::{Place, State};

/// Lanes of a run with a work limit.
pub const LANES: usize = 2;
/// Units of work a lane does between two meetings.
const ROUND: u64 = 20_000;

/// Share of a run between two moments when lanes that fell behind take over the leader's plan.
const SHARED_EVERY: f64 = 0.04;
/// Share of the loose search after which its plans are taken over, and between two times that they
/// are read off until then.
const LOOSE_UNTIL: f64 = 0.95;
const READ_EVERY: f64 = 0.025;
/// Moves of the first loose search for each visit, where so many times that are left of the run, and
/// what share of it has to be left for any.
const LOOSE_FIRST: f64 = 8_000.0;
const LOOSE_LEAST: f64 = 0.25;
const LOOSE_LONG: f64 = 5.0;
/// Temperatures as shares of the mean cost of a visit: at the beginning, at the beginning from a
/// plan that is good already, and at the end. Found by trial on winter and rotation instances.
const HOT: f64 = 0.5;
const WARM: f64 = 0.015;
const COLD: f64 = 0.0015;

/// How long to search and with what.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Effort {
    pub seed: u64,
    /// Units of work over all lanes, about a move of the search each; `None`: until time is up.
    pub work: Option<u64>,
    /// Stop once the gap is at most this; 0 stops only at a proven optimum.
    pub gap: f64,
}

/// What a caller who waits may see and say. The core has no clock: time comes from here.
pub struct Watch<'a> {
    /// Share of the allowed time that is used up; the run stops at 1.
    pub spent: &'a (dyn Fn() -> f64 + Sync),
    /// Set to stop the run; what was found so far is returned.
    pub cancelled: &'a AtomicBool,
    /// Called after rounds that found something.
    pub report: &'a mut dyn FnMut(&Progress),
}

/// Where a run stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Progress {
    /// Cents of the best plan.
    pub objective: i64,
    /// Cents no plan can go below, once there is a figure.
    pub bound: Option<i64>,
    /// `(objective − bound) / max(1, objective)`.
    pub gap: Option<f64>,
    /// Units of work done, over all lanes.
    pub work: u64,
}

/// Why a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stop {
    /// The bound meets the objective.
    Proven,
    /// The gap asked for is reached.
    Gap,
    /// Time or work is used up.
    Limit,
    Cancelled,
}

/// What a run found.
#[derive(Clone, Debug)]
pub struct Solution {
    pub plan: Plan,
    /// Prices from which the plan's bound can be computed again.
    pub certificate: Certificate,
    /// Units of work done, over all lanes.
    pub work: u64,
    pub stop: Stop,
}

/// Searches a plan for `instance`, from `start` where there is one.
///
/// A start plan may be one of a slightly different instance: what no longer fits is placed anew,
/// visits it does not know are added, those the instance does not know are passed over.
///
/// # Errors
/// What [`Instance::validate`] refuses.
pub fn solve(
    instance: &Instance,
    start: Option<&Plan>,
    effort: &Effort,
    watch: &mut Watch,
) -> Result<Solution, InstanceError> {
    instance.validate()?;
    let model = Model::new(instance);
    let first = first_plan(instance, &model, start)?;
    let warmth = if start.is_some() { WARM } else { HOT };
    let mut run = Run::new(&model, first, effort, warmth);
    let stop = run.improve(effort, watch);
    Ok(run.finish(instance, stop))
}

struct Run<'m> {
    model: &'m Model,
    ascent: Ascent<'m>,
    searches: Vec<Search<'m>>,
    lanes: usize,
    best: Vec<Place>,
    best_cost: i64,
    /// The best bound proven.
    proof: Option<Proof>,
    /// Sets of skills still to be kept whole, the last one next.
    stages: Vec<Whole>,
    /// The tree that grows once the climb is done, where the instance is small.
    tree: Option<Branching<'m>>,
    /// Value of the climb when its bound was last proven, and when the menus were last written.
    proven_at: f64,
    menus_at: f64,
    /// The bound when the lanes last met.
    told: Option<i64>,
    work: u64,
    cooling: Cooling,
    /// Mean cost of a visit, cents.
    scale: f64,
    seed: u64,
    /// Prices that the menus were last written with.
    prices: Vec<f64>,
    phase: Phase<'m>,
}

/// Where the plan's search stands.
enum Phase<'m> {
    /// Whole plans only; the loose search follows once the bound is done.
    Before,
    Loose(Loosened<'m>),
    /// Whole plans to the end.
    Last,
}

/// The loose search of every lane.
struct Loosened<'m> {
    lanes: Vec<Loose<'m>>,
    cooling: Cooling,
    /// Share of it that was done when its plans were last read off.
    read_at: f64,
}

impl<'m> Run<'m> {
    fn new(model: &'m Model, first: State<'m>, effort: &Effort, warmth: f64) -> Self {
        let lanes = match effort.work {
            Some(_) => LANES,
            None => rayon::current_num_threads().max(2),
        };
        let worth: Vec<f64> = model.cost.iter().map(|&cents| cents as f64).collect();
        let menus = Menus::by(model, &worth);
        let (best, best_cost) = (first.place.clone(), first.cost);
        let searches = (1..lanes as u64)
            .map(|lane| Search::new(first.clone(), menus.clone(), effort.seed, lane));
        let searches: Vec<Search> = searches.collect();
        let scale = typical_cost(&first);
        let ascent = Ascent::new(model);
        Self {
            stages: Whole::stages(model),
            searches,
            cooling: Cooling::new(scale * warmth, scale * COLD, model.visits.len()),
            proof: None,
            tree: None,
            proven_at: f64::NEG_INFINITY,
            menus_at: f64::NEG_INFINITY,
            told: None,
            work: 0,
            prices: Vec::new(),
            phase: match warmth == HOT && loose::suits(model) {
                true => Phase::Before,
                false => Phase::Last,
            },
            scale,
            seed: effort.seed,
            model,
            ascent,
            lanes,
            best,
            best_cost,
        }
    }

    fn improve(&mut self, effort: &Effort, watch: &mut Watch) -> Stop {
        let share = |work: u64, spent: f64| {
            let of_work = effort.work.map_or(0.0, |limit| work as f64 / limit.max(1) as f64);
            of_work.max(spent)
        };
        let mut shared_at = 0.0;
        loop {
            let now = share(self.work, (watch.spent)());
            if watch.cancelled.load(Ordering::Relaxed) {
                return Stop::Cancelled;
            }
            if now >= 1.0 {
                return Stop::Limit;
            }
            if self.bound().is_some_and(|bound| bound >= self.best_cost) {
                return Stop::Proven;
            }
            if self.gap().is_some_and(|gap| gap <= effort.gap) {
                return Stop::Gap;
            }
            if self.is_bound_done() && !self.searches[0].has_choice() {
                return Stop::Limit;
            }
            if let Phase::Loose(loosened) = &mut self.phase {
                loosened.round(now);
                self.work += ROUND * loosened.lanes.len() as u64;
            } else {
                let (from, to) = self.cooling.next(ROUND, now);
                if self.cooling.is_first() && now - shared_at > SHARED_EVERY {
                    self.share_current();
                    shared_at = now;
                }
                self.round(from, to);
            }
            let found = self.meet();
            self.next_stage();
            self.next_phase(now);
            if found {
                (watch.report)(&self.progress());
            }
        }
    }

    /// Every lane works for a round.
    fn round(&mut self, from: f64, to: f64) {
        let target = self.best_cost as f64;
        if self.is_bound_done() && self.searches.len() < self.lanes {
            // The bound's lane has nothing left to do: it searches too.
            let mut search = self.searches[0].clone();
            search.redraw(0);
            self.searches.push(search);
        }
        let (ascent, searches) = (&mut self.ascent, &mut self.searches);
        let (tree, best_cost) = (&mut self.tree, self.best_cost);
        let before = ascent.work + tree.as_ref().map_or(0, |tree| tree.work);
        rayon::scope(|scope| {
            if !ascent.is_done() {
                scope.spawn(|_| ascent.climb(ROUND, target));
            } else if let Some(tree) = tree {
                scope.spawn(move |_| tree.grow(ROUND, best_cost));
            }
            for search in searches.iter_mut() {
                scope.spawn(move |_| search.anneal(ROUND, from, to));
            }
        });
        let after = self.ascent.work + self.tree.as_ref().map_or(0, |tree| tree.work);
        self.work += after - before + ROUND * self.searches.len() as u64;
    }

    /// Begins the loose search once the bound's lane is free for it, and takes over what it found.
    fn next_phase(&mut self, now: f64) {
        let bound_done = self.is_bound_done();
        match &mut self.phase {
            Phase::Before if bound_done => match self.first_loose_end(now) {
                Some(end) => self.loosen(now, end),
                None => self.phase = Phase::Last,
            },
            Phase::Loose(loosened) if loosened.cooling.done() >= LOOSE_UNTIL => {
                if loosened.cooling.end() < 1.0 {
                    return self.loosen(now, 1.0);
                }
                let lanes = std::mem::take(&mut loosened.lanes);
                self.phase = Phase::Last;
                while self.searches.len() < self.lanes {
                    let mut search = self.searches[0].clone();
                    search.redraw(0);
                    self.searches.push(search);
                }
                for (search, lane) in self.searches.iter_mut().zip(lanes) {
                    search.continue_from(&lane.settled().place);
                }
            }
            _ => {}
        }
    }

    /// Where the first loose search ends: a long run is worth a short one first, so that there is a
    /// good plan early; `None` where too little is left for any.
    fn first_loose_end(&self, now: f64) -> Option<f64> {
        let moves = self.work as f64 / self.lanes as f64 * (1.0 - now) / now.max(1e-9);
        let first = LOOSE_FIRST * self.model.visits.len() as f64;
        match moves / first {
            share if share < LOOSE_LEAST => None,
            share if share < LOOSE_LONG => Some(1.0),
            share => Some(now + (1.0 - now) / share),
        }
    }

    /// Begins the loose search at the best plan, from share `now` of the run to share `end`.
    fn loosen(&mut self, now: f64, end: f64) {
        let needs = Arc::new(Needs::of(self.model));
        let best = State::of(self.model, &self.best);
        let lane = |stream: u64| {
            let (needs, menus) = (Arc::clone(&needs), self.searches[0].menus.clone());
            Loose::new(&best, needs, menus, &self.prices, self.seed, stream)
        };
        // Streams of its own, others again for the second time.
        let first = if end < 1.0 { 1 } else { 2 } << 32;
        let lanes = (first..first + self.lanes as u64).map(lane).collect();
        let (hot, cold) = (self.scale * loose::HOT, self.scale * loose::COLD);
        let cooling = Cooling::once(hot, cold, now, end);
        self.phase = Phase::Loose(Loosened { lanes, cooling, read_at: 0.0 });
    }

    /// Lanes exchange what they found; true where objective or bound got better.
    fn meet(&mut self) -> bool {
        let mut found = false;
        for search in &self.searches {
            if search.best_cost < self.best_cost {
                self.best_cost = search.best_cost;
                self.best.copy_from_slice(&search.best);
                found = true;
            }
        }
        if let Phase::Loose(loosened) = &mut self.phase {
            for read in loosened.read_off() {
                if read.cost < self.best_cost {
                    self.best_cost = read.cost;
                    self.best = read.place;
                    found = true;
                }
            }
        }
        found |= self.prove();
        found |= self.bound() > self.told;
        self.told = self.bound();
        let risen = self.ascent.best - self.menus_at > 0.01 * self.ascent.best.abs();
        if risen || (self.ascent.is_done() && self.ascent.best > self.menus_at) {
            self.turn_menus();
        }
        found
    }

    /// New prices put other places first.
    fn turn_menus(&mut self) {
        // Where skills are whole their minutes have no price, so those prices guide less well; and a
        // sample says nothing about its own value until it is done.
        let whole = self.ascent.whole().any();
        if whole || (self.ascent.is_sample() && !self.ascent.is_done()) {
            return;
        }
        let menus = Menus::by(self.model, &self.ascent.column_values());
        self.prices.clone_from(&self.ascent.best_y);
        for search in &mut self.searches {
            search.menus = menus.clone();
        }
        self.menus_at = if self.ascent.is_sample() { f64::NEG_INFINITY } else { self.ascent.best };
    }

    /// Searches that fell behind go on from where the one ahead stands.
    fn share_current(&mut self) {
        let ahead = (0..self.searches.len()).min_by_key(|&lane| self.searches[lane].state.cost);
        let Some(ahead) = ahead else { return };
        let (places, cost) =
            (self.searches[ahead].state.place.clone(), self.searches[ahead].state.cost);
        for (lane, search) in self.searches.iter_mut().enumerate() {
            if lane != ahead && search.state.cost > cost {
                search.continue_from(&places);
            }
        }
    }

    /// Proves in whole numbers what the climb has reached; true where the bound rose.
    fn prove(&mut self) -> bool {
        let climbed = self.ascent.best;
        if self.ascent.is_sample() {
            return false;
        }
        let worth_it = self.ascent.is_done() || climbed - self.proven_at > 2e-4 * climbed.abs();
        if !worth_it || climbed <= self.proven_at {
            return false;
        }
        self.proven_at = climbed;
        let prices = self.ascent.prices();
        let (whole, cuts) = (self.ascent.whole(), self.ascent.cuts());
        let bound = exact_bound(self.model, whole, cuts, &prices);
        let rose = self.bound().is_none_or(|known| bound > known);
        if rose {
            self.proof = Some(Proof { whole: whole.clone(), cuts: cuts.to_vec(), prices, bound });
        }
        rose
    }

    /// Goes on to a larger sample, or to the next set of whole skills, once the climb is done.
    fn next_stage(&mut self) {
        if !self.ascent.is_done() {
            return;
        }
        if self.ascent.is_sample() {
            self.turn_menus();
            self.ascent = Ascent::with_more(&self.ascent);
        } else if let Some(whole) = self.stages.pop() {
            self.prove();
            self.ascent = Ascent::with_whole(&self.ascent, whole);
        } else if self.tree.is_none() {
            self.prove();
            self.tree = Branching::new(self.model, &self.ascent);
        }
    }

    fn is_bound_done(&self) -> bool {
        let climbed = self.ascent.is_done() && !self.ascent.is_sample() && self.stages.is_empty();
        climbed && self.tree.as_ref().is_none_or(Branching::is_done)
    }

    fn bound(&self) -> Option<i64> {
        let grown = self.tree.as_ref().map(|tree| tree.bound(self.best_cost));
        grown.max(self.proof.as_ref().map(|proof| proof.bound))
    }

    fn gap(&self) -> Option<f64> {
        self.bound().map(|bound| (self.best_cost - bound) as f64 / self.best_cost.max(1) as f64)
    }

    fn progress(&self) -> Progress {
        Progress {
            objective: self.best_cost,
            bound: self.bound(),
            gap: self.gap(),
            work: self.work,
        }
    }

    fn finish(mut self, instance: &Instance, stop: Stop) -> Solution {
        let unproven = self.ascent.best > self.proven_at && !self.ascent.is_sample();
        if unproven || self.proof.is_none() {
            self.proven_at = f64::NEG_INFINITY;
            let prices = self.ascent.prices();
            let (whole, cuts) = (self.ascent.whole().clone(), self.ascent.cuts().to_vec());
            let bound = exact_bound(self.model, &whole, &cuts, &prices);
            if self.bound().is_none_or(|known| bound > known) {
                self.proof = Some(Proof { whole, cuts, prices, bound });
            }
        }
        let mut state = State::of(self.model, &self.best);
        settle_greedily(&mut state);
        let mut plan = write_plan(instance, &state);
        let mut certificate = match &self.proof {
            Some(proof) => Certificate::new(instance, self.model, proof),
            None => Certificate::default(),
        };
        if let Some(tree) = self.tree.filter(|tree| tree.bound(state.cost) > certificate.bound) {
            certificate.bound = tree.bound(state.cost);
            certificate.tree = Some(Tree::of(instance, self.model, &tree, 0));
        }
        plan.set_bound(certificate.bound);
        Solution { plan, certificate, work: self.work, stop }
    }
}

impl<'m> Loosened<'m> {
    fn round(&mut self, now: f64) {
        let (from, to) = self.cooling.next(ROUND, now);
        let progress = self.cooling.done();
        rayon::scope(|scope| {
            for lane in &mut self.lanes {
                scope.spawn(move |_| lane.anneal(ROUND, from, to, progress));
            }
        });
    }

    /// The plans of the lanes, now and then.
    fn read_off(&mut self) -> Vec<State<'m>> {
        let done = self.cooling.done();
        if done - self.read_at < READ_EVERY {
            return Vec::new();
        }
        self.read_at = done;
        self.lanes.iter().map(Loose::settled).collect()
    }
}

/// Mean cost, in cents, of a planned visit's own choice; sets the temperatures.
fn typical_cost(state: &State) -> f64 {
    let model = state.model;
    let placed = state.place.iter().filter(|place| !place.is_none());
    let own =
        placed.map(|place| model.column_cost(&model.modes[place.mode as usize], place.start).abs());
    let (mut sum, mut count) = (0.0, 0.0);
    for cost in own {
        sum += cost as f64;
        count += 1.0;
    }
    if sum > 0.0 { sum / count } else { 100.0 }
}

/// Locked visits, then the start plan as far as it fits, then everything else where it is cheapest.
fn first_plan<'m>(
    instance: &Instance,
    model: &'m Model,
    start: Option<&Plan>,
) -> Result<State<'m>, InstanceError> {
    let mut state = State::empty(model);
    let wanted = start.map_or_else(
        || vec![Place::NONE; model.visits.len()],
        |plan| wanted_places(instance, model, plan),
    );
    let locked = settle_locked(instance, model)?;
    for &(visit, place) in &locked {
        state.put(visit, place);
    }
    for &(visit, settled) in &locked {
        let place = wanted[visit];
        if !place.is_none() && place != settled {
            // Its mode is free: the start plan's is taken where it fits beside the others.
            state.take(visit);
            let fits = state.block(visit, &model.modes[place.mode as usize], place.start).is_none();
            state.put(visit, if fits { place } else { settled });
        }
    }
    for (visit, &place) in wanted.iter().enumerate() {
        let missing = state.place[visit].is_none() && !place.is_none();
        if missing && state.block(visit, &model.modes[place.mode as usize], place.start).is_none() {
            state.put(visit, place);
        }
    }
    settle_greedily(&mut state);
    Ok(state)
}

/// Adds what is left out wherever that is cheaper than leaving it, dearest first, until nothing
/// changes: no reason given for a visit left out may hide a place that would have paid.
pub(crate) fn settle_greedily(state: &mut State) {
    let model = state.model;
    let mut order: Vec<usize> = (0..model.visits.len()).collect();
    order.sort_by_key(|&visit| std::cmp::Reverse(model.visits[visit].unplanned_cost));
    loop {
        let before = state.cost;
        for &visit in &order {
            if !state.place[visit].is_none() {
                continue;
            }
            if let Some(place) = state.cheapest(visit, model.visits[visit].unplanned_cost) {
                state.put(visit, place);
            }
        }
        if state.cost >= before {
            return;
        }
    }
}
