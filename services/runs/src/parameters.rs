//! What a run may be asked for with, told at once and not by a run that fails.

use fleet::run::RunKind;
use fleet::{Currency, Money};
use serde_json::Value;

use crate::error::RunError;
use crate::forecast::months_wanted;
use crate::plan::parameters::PlanParameters;

/// Amounts that order advice may be asked for with, in the organisation's currency.
const BUDGET: &str = "budget";
const MONTH_LIMIT: &str = "month_limit";

/// Checks the parameters of a run of some kind.
///
/// # Errors
/// A name that this kind does not know, or a value that breaks its rule.
pub fn check(kind: RunKind, parameters: &Value, currency: Currency) -> Result<(), RunError> {
    if kind == RunKind::Plan {
        return PlanParameters::read(parameters).map(drop);
    }
    let known: &[&str] = match kind {
        RunKind::Forecast => &["months"],
        RunKind::OrderAdvice => &[BUDGET, MONTH_LIMIT],
        _ => &[],
    };
    let names = parameters.as_object().into_iter().flat_map(serde_json::Map::keys);
    if let Some(name) = names.into_iter().find(|name| !known.contains(&name.as_str())) {
        let know = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
        let what = format!("a run of the kind {kind} takes no \"{name}\"; what it takes: {know}");
        return Err(RunError::Refused { rule: "run-parameters", what });
    }
    months_wanted(parameters)?;
    for name in [BUDGET, MONTH_LIMIT] {
        amount(parameters, name, currency)?;
    }
    Ok(())
}

/// An amount of money among parameters.
pub(crate) fn amount(
    parameters: &Value,
    name: &str,
    currency: Currency,
) -> Result<Option<Money>, RunError> {
    let Some(given) = parameters.get(name) else { return Ok(None) };
    let Some(text) = given.as_str() else {
        let what = format!("{name} {given}: write an amount as a text, like \"250.00\"");
        return Err(RunError::Refused { rule: "run-parameters", what });
    };
    let refused = |rule, why: String| RunError::Refused { rule, what: format!("{name}: {why}") };
    let money =
        Money::parse(text, currency).map_err(|error| refused(error.rule(), error.to_string()))?;
    if money.minor < 0 {
        return Err(refused("money-negative", format!("{text} is below zero")));
    }
    Ok(Some(money))
}

#[cfg(test)]
mod tests {
    use rstest::rstest;
    use serde_json::json;

    use super::*;

    #[rstest]
    #[case(RunKind::Due, json!({}), None)]
    #[case(RunKind::Due, json!({"months": 3}), Some("run-parameters"))]
    #[case(RunKind::Forecast, json!({"months": 3}), None)]
    #[case(RunKind::Forecast, json!({"months": -3}), Some("forecast-months"))]
    #[case(RunKind::Forecast, json!({"moths": 3}), Some("run-parameters"))]
    #[case(RunKind::OrderAdvice, json!({"budget": "250.00", "month_limit": "90"}), None)]
    #[case(RunKind::OrderAdvice, json!({"budget": 250}), Some("run-parameters"))]
    #[case(RunKind::OrderAdvice, json!({"budget": "-5"}), Some("money-negative"))]
    #[case(RunKind::OrderAdvice, json!({"month_limit": "much"}), Some("money-unreadable"))]
    fn a_slip_is_told_before_the_run(
        #[case] kind: RunKind,
        #[case] parameters: Value,
        #[case] rule: Option<&str>,
    ) {
        let checked = check(kind, &parameters, Currency::EUR);
        assert_eq!(checked.err().map(|error| error.rule()), rule, "{parameters}");
    }
}
