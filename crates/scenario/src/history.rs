//! Four seasons of an invented fleet, day by day, with the truth behind them.
//!
//! Each engine draws from a stream of its own, so that another engine more changes nobody else's
//! past. The days of the scenario are days of its site's calendar.

use std::collections::BTreeMap;

use chrono::{Datelike, Days, NaiveDate, Weekday};
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Gamma, LogNormal, Weibull};

use crate::catalogue::{GEAR_OIL, MODELS, POOLS, TASKS, Task};
use crate::season::{is_last_of_hire, is_open_for_hire, share_of_season};

/// A boat by its jetty place.
pub struct Boat {
    pub name: String,
    pub pool: usize,
    pub place: usize,
}

/// An engine and the truth about it.
pub struct Engine {
    pub serial: String,
    pub pool: usize,
    pub in_service: NaiveDate,
    /// Life hours when the record begins.
    pub hours_before: f64,
    /// How hard it is used beside a middling engine of its pool.
    pub true_rate: f64,
    pub metered: bool,
    /// Its papers came with it: when it first ran, and what was last done before the scenario.
    pub known_from_new: bool,
}

pub struct Fitting {
    pub engine: usize,
    pub boat: usize,
    pub from: NaiveDate,
    pub until: Option<NaiveDate>,
}

pub struct Hire {
    pub boat: usize,
    pub day: NaiveDate,
    pub hours: f64,
}

pub enum Shown {
    Reading(f64),
    Replaced { old_last: f64, new_first: f64 },
    Estimate(f64),
}

pub struct Reading {
    pub engine: usize,
    pub day: NaiveDate,
    pub shown: Shown,
}

pub struct Service {
    pub engine: usize,
    pub day: NaiveDate,
    pub task: &'static str,
    pub life: Option<f64>,
    pub person: usize,
    pub minutes: u32,
    pub reason: Why,
    /// Part number and quantity.
    pub parts: Vec<(String, u32)>,
}

/// Why a task was done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Why {
    Due,
    LayUp,
    Finding,
}

pub struct Finding {
    pub engine: usize,
    pub day: NaiveDate,
    pub what: &'static str,
    pub urgency: &'static str,
    pub note: &'static str,
    pub cleared: Option<NaiveDate>,
    pub person: usize,
}

/// What happened.
pub struct History {
    pub from: NaiveDate,
    pub until: NaiveDate,
    pub boats: Vec<Boat>,
    pub engines: Vec<Engine>,
    pub fittings: Vec<Fitting>,
    pub hires: Vec<Hire>,
    pub readings: Vec<Reading>,
    pub services: Vec<Service>,
    pub findings: Vec<Finding>,
}

/// Seasons of record.
const SEASONS: i32 = 4;

/// What one engine carries through the days.
struct Running {
    life: f64,
    /// What its meter shows less than life.
    meter_offset: f64,
    meter_dead: bool,
    last_read: f64,
    /// Life hours and day of the last time, by task code.
    done: BTreeMap<&'static str, (f64, NaiveDate)>,
    /// Life hours at which the impeller fitted now will fail.
    impeller_fails_at: f64,
    /// Life hours at which the shaft seals were fitted, and at which they will let water in.
    seals_fitted_at: f64,
    seals_fail_at: f64,
    random: ChaCha8Rng,
}

/// Makes the past of the fleet up to and with `until`.
pub fn live(seed: u64, until: NaiveDate) -> History {
    let first_year = until.year() - SEASONS + i32::from(until.month() >= 10);
    let from = NaiveDate::from_ymd_opt(first_year, 3, 1).unwrap_or(until);
    let (boats, engines) = populate(seed, from, until);
    let fittings = fit_out(&boats, &engines, from);
    let mut history = History {
        from,
        until,
        boats,
        engines,
        fittings,
        hires: Vec::new(),
        readings: Vec::new(),
        services: Vec::new(),
        findings: Vec::new(),
    };
    let weather = draw_weather(seed, from, until);
    for engine in 0..history.engines.len() {
        live_one(seed, engine, &weather, &mut history);
    }
    history.hires.sort_by_key(|hire| (hire.day, hire.boat));
    history.readings.sort_by_key(|reading| (reading.day, reading.engine));
    history.services.sort_by_key(|service| (service.day, service.engine));
    history.findings.sort_by_key(|finding| (finding.day, finding.engine));
    history
}

fn stream(seed: u64, number: u64) -> ChaCha8Rng {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    random.set_stream(number);
    random
}

fn populate(seed: u64, from: NaiveDate, until: NaiveDate) -> (Vec<Boat>, Vec<Engine>) {
    let mut random = stream(seed, 1);
    let (mut boats, mut engines) = (Vec::new(), Vec::new());
    let rates = Gamma::new(12.0, 1.0 / 12.0).ok();
    for (pool, about) in POOLS.iter().enumerate() {
        for place in 0..about.boats {
            let family = about.boat_names[place * about.boat_names.len() / about.boats];
            let first = about.boats.div_ceil(about.boat_names.len());
            boats.push(Boat { name: format!("{family} {}", place % first + 1), pool, place });
        }
        for number in 0..about.boats + about.spares {
            // A sixth of the fleet is newer than the record, one spring's batch each.
            let newer = number % 6 == 5;
            let year = if newer {
                from.year() + 1 + (number / 6) as i32 % (SEASONS - 1)
            } else {
                from.year() - 1 - (number % 5) as i32
            };
            let in_service = NaiveDate::from_ymd_opt(year, 4, 6 + (number % 20) as u32)
                .unwrap_or(from)
                .min(until);
            let seasons_before = f64::from((from.year() - year).max(0));
            let true_rate = rates.map_or(1.0, |rates| rates.sample(&mut random));
            engines.push(Engine {
                serial: format!(
                    "{}-{:05}",
                    MODELS[about.model].parts,
                    21_000 + pool * 1_700 + number * 37
                ),
                pool,
                in_service,
                hours_before: seasons_before * about.season_hours * true_rate,
                true_rate,
                // Pull-start anglers' engines carry no meter on every second one.
                metered: about.model != 2 || number % 2 == 0,
                known_from_new: newer || number % 5 < 3,
            });
        }
    }
    (boats, engines)
}

/// One engine a boat, spares on the rack; every new batch replaces nothing: the fleet grows into
/// its boats, so until then a boat borrows the spare that stands in.
fn fit_out(boats: &[Boat], engines: &[Engine], from: NaiveDate) -> Vec<Fitting> {
    let mut fittings = Vec::new();
    for pool in 0..POOLS.len() {
        let places: Vec<usize> =
            (0..boats.len()).filter(|boat| boats[*boat].pool == pool).collect();
        let hands: Vec<usize> =
            (0..engines.len()).filter(|engine| engines[*engine].pool == pool).collect();
        for (boat, engine) in places.iter().zip(&hands) {
            fittings.push(Fitting {
                engine: *engine,
                boat: *boat,
                from: engines[*engine].in_service.max(from),
                until: None,
            });
        }
    }
    swap_two(&mut fittings, boats, from);
    fittings
}

/// In the third season the engines of two boats change places: hours must follow the engine.
fn swap_two(fittings: &mut Vec<Fitting>, boats: &[Boat], from: NaiveDate) {
    let Some(day) = NaiveDate::from_ymd_opt(from.year() + 2, 6, 14) else { return };
    let mut open = (0..fittings.len())
        .filter(|at| boats[fittings[*at].boat].pool == 0 && fittings[*at].from < day);
    let (Some(one), Some(other)) = (open.next(), open.next()) else { return };
    let pairs = [
        (fittings[one].engine, fittings[other].boat),
        (fittings[other].engine, fittings[one].boat),
    ];
    fittings[one].until = Some(day);
    fittings[other].until = Some(day);
    for (engine, boat) in pairs {
        fittings.push(Fitting { engine, boat, from: day, until: None });
    }
}

/// The factor on each day's use that the whole fleet shares: years, months and single days of good
/// and bad weather.
fn draw_weather(seed: u64, from: NaiveDate, until: NaiveDate) -> BTreeMap<NaiveDate, f64> {
    let mut random = stream(seed, 2);
    let mut weather = BTreeMap::new();
    let draw = |spread: f64, random: &mut ChaCha8Rng| {
        LogNormal::new(-spread * spread / 2.0, spread).map_or(1.0, |law| law.sample(random))
    };
    let (mut year, mut month) = (1.0, 1.0);
    for day in from.iter_days().take_while(|day| *day <= until) {
        if day.ordinal() == 1 || day == from {
            year = draw(0.12, &mut random);
        }
        if day.day() == 1 {
            month = draw(0.18, &mut random);
        }
        weather.insert(day, year * month * draw(0.3, &mut random));
    }
    weather
}

fn live_one(seed: u64, engine: usize, weather: &BTreeMap<NaiveDate, f64>, history: &mut History) {
    let about = &history.engines[engine];
    let mut running = Running {
        life: about.hours_before,
        meter_offset: 0.0,
        meter_dead: false,
        last_read: about.hours_before,
        done: BTreeMap::new(),
        impeller_fails_at: 0.0,
        seals_fitted_at: 0.0,
        seals_fail_at: 0.0,
        random: stream(seed, 1_000 + engine as u64),
    };
    let start = about.in_service.max(history.from);
    let done_before = done_before(engine, about, start);
    running.done.extend(done_before.iter().map(|(code, life, on)| (*code, (*life, *on))));
    running.wear_until_now();
    let recorded = done_before.iter().filter(|_| about.known_from_new);
    let recorded: Vec<Service> = recorded
        .filter(|(_, _, on)| *on > about.in_service)
        .filter_map(|last| service_before(&mut running, engine, last))
        .collect();
    history.services.extend(recorded);
    note_reading(&mut running, engine, start, history, Round::Stocktake);
    let until = history.until;
    for day in start.iter_days().take_while(|day| *day <= until) {
        run_day(&mut running, engine, day, weather, history);
        if is_last_of_hire(day) {
            note_reading(&mut running, engine, day, history, Round::Stocktake);
        } else if day.weekday() == Weekday::Sun && is_open_for_hire(day) {
            note_reading(&mut running, engine, day, history, Round::Sunday);
        }
        look_after(&mut running, engine, day, history);
    }
}

/// Code of a task, and life hours and day of when it was done.
type Done = (&'static str, f64, NaiveDate);

/// What was last done before the record began: at a lay-up, the autumn before or, where a task's
/// interval is of several years, one of the autumns before it. The yard's deep work goes round the
/// fleet, a share each winter.
fn done_before(number: usize, about: &Engine, start: NaiveDate) -> Vec<Done> {
    let season = POOLS[about.pool].season_hours * about.true_rate;
    let last_done = |task: &Task| {
        let rounds = task.months.map_or(1, |months| (months / 12).max(1)) as usize;
        let seasons_ago = number % rounds;
        let year = start.year() - 1 - seasons_ago as i32;
        let autumn = NaiveDate::from_yo_opt(year, lay_up_ordinal(number));
        match autumn.filter(|autumn| about.in_service < *autumn) {
            Some(autumn) => {
                (task.code, (about.hours_before - seasons_ago as f64 * season).max(0.0), autumn)
            }
            None => (task.code, 0.0, about.in_service),
        }
    };
    TASKS.iter().map(last_done).collect()
}

/// The last time as an engine's papers tell it: what was done and when, and of the parts nothing.
fn service_before(running: &mut Running, engine: usize, last: &Done) -> Option<Service> {
    let (code, life, day) = *last;
    let task = TASKS.iter().find(|task| task.code == code)?;
    Some(Service {
        engine,
        day,
        task: code,
        life: Some(tenth(life)),
        person: 3 + running.random.random_range(0..2),
        minutes: task.minutes,
        reason: Why::LayUp,
        parts: Vec::new(),
    })
}

/// The day of the year on which an engine comes ashore.
const fn lay_up_ordinal(engine: usize) -> u32 {
    290 + (engine as u32 * 7) % 45
}

impl Running {
    fn renew_impeller(&mut self) {
        self.impeller_fails_at = self.life + self.life_of_impeller();
    }

    fn renew_seals(&mut self) {
        self.seals_fitted_at = self.life;
        self.seals_fail_at = self.life + self.life_of_seals();
    }

    fn life_of_impeller(&mut self) -> f64 {
        Weibull::new(340.0, 2.6).map_or(340.0, |law| law.sample(&mut self.random))
    }

    fn life_of_seals(&mut self) -> f64 {
        Weibull::new(900.0, 1.8).map_or(900.0, |law| law.sample(&mut self.random))
    }

    /// Draws lives for what was fitted before the record began and has lasted until now.
    fn wear_until_now(&mut self) {
        let fitted_at = |code: &str| self.done.get(code).map_or(self.life, |done| done.0);
        let (impeller_at, seals_at) = (fitted_at("pump-kit"), fitted_at("reseal"));
        self.impeller_fails_at = impeller_at + self.life_of_impeller();
        while self.impeller_fails_at <= self.life {
            self.impeller_fails_at = impeller_at + self.life_of_impeller();
        }
        self.seals_fitted_at = seals_at;
        self.seals_fail_at = seals_at + self.life_of_seals();
        while self.seals_fail_at <= self.life {
            self.seals_fail_at = seals_at + self.life_of_seals();
        }
    }

    /// Whether the seals are in the last fifth of their life: then a pressure test shows it.
    fn seals_leak_under_pressure(&self) -> bool {
        self.life > self.seals_fitted_at + 0.8 * (self.seals_fail_at - self.seals_fitted_at)
    }

    fn chance(&mut self, probability: f64) -> bool {
        self.random.random::<f64>() < probability
    }
}

/// Runs the engine for a day, where its boat is let.
fn run_day(
    running: &mut Running,
    engine: usize,
    day: NaiveDate,
    weather: &BTreeMap<NaiveDate, f64>,
    history: &mut History,
) {
    let pool = &POOLS[history.engines[engine].pool];
    let Some(boat) = history.boat_of(engine, day) else { return };
    if !is_open_for_hire(day) {
        return;
    }
    let wanted = pool.season_hours
        * history.engines[engine].true_rate
        * share_of_season(day)
        * weather.get(&day).copied().unwrap_or(1.0);
    let usual = pool.hire_hours * pool.running_factor;
    if !running.chance((wanted / usual).min(0.93)) {
        return;
    }
    let hours =
        (pool.hire_hours * (0.6 + 0.8 * running.random.random::<f64>()) * 4.0).round() / 4.0;
    let factor = pool.running_factor * (0.75 + 0.5 * running.random.random::<f64>());
    running.life += hours * factor;
    history.hires.push(Hire { boat, day, hours });
    if running.chance(0.004) {
        found(running, engine, day, "line on the propeller shaft", "3 days", history);
    }
}

/// Why somebody walks along the meters.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Round {
    /// When the record begins and when boats come ashore: every meter is read.
    Stocktake,
    Sunday,
}

/// What the meter shows, where it works and somebody looked.
fn note_reading(
    running: &mut Running,
    engine: usize,
    day: NaiveDate,
    history: &mut History,
    round: Round,
) {
    if !history.engines[engine].metered {
        return;
    }
    let certain = round == Round::Stocktake;
    if running.meter_dead {
        if running.chance(0.06) {
            // The swap is written down with the last that the old one had shown.
            let new_first = 0.0;
            let old_last = running.last_read - running.meter_offset;
            history.readings.push(Reading {
                engine,
                day,
                shown: Shown::Replaced { old_last: tenth(old_last), new_first },
            });
            running.meter_offset = running.life;
            running.last_read = running.life;
            running.meter_dead = false;
        }
        return;
    }
    if !certain && running.chance(0.003) {
        running.meter_dead = true;
        return;
    }
    if certain || running.chance(0.86) {
        let shown = tenth(running.life - running.meter_offset);
        let estimate = !certain && running.chance(0.02);
        history.readings.push(Reading {
            engine,
            day,
            shown: if estimate { Shown::Estimate(shown) } else { Shown::Reading(shown) },
        });
        running.last_read = running.life;
    }
}

fn tenth(hours: f64) -> f64 {
    (hours.max(0.0) * 10.0).floor() / 10.0
}

/// The bench: failures at once, due work on Mondays in season, everything at lay-up.
fn look_after(running: &mut Running, engine: usize, day: NaiveDate, history: &mut History) {
    if running.life >= running.impeller_fails_at {
        found(running, engine, day, "weak tell-tale", "stop", history);
        serve(running, engine, day, "pump-kit", Why::Finding, history);
    }
    if running.life >= running.seals_fail_at && running.chance(0.02) {
        found(running, engine, day, "milky gear oil", "stop", history);
        serve(running, engine, day, "reseal", Why::Finding, history);
    }
    let lay_up_day = lay_up_ordinal(engine);
    let four_strokes = MODELS[POOLS[history.engines[engine].pool].model].strokes == 4;
    let in_season = is_open_for_hire(day);
    let monday = day.weekday() == Weekday::Mon && running.chance(0.6);
    let wednesday = day.weekday() == Weekday::Wed;
    for task in TASKS.iter().filter(|task| four_strokes || !task.four_strokes_only) {
        let Some((life, on)) = running.done.get(task.code).copied() else { continue };
        let by_hours = task.hours.is_some_and(|hours| running.life - life >= f64::from(hours));
        let months = |months: u32| (day - on).num_days() >= i64::from(months) * 30 - 20;
        let by_months = task.months.is_some_and(months);
        let at_lay_up = task.lay_up && day.ordinal() == lay_up_day && (by_hours || by_months);
        let quick =
            task.access == "none" || task.access == "cowl off" || task.access == "propeller off";
        if at_lay_up || (in_season && quick && by_hours && (monday || wednesday)) {
            let why = if at_lay_up { Why::LayUp } else { Why::Due };
            serve(running, engine, day, task.code, why, history);
        }
    }
}

/// Does a task, and what its opening brings to light.
fn serve(
    running: &mut Running,
    engine: usize,
    day: NaiveDate,
    code: &'static str,
    reason: Why,
    history: &mut History,
) {
    let Some(task) = TASKS.iter().find(|task| task.code == code) else { return };
    let model = &MODELS[POOLS[history.engines[engine].pool].model];
    let waste = 1.1 + 0.2 * running.random.random::<f64>();
    let parts = task.parts.iter().map(|(number, quantity)| {
        let quantity = match *number {
            GEAR_OIL => (f64::from(model.gear_oil_ml) * waste) as u32,
            _ => *quantity,
        };
        (number.replace("{}", model.parts), quantity)
    });
    let mut parts: Vec<(String, u32)> = parts.collect();
    let mut own = |part: &str, quantity| parts.push((part.replace("{}", model.parts), quantity));
    match code {
        "anodes" if running.chance(0.35) => own("{}-AN", 1),
        "pump-kit" if running.chance(0.12) => own("{}-TH", 1),
        "reseal" if running.chance(0.09) => own("{}-SH", 1),
        "prop-shaft" if running.chance(0.03) => own("{}-PR", 1),
        _ => {}
    }
    let stretch = 0.8 + 0.5 * running.random.random::<f64>();
    let known = history.engines[engine].metered || running.chance(0.5);
    history.services.push(Service {
        engine,
        day,
        task: code,
        life: known.then_some(tenth(running.life)),
        person: 3 + (engine + day.ordinal() as usize) % 2,
        minutes: (f64::from(task.minutes) * stretch).round() as u32,
        reason,
        parts,
    });
    for settled in std::iter::once(&code).chain(task.settles) {
        running.done.insert(settled, (running.life, day));
    }
    match code {
        "pump-kit" => running.renew_impeller(),
        "reseal" => running.renew_seals(),
        "gearcase-test" if running.seals_leak_under_pressure() => {
            found(running, engine, day, "pressure does not hold", "stop", history);
            serve(running, engine, day, "reseal", Why::Finding, history);
        }
        _ => {}
    }
}

fn found(
    running: &mut Running,
    engine: usize,
    day: NaiveDate,
    what: &'static str,
    urgency: &'static str,
    history: &mut History,
) {
    let note = match what {
        "line on the propeller shaft" => "line cut out, oil looked at: clean",
        "weak tell-tale" => "tell-tale clear, still weak",
        "milky gear oil" => "oil drained over a tray: cream-coloured",
        _ => "drop seen while turning the propeller shaft",
    };
    let cleared = day.checked_add_days(Days::new(1 + u64::from(running.random.next_u32() % 4)));
    history.findings.push(Finding {
        engine,
        day,
        what,
        urgency,
        note,
        cleared: cleared.filter(|cleared| *cleared <= history.until),
        person: 3 + engine % 2,
    });
}

impl History {
    fn boat_of(&self, engine: usize, day: NaiveDate) -> Option<usize> {
        self.fittings
            .iter()
            .find(|fitting| {
                fitting.engine == engine
                    && fitting.from <= day
                    && fitting.until.is_none_or(|until| day < until)
            })
            .map(|fitting| fitting.boat)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn past() -> History {
        live(7, NaiveDate::from_ymd_opt(2026, 11, 20).expect("a date"))
    }

    #[test]
    fn the_same_seed_makes_the_same_past() {
        let (one, other) = (past(), past());
        assert_eq!(one.hires.len(), other.hires.len());
        let parts = |history: &History| -> Vec<(String, u32)> {
            history.services.iter().flat_map(|service| service.parts.clone()).collect()
        };
        assert_eq!(parts(&one), parts(&other));
    }

    #[test]
    fn engines_run_about_as_much_as_their_pool_is_meant_to() {
        let history = past();
        for (pool, about) in POOLS.iter().enumerate() {
            let fitted: Vec<usize> = history
                .fittings
                .iter()
                .map(|fitting| fitting.engine)
                .filter(|engine| history.engines[*engine].pool == pool)
                .collect();
            let hired: f64 = history
                .hires
                .iter()
                .filter(|hire| history.boats[hire.boat].pool == pool)
                .map(|hire| hire.hours * about.running_factor)
                .sum();
            let a_season = hired / f64::from(SEASONS) / fitted.len() as f64;
            assert!(
                (0.6..1.3).contains(&(a_season / about.season_hours)),
                "{}: {a_season} h of {}",
                about.name,
                about.season_hours
            );
        }
    }

    #[test]
    fn a_fleet_of_sixty_and_more_has_every_kind_of_event() {
        let history = past();
        assert!(history.engines.len() >= 60);
        assert!(history.readings.iter().any(|r| matches!(r.shown, Shown::Replaced { .. })));
        assert!(history.readings.iter().any(|r| matches!(r.shown, Shown::Estimate(_))));
        for what in ["line on the propeller shaft", "weak tell-tale", "milky gear oil"] {
            assert!(history.findings.iter().any(|finding| finding.what == what), "{what}");
        }
        let resealed = history.services.iter().filter(|service| service.task == "reseal").count();
        assert!((10..600).contains(&resealed), "{resealed}");
    }
}
