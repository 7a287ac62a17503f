//! A kept forecast beside those before it: what changed since, and how last year's did.

use chrono::{Datelike, Months, NaiveDate};
use demand::{
    Changes, Hindsight, ModelScores, Month, MonthBand, MonthStreams, Scores, changes, hindsight,
};
use fleet::id::{OrganisationId, PartId, RunId};
use fleet::part::Unit;
use fleet::run::RunKind;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use store::runs::{self, ForecastPart, ForecastRow, Run, Scope};
use store::{Connection, StoreError};

use crate::check_forecast::Forecaster;

/// How sentences show a quantity of `unit`: tenths only where a tenth is much.
pub fn quantity_in(unit: Unit) -> impl Fn(f64) -> String {
    let unit = match unit {
        Unit::Each => "",
        Unit::Millilitre => " mL",
        Unit::Gram => " g",
        Unit::Millimetre => " mm",
    };
    move |quantity| {
        let tenths = format!("{quantity:.1}");
        match tenths.strip_suffix(".0") {
            Some(whole) => format!("{whole}{unit}"),
            None if quantity < 10.0 => format!("{tenths}{unit}"),
            None => format!("{quantity:.0}{unit}"),
        }
    }
}

/// What changed since the last good run before.
#[derive(Clone, Debug, PartialEq)]
pub struct Changed {
    pub since: Run,
    pub changes: Changes,
}

/// Sets `rows`, the months of `part` and `scope` in `run`, beside the same months of the good run
/// before. `None` where there is none.
///
/// # Errors
/// The store failed.
pub async fn changed(
    connection: &Connection,
    organisation: OrganisationId,
    run: &Run,
    (part, scope): (PartId, Scope),
    rows: &[ForecastRow],
) -> Result<Option<Changed>, StoreError> {
    let Some(since) = runs::before(connection, organisation, run).await? else {
        return Ok(None);
    };
    let wanted = (Some(part), scope);
    let then = runs::forecast_rows(connection, organisation, since.id, wanted).await?;
    Ok(Some(Changed { since, changes: changes(&months(&then), &months(rows)) }))
}

/// Single months, in order.
fn months(rows: &[ForecastRow]) -> Vec<MonthStreams> {
    let one = |row: &ForecastRow| MonthStreams {
        month: Month::of(row.month),
        planned: row.planned,
        on_finding: row.on_finding,
        unplanned: row.unplanned,
    };
    let mut months: Vec<_> = rows.iter().filter(|row| row.months == 1).map(one).collect();
    months.sort_by_key(|it| it.month);
    months
}

/// What a run keeps of a part: what its own code says from twelve months back, seeing only what was
/// on record by then.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Replayed {
    pub stood_on: NaiveDate,
    pub months: Vec<ReplayedMonth>,
    /// `None` where nothing could be scored: no month of the part before, or none that differed.
    pub contested: Option<Contested>,
}

/// A month of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReplayedMonth {
    pub month: NaiveDate,
    pub planned: f64,
    pub on_finding: f64,
    pub unplanned: f64,
    /// Percent to quantity: those that a picture shows.
    pub quantiles: Value,
}

/// The three streams and every model of bare history, scored on the same months of one part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Contested {
    pub three_streams: Scores,
    /// How many models of bare history answered.
    pub models: usize,
    /// The best of them, the best first. `combination` is what the whole history-only pipeline would
    /// have chosen.
    pub history: Vec<ModelScores>,
}

/// The same over all parts, kept as the scores of the run.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ContestedFleet {
    pub stood_on: NaiveDate,
    pub parts: usize,
    pub three_streams: Scores,
    /// One model for all parts, picked knowing the outcome.
    pub best_of_history: ModelScores,
}

impl ContestedFleet {
    /// As the scores of a run keep it; `None` for runs that replayed nothing.
    pub fn of(run: &Run) -> Option<Self> {
        Self::deserialize(run.scores.as_ref()?).ok()
    }
}

/// By how much the first loss is below the second, in words.
fn below(ours: f64, theirs: f64) -> String {
    let share = 100.0 * (1.0 - ours / theirs);
    if theirs <= 0.0 || share.abs() < 0.5 {
        "as good".to_owned()
    } else if share > 0.0 {
        format!("{share:.0} % lower")
    } else {
        format!("{:.0} % higher", -share)
    }
}

impl Contested {
    /// Who did better, and how little one part's year says.
    pub fn says(&self, fleet: Option<&ContestedFleet>) -> Option<String> {
        let best = self.history.first()?;
        let (ours, theirs) = (self.three_streams.pinball, best.scores.pinball);
        let mut says = format!(
            "The quantile loss of the three streams together was {ours:.2}, that of the best of {} \
             models of bare history ({}) {theirs:.2}: {}. That is one forecast of {} months of one \
             part, and the model was picked knowing the outcome",
            self.models,
            Forecaster::History(best.model).name(),
            below(ours, theirs),
            self.three_streams.months
        );
        if let Some(fleet) = fleet {
            let best = &fleet.best_of_history;
            says.push_str(&format!(
                "; over all {} parts the loss was {:.2} against {:.2} ({}): {}",
                fleet.parts,
                fleet.three_streams.pinball,
                best.scores.pinball,
                Forecaster::History(best.model).name(),
                below(fleet.three_streams.pinball, best.scores.pinball)
            ));
        }
        Some(says)
    }
}

/// Where a past forecast comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// A run that was made then.
    Run(RunId),
    /// What today's code says, standing there with what was on record by then.
    Replay,
}

/// A past forecast of a part beside what happened.
#[derive(Clone, Debug, PartialEq)]
pub struct Then {
    pub origin: Origin,
    pub stood_on: NaiveDate,
    /// As forecast, in order; months that have not passed too.
    pub months: Vec<ReplayedMonth>,
    pub hindsight: Hindsight,
    pub contested: Option<Contested>,
}

/// Months that a forecast is left to meet what happens.
const YEAR: Months = Months::new(12);

/// The fleet's forecast of `how.part` made a year before `run`: the one that was kept then, else
/// what the run replayed, else the oldest that is kept and has a whole month passed.
///
/// # Errors
/// The store failed.
pub async fn then(
    connection: &Connection,
    organisation: OrganisationId,
    run: &Run,
    how: &ForecastPart,
) -> Result<Option<Then>, StoreError> {
    let Some(used) = used(&how.history) else { return Ok(None) };
    let year_ago = run.finished_at.and_then(|at| at.checked_sub_months(YEAR));
    if let Some(until) = year_ago {
        let kept = runs::done_until(connection, organisation, RunKind::Forecast, until).await?;
        if let Some(kept) = kept {
            let then = kept_then(connection, organisation, &kept, (how.part, &used)).await?;
            if then.is_some() {
                return Ok(then);
            }
        }
    }
    let replayed = how.hindcast.as_ref().and_then(|kept| Replayed::deserialize(kept).ok());
    if let Some(Replayed { stood_on, months, contested }) = replayed {
        let hindsight = hindsight(&bands(&months), (used.0, &used.1));
        return Ok(Some(Then { origin: Origin::Replay, stood_on, months, hindsight, contested }));
    }
    match runs::first_done(connection, organisation, RunKind::Forecast).await? {
        Some(oldest) => kept_then(connection, organisation, &oldest, (how.part, &used)).await,
        None => Ok(None),
    }
}

/// Quantities used from a month on.
type UsedFrom = (Month, Vec<f64>);

/// Reads what a run keeps of a part's history.
fn used(history: &Value) -> Option<UsedFrom> {
    let first = history.get("first")?.as_str()?.parse().ok()?;
    let quantities = history.get("quantities")?.as_array()?;
    Some((first, quantities.iter().map(Value::as_f64).collect::<Option<_>>()?))
}

/// `None` where the part was not in that run, or no month of it has passed whole.
async fn kept_then(
    connection: &Connection,
    organisation: OrganisationId,
    kept: &Run,
    (part, used): (PartId, &UsedFrom),
) -> Result<Option<Then>, StoreError> {
    let wanted = (Some(part), Scope::Fleet);
    let mut rows = runs::forecast_rows(connection, organisation, kept.id, wanted).await?;
    rows.retain(|row| row.months == 1);
    rows.sort_by_key(|row| row.month);
    let stood_on = kept.finished_at.unwrap_or(kept.requested_at).date_naive();
    // Of the month in which it was made it forecast the days that were left, unless it was made on
    // the first.
    let whole = |row: &ForecastRow| row.month > stood_on || stood_on.day() == 1;
    let month = |row: ForecastRow| ReplayedMonth {
        month: row.month,
        planned: row.planned,
        on_finding: row.on_finding,
        unplanned: row.unplanned,
        quantiles: row.quantiles,
    };
    let months: Vec<ReplayedMonth> = rows.into_iter().filter(whole).map(month).collect();
    let hindsight = hindsight(&bands(&months), (used.0, &used.1));
    let origin = Origin::Run(kept.id);
    Ok((!hindsight.months.is_empty()).then_some(Then {
        origin,
        stood_on,
        months,
        hindsight,
        contested: None,
    }))
}

fn bands(months: &[ReplayedMonth]) -> Vec<MonthBand> {
    let band = |it: &ReplayedMonth| {
        let at = |percent: &str| it.quantiles.get(percent)?.as_f64();
        let mean = it.planned + it.on_finding + it.unplanned;
        Some(MonthBand { month: Month::of(it.month), mean, q10: at("10")?, q90: at("90")? })
    };
    months.iter().filter_map(band).collect()
}
