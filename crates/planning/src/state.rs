//! Which visit stands where, with what is used of everything and the exact cost, kept up to date.
//!
//! Invariant: every hard constraint holds for the visits that are placed, and `cost` is the
//! objective of this placement (what is not placed counts as left out).

use crate::model::{CompiledMode, Model, NOWHERE};

/// Mode (index in the model) and start (open day) of a visit, or nowhere.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Place {
    pub mode: u32,
    pub start: u32,
}

impl Place {
    pub(crate) const NONE: Self = Self { mode: NOWHERE, start: NOWHERE };

    pub(crate) const fn is_none(self) -> bool {
        self.mode == NOWHERE
    }
}

/// What stands in the way of a placement.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Block {
    SkillDay { skill: u32, t: u32 },
    SkillWeek { skill: u32, week: u32 },
    Bay { bay: u32, t: u32 },
    Kit { kit: u32, row: u32 },
    After { other: u32 },
    Engine { other: u32 },
}

#[derive(Clone, Debug)]
pub(crate) struct State<'m> {
    pub model: &'m Model,
    pub place: Vec<Place>,
    pub cost: i64,
    /// Minutes left by skill and open day.
    pub day_left: Vec<i64>,
    /// Minutes used by skill and week.
    pub week_used: Vec<i64>,
    pub places_left: Vec<i64>,
    /// Pieces received and not taken by the end of each kit row.
    pub kit_left: Vec<i64>,
    /// Engines that may still leave before the minimum is broken, by pool and day.
    pub slack: Vec<i64>,
    /// Visits in the workshop on each open day.
    pub on_day: Vec<Vec<u32>>,
}

impl<'m> State<'m> {
    /// Nothing planned.
    pub(crate) fn empty(model: &'m Model) -> Self {
        let left_out = model.visits.iter().map(|visit| visit.unplanned_cost).sum::<i64>();
        let short = model
            .slack
            .iter()
            .enumerate()
            .map(|(at, &slack)| (-slack).max(0) * model.shortfall_cost[at / model.days]);
        Self {
            model,
            place: vec![Place::NONE; model.visits.len()],
            cost: left_out + short.sum::<i64>(),
            day_left: model.day_minutes.clone(),
            week_used: vec![0; model.week_minutes.len()],
            places_left: model.places.clone(),
            kit_left: model.received.clone(),
            slack: model.slack.clone(),
            on_day: vec![Vec::new(); model.open()],
        }
    }

    /// Everything `places` holds; they must fit together.
    pub(crate) fn of(model: &'m Model, places: &[Place]) -> Self {
        let mut state = Self::empty(model);
        for (visit, &place) in places.iter().enumerate() {
            if !place.is_none() {
                state.put(visit, place);
            }
        }
        state
    }

    /// The first constraint that keeps `visit`, now nowhere, from standing there.
    pub(crate) fn block(&self, visit: usize, mode: &CompiledMode, start: u32) -> Option<Block> {
        let model = self.model;
        let open = model.open();
        let uses = model.uses_of(mode);
        for used in uses {
            let t = start + used.offset;
            if self.day_left[used.skill as usize * open + t as usize] < used.minutes {
                return Some(Block::SkillDay { skill: used.skill, t });
            }
        }
        let bay = &self.places_left[mode.bay as usize * open..];
        for t in start..start + mode.length {
            if bay[t as usize] < 1 {
                return Some(Block::Bay { bay: mode.bay, t });
            }
        }
        for take in model.takes_of(mode) {
            let row = model.kit_row[take.kit as usize * open + start as usize];
            for row in row..model.kit_rows[take.kit as usize].end {
                if self.kit_left[row as usize] < take.pieces {
                    return Some(Block::Kit { kit: take.kit, row });
                }
            }
        }
        for (at, used) in uses.iter().enumerate() {
            let (week, minutes) = self.week_minutes(uses, at, start);
            let cell = used.skill as usize * model.weeks + week as usize;
            if self.week_used[cell] + minutes > model.week_minutes[cell] + model.week_overtime[cell]
            {
                return Some(Block::SkillWeek { skill: used.skill, week });
            }
        }
        self.relation_block(visit, mode, start)
    }

    /// The `after` or the engine's other visit that is in the way.
    fn relation_block(&self, visit: usize, mode: &CompiledMode, start: u32) -> Option<Block> {
        let model = self.model;
        if model.links_of(visit).is_empty() && model.fellows_of(visit).is_empty() {
            return None;
        }
        self.relation_blocks(visit, mode, start).next()
    }

    fn relation_blocks(
        &self,
        visit: usize,
        mode: &CompiledMode,
        start: u32,
    ) -> impl Iterator<Item = Block> {
        let model = self.model;
        let (first, last) = model.span(mode, start);
        let by_order = model.links_of(visit).iter().filter_map(move |link| {
            let (other_first, other_last) = self.span(link.other as usize)?;
            let early = link.follows && (first as i64) < other_last as i64 + link.gap;
            let late = !link.follows && (other_first as i64) < last as i64 + link.gap;
            (early || late).then_some(Block::After { other: link.other })
        });
        let others = model.fellows_of(visit).iter().filter(move |other| **other as usize != visit);
        let by_engine = others.filter_map(move |&other| {
            let (other_first, other_last) = self.span(other as usize)?;
            (first <= other_last && other_first <= last).then_some(Block::Engine { other })
        });
        by_order.chain(by_engine)
    }

    /// Every constraint that keeps `visit`, now nowhere, from standing there.
    ///
    /// Of two visits of one engine in a wrong order, the order is named and not the engine.
    pub(crate) fn blocks(&self, visit: usize, mode: &CompiledMode, start: u32) -> Vec<Block> {
        let model = self.model;
        let open = model.open();
        let uses = model.uses_of(mode);
        let mut blocks = Vec::new();
        for (at, used) in uses.iter().enumerate() {
            let t = start + used.offset;
            if self.day_left[used.skill as usize * open + t as usize] < used.minutes {
                blocks.push(Block::SkillDay { skill: used.skill, t });
            }
            let (week, minutes) = self.week_minutes(uses, at, start);
            let cell = used.skill as usize * model.weeks + week as usize;
            if self.week_used[cell] + minutes > model.week_minutes[cell] + model.week_overtime[cell]
            {
                blocks.push(Block::SkillWeek { skill: used.skill, week });
            }
        }
        let full = |t: &u32| self.places_left[mode.bay as usize * open + *t as usize] < 1;
        blocks.extend(
            (start..start + mode.length).filter(full).map(|t| Block::Bay { bay: mode.bay, t }),
        );
        for take in model.takes_of(mode) {
            let row = model.kit_row[take.kit as usize * open + start as usize];
            let mut rows = row..model.kit_rows[take.kit as usize].end;
            if let Some(row) = rows.find(|&row| self.kit_left[row as usize] < take.pieces) {
                blocks.push(Block::Kit { kit: take.kit, row });
            }
        }
        let mut ordered = Vec::new();
        for block in self.relation_blocks(visit, mode, start) {
            match block {
                Block::After { other } => ordered.push(other),
                Block::Engine { other } if ordered.contains(&other) => continue,
                _ => {}
            }
            blocks.push(block);
        }
        blocks
    }

    /// First and last calendar day of a placed visit.
    pub(crate) fn span(&self, visit: usize) -> Option<(usize, usize)> {
        let place = self.place[visit];
        (!place.is_none())
            .then(|| self.model.span(&self.model.modes[place.mode as usize], place.start))
    }

    /// Week of use `at`, and the minutes of its skill in that week up to and with it.
    fn week_minutes(&self, uses: &[crate::model::Use], at: usize, start: u32) -> (u32, i64) {
        let week_of = |offset: u32| self.model.week_of[(start + offset) as usize];
        let week = week_of(uses[at].offset);
        let same = uses[..=at]
            .iter()
            .filter(|used| used.skill == uses[at].skill && week_of(used.offset) == week);
        (week, same.map(|used| used.minutes).sum())
    }

    /// Cents that standing there adds beside the column's own cost: overtime and shortfall.
    pub(crate) fn coupled_cost(&self, visit: usize, mode: &CompiledMode, start: u32) -> i64 {
        let (overtime, shortfall) = self.coupled_parts(visit, mode, start);
        overtime + shortfall
    }

    /// Cents of overtime and of shortfall that standing there adds.
    pub(crate) fn coupled_parts(
        &self,
        visit: usize,
        mode: &CompiledMode,
        start: u32,
    ) -> (i64, i64) {
        let model = self.model;
        let uses = model.uses_of(mode);
        let mut overtime = 0;
        for (at, used) in uses.iter().enumerate() {
            let (week, minutes) = self.week_minutes(uses, at, start);
            let cell = used.skill as usize * model.weeks + week as usize;
            let over = self.week_used[cell] + minutes - model.week_minutes[cell];
            overtime += over.max(0).min(used.minutes) * model.overtime_cost[used.skill as usize];
        }
        if !mode.out {
            return (overtime, 0);
        }
        let pool = model.visits[visit].pool as usize;
        let (first, last) = model.span(mode, start);
        let row = &self.slack[pool * model.days..];
        let short = row[first..=last].iter().filter(|slack| **slack <= 0).count();
        (overtime, short as i64 * model.shortfall_cost[pool])
    }

    /// Places a visit that is nowhere; nothing may stand in its way.
    pub(crate) fn put(&mut self, visit: usize, place: Place) {
        let model = self.model;
        let mode = &model.modes[place.mode as usize];
        let added =
            model.column_cost(mode, place.start) + self.coupled_cost(visit, mode, place.start);
        self.cost += added - model.visits[visit].unplanned_cost;
        self.set(visit, place);
    }

    /// Places a visit that is nowhere and leaves the cost as it is.
    pub(crate) fn set(&mut self, visit: usize, place: Place) {
        let mode = &self.model.modes[place.mode as usize];
        self.count(visit, mode, place.start, 1);
        for t in place.start..place.start + mode.length {
            self.on_day[t as usize].push(visit as u32);
        }
        self.place[visit] = place;
    }

    /// Takes a placed visit out and says where it stood.
    pub(crate) fn take(&mut self, visit: usize) -> Place {
        let model = self.model;
        let place = self.lift(visit);
        let mode = &model.modes[place.mode as usize];
        let freed =
            model.column_cost(mode, place.start) + self.coupled_cost(visit, mode, place.start);
        self.cost -= freed - model.visits[visit].unplanned_cost;
        place
    }

    /// Takes a placed visit out and leaves the cost as it is.
    pub(crate) fn lift(&mut self, visit: usize) -> Place {
        let place = std::mem::replace(&mut self.place[visit], Place::NONE);
        let mode = &self.model.modes[place.mode as usize];
        self.count(visit, mode, place.start, -1);
        for t in place.start..place.start + mode.length {
            forget(&mut self.on_day[t as usize], visit as u32);
        }
        place
    }

    fn count(&mut self, visit: usize, mode: &CompiledMode, start: u32, sign: i64) {
        let model = self.model;
        let open = model.open();
        for used in model.uses_of(mode) {
            let t = (start + used.offset) as usize;
            self.day_left[used.skill as usize * open + t] -= sign * used.minutes;
            let week = model.week_of[t] as usize;
            self.week_used[used.skill as usize * model.weeks + week] += sign * used.minutes;
        }
        for t in start..start + mode.length {
            self.places_left[mode.bay as usize * open + t as usize] -= sign;
        }
        for take in model.takes_of(mode) {
            let row = model.kit_row[take.kit as usize * open + start as usize];
            for row in row..model.kit_rows[take.kit as usize].end {
                self.kit_left[row as usize] -= sign * take.pieces;
            }
        }
        if mode.out {
            let pool = model.visits[visit].pool as usize;
            let (first, last) = model.span(mode, start);
            for slack in &mut self.slack[pool * model.days + first..=pool * model.days + last] {
                *slack -= sign;
            }
        }
    }

    /// The cheapest free place below `limit`.
    pub(crate) fn cheapest(&self, visit: usize, limit: i64) -> Option<Place> {
        let model = self.model;
        let (mut found, mut least) = (None, limit);
        for column in model.columns_by_cost(visit) {
            // What overtime and shortfall add is never negative.
            if column.cost >= least {
                break;
            }
            let mode = &model.modes[column.mode as usize];
            if self.block(visit, mode, column.start).is_some() {
                continue;
            }
            let cost = column.cost + self.coupled_cost(visit, mode, column.start);
            if cost < least {
                (found, least) = (Some(Place { mode: column.mode, start: column.start }), cost);
            }
        }
        found
    }
}

fn forget(list: &mut Vec<u32>, visit: u32) {
    if let Some(at) = list.iter().rposition(|&other| other == visit) {
        list.swap_remove(at);
    }
}
