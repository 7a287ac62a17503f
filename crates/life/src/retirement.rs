//! Repair or retire: what another season with an engine is expected to cost, beside a new one.
//!
//! Invariant: the answer is a range and its reason. The decision stays with a person.

use statrs::function::beta::beta_reg;

use crate::error::LifeError;

/// One season of one engine: what went wrong beyond planned work.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SeasonRecord {
    pub ran_hours: f64,
    pub repairs: u32,
    /// Money those repairs took, parts and labour, in one currency.
    pub repair_money: f64,
    /// Days the engine was wanted and not there.
    pub days_lost: f64,
}

/// How repairs come in a pool: the prior for each of its engines.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PoolRecord {
    pub engines: usize,
    pub ran_hours: f64,
    pub repairs: u32,
    pub money_per_repair: f64,
    pub days_per_repair: f64,
    /// Gamma shape of the spread of rates between engines; large: all alike.
    pub rate_shape: f64,
}

/// Prices of one engine's next season, in the records' currency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RetirementPrices {
    pub day_lost: f64,
    pub new_engine: f64,
    /// What a new engine fetches after `seasons_of_use`.
    pub new_engine_resale: f64,
    pub seasons_of_use: f64,
    /// What this engine fetches now, and what it will after another season.
    pub resale_now: f64,
    pub resale_after_season: f64,
    /// Repairs of a young engine per hour, as a share of the pool's.
    pub young_rate_share: f64,
    /// What its parts would save the store, those left out that nobody waits for.
    pub donor_parts: f64,
}

/// Money expected in a season, and the 80 % range of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeasonCost {
    pub mean: f64,
    pub low: f64,
    pub high: f64,
    /// Repairs expected.
    pub repairs: f64,
    pub days_lost: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outlook {
    KeepingLooksCheaper,
    NewLooksCheaper,
    /// The mean of a new one lies within the range of keeping.
    TooCloseToCall,
}

/// One engine weighed for another season.
#[derive(Clone, Debug, PartialEq)]
pub struct RetirementView {
    pub keep: SeasonCost,
    pub new: SeasonCost,
    pub outlook: Outlook,
    /// Whether its parts are worth more than it fetches, and keeping does not look cheaper.
    pub worth_more_as_donor: bool,
    /// Money and days lost over all its seasons.
    pub money_so_far: f64,
    pub days_lost_so_far: f64,
    pub reason: String,
}

/// A season ago counts this much of the present one: engines age, so what they did lately says
/// more. Our own choice, no source.
const FORGETTING: f64 = 0.7;

/// Repairs at the pool's mean cost that an engine's own costs are averaged with.
const COST_PRIOR_REPAIRS: f64 = 2.0;

/// Spread of rates where a pool is too small to show its own: coefficient of variation 0.7.
const RATE_SHAPE_UNKNOWN: f64 = 2.0;

/// However alike the engines of a pool have been, the next may be odd: its own seasons must be
/// able to outweigh the pool. However unlike, a pool still says something. Our own choice.
const RATE_SHAPE_MAX: f64 = 4.0;
const RATE_SHAPE_MIN: f64 = 0.25;

impl SeasonRecord {
    fn check(&self) -> Result<(), LifeError> {
        check_amount("number of hours", self.ran_hours)?;
        check_amount("sum of money", self.repair_money)?;
        check_amount("number of days", self.days_lost)
    }
}

impl PoolRecord {
    /// Sums up a pool from its engines' seasons. The spread of rates between engines is what
    /// their counts vary beyond chance (method of moments), where five engines or more show it.
    pub fn from_engines(engines: &[Vec<SeasonRecord>]) -> Result<Self, LifeError> {
        let totals: Vec<(f64, f64)> = engines
            .iter()
            .map(|seasons| {
                let hours = seasons.iter().map(|season| season.ran_hours).sum();
                (hours, seasons.iter().map(|season| f64::from(season.repairs)).sum())
            })
            .collect();
        let (mut repairs, mut hours, mut money, mut days) = (0_u32, 0.0, 0.0, 0.0);
        for season in engines.iter().flatten() {
            season.check()?;
            repairs = repairs.saturating_add(season.repairs);
            hours += season.ran_hours;
            money += season.repair_money;
            days += season.days_lost;
        }
        let count = f64::from(repairs);
        let rate = if hours > 0.0 { count / hours } else { 0.0 };
        let (mut beyond_chance, mut expected_squares) = (0.0, 0.0);
        for (hours, repairs) in &totals {
            beyond_chance += (repairs - rate * hours).powi(2) - rate * hours;
            expected_squares += (rate * hours).powi(2);
        }
        let rate_shape = if engines.len() < 5 || expected_squares == 0.0 {
            RATE_SHAPE_UNKNOWN
        } else {
            (expected_squares / beyond_chance.max(0.0)).clamp(RATE_SHAPE_MIN, RATE_SHAPE_MAX)
        };
        let per_repair = |total: f64| if repairs > 0 { total / count } else { 0.0 };
        Ok(Self {
            engines: engines.len(),
            ran_hours: hours,
            repairs,
            money_per_repair: per_repair(money),
            days_per_repair: per_repair(days),
            rate_shape,
        })
    }

    /// Repairs per hour. Half a repair is added, so that a pool without any is not taken to be
    /// faultless.
    fn rate(&self) -> f64 {
        (f64::from(self.repairs) + 0.5) / self.ran_hours.max(1.0)
    }
}

impl RetirementPrices {
    fn check(&self) -> Result<(), LifeError> {
        let Self { day_lost, new_engine, new_engine_resale, seasons_of_use, .. } = *self;
        let Self { resale_now, resale_after_season, young_rate_share, donor_parts, .. } = *self;
        for price in [day_lost, new_engine, new_engine_resale, resale_now, resale_after_season] {
            check_amount("price", price)?;
        }
        check_amount("value of parts", donor_parts)?;
        check_amount("share", young_rate_share)?;
        if seasons_of_use < 1.0 {
            return Err(LifeError::AmountOutOfRange {
                what: "number of seasons of use (1 at the least)",
                value: seasons_of_use,
            });
        }
        check_amount("number of seasons of use", seasons_of_use)
    }
}

/// Weighs one engine for a season of `next_hours`, from its `seasons` (oldest first) and its
/// pool.
///
/// Repairs per hour are gamma across the pool; the engine's own seasons, older ones counting
/// less, give its posterior, and the repairs of the next season are then negative binomial
/// (Gelman and others 2013, Bayesian Data Analysis, sec. 2.6). Their 10 and 90 % points at the
/// mean cost of a repair make the range. Added are what a day lost costs and what the engine, or
/// a new one spread over its seasons of use, loses in value. Planned upkeep is the same for both
/// and left out.
pub fn weigh_engine(
    seasons: &[SeasonRecord],
    pool: &PoolRecord,
    next_hours: f64,
    prices: &RetirementPrices,
) -> Result<RetirementView, LifeError> {
    prices.check()?;
    check_amount("number of hours", next_hours)?;
    let (mut hours, mut repairs, mut weight) = (0.0, 0.0, 1.0);
    for season in seasons.iter().rev() {
        season.check()?;
        hours += weight * season.ran_hours;
        repairs += weight * f64::from(season.repairs);
        weight *= FORGETTING;
    }
    let repairs_so_far: f64 = seasons.iter().map(|season| f64::from(season.repairs)).sum();
    let money_so_far: f64 = seasons.iter().map(|season| season.repair_money).sum();
    let days_lost_so_far: f64 = seasons.iter().map(|season| season.days_lost).sum();
    let blend = |own: f64, pool: f64| {
        (own + COST_PRIOR_REPAIRS * pool) / (repairs_so_far + COST_PRIOR_REPAIRS)
    };
    let money = blend(money_so_far, pool.money_per_repair);
    let days = blend(days_lost_so_far, pool.days_per_repair);

    let prior = (pool.rate_shape, pool.rate_shape / pool.rate());
    let own = Predicted::new((prior.0 + repairs, prior.1 + hours), next_hours);
    let young_rate = pool.rate() * prices.young_rate_share.max(1e-6);
    let young = Predicted::new((pool.rate_shape, pool.rate_shape / young_rate), next_hours);
    let keep_loss = (prices.resale_now - prices.resale_after_season).max(0.0);
    let new_loss = (prices.new_engine - prices.new_engine_resale).max(0.0) / prices.seasons_of_use;
    let keep = own.cost(money, days, prices.day_lost, keep_loss);
    let new = young.cost(pool.money_per_repair, pool.days_per_repair, prices.day_lost, new_loss);

    let outlook = if keep.high < new.mean {
        Outlook::KeepingLooksCheaper
    } else if keep.low > new.mean {
        Outlook::NewLooksCheaper
    } else {
        Outlook::TooCloseToCall
    };
    let worth_more_as_donor =
        outlook != Outlook::KeepingLooksCheaper && prices.donor_parts > prices.resale_now;
    let mut view = RetirementView {
        keep,
        new,
        outlook,
        worth_more_as_donor,
        money_so_far,
        days_lost_so_far,
        reason: String::new(),
    };
    view.reason = give_reason(&view, seasons.len(), repairs_so_far, pool, prices);
    Ok(view)
}

fn give_reason(
    view: &RetirementView,
    seasons: usize,
    repairs: f64,
    pool: &PoolRecord,
    prices: &RetirementPrices,
) -> String {
    let verdict = match view.outlook {
        Outlook::KeepingLooksCheaper => "keeping looks cheaper",
        Outlook::NewLooksCheaper => "a new one looks cheaper",
        Outlook::TooCloseToCall => "too close to call",
    };
    let donor = if view.worth_more_as_donor {
        format!(
            "; its parts would save {:.0}, more than the {:.0} it fetches",
            prices.donor_parts, prices.resale_now
        )
    } else {
        String::new()
    };
    format!(
        "next season is expected to cost {:.0} ({:.0} to {:.0}) and {:.1} days with it, {:.0} and \
         {:.1} days with a new one: {verdict}{donor}; rests on {repairs:.0} repairs in its \
         {seasons} seasons and {} among {} engines of its pool",
        view.keep.mean,
        view.keep.low,
        view.keep.high,
        view.keep.days_lost,
        view.new.mean,
        view.new.days_lost,
        pool.repairs,
        pool.engines
    )
}

/// The repairs of a season: negative binomial from a gamma posterior of shape and hours.
struct Predicted {
    size: f64,
    /// hours of the posterior / (those and the hours ahead)
    none_share: f64,
    mean: f64,
}

impl Predicted {
    fn new((shape, hours): (f64, f64), next_hours: f64) -> Self {
        let mean = shape * next_hours / hours;
        Self { size: shape, none_share: hours / (hours + next_hours), mean }
    }

    /// Smallest count with at least `p` of the probability at or below it.
    fn quantile(&self, p: f64) -> f64 {
        if self.mean == 0.0 {
            return 0.0;
        }
        let reached = |count: f64| beta_reg(self.size, count + 1.0, self.none_share) >= p;
        let mut high = 1.0;
        while !reached(high) {
            high *= 2.0;
        }
        let mut low = -1.0; // never reached there
        while high - low > 1.0 {
            let middle = f64::floor(0.5 * (low + high));
            if reached(middle) {
                high = middle;
            } else {
                low = middle;
            }
        }
        high
    }

    fn cost(&self, money: f64, days: f64, day_lost: f64, value_lost: f64) -> SeasonCost {
        let each = money + days * day_lost;
        SeasonCost {
            mean: value_lost + self.mean * each,
            low: value_lost + self.quantile(0.1) * each,
            high: value_lost + self.quantile(0.9) * each,
            repairs: self.mean,
            days_lost: self.mean * days,
        }
    }
}

fn check_amount(what: &'static str, value: f64) -> Result<(), LifeError> {
    if value.is_finite() && value >= 0.0 {
        Ok(())
    } else {
        Err(LifeError::AmountOutOfRange { what, value })
    }
}
