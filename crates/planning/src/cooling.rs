//! How the temperature of the search falls: cycles of growing length, the last one cut to the end.
//!
//! A cycle lasts a number of moves that grows with the instance and doubles from cycle to cycle, so
//! a small instance is searched from many sides and a large one cooled once, slowly. Whatever cycle
//! runs when time gets short is hurried so that it ends cold.

/// Moves of the first cycle for each visit.
const MOVES_PER_VISIT: u64 = 12_000;
/// Share of a cycle after which the temperature stays at its lowest.
const COOLED: f64 = 0.92;
/// Starting temperature of later cycles as a share of the first one's.
const REHEATED: f64 = 0.25;

/// Where a run stands in its cycles. Temperatures in cents.
#[derive(Clone, Debug)]
pub(crate) struct Cooling {
    hot: f64,
    cold: f64,
    /// Moves that this cycle should last, and its moves so far.
    length: u64,
    moves: u64,
    /// Shares of the run at which this cycle began and must end, and at the latest round.
    began: f64,
    end: f64,
    now: f64,
    first: bool,
}

impl Cooling {
    pub(crate) fn new(hot: f64, cold: f64, visits: usize) -> Self {
        let length = MOVES_PER_VISIT * (visits as u64).max(10);
        Self { hot, cold, length, moves: 0, began: 0.0, end: 1.0, now: 0.0, first: true }
    }

    /// One cycle from share `now` of the run to share `end`.
    pub(crate) const fn once(hot: f64, cold: f64, now: f64, end: f64) -> Self {
        Self { hot, cold, length: u64::MAX, moves: 0, began: now, end, now: 0.0, first: true }
    }

    /// Share of the run at which this cycle must end.
    pub(crate) const fn end(&self) -> f64 {
        self.end
    }

    /// Share of the cycle that was done at the latest round.
    pub(crate) fn done(&self) -> f64 {
        self.progress(self.moves, self.now)
    }

    /// Whether the first cycle still runs.
    pub(crate) const fn is_first(&self) -> bool {
        self.first
    }

    /// Temperatures between which the next `moves` go, at share `now` of the run.
    pub(crate) fn next(&mut self, moves: u64, now: f64) -> (f64, f64) {
        if self.progress(self.moves, now) >= 1.0 {
            // A cycle that cannot be finished is a gentle one: it only loosens what stands.
            let speed = self.moves as f64 / (now - self.began).max(1e-9);
            let left = (1.0 - now) * speed;
            if self.first {
                self.hot *= REHEATED;
            }
            self.length *= 2;
            if left < self.length as f64 * 0.3 {
                self.hot *= 0.3;
            }
            (self.first, self.moves, self.began) = (false, 0, now);
        }
        let step = if self.now > 0.0 { now - self.now } else { 0.0 };
        let from = self.temperature(self.progress(self.moves, now));
        let to = self.temperature(self.progress(self.moves + moves, now + step));
        self.moves += moves;
        self.now = now;
        (from, to)
    }

    /// Share of the cycle that is done: by its moves, or by the time that is left for it.
    fn progress(&self, moves: u64, now: f64) -> f64 {
        let by_moves = moves as f64 / self.length as f64;
        let by_time = (now - self.began) / (self.end - self.began).max(1e-9);
        by_moves.max(by_time).min(1.0)
    }

    fn temperature(&self, progress: f64) -> f64 {
        self.hot * (self.cold / self.hot).powf((progress / COOLED).min(1.0))
    }
}
