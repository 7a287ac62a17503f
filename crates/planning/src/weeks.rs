//! The best set of whole visits for a skill's week.
//!
//! A knapsack for each day by its minutes, days joined by max-plus convolution. The last join needs no
//! convolution: how much of a week stays within contract and how much goes beyond is decided once, so
//! the best partner of each number of minutes is known from running maxima. That is what makes weeks
//! of two to four days affordable in every step of a climb.

use std::ops::Range;

use crate::patterns::Item;
use crate::relaxation::Money;

/// A day's items and its minutes.
#[derive(Clone, Debug)]
pub(crate) struct DayOffer {
    pub items: Range<usize>,
    pub limit: usize,
}

/// A week's minutes by contract and beyond, and what one beyond costs.
#[derive(Clone, Copy, Debug)]
pub(crate) struct WeekLimits<N> {
    pub contract: usize,
    pub overtime: usize,
    pub cost: N,
}

/// Finds best sets; holds what it needs from one week to the next.
#[derive(Clone, Debug, Default)]
pub(crate) struct Filler<N> {
    days: Vec<Knapsack<N>>,
    /// Cells filled so far.
    pub cells: u64,
}

/// The most that the first items of a day gain within each number of minutes, item after item.
#[derive(Clone, Debug, Default)]
struct Knapsack<N> {
    items: Range<usize>,
    width: usize,
    /// `[(items looked at) × width + minutes]`.
    gain: Vec<N>,
}

/// What some days of a week gain together within each number of minutes, and of which days.
#[derive(Clone, Debug)]
enum Joined<N> {
    Day(usize),
    Pair { gain: Vec<N>, parts: Box<[Joined<N>; 2]> },
}

impl<N: Money> Filler<N> {
    /// Adds the best set to `taken` and answers what it gains, overtime taken off.
    pub(crate) fn fill(
        &mut self,
        items: &[Item<N>],
        days: &[DayOffer],
        week: &WeekLimits<N>,
        taken: &mut Vec<usize>,
    ) -> N {
        if days.is_empty() {
            return N::ZERO;
        }
        self.days.resize_with(days.len().max(self.days.len()), Knapsack::default);
        let limit = week.contract + week.overtime;
        for (day, knapsack) in days.iter().zip(&mut self.days) {
            knapsack.fill(items, day, limit);
            self.cells += knapsack.gain.len() as u64;
        }
        let half = days.len().div_ceil(2);
        let first = self.join(0..half, limit);
        if half == days.len() {
            let (minutes, most) = self.best_alone(&first, week);
            self.take(items, &first, minutes, taken);
            return most;
        }
        let last = self.join(half..days.len(), limit);
        let (shares, most) = best_pair(self.gains(&first), self.gains(&last), week);
        self.cells += (self.gains(&first).len() + self.gains(&last).len()) as u64;
        self.take(items, &first, shares.0, taken);
        self.take(items, &last, shares.1, taken);
        most
    }

    fn gains<'a>(&'a self, joined: &'a Joined<N>) -> &'a [N] {
        match joined {
            Joined::Day(day) => self.days[*day].best(),
            Joined::Pair { gain, .. } => gain,
        }
    }

    fn join(&mut self, days: Range<usize>, limit: usize) -> Joined<N> {
        let mut joined = Joined::Day(days.start);
        for day in days.skip(1) {
            let (before, day) = (joined, Joined::Day(day));
            let (a, b) = (self.gains(&before), self.gains(&day));
            let cells = (a.len() * b.len()) as u64;
            let gain = convolve(a, b, limit);
            self.cells += cells;
            joined = Joined::Pair { gain, parts: Box::new([before, day]) };
        }
        joined
    }

    fn best_alone(&self, days: &Joined<N>, week: &WeekLimits<N>) -> (usize, N) {
        let mut best = (0, N::ZERO);
        for (minutes, &gain) in self.gains(days).iter().enumerate() {
            let net = gain - week.cost.times(minutes.saturating_sub(week.contract) as i64);
            if net > best.1 {
                best = (minutes, net);
            }
        }
        best
    }

    /// Adds what is chosen within `minutes`.
    fn take(&self, items: &[Item<N>], joined: &Joined<N>, minutes: usize, taken: &mut Vec<usize>) {
        match joined {
            Joined::Day(day) => self.days[*day].take(items, minutes, taken),
            Joined::Pair { gain, parts } => {
                let [before, day] = &**parts;
                let later = split(self.gains(before), self.gains(day), gain[minutes], minutes);
                self.take(items, before, minutes - later, taken);
                self.take(items, day, later, taken);
            }
        }
    }
}

impl<N: Money> Knapsack<N> {
    fn fill(&mut self, items: &[Item<N>], day: &DayOffer, limit: usize) {
        let all: u64 = items[day.items.clone()].iter().map(|item| u64::from(item.minutes)).sum();
        self.width = day.limit.min(limit).min(all as usize) + 1;
        self.items = day.items.clone();
        self.gain.clear();
        self.gain.resize((day.items.len() + 1) * self.width, N::ZERO);
        let mut rest = &mut self.gain[..];
        for item in &items[day.items.clone()] {
            let (now, later) = rest.split_at_mut(self.width);
            let next = &mut later[..self.width];
            let minutes = (item.minutes as usize).min(self.width);
            next[..minutes].copy_from_slice(&now[..minutes]);
            for ((next, &without), &with) in
                next[minutes..].iter_mut().zip(&now[minutes..]).zip(&*now)
            {
                let with = with + item.gain;
                *next = if with > without { with } else { without };
            }
            rest = later;
        }
    }

    fn best(&self) -> &[N] {
        &self.gain[self.items.len() * self.width..]
    }

    /// Walks back from `minutes`.
    fn take(&self, items: &[Item<N>], mut minutes: usize, taken: &mut Vec<usize>) {
        for at in (0..self.items.len()).rev() {
            let gain = |items: usize| self.gain[items * self.width + minutes];
            if gain(at + 1) > gain(at) {
                taken.push(self.items.start + at);
                minutes -= items[self.items.start + at].minutes as usize;
            }
        }
    }
}

/// Cells that joining days of so many minutes fills, as [`Filler`] does it.
pub(crate) fn joins(limits: &[u64]) -> u64 {
    let (before, after) = limits.split_at(limits.len().div_ceil(2));
    let of_half = |half: &[u64]| {
        let mut joined = half.first().copied().unwrap_or(0);
        let mut cells = 0_u64;
        for &limit in half.iter().skip(1) {
            cells = cells.saturating_add(joined.saturating_mul(limit));
            joined = joined.saturating_add(limit);
        }
        cells
    };
    of_half(before).saturating_add(of_half(after))
}

/// The best minutes of two parts of a week: both within contract, or with so much overtime.
fn best_pair<N: Money>(a: &[N], b: &[N], week: &WeekLimits<N>) -> ((usize, usize), N) {
    let (contract, overtime) = (week.contract, week.overtime);
    // For each number of minutes of `b`, those of `a` that fit beside it: within contract the most is
    // best; beyond, the best of a window that slides down as `b` takes more.
    let net: Vec<N> =
        (0..).zip(a).map(|(minutes, &gain)| gain - week.cost.times(minutes)).collect();
    let mut window = std::collections::VecDeque::new();
    let mut next = a.len();
    let mut best = ((0, 0), N::ZERO);
    for (minutes, &gain) in b.iter().enumerate().take(contract + overtime + 1) {
        if minutes <= contract {
            let other = (contract - minutes).min(a.len() - 1);
            if gain + a[other] > best.1 {
                best = ((other, minutes), gain + a[other]);
            }
        }
        // From the first minute beyond contract to the last that overtime allows.
        let from = (contract + 1).saturating_sub(minutes);
        let until = (contract + overtime - minutes).min(a.len() - 1);
        while next > from {
            next -= 1;
            while window.front().is_some_and(|&front: &usize| net[front] <= net[next]) {
                window.pop_front();
            }
            window.push_front(next);
        }
        while window.back().is_some_and(|&back| back > until) {
            window.pop_back();
        }
        if let Some(&other) = window.back().filter(|_| from <= until) {
            let sum = gain + net[other] + week.cost.times(contract as i64 - minutes as i64);
            if sum > best.1 {
                best = ((other, minutes), sum);
            }
        }
    }
    best
}

/// Minutes of the later part in the best split of `minutes` that gains `sum`.
fn split<N: Money>(before: &[N], later: &[N], sum: N, minutes: usize) -> usize {
    let shares = minutes.saturating_sub(before.len() - 1)..later.len().min(minutes + 1);
    shares
        .clone()
        .find(|&share| before[minutes - share] + later[share] >= sum)
        .unwrap_or(shares.start)
}

/// `c[k] = max over i + j = k of a[i] + b[j]`, up to `limit`; only where `b` rises can it be best.
fn convolve<N: Money>(a: &[N], b: &[N], limit: usize) -> Vec<N> {
    let width = (a.len() + b.len() - 1).min(limit + 1);
    let mut c = vec![N::ZERO; width];
    for (j, &gain) in b.iter().enumerate() {
        if j >= width || (j > 0 && gain <= b[j - 1]) {
            continue;
        }
        for (sum, &rest) in c[j..].iter_mut().zip(a) {
            let with = rest + gain;
            *sum = if with > *sum { with } else { *sum };
        }
    }
    // Beyond the end of `a` the best of fewer minutes holds as well.
    for k in 1..width {
        if c[k - 1] > c[k] {
            c[k] = c[k - 1];
        }
    }
    c
}
