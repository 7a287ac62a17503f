//! Service of a stock level, in closed form: for a law of lead-time demand given as chances.
//!
//! The advice works on sample paths; these closed forms serve steady demand, explain a level beside
//! its curve, and check the sampled way. Hadley and Whitin (1963), Analysis of Inventory Systems,
//! ch. 4; Feeney and Sherbrooke (1966), Management Science 12:391-411; Axsater, Inventory Control,
//! ch. 5. Shortages are back-ordered, demand comes one unit at a time.

use statrs::function::gamma::ln_gamma;

use crate::error::{OrderingError, not_negative};

/// Chances of 0, 1, 2, … units of demand in a lead time.
#[derive(Clone, Debug, PartialEq)]
pub struct LeadTimeDemand {
    chances: Vec<f64>,
    mean: f64,
}

/// What a level or a rule achieves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Service {
    /// Share of units served at once.
    pub fill_rate: f64,
    /// Mean units owed.
    pub back_orders: f64,
    /// Mean units on the shelf.
    pub on_hand: f64,
}

/// Chances below this are cut off beyond the mean.
const NEGLIGIBLE: f64 = 1e-15;
/// No law is drawn out further.
const UNITS_MAX: usize = 1_000_000;

impl LeadTimeDemand {
    /// Steady demand of independent units.
    ///
    /// # Errors
    /// A mean that is not a number of zero or more.
    pub fn poisson(mean: f64) -> Result<Self, OrderingError> {
        not_negative("mean", mean)?;
        if mean == 0.0 {
            return Ok(Self { chances: vec![1.0], mean });
        }
        Ok(Self::collect(mean, |units| units * mean.ln() - mean - ln_gamma(units + 1.0)))
    }

    /// Demand whose rate is itself uncertain: variance is `mean + mean² / size`.
    ///
    /// # Errors
    /// A mean that is not a number of zero or more, or a size not above zero.
    pub fn negative_binomial(size: f64, mean: f64) -> Result<Self, OrderingError> {
        not_negative("mean", mean)?;
        if !(size.is_finite() && size > 0.0) {
            return Err(OrderingError::Negative { name: "size", value: size });
        }
        if mean == 0.0 {
            return Ok(Self { chances: vec![1.0], mean });
        }
        let success = (size / (size + mean)).ln();
        let failure = (mean / (size + mean)).ln();
        Ok(Self::collect(mean, |units| {
            ln_gamma(units + size) - ln_gamma(size) - ln_gamma(units + 1.0)
                + size * success
                + units * failure
        }))
    }

    fn collect(mean: f64, ln_chance: impl Fn(f64) -> f64) -> Self {
        let mut chances = Vec::new();
        for units in 0..UNITS_MAX {
            let chance = ln_chance(units as f64).exp();
            if units as f64 > mean && chance < NEGLIGIBLE {
                break;
            }
            chances.push(chance);
        }
        Self { chances, mean }
    }

    pub const fn mean(&self) -> f64 {
        self.mean
    }

    /// `P(D <= level)`.
    pub fn share_up_to(&self, level: i64) -> f64 {
        let count = usize::try_from(level.saturating_add(1)).unwrap_or(0);
        self.chances.iter().take(count).sum()
    }

    /// `E[(D - level)⁺]`, as mean less what the level serves: `m - Σ_{x < level} P(D > x)`.
    pub fn shortage(&self, level: i64) -> f64 {
        if level <= 0 {
            return self.mean - level as f64;
        }
        let (mut served, mut up_to) = (0.0, 0.0);
        for units in 0..level as usize {
            up_to += self.chances.get(units).copied().unwrap_or(0.0);
            served += 1.0 - up_to;
        }
        (self.mean - served).max(0.0)
    }

    /// Each unit that leaves is ordered again at once; position is always `level`.
    pub fn base_stock(&self, level: u32) -> Service {
        let level = i64::from(level);
        let back_orders = self.shortage(level);
        Service {
            fill_rate: self.share_up_to(level - 1),
            back_orders,
            on_hand: level as f64 - self.mean + back_orders,
        }
    }

    /// Smallest base stock with a fill rate of at least `target`; `None` for a target of 1 or more,
    /// which no level reaches.
    pub fn base_stock_for(&self, target: f64) -> Option<u32> {
        let levels = self.chances.len() as u32 + 1;
        (0..=levels).find(|level| self.base_stock(*level).fill_rate >= target)
    }

    /// `quantity` is ordered whenever the position falls to `point`.
    ///
    /// Position is uniform on `point + 1 ..= point + quantity`; figures are means over it.
    ///
    /// # Errors
    /// A quantity of zero.
    pub fn order_point(&self, point: u32, quantity: u32) -> Result<Service, OrderingError> {
        if quantity == 0 {
            return Err(OrderingError::Negative { name: "quantity above zero", value: -0.0 });
        }
        let positions = point + 1..=point + quantity;
        let count = f64::from(quantity);
        let fill_rate =
            positions.clone().map(|level| self.share_up_to(i64::from(level) - 1)).sum::<f64>()
                / count;
        let back_orders =
            positions.map(|level| self.shortage(i64::from(level))).sum::<f64>() / count;
        let position = f64::from(point) + (count + 1.0) / 2.0;
        Ok(Service { fill_rate, back_orders, on_hand: position - self.mean + back_orders })
    }
}
