//! One part: what it needs, what can be bought, until when.

use chrono::{Days, NaiveDate};
use fleet::Money;

use super::orders::Placed;
use super::sentence::{Facts, Worth, sentence};
use super::worth::{Stakes, Weighed};
use super::{Line, Offer, Overstock, PartToStock, Policy, Question};
use crate::buying::Buying;
use crate::error::OrderingError;
use crate::horizon::Horizon;
use crate::lot_size::LotProblem;
use crate::marginal::{Ladder, Rung};
use crate::requirement::{Counted, Requirement};
use crate::samples::Samples;

/// Share of cycles that boat-day parts suffice in where neither a budget nor a limit is given, and
/// share of years that overstock is measured by.
pub(super) const NINETEEN_OF_TWENTY: f64 = 0.95;
/// No ladder has more rungs.
const RUNGS_MAX: u64 = 160;
/// Days beyond which no order date is sought.
const LOOK_AHEAD_DAYS: i64 = 730;
/// Months over which an order's size is planned.
const LOT_MONTHS: usize = 12;
/// Units are counted in thousandths where mean demand is split into lots.
const MILLI: f64 = 1000.0;
/// Months of waiting that are priced.
const WAITING_MONTHS: i64 = 6;
/// A month of waiting, in days.
const MONTH_DAYS: i64 = 30;
/// Less than one needed in twenty years on average counts as none.
const DEAD_PER_YEAR: f64 = 0.05;
const YEAR_DAYS: i64 = 365;

/// A part with all that the choice between parts needs.
pub(super) struct Assessed {
    /// `None` where nobody sells the part.
    pub sale: Option<Sale>,
    /// Quantity that the policy asks for, as it can be bought.
    pub wanted: u64,
    pub requirement: Requirement,
    pub in_year: Samples,
    pub per_unit: f64,
    ladder: Vec<Rung>,
    /// Days from today until the last order day; `None` beyond what is looked at.
    order_in: Option<i64>,
    late: bool,
    waiting_costs: Vec<f64>,
    expiring: f64,
    pub(super) facts: Facts,
}

/// Whom the part is bought from.
pub(super) struct Sale {
    pub supplier: usize,
    pub offer: Offer,
}

/// What one offer would lead to.
struct Tried {
    requirement: Requirement,
    wanted: u64,
    level: i64,
    /// Of a fill rate where hardly one is needed: the unit at which the weighing ended.
    weighed: Option<Weighed>,
    order_in: Option<i64>,
    late: bool,
    covers_days: i64,
    break_reached: bool,
    window_used: bool,
    shelf_capped: bool,
}

pub(super) fn assess(
    part: &PartToStock<'_>,
    question: &Question<'_>,
) -> Result<Assessed, OrderingError> {
    let settings = question.settings;
    let horizon = Horizon::new(
        part.demand,
        settings.on,
        part.issue_size,
        &part.dated_needs,
        settings.seed,
        part.stream,
    )?;
    let supply = part.supply.count(settings.on);
    let in_year = year_of(&horizon);
    let expiring = mean(&horizon, |path| supply.wasted(&horizon, path, YEAR_DAYS));
    let ask = Ask { part, question, horizon: &horizon, supply: &supply, in_year: &in_year };
    let mut best: Option<(usize, Tried)> = None;
    for (place, offer) in part.offers.iter().enumerate() {
        let tried = ask.try_offer(offer)?;
        let better = match &best {
            None => true,
            Some((before, kept)) => ask.is_better(offer, &tried, &part.offers[*before], kept)?,
        };
        if better {
            best = Some((place, tried));
        }
    }
    match best {
        Some((place, tried)) => ask.sold(&part.offers[place], tried, expiring),
        None => Ok(ask.unsold(expiring)),
    }
}

fn year_of(horizon: &Horizon<'_>) -> Samples {
    Samples::new((0..horizon.paths()).map(|path| horizon.until(path, YEAR_DAYS)).collect())
}

fn mean(horizon: &Horizon<'_>, of: impl Fn(usize) -> u32) -> f64 {
    let sum: u64 = (0..horizon.paths()).map(|path| u64::from(of(path))).sum();
    sum as f64 / horizon.paths() as f64
}

/// A part about to be assessed.
struct Ask<'a> {
    part: &'a PartToStock<'a>,
    question: &'a Question<'a>,
    horizon: &'a Horizon<'a>,
    supply: &'a Counted,
    in_year: &'a Samples,
}

impl Ask<'_> {
    fn try_offer(&self, offer: &Offer) -> Result<Tried, OrderingError> {
        let settings = self.question.settings;
        let buying = Buying::on(&offer.terms, settings.on);
        let receiving = settings.receiving_days;
        let requirement = Requirement::measure(
            self.horizon,
            self.supply,
            buying.lead,
            offer.review_days,
            receiving,
        );
        let (level, weighed) = self.level(&requirement, offer, &buying)?;
        let policy = self.kept_policy(&requirement, level, weighed);
        let position = requirement.position;
        let arrival = i64::from(buying.lead.median_days) + i64::from(receiving);
        let mut covers_days = requirement.review_days;
        let mut raised = level;
        let mut window_used = false;
        let seasonal = matches!(self.part.policy, Policy::Season { .. });
        if !seasonal && buying.discount() > 0.0 {
            covers_days = covers_days.max(self.window_days(&buying));
            let covering = level + self.mean_after(arrival, requirement.review_days, covers_days);
            window_used = covering > level && position < covering;
            raised = covering;
        }
        if !seasonal && !window_used && position < level && offer.order_cost_minor > 0 {
            covers_days = covers_days.max(self.lot_days(offer, &buying, arrival));
            raised = level + self.mean_after(arrival, requirement.review_days, covers_days);
        }
        let (raised, shelf_capped) = self.cap_by_shelf_life(level, raised, arrival);
        let needed = u64::try_from(raised - position).unwrap_or(0);
        let orders = position < level || (window_used && position < raised);
        let plain = if orders { buying.cheapest_covering(needed) } else { 0 };
        let wanted = self.raise_to_break(&buying, plain);
        let waiting = Waiting::new(self, &requirement, &buying, policy);
        let late = position < level && waiting.misses_by(arrival);
        let mut order_in = waiting.last_day(requirement.review_days);
        if weighed.is_some_and(|it| !it.held) && level <= 0 {
            // None is kept: it is bought when one is needed.
            order_in = None;
        }
        if window_used {
            // What the window is for can't wait until it has closed.
            let closes =
                offer.terms.pre_season.map_or(0, |window| (window.closes - settings.on).num_days());
            order_in = Some(order_in.unwrap_or(closes).min(closes));
        }
        if let Policy::Season { closes, .. } = self.part.policy {
            order_in = Some((closes - settings.on).num_days().max(0));
        }
        let break_reached = wanted > plain || (plain > 0 && plain > buying.round_up(needed));
        Ok(Tried {
            requirement,
            wanted,
            level,
            weighed,
            order_in,
            late,
            covers_days,
            break_reached,
            window_used,
            shelf_capped,
        })
    }

    /// The level that the policy asks for, and of a fill rate is worth holding.
    fn level(
        &self,
        requirement: &Requirement,
        offer: &Offer,
        buying: &Buying<'_>,
    ) -> Result<(i64, Option<Weighed>), OrderingError> {
        let level = self.level_asked(requirement);
        let settings = self.question.settings;
        let (Policy::FillRate { .. }, Some(boat_day)) = (self.part.policy, settings.boat_day_minor)
        else {
            return Ok((level, None));
        };
        let first = buying.first();
        let money = settings.to_base(buying.money_minor(first), offer.terms.price.currency)?;
        let stakes = Stakes {
            in_year: self.in_year.mean(),
            boat_days_per_unit: self.part.boat_days_per_unit,
            boat_day: boat_day as f64,
            holding: money as f64 / first.max(1) as f64 * settings.holding_per_year,
            issue_size: i64::from(self.part.issue_size),
        };
        Ok(stakes.worth_holding(requirement, level))
    }

    /// The policy that orders are timed by: no more than the level that is kept serves.
    fn kept_policy(
        &self,
        requirement: &Requirement,
        level: i64,
        weighed: Option<Weighed>,
    ) -> Policy {
        match (self.part.policy, weighed) {
            (Policy::FillRate { target }, Some(Weighed { held: false, .. })) => {
                Policy::FillRate { target: requirement.fill_rate(level).min(target) }
            }
            (policy, _) => policy,
        }
    }

    fn level_asked(&self, requirement: &Requirement) -> i64 {
        match self.part.policy {
            Policy::FillRate { target } => requirement.level_for_fill_rate(target),
            Policy::CycleService { target } => requirement.level_for_cycle_service(target),
            Policy::BoatDays { most_lost: Some(most) } => {
                self.level_for_boat_days(requirement, most)
            }
            Policy::BoatDays { most_lost: None } => {
                requirement.level_for_cycle_service(NINETEEN_OF_TWENTY)
            }
            Policy::Season { stakes, until, .. } => {
                let day = (until - self.horizon.on()).num_days();
                let season = self.supply.required(self.horizon, day);
                // The ratio was checked with the question.
                stakes.quantity(&season).map_or(0, i64::from)
            }
        }
    }

    fn level_for_boat_days(&self, requirement: &Requirement, most: f64) -> i64 {
        let (mut low, mut high) = (0, i64::from(requirement.at_next.largest()));
        while low < high {
            let middle = low + (high - low) / 2;
            let lost = requirement.at_next.shortage(middle) * self.part.boat_days_per_unit;
            if lost <= most { high = middle } else { low = middle + 1 }
        }
        low
    }

    /// Units needed on average after the review, until `covers_days` after arrival.
    fn mean_after(&self, arrival: i64, review_days: i64, covers_days: i64) -> i64 {
        if covers_days <= review_days {
            return 0;
        }
        self.horizon.mean_between(arrival + review_days, arrival + covers_days).round() as i64
    }

    /// How long a discount pays for holding: `d / h` years, as far as the forecast itself goes.
    fn window_days(&self, buying: &Buying<'_>) -> i64 {
        let holding = self.question.settings.holding_per_year;
        let years = if holding > 0.0 { buying.discount() / holding } else { 1.0 };
        let days = (years * YEAR_DAYS as f64).min(YEAR_DAYS as f64) as i64;
        let arrival = i64::from(buying.lead.median_days);
        (1..=days).rev().find(|days| self.horizon.is_forecast(arrival + days)).unwrap_or(0)
    }

    /// Days that the first order of the cheapest plan covers.
    fn lot_days(&self, offer: &Offer, buying: &Buying<'_>, arrival: i64) -> i64 {
        let price = buying.unit_price(buying.first()).minor as f64;
        let of_unit = price / f64::from(offer.terms.unit_size.max(1));
        let holding = self.question.settings.holding_per_year / 12.0 * of_unit / MILLI;
        let demand: Vec<u64> = (0..LOT_MONTHS as i64)
            .map(|month| {
                let start = arrival + month * MONTH_DAYS;
                (self.horizon.mean_between(start, start + MONTH_DAYS) * MILLI).round() as u64
            })
            .collect();
        let setup = vec![offer.order_cost_minor as f64; LOT_MONTHS];
        let Ok(problem) = LotProblem::new(demand, setup, vec![holding; LOT_MONTHS]) else {
            return 0;
        };
        let orders = problem.cheapest().orders;
        let mut ordering = orders.iter().enumerate().filter(|(_, order)| **order > 0);
        let (_, next) = (ordering.next(), ordering.next());
        next.map_or(LOT_MONTHS as i64, |(month, _)| month as i64) * MONTH_DAYS
    }

    /// No more than is needed while it keeps; never below what the policy itself asks for.
    fn cap_by_shelf_life(&self, level: i64, raised: i64, arrival: i64) -> (i64, bool) {
        let Some(keeps) = self.part.shelf_life_days else { return (raised, false) };
        let last = arrival + i64::from(keeps);
        if last >= self.horizon.last_day() {
            return (raised, false);
        }
        let used = self.horizon.mean_between(0, last).ceil() as i64;
        if raised <= used.max(level) { (raised, false) } else { (used.max(level), true) }
    }

    /// A larger quantity at a price break, where the saving is more than holding the rest costs.
    fn raise_to_break(&self, buying: &Buying<'_>, quantity: u64) -> u64 {
        let in_year = self.in_year.mean();
        if quantity == 0 || in_year <= 0.0 {
            return quantity;
        }
        let holding = self.question.settings.holding_per_year;
        let position = self.supply.position().max(0) as f64;
        let gain = |larger: u64| {
            let each = buying.money_minor(quantity) as f64 / quantity as f64;
            let each_larger = buying.money_minor(larger) as f64 / larger as f64;
            let extra = (larger - quantity) as f64;
            let held_years = (position + quantity as f64 + extra / 2.0) / in_year;
            let used_up_years = (position + larger as f64) / in_year;
            let keeps = self.part.shelf_life_days.map_or(2.0, |days| f64::from(days) / 365.0);
            if used_up_years > keeps.min(2.0) {
                return f64::NEG_INFINITY;
            }
            (each - each_larger) * larger as f64 - extra * each_larger * holding * held_years
        };
        let larger = buying.break_quantities().filter(|larger| *larger > quantity);
        let best = larger.max_by(|a, b| gain(*a).total_cmp(&gain(*b)));
        best.filter(|larger| gain(*larger) > 0.0).unwrap_or(quantity)
    }

    /// In time beats late. Of two in time the cheaper for a unit is better, of two late ones the
    /// sooner.
    fn is_better(
        &self,
        offer: &Offer,
        tried: &Tried,
        other: &Offer,
        kept: &Tried,
    ) -> Result<bool, OrderingError> {
        let each = |offer: &Offer, tried: &Tried| -> Result<f64, OrderingError> {
            let buying = Buying::on(&offer.terms, self.question.settings.on);
            let quantity = tried.wanted.max(buying.first());
            let money = buying.money_minor(quantity).saturating_add(offer.order_cost_minor);
            let base = self.question.settings.to_base(money, offer.terms.price.currency)?;
            Ok(base as f64 / quantity as f64)
        };
        let lead = |offer: &Offer| offer.terms.lead.on(self.question.settings.on).worst_days;
        let cheaper = each(offer, tried)?.total_cmp(&each(other, kept)?);
        let sooner = lead(offer).cmp(&lead(other));
        let both_late = tried.late && kept.late;
        let order = if both_late { sooner.then(cheaper) } else { cheaper.then(sooner) };
        Ok(tried.late.cmp(&kept.late).then(order).is_lt())
    }

    fn sold(&self, offer: &Offer, tried: Tried, expiring: f64) -> Result<Assessed, OrderingError> {
        let buying = Buying::on(&offer.terms, self.question.settings.on);
        let ladder = self.rungs(&buying, &tried)?;
        let waiting = Waiting::new(self, &tried.requirement, &buying, self.part.policy);
        let waiting_costs =
            if tried.wanted > 0 || matches!(self.part.policy, Policy::BoatDays { .. }) {
                waiting.costs(self.part.boat_days_per_unit)
            } else {
                Vec::new()
            };
        let until = i64::from(buying.lead.median_days)
            + i64::from(self.question.settings.receiving_days)
            + tried.requirement.review_days;
        let facts = Facts {
            level: tried.level,
            weighed: tried.weighed.map(|it| self.said(it)),
            covers_days: tried.covers_days,
            break_reached: tried.break_reached,
            window_used: tried.window_used,
            shelf_capped: tried.shelf_capped,
            ..self.facts(until)
        };
        Ok(Assessed {
            sale: Some(Sale { supplier: offer.supplier, offer: offer.clone() }),
            wanted: tried.wanted,
            requirement: tried.requirement,
            in_year: self.in_year.clone(),
            per_unit: self.part.boat_days_per_unit,
            ladder,
            order_in: tried.order_in,
            late: tried.late,
            waiting_costs,
            expiring,
            facts,
        })
    }

    fn said(&self, weighed: Weighed) -> Worth {
        let base = self.question.settings.base;
        let money = |minor: f64| Money::new(minor.round() as i64, base);
        let boat_day = self.question.settings.boat_day_minor.unwrap_or(0) as f64;
        Worth {
            held: weighed.held,
            boat_days: weighed.kept_a_year,
            worth: money(weighed.kept_a_year * boat_day),
            holding: money(weighed.holding),
        }
    }

    fn unsold(&self, expiring: f64) -> Assessed {
        let lead = fleet::terms::LeadTime::fixed(0);
        let requirement =
            Requirement::measure(self.horizon, self.supply, lead, MONTH_DAYS as u32, 0);
        let nothing = self.lost(&requirement, 0);
        Assessed {
            sale: None,
            wanted: 0,
            in_year: self.in_year.clone(),
            per_unit: self.part.boat_days_per_unit,
            ladder: vec![Rung { quantity: 0, money: 0, lost: nothing }],
            order_in: None,
            late: false,
            waiting_costs: Vec::new(),
            expiring,
            facts: self.facts(MONTH_DAYS),
            requirement,
        }
    }

    /// What is there, and what is asked for in `days` from today.
    fn facts(&self, days: i64) -> Facts {
        let paths = 0..self.horizon.paths();
        let demand = Samples::new(paths.map(|path| self.horizon.until(path, days)).collect());
        let (on_order_late, expiring) = self.supply.not_there_by(days);
        Facts {
            needed: demand.mean(),
            needed_at_most: demand.quantile(NINETEEN_OF_TWENTY),
            until: self.day(days),
            on_order_late,
            expiring,
            on_hand: self.supply.on_hand,
            reserved: self.supply.reserved,
            on_order: self.supply.on_order,
            expired: self.supply.expired,
            independent: self.part.months == super::MonthsDrawn::Independently,
            policy: self.part.policy,
            unit: self.part.unit,
            ..Facts::default()
        }
    }

    fn lost(&self, requirement: &Requirement, quantity: u64) -> f64 {
        let level =
            requirement.position.saturating_add(i64::try_from(quantity).unwrap_or(i64::MAX));
        requirement.at_next.shortage(level) * self.part.boat_days_per_unit
    }

    /// Quantities to choose from under a budget: up to what the policy asks for, or for boat-days to
    /// where no path is short.
    fn rungs(&self, buying: &Buying<'_>, tried: &Tried) -> Result<Vec<Rung>, OrderingError> {
        let requirement = &tried.requirement;
        let top = match self.part.policy {
            Policy::BoatDays { .. } => {
                let most = i64::from(requirement.at_next.largest()) - requirement.position;
                buying.round_up(u64::try_from(most).unwrap_or(0))
            }
            _ => tried.wanted,
        };
        let mut rungs = vec![Rung { quantity: 0, money: 0, lost: self.lost(requirement, 0) }];
        let (pack, first) = (buying.pack(), buying.first());
        let packs = top.saturating_sub(first) / pack + 1;
        let stride = packs.div_ceil(RUNGS_MAX).max(1) * pack;
        let settings = self.question.settings;
        let mut quantity = first;
        while top > 0 && rungs[rungs.len() - 1].quantity < top {
            let bought = buying.cheapest_covering(quantity.min(top.max(first)));
            if bought > rungs[rungs.len() - 1].quantity {
                let money = buying.money_minor(bought);
                let money = settings.to_base(money, buying.unit_price(bought).currency)?;
                rungs.push(Rung { quantity: bought, money, lost: self.lost(requirement, bought) });
            }
            quantity = quantity.saturating_add(stride);
        }
        Ok(rungs)
    }

    fn day(&self, days: i64) -> NaiveDate {
        let days = Days::new(u64::try_from(days).unwrap_or(0));
        self.horizon.on().checked_add_days(days).unwrap_or(NaiveDate::MAX)
    }
}

/// What happens while an order is put off.
struct Waiting<'a> {
    horizon: &'a Horizon<'a>,
    supply: &'a Counted,
    policy: Policy,
    per_unit: f64,
    position: i64,
    /// For each path the day an order of today arrives, and the mean demand until then.
    arrivals: Vec<(i64, f64)>,
    short_at_arrival: f64,
    /// Mean units needed until the next delivery.
    needed: f64,
}

/// From the arrival of an order of today to that of one placed later.
struct Meanwhile {
    /// Mean units short at the end.
    short: f64,
    /// Chance that anything is short at the end.
    chance_short: f64,
    /// Mean demand.
    demand: f64,
}

impl<'a> Waiting<'a> {
    fn new(ask: &Ask<'a>, requirement: &Requirement, buying: &Buying<'_>, policy: Policy) -> Self {
        let receiving = i64::from(ask.question.settings.receiving_days);
        let arrivals = (0..ask.horizon.paths())
            .map(|path| {
                let arrival = ask.horizon.lead_days(path, buying.lead) + receiving;
                (arrival, ask.horizon.mean_until(path, arrival))
            })
            .collect();
        Self {
            horizon: ask.horizon,
            supply: ask.supply,
            policy,
            per_unit: ask.part.boat_days_per_unit,
            position: requirement.position,
            arrivals,
            short_at_arrival: requirement.at_arrival.shortage(requirement.position),
            needed: requirement.at_next.mean(),
        }
    }

    fn until(&self, days: i64) -> Meanwhile {
        let mut sums = Meanwhile { short: 0.0, chance_short: 0.0, demand: 0.0 };
        for (path, (arrival, before)) in self.arrivals.iter().enumerate() {
            let later = arrival + days;
            self.supply.chances_required(self.horizon, path, later, later, |units, chance| {
                let missing = i64::from(units) - self.position;
                if missing > 0 {
                    sums.short += missing as f64 * chance;
                    sums.chance_short += chance;
                }
            });
            sums.demand += self.horizon.mean_until(path, later) - before;
        }
        let count = self.arrivals.len() as f64;
        Meanwhile {
            short: sums.short / count,
            chance_short: sums.chance_short / count,
            demand: sums.demand / count,
        }
    }

    /// Whether the policy is missed before `day`, when an order of today usually arrives: what is
    /// short by then alone is more than it lets be short until the delivery after.
    fn misses_by(&self, day: i64) -> bool {
        let (mut short, mut chance_short) = (0.0, 0.0);
        let paths = self.horizon.paths();
        for path in 0..paths {
            self.supply.chances_required(self.horizon, path, day, day, |units, chance| {
                let missing = i64::from(units) - self.position;
                if missing > 0 {
                    short += missing as f64 * chance;
                    chance_short += chance;
                }
            });
        }
        let (short, chance_short) = (short / paths as f64, chance_short / paths as f64);
        let slack = 1e-9;
        match self.policy {
            Policy::FillRate { target } => short > (1.0 - target) * self.needed + slack,
            Policy::CycleService { target } => chance_short > 1.0 - target + slack,
            Policy::BoatDays { most_lost: Some(most) } => short * self.per_unit > most + slack,
            Policy::BoatDays { most_lost: None } => chance_short > 1.0 - NINETEEN_OF_TWENTY,
            Policy::Season { .. } => false,
        }
    }

    /// Whether the policy is kept if the order is placed `days` from now.
    fn suffices(&self, days: i64) -> bool {
        let Meanwhile { short, chance_short, demand } = self.until(days);
        let slack = 1e-9;
        match self.policy {
            Policy::FillRate { target } => {
                demand <= slack || 1.0 - (short - self.short_at_arrival) / demand >= target - slack
            }
            Policy::CycleService { target } => 1.0 - chance_short >= target - slack,
            Policy::BoatDays { most_lost: Some(most) } => short * self.per_unit <= most + slack,
            Policy::BoatDays { most_lost: None } => 1.0 - chance_short >= NINETEEN_OF_TWENTY,
            Policy::Season { .. } => true,
        }
    }

    /// Last day from today on which an order still keeps the policy, `None` where no day in sight is
    /// too late. Found by halving, since service only falls with waiting; to the day within three
    /// weeks, and never too late by it further away, where a twentieth of the time is near enough.
    fn last_day(&self, review_days: i64) -> Option<i64> {
        let longest = self.arrivals.iter().map(|(arrival, _)| *arrival).max().unwrap_or(0);
        let end = LOOK_AHEAD_DAYS.min(self.horizon.last_day() - longest);
        if end <= 0 || !self.suffices(1) {
            return Some(0);
        }
        let (mut good, mut bad) = (1, end);
        // Most parts run out near the next review, or when the mean demand has used them up.
        let used_up = self.horizon.day_of_mean(self.position) - self.arrivals[0].0;
        for guess in [review_days, used_up.saturating_mul(3) / 4, used_up.saturating_mul(5) / 4] {
            if guess > good && guess < bad {
                if self.suffices(guess) { good = guess } else { bad = guess }
            }
        }
        if bad == end && self.suffices(end) {
            return None;
        }
        while bad - good > 1 + good / 20 {
            let middle = good + (bad - good) / 2;
            if self.suffices(middle) { good = middle } else { bad = middle }
        }
        Some(good)
    }

    /// Boat-days that waiting 1, 2, … months costs.
    fn costs(&self, per_unit: f64) -> Vec<f64> {
        let after =
            |months| (self.until(months * MONTH_DAYS).short - self.short_at_arrival).max(0.0);
        (1..=WAITING_MONTHS).map(|months| after(months) * per_unit).collect()
    }
}

impl Assessed {
    pub(super) fn ladder(&self) -> Ladder {
        let supplier = self.sale.as_ref().map_or(usize::MAX, |sale| sale.supplier);
        Ladder { rungs: self.ladder.clone(), supplier }
    }

    pub(super) fn order_in(&self) -> i64 {
        self.order_in.unwrap_or(i64::MAX)
    }

    /// Boat-days that a quantity keeps.
    pub(super) fn kept_by(&self, quantity: u64) -> f64 {
        let position = self.requirement.position;
        let level = position.saturating_add(i64::try_from(quantity).unwrap_or(i64::MAX));
        let next = &self.requirement.at_next;
        (next.shortage(position) - next.shortage(level)) * self.per_unit
    }

    pub(super) fn line(
        &self,
        part: usize,
        question: &Question<'_>,
        placed: &Placed,
    ) -> Result<Line, OrderingError> {
        let settings = question.settings;
        let on = settings.on;
        let quantity = placed.quantity;
        let zero = Money::new(0, settings.base);
        let (unit_price, money) = match &self.sale {
            None => (zero, zero),
            Some(sale) => {
                let buying = Buying::on(&sale.offer.terms, on);
                let price = buying.unit_price(quantity.max(buying.first()));
                (price, Money::new(buying.money_minor(quantity), price.currency))
            }
        };
        if money.minor == i64::MAX {
            return Err(OrderingError::TooLarge);
        }
        let level =
            self.requirement.position.saturating_add(i64::try_from(quantity).unwrap_or(i64::MAX));
        let day = |days: i64| on.checked_add_days(Days::new(u64::try_from(days).unwrap_or(0)));
        let ordered = quantity > 0;
        let order_day = self.order_in.and_then(day);
        let lost = |level: i64| self.requirement.at_next.shortage(level) * self.per_unit;
        let mut line = Line {
            part,
            supplier: self.sale.as_ref().map(|sale| sale.supplier),
            quantity,
            order_by: ordered.then(|| order_day.unwrap_or(on)),
            next_order_on: if ordered { None } else { order_day },
            late: self.late,
            unit_price,
            money,
            expected_fill_rate: self.requirement.fill_rate(level),
            boat_days_lost: lost(level),
            boat_days_lost_without: lost(self.requirement.position),
            waiting_costs: self.waiting_costs.clone(),
            overstock: self.overstock(unit_price),
            reason: String::new(),
        };
        let offer = self.sale.as_ref().map(|sale| &sale.offer);
        line.reason = sentence(&self.facts, &line, offer, placed, on);
        Ok(line)
    }

    fn overstock(&self, unit_price: Money) -> Overstock {
        let held = u64::try_from(self.requirement.position.max(0)).unwrap_or(0);
        let at_most = self.in_year.quantile(NINETEEN_OF_TWENTY);
        let excess = held.saturating_sub(u64::from(at_most));
        let unit_size = self.sale.as_ref().map_or(1, |sale| sale.offer.terms.unit_size.max(1));
        let value = |units: f64| {
            let minor = units * unit_price.minor as f64 / f64::from(unit_size);
            Money::new(minor.round() as i64, unit_price.currency)
        };
        Overstock {
            excess,
            excess_money: value(excess as f64),
            dead: held > 0 && at_most == 0 && self.in_year.mean() < DEAD_PER_YEAR,
            expiring: self.expiring,
            expiring_money: value(self.expiring),
            expired: self.facts.expired,
        }
    }

    /// What holding further units beyond `level` wastes, as a share of their money: the chance that
    /// a year does not need them, and the cost of holding them until it does.
    pub(super) fn uselessness(&self, level: i64, holding_per_year: f64) -> f64 {
        let needed = self.in_year.share_above(level);
        let mean = self.in_year.mean();
        let years = if mean > 0.0 { (level.max(0) as f64 / mean).min(1.0) } else { 1.0 };
        (1.0 - needed) + needed * holding_per_year * years
    }
}
