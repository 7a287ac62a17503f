//! An instance compiled to indices and flat arrays, for search and bound.
//!
//! Invariants: built only from a validated instance; time runs over open days `t` (closed ones
//! appear only in pool sums); the allowed starts of a mode are one run of open days, because the
//! last day of a stay never falls as its start rises. Infeasible starts are absent, so a column in
//! here breaks no rule of its own visit.

use std::collections::HashMap;
use std::ops::Range;

use crate::instance::{Instance, Mode, Visit};

/// Start of a visit that has none.
pub(crate) const NOWHERE: u32 = u32::MAX;

#[derive(Debug)]
pub(crate) struct Model {
    pub days: usize,
    /// Day of open day `t`.
    pub open_days: Vec<usize>,
    /// First open day on or after a calendar day; its length is `days + 1`, its values at most `open()`.
    pub first_open: Vec<u32>,
    pub week_of: Vec<u32>,
    pub weeks: usize,
    pub skills: usize,
    /// `[skill × open() + t]`.
    pub day_minutes: Vec<i64>,
    /// `[skill × weeks + week]`.
    pub week_minutes: Vec<i64>,
    pub week_overtime: Vec<i64>,
    pub overtime_cost: Vec<i64>,
    pub bays: usize,
    /// `[bay × open() + t]`.
    pub places: Vec<i64>,
    /// `[kit × open() + t]`: row of a start on `t`. A kit's rows are the stretches between its receipts.
    pub kit_row: Vec<u32>,
    /// By kit: its rows.
    pub kit_rows: Vec<Range<u32>>,
    /// By row: pieces received by its end.
    pub received: Vec<i64>,
    pub pools: usize,
    /// `[pool × days + day]`: engines that may be out before the minimum is broken; may be negative.
    pub slack: Vec<i64>,
    pub shortfall_cost: Vec<i64>,
    pub visits: Vec<CompiledVisit>,
    pub modes: Vec<CompiledMode>,
    pub uses: Vec<Use>,
    pub takes: Vec<Take>,
    /// Cents of each column, mode after mode, start after start.
    pub cost: Vec<i64>,
    /// Each visit's columns (its modes' ranges in `cost` together), the cheapest first.
    pub by_cost: Vec<Column>,
    /// By kit: the visits that have a mode which takes it.
    pub wanted_by: Vec<Vec<u32>>,
    pub links: Vec<Link>,
    /// Members of each engine with more than one visit.
    pub fellows: Vec<u32>,
}

#[derive(Clone, Debug)]
pub(crate) struct CompiledVisit {
    pub modes: Range<u32>,
    pub unplanned_cost: i64,
    /// What placing it may bring down the cost by, at the most; cents.
    pub gain_max: i64,
    pub locked: bool,
    pub pool: u32,
    /// Range in `links`.
    pub links: Range<u32>,
    /// Range in `fellows`, the visit itself included; empty where it is alone.
    pub fellows: Range<u32>,
}

#[derive(Clone, Debug)]
pub(crate) struct CompiledMode {
    pub visit: u32,
    /// First allowed start, as an open day.
    pub first: u32,
    /// Number of allowed starts, on consecutive open days.
    pub starts: u32,
    pub length: u32,
    pub bay: u32,
    pub out: bool,
    pub uses: Range<u32>,
    pub takes: Range<u32>,
    /// Index of its first column in `cost`.
    pub column: u32,
}

/// A choice of a visit: mode (index in the model), start (open day) and its own cost, cents.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Column {
    pub cost: i64,
    pub mode: u32,
    pub start: u32,
}

/// Minutes of a skill on the `offset`-th open day of a stay.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Use {
    pub skill: u32,
    pub offset: u32,
    pub minutes: i64,
}

/// Pieces of a kit, taken at the start.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Take {
    pub kit: u32,
    pub pieces: i64,
}

/// An `after` seen from one of its ends.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Link {
    pub other: u32,
    pub gap: i64,
    /// This visit follows `other`; else it precedes it.
    pub follows: bool,
}

impl Model {
    pub(crate) fn new(instance: &Instance) -> Self {
        let open_days: Vec<usize> =
            (0..instance.days).filter(|&day| instance.open[day] == 1).collect();
        let open = open_days.len();
        let mut first_open = vec![open as u32; instance.days + 1];
        for day in (0..instance.days).rev() {
            first_open[day] = first_open[day + 1] - u32::from(instance.open[day]);
        }
        let weeks = instance.weeks.last().map_or(0, |last| last + 1);
        let pick = |row: &[i64]| open_days.iter().map(|&day| row[day]).collect::<Vec<_>>();
        let mut model = Self {
            days: instance.days,
            week_of: open_days.iter().map(|&day| instance.weeks[day] as u32).collect(),
            weeks,
            skills: instance.skills.len(),
            day_minutes: instance.skills.iter().flat_map(|s| pick(&s.day_minutes)).collect(),
            week_minutes: instance
                .skills
                .iter()
                .flat_map(|s| s.week_minutes[..weeks].to_vec())
                .collect(),
            week_overtime: instance
                .skills
                .iter()
                .flat_map(|s| s.week_overtime[..weeks].to_vec())
                .collect(),
            overtime_cost: instance.skills.iter().map(|skill| skill.overtime_cost).collect(),
            bays: instance.bays.len(),
            places: instance.bays.iter().flat_map(|bay| pick(&bay.count)).collect(),
            kit_row: Vec::new(),
            kit_rows: Vec::new(),
            received: Vec::new(),
            pools: instance.pools.len(),
            slack: Vec::new(),
            shortfall_cost: instance.pools.iter().map(|pool| pool.shortfall_cost).collect(),
            visits: Vec::with_capacity(instance.visits.len()),
            modes: Vec::new(),
            uses: Vec::new(),
            takes: Vec::new(),
            cost: Vec::new(),
            by_cost: Vec::new(),
            wanted_by: vec![Vec::new(); instance.kits.len()],
            links: Vec::new(),
            fellows: Vec::new(),
            first_open,
            open_days,
        };
        for pool in &instance.pools {
            model
                .slack
                .extend(pool.fleet.iter().zip(&pool.minimum).map(|(fleet, least)| fleet - least));
        }
        model.add_kits(instance);
        model.add_visits(instance);
        model.add_links(instance);
        model
    }

    /// Number of open days.
    pub(crate) fn open(&self) -> usize {
        self.open_days.len()
    }

    pub(crate) fn modes_of(&self, visit: usize) -> &[CompiledMode] {
        let range = &self.visits[visit].modes;
        &self.modes[range.start as usize..range.end as usize]
    }

    pub(crate) fn uses_of(&self, mode: &CompiledMode) -> &[Use] {
        &self.uses[mode.uses.start as usize..mode.uses.end as usize]
    }

    pub(crate) fn takes_of(&self, mode: &CompiledMode) -> &[Take] {
        &self.takes[mode.takes.start as usize..mode.takes.end as usize]
    }

    pub(crate) fn links_of(&self, visit: usize) -> &[Link] {
        let range = &self.visits[visit].links;
        &self.links[range.start as usize..range.end as usize]
    }

    pub(crate) fn fellows_of(&self, visit: usize) -> &[u32] {
        let range = &self.visits[visit].fellows;
        &self.fellows[range.start as usize..range.end as usize]
    }

    pub(crate) fn column_cost(&self, mode: &CompiledMode, start: u32) -> i64 {
        self.cost[(mode.column + (start - mode.first)) as usize]
    }

    /// A visit's columns, the cheapest first.
    pub(crate) fn columns_by_cost(&self, visit: usize) -> &[Column] {
        match self.modes_of(visit) {
            [first, .., last] => {
                &self.by_cost[first.column as usize..(last.column + last.starts) as usize]
            }
            [only] => &self.by_cost[only.column as usize..(only.column + only.starts) as usize],
            [] => &[],
        }
    }

    /// First and last calendar day of a stay.
    pub(crate) fn span(&self, mode: &CompiledMode, start: u32) -> (usize, usize) {
        (self.open_days[start as usize], self.open_days[(start + mode.length - 1) as usize])
    }

    fn add_kits(&mut self, instance: &Instance) {
        for kit in &instance.kits {
            let mut days: Vec<i64> = kit.receipts.iter().map(|receipt| receipt.day).collect();
            days.push(0);
            days.sort_unstable();
            days.dedup();
            let first = self.received.len() as u32;
            for &day in &days {
                let by_then = kit.receipts.iter().filter(|receipt| receipt.day <= day);
                self.received.push(by_then.map(|receipt| receipt.quantity).sum());
            }
            for &day in &self.open_days {
                let row = days.partition_point(|&receipt| receipt <= day as i64) - 1;
                self.kit_row.push(first + row as u32);
            }
            self.kit_rows.push(first..self.received.len() as u32);
        }
    }

    fn add_visits(&mut self, instance: &Instance) {
        let skills = index(instance.skills.iter().map(|skill| skill.id.as_str()));
        let bays = index(instance.bays.iter().map(|bay| bay.id.as_str()));
        let kits = index(instance.kits.iter().map(|kit| kit.id.as_str()));
        let pools = index(instance.pools.iter().map(|pool| pool.id.as_str()));
        for (number, visit) in instance.visits.iter().enumerate() {
            let pool = pools[visit.pool.as_str()];
            let first_mode = self.modes.len() as u32;
            for mode in &visit.modes {
                let first_use = self.uses.len() as u32;
                for (skill, minutes) in &mode.minutes {
                    let skill = skills[skill.as_str()];
                    let each = minutes.iter().enumerate().filter(|(_, minutes)| **minutes > 0);
                    self.uses.extend(each.map(|(offset, &minutes)| Use {
                        skill,
                        offset: offset as u32,
                        minutes,
                    }));
                }
                let first_take = self.takes.len() as u32;
                let pieces = mode.kits.iter().filter(|(_, pieces)| **pieces > 0);
                self.takes
                    .extend(pieces.map(|(kit, &pieces)| Take { kit: kits[kit.as_str()], pieces }));
                let starts = self.allowed_starts(visit, mode);
                self.modes.push(CompiledMode {
                    visit: number as u32,
                    first: starts.start as u32,
                    starts: starts.len() as u32,
                    length: mode.length as u32,
                    bay: bays[mode.bay.as_str()],
                    out: mode.out,
                    uses: first_use..self.uses.len() as u32,
                    takes: first_take..self.takes.len() as u32,
                    column: self.cost.len() as u32,
                });
                for start in starts {
                    let cost = self.start_cost(instance, visit, mode, pool as usize, start);
                    self.cost.push(cost);
                }
            }
            let least = self.order_columns(first_mode).unwrap_or(visit.unplanned_cost);
            self.visits.push(CompiledVisit {
                modes: first_mode..self.modes.len() as u32,
                unplanned_cost: visit.unplanned_cost,
                gain_max: (visit.unplanned_cost - least).max(0),
                locked: visit.locked,
                pool,
                links: 0..0,
                fellows: 0..0,
            });
        }
    }

    /// Lists the columns of the visit whose modes begin at `first_mode`, and the kits it may take;
    /// the least cost of a column.
    fn order_columns(&mut self, first_mode: u32) -> Option<i64> {
        let from = self.by_cost.len();
        for (number, mode) in (first_mode..).zip(&self.modes[first_mode as usize..]) {
            let costs = &self.cost[mode.column as usize..][..mode.starts as usize];
            let columns = (mode.first..).zip(costs);
            self.by_cost.extend(columns.map(|(start, &cost)| Column { cost, mode: number, start }));
            for take in &self.takes[mode.takes.start as usize..mode.takes.end as usize] {
                let wanted_by = &mut self.wanted_by[take.kit as usize];
                if wanted_by.last() != Some(&mode.visit) {
                    wanted_by.push(mode.visit);
                }
            }
        }
        self.by_cost[from..].sort_by_key(|column| column.cost);
        self.by_cost.get(from).map(|column| column.cost)
    }

    /// The open days on which `visit` may start in `mode` as far as its own dates go.
    fn allowed_starts(&self, visit: &Visit, mode: &Mode) -> Range<usize> {
        let open = self.open();
        let release = visit.release.clamp(0, self.days as i64) as usize;
        let mut first = self.first_open[release] as usize;
        // Last open days of stays that end by the deadline are those before this one.
        let ended = match visit.deadline {
            Some(deadline) => {
                self.first_open[(deadline + 1).clamp(0, self.days as i64) as usize] as usize
            }
            None => open,
        };
        let mut end = (ended + 1).saturating_sub(mode.length);
        if visit.locked {
            let day = visit.published_day.unwrap_or(-1);
            match self.open_days.binary_search_by_key(&day, |&open_day| open_day as i64) {
                Ok(at) if at >= first && at < end => (first, end) = (at, at + 1),
                _ => end = first,
            }
        }
        first..end.max(first)
    }

    fn start_cost(
        &self,
        instance: &Instance,
        visit: &Visit,
        mode: &Mode,
        pool: usize,
        start: usize,
    ) -> i64 {
        let day = self.open_days[start] as i64;
        let last = self.open_days[start + mode.length - 1];
        let hire = &instance.pools[pool].out_cost;
        let lost = match mode.out && !hire.is_empty() {
            true => hire[day as usize..=last].iter().sum(),
            false => 0,
        };
        let moved = visit.published_day.is_some_and(|published| published != day);
        let hinges: i64 = visit.hinges.iter().map(|hinge| hinge.cost(day)).sum();
        mode.cost + lost + hinges + if moved { visit.move_cost } else { 0 }
    }

    fn add_links(&mut self, instance: &Instance) {
        let visits = index(instance.visits.iter().map(|visit| visit.id.as_str()));
        let mut links = vec![Vec::new(); instance.visits.len()];
        let mut engines: HashMap<&str, Vec<u32>> = HashMap::new();
        for (number, visit) in instance.visits.iter().enumerate() {
            engines.entry(&visit.engine).or_default().push(number as u32);
            for (at, after) in visit.after.iter().enumerate() {
                if visit.after[..at].iter().any(|earlier| earlier.visit == after.visit) {
                    continue;
                }
                let all = visit.after.iter().filter(|again| again.visit == after.visit);
                let gap = all.map(|again| again.gap).max().unwrap_or(after.gap);
                let other = visits[after.visit.as_str()];
                // One engine never shares a day, so a gap of none is one.
                let same = instance.visits[other as usize].engine == visit.engine;
                let gap = if same { gap.max(1) } else { gap };
                links[number].push(Link { other, gap, follows: true });
                links[other as usize].push(Link { other: number as u32, gap, follows: false });
            }
        }
        for (number, visit) in instance.visits.iter().enumerate() {
            let first = self.links.len() as u32;
            self.links.append(&mut links[number]);
            self.visits[number].links = first..self.links.len() as u32;
            let Some(members) = engines.remove(visit.engine.as_str()) else { continue };
            if members.len() > 1 {
                let first = self.fellows.len() as u32;
                self.fellows.extend(&members);
                for member in members {
                    self.visits[member as usize].fellows = first..self.fellows.len() as u32;
                }
            }
        }
    }
}

fn index<'a>(ids: impl Iterator<Item = &'a str>) -> HashMap<&'a str, u32> {
    ids.enumerate().map(|(number, id)| (id, number as u32)).collect()
}
