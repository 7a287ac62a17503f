//! How the yard keeps its programme: what is done when, by how far its interval has gone.
//!
//! A programme says when a task is due; whether it is then done within days, waits for the lay-up,
//! or is taken along early is the yard's habit. The past tells it: of the thirds of months in which
//! a task stood so and so far through its interval, in how many it was done. Where little is on
//! record the answer is drawn towards the task's wider class, that towards all tasks, and those
//! towards the programme itself (each step a beta law's posterior mean).

use std::collections::HashMap;

use fleet::id::{EngineId, TaskId};
use store::snapshot::Snapshot;

use super::past_steps::{Did, PastStep, lay_ups, winter_of};
use super::shares::{CLASSES, Gone, STANDINGS, Standing};
use crate::due::START_UP_WEEKS;

/// Steps on record that the wider class counts for (common practice, no source).
const STRENGTH: f64 = 4.0;
/// Days by which a lay-up moves from year to year, before anything is known (common practice, no
/// source), and the pairs of years that this counts for.
const LAY_UP_MOVES_DAYS: f64 = 14.0;
const LAY_UP_PAIRS: f64 = 4.0;

/// Which interval runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Running {
    Repeating,
    /// The first one of a new engine.
    First,
    /// When it was last done is not on record.
    Unknown,
}

/// Which of a task's tables: by the interval that runs, afloat or at lay-up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct When {
    pub running: Running,
    pub ashore: bool,
}

#[derive(Clone, Copy, Debug, Default)]
struct Count {
    steps: f64,
    done: f64,
}

impl Count {
    fn take(&mut self, done: bool) {
        self.steps += 1.0;
        self.done += f64::from(u8::from(done));
    }

    /// Share done, drawn towards `wider`.
    fn towards(self, wider: f64) -> f64 {
        (self.done + STRENGTH * wider) / (self.steps + STRENGTH)
    }
}

/// Counts of one task, or of all.
#[derive(Clone)]
struct Counts {
    cells: [Count; CLASSES * CLASSES],
    standings: [Count; STANDINGS],
}

impl Default for Counts {
    fn default() -> Self {
        Self { cells: [Count::default(); CLASSES * CLASSES], standings: Default::default() }
    }
}

/// What the past tells of the yard's ways.
pub struct Habits {
    tasks: HashMap<(TaskId, When), Counts>,
    all: HashMap<When, Counts>,
}

/// Chances of one task to be done within a third of a month, by [`Gone::place`].
pub type Chances = [f32; CLASSES * CLASSES];

impl Habits {
    pub fn learn(steps: &[PastStep]) -> Self {
        let mut habits = Self { tasks: HashMap::new(), all: HashMap::new() };
        for step in steps {
            let when = When { running: step.running, ashore: step.ashore };
            let done = step.did == Did::Done;
            let own = habits.tasks.entry((step.task, when)).or_default();
            for counts in [own, habits.all.entry(when).or_default()] {
                counts.cells[step.gone.place()].take(done);
                counts.standings[step.gone.standing() as usize].take(done);
            }
        }
        habits
    }

    /// The chances of `task`.
    pub fn chances(&self, task: TaskId, when: When) -> Chances {
        let none = Counts::default();
        let own = self.tasks.get(&(task, when)).unwrap_or(&none);
        let all = self.all.get(&when).unwrap_or(&none);
        let mut chances = [0.0; CLASSES * CLASSES];
        for hours in 0..CLASSES {
            for months in 0..CLASSES {
                let gone = Gone { hours, months };
                let standing = gone.standing();
                let all = all.standings[standing as usize].towards(by_programme(when, standing));
                let class = own.standings[standing as usize].towards(all);
                chances[gone.place()] = own.cells[gone.place()].towards(class) as f32;
            }
        }
        chances
    }
}

/// What the programme alone lets expect: due work is done, at lay-up also what would fall due soon
/// (common practice, no source).
const fn by_programme(when: When, standing: Standing) -> f64 {
    // Nobody knows how far it has gone, only how far at the least: within the weeks of the start-up
    // list, or at lay-up, and surely there where it has been due for as long as there is a record.
    if matches!(when.running, Running::Unknown) {
        return match (when.ashore, standing) {
            (true, Standing::DueByHours | Standing::DueByMonths) => 0.95,
            (true, Standing::Near) => 0.75,
            (true, Standing::Early) => 0.5,
            (false, _) => 10.0 / (7.0 * START_UP_WEEKS as f64),
        };
    }
    match (when.ashore, standing) {
        (_, Standing::DueByHours | Standing::DueByMonths) => 0.95,
        (true, Standing::Near) => 0.5,
        (true, Standing::Early) => 0.05,
        (false, _) => 0.0,
    }
}

/// When engines are laid up.
pub struct LayUps {
    /// Days since the year 1 of each engine's last lay-up.
    last: HashMap<EngineId, i64>,
    /// Where in their winter engines were laid up: days after 1 July.
    days: Vec<i64>,
    /// Standard deviation from year to year, days.
    pub moves: f64,
}

impl LayUps {
    pub fn learn(snapshot: &Snapshot) -> Self {
        let (mut last, mut days) = (HashMap::new(), Vec::new());
        let mut squares = LAY_UP_PAIRS * LAY_UP_MOVES_DAYS * LAY_UP_MOVES_DAYS;
        let mut pairs = LAY_UP_PAIRS;
        let known = lay_ups(snapshot);
        for engine in &snapshot.fleet.engines {
            let Some(winters) = known.get(&engine.id) else { continue };
            let in_winter: Vec<(i32, i64)> =
                winters.values().map(|day| (winter_of(*day), into_winter(*day))).collect();
            for pair in in_winter.windows(2).filter(|pair| pair[1].0 == pair[0].0 + 1) {
                squares += ((pair[1].1 - pair[0].1) as f64).powi(2);
                pairs += 1.0;
            }
            days.extend(in_winter.iter().map(|it| it.1));
            if let Some(day) = winters.values().next_back() {
                last.insert(engine.id, chrono::Datelike::num_days_from_ce(day).into());
            }
        }
        Self { last, days, moves: (squares / pairs).sqrt() }
    }

    /// Days since the year 1 of the engine's last lay-up; `None` where it had none.
    pub fn last_of(&self, engine: EngineId) -> Option<i64> {
        self.last.get(&engine).copied()
    }

    /// Where in the winter engines were laid up, days after 1 July.
    pub fn days(&self) -> &[i64] {
        &self.days
    }
}

/// Days from the 1 July before.
fn into_winter(day: chrono::NaiveDate) -> i64 {
    let july = chrono::NaiveDate::from_ymd_opt(winter_of(day), 7, 1).unwrap_or(day);
    (day - july).num_days()
}
