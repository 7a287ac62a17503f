//! Quantities as they look over HTTP.

use fleet::{Currency, Hours, Money};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::problem::Problem;

/// An amount of money: a decimal text, because JSON numbers are not exact, and its ISO 4217 code.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"amount": "12.50", "currency": "EUR"}))]
pub struct Amount {
    pub amount: String,
    pub currency: String,
}

impl Amount {
    pub fn show(money: Money) -> Self {
        Self { amount: money.amount(), currency: money.currency.to_string() }
    }

    /// # Errors
    /// An unknown currency, or not an amount of it.
    pub fn build(self) -> Result<Money, Problem> {
        let currency = parse_currency(&self.currency)?;
        Money::parse(&self.amount, currency)
            .map_err(|error| Problem::rule(error.rule(), error.to_string()))
    }
}

/// # Errors
/// Not an active code of ISO 4217.
pub fn parse_currency(code: &str) -> Result<Currency, Problem> {
    Currency::parse(code).map_err(|error| Problem::rule(error.rule(), error.to_string()))
}

/// # Errors
/// Below zero, not a number, or more than a meter can show.
pub fn parse_hours(hours: f64) -> Result<Hours, Problem> {
    Hours::from_decimal(hours).map_err(|error| Problem::rule(error.rule(), error.to_string()))
}
