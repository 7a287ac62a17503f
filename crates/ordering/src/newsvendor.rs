//! One purchase for one season: what is short is lost, what is left over loses value.
//!
//! Buy up to the critical ratio of the demand distribution, underage over underage plus overage:
//! Arrow, Harris and Marschak (1951), Econometrica 19:250-272.

use statrs::distribution::{Continuous, ContinuousCDF, Normal};

use crate::error::{OrderingError, not_negative};
use crate::samples::Samples;

/// What one unit too few and one too many cost.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SingleBuy {
    /// Lost by a unit short, in any money.
    pub underage: f64,
    /// Lost by a unit left over, in the same money.
    pub overage: f64,
}

/// What a single purchase leads to, in units and in the money of [`SingleBuy`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SeasonOutcome {
    pub quantity: f64,
    pub sold: f64,
    pub lost: f64,
    pub left_over: f64,
    /// Underage earned on what is sold, less overage on what is left over.
    pub profit: f64,
}

impl SingleBuy {
    /// Share of seasons in which the quantity should suffice.
    ///
    /// # Errors
    /// Money below zero, or none at all.
    pub fn critical_ratio(&self) -> Result<f64, OrderingError> {
        let underage = not_negative("underage", self.underage)?;
        let overage = not_negative("overage", self.overage)?;
        if underage + overage <= 0.0 {
            return Err(OrderingError::Negative {
                name: "underage and overage together",
                value: -0.0,
            });
        }
        Ok(underage / (underage + overage))
    }

    /// The best quantity for sampled demand: the smallest that reaches the critical ratio.
    ///
    /// # Errors
    /// As [`SingleBuy::critical_ratio`].
    pub fn quantity(&self, demand: &Samples) -> Result<u32, OrderingError> {
        Ok(demand.quantile(self.critical_ratio()?))
    }

    /// What buying `quantity` leads to under sampled demand.
    pub fn outcome(&self, demand: &Samples, quantity: u32) -> SeasonOutcome {
        let lost = demand.shortage(i64::from(quantity));
        self.settle(f64::from(quantity), demand.mean(), lost)
    }

    /// The best quantity, and what it leads to, for normal demand; fractions of a unit allowed.
    ///
    /// ```text
    /// Q = m + z s,  lost = s (φ(z) - z (1 - Φ(z)))
    /// ```
    ///
    /// # Errors
    /// Money as in [`SingleBuy::critical_ratio`]; a deviation that is not above zero, or a ratio of
    /// 0 or 1, for which the normal law has no quantile.
    pub fn normal(&self, mean: f64, deviation: f64) -> Result<SeasonOutcome, OrderingError> {
        let ratio = self.critical_ratio()?;
        not_negative("mean", mean)?;
        let refused = OrderingError::Negative { name: "deviation", value: deviation };
        if !(deviation.is_finite() && deviation > 0.0) {
            return Err(refused);
        }
        if ratio <= 0.0 || ratio >= 1.0 {
            return Err(OrderingError::NotAShare { name: "critical ratio", value: ratio });
        }
        let law = Normal::standard();
        let score = law.inverse_cdf(ratio);
        let lost = deviation * (law.pdf(score) - score * law.sf(score));
        Ok(self.settle(mean + score * deviation, mean, lost))
    }

    fn settle(&self, quantity: f64, mean: f64, lost: f64) -> SeasonOutcome {
        let sold = mean - lost;
        let left_over = quantity - sold;
        let profit = self.underage * sold - self.overage * left_over;
        SeasonOutcome { quantity, sold, lost, left_over, profit }
    }
}
