//! What a part's demand will be, as the last run left it.

use ::runs::looking_back::{Changed, ContestedFleet, Origin, Then, changed, quantity_in, then};
use axum::Json;
use axum::extract::State;
use chrono::{DateTime, NaiveDate, Utc};
use demand::{MonthAfter, MonthBand, MonthChange, MonthStreams};
use fleet::id::{PartId, PoolId, SiteId};
use fleet::part::{Part, Unit};
use fleet::run::RunKind;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use store::record;
use store::runs::{self, ForecastPart, ForecastRow, Run, Scope};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::run_page::find_run;
use crate::access::Actor;
use crate::paging::Asked;
use crate::path::Id;
use crate::problem::{Problem, Refused};
use crate::state::ApiState;

/// A part's demand to come.
#[derive(Debug, Serialize, ToSchema)]
pub struct Forecast {
    pub run: Uuid,
    pub computed_at: Option<DateTime<Utc>>,
    pub part: Uuid,
    /// How it was forecast: one entry, or one a site.
    pub models: Vec<ForecastModel>,
    pub months: Vec<ForecastMonth>,
    /// What changed since the good run before; none for the first.
    pub changed: Option<ForecastChanged>,
    /// Last year's forecast of the fleet against what happened; none where no month has passed, and
    /// for a site or a pool.
    pub looking_back: Option<ForecastThen>,
}

/// What changed since the good run before.
#[derive(Debug, Serialize, ToSchema)]
pub struct ForecastChanged {
    pub since: Uuid,
    pub since_computed_at: Option<DateTime<Utc>>,
    /// In a sentence; none where the two have no whole month in common.
    pub says: Option<String>,
    /// Months that both know whole.
    pub months: Vec<ForecastMonthChanged>,
}

/// A month in both forecasts.
#[derive(Debug, Serialize, ToSchema)]
pub struct ForecastMonthChanged {
    pub month: NaiveDate,
    pub before: ForecastStreams,
    pub now: ForecastStreams,
}

/// What is expected in a month, by where it comes from.
#[derive(Debug, Serialize, ToSchema)]
pub struct ForecastStreams {
    pub mean: f64,
    pub planned: f64,
    pub on_finding: f64,
    pub unplanned: f64,
}

/// A past forecast against what happened.
#[derive(Debug, Serialize, ToSchema)]
pub struct ForecastThen {
    /// The run that was made then; none where today's way of forecasting was stood there, with only
    /// what was on record by then.
    pub run: Option<Uuid>,
    pub stood_on: NaiveDate,
    /// In a sentence.
    pub says: Option<String>,
    /// Months that lie inside the 80 % band.
    pub inside: usize,
    pub months: Vec<ForecastMonthAfter>,
    /// The three streams and each model of bare history, the best first, scored on these months: one
    /// forecast of one part.
    pub scores: Value,
    /// Who did better, in a sentence.
    pub scores_say: Option<String>,
}

/// A month as it was forecast, and what was used.
#[derive(Debug, Serialize, ToSchema)]
pub struct ForecastMonthAfter {
    pub month: NaiveDate,
    pub mean: f64,
    pub q10: f64,
    pub q90: f64,
    pub used: f64,
}

/// How a part was forecast.
#[derive(Debug, Serialize, ToSchema)]
pub struct ForecastModel {
    pub site: Option<Uuid>,
    pub model: String,
    pub reason: String,
    /// How well such forecasts did on months that were kept from them.
    pub scores: Value,
    /// Months and quantities that it rests on.
    pub history: Value,
}

/// Demand in a month, or in the first so many months together.
#[derive(Debug, Serialize, ToSchema)]
pub struct ForecastMonth {
    pub site: Option<Uuid>,
    pub pool: Option<Uuid>,
    /// First day of the month; of the first month where several are added up.
    pub month: NaiveDate,
    /// 1, or how many are added up.
    pub months: i32,
    pub mean: f64,
    pub planned: f64,
    pub on_finding: f64,
    pub unplanned: f64,
    /// Percent to quantity.
    pub quantiles: Value,
}

/// Which run is wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ForecastWanted {
    /// A certain run; the last good one where none is given.
    run: Option<Uuid>,
    /// One site's share instead of the fleet's.
    site: Option<Uuid>,
    /// One pool's share: single months only.
    pool: Option<Uuid>,
}

impl ForecastWanted {
    fn scope(&self) -> Result<Scope, Problem> {
        match (self.site, self.pool) {
            (None, None) => Ok(Scope::Fleet),
            (Some(site), None) => Ok(Scope::Site(SiteId(site))),
            (None, Some(pool)) => Ok(Scope::Pool(PoolId(pool))),
            (Some(_), Some(_)) => {
                let detail = "a pool has one site: ask for the site or for the pool, not for both";
                Err(Problem::rule("site-or-pool", detail))
            }
        }
    }
}

impl ForecastChanged {
    fn of(changed: Changed, unit: Unit) -> Self {
        let Changed { since, changes } = changed;
        let month = |it: &MonthChange| {
            let month = it.now.month.first_day()?;
            let (before, now) = (streams(&it.before), streams(&it.now));
            Some(ForecastMonthChanged { month, before, now })
        };
        Self {
            since: since.id.0,
            since_computed_at: since.finished_at,
            says: changes.says(&quantity_in(unit)),
            months: changes.months.iter().filter_map(month).collect(),
        }
    }
}

fn streams(it: &MonthStreams) -> ForecastStreams {
    let MonthStreams { month: _, planned, on_finding, unplanned } = *it;
    ForecastStreams { mean: it.mean(), planned, on_finding, unplanned }
}

impl ForecastThen {
    fn of(then: &Then, run: &Run, unit: Unit) -> Self {
        let month = |it: &MonthAfter| {
            let MonthBand { month, mean, q10, q90 } = it.forecast;
            Some(ForecastMonthAfter { month: month.first_day()?, mean, q10, q90, used: it.used })
        };
        let fleet = ContestedFleet::of(run);
        Self {
            run: match then.origin {
                Origin::Run(run) => Some(run.0),
                Origin::Replay => None,
            },
            stood_on: then.stood_on,
            says: then.hindsight.says(&quantity_in(unit)),
            inside: then.hindsight.inside(),
            months: then.hindsight.months.iter().filter_map(month).collect(),
            scores: json!(then.contested),
            scores_say: then.contested.as_ref().and_then(|it| it.says(fleet.as_ref())),
        }
    }
}

impl From<ForecastPart> for ForecastModel {
    fn from(part: ForecastPart) -> Self {
        let ForecastPart {
            id: _,
            run: _,
            part: _,
            site,
            model,
            reason,
            scores,
            history,
            hindcast: _,
        } = part;
        Self { site: site.map(|site| site.0), model, reason, scores, history }
    }
}

impl From<ForecastRow> for ForecastMonth {
    fn from(row: ForecastRow) -> Self {
        Self {
            site: row.site.map(|site| site.0),
            pool: row.pool.map(|pool| pool.0),
            month: row.month,
            months: row.months,
            mean: row.mean,
            planned: row.planned,
            on_finding: row.on_finding,
            unplanned: row.unplanned,
            quantiles: row.quantiles,
        }
    }
}

/// Read the forecast of a part
///
/// As of the last good run: the fleet's, or one site's or pool's share of it, which add up to it; what
/// changed since the run before; and last year's forecast against what happened. Role: viewer.
#[utoipa::path(
    get, path = "/parts/{id}/forecast", tag = "parts",
    params(("id" = Uuid, Path), ForecastWanted),
    responses(
        (status = 200, description = "months to come with quantiles", body = Forecast),
        (status = 404, description = "no such part, or no run has been finished yet"),
        Refused,
    ),
)]
pub async fn get_forecast_of_part(
    State(state): State<ApiState>,
    actor: Actor,
    Id(id): Id,
    Asked(asked): Asked<ForecastWanted>,
) -> Result<Json<Forecast>, Problem> {
    let (connection, organisation) = (state.store.connection(), actor.organisation);
    let part: Part = record::get(connection, organisation, PartId(id)).await?;
    let run = find_run(connection, &actor, RunKind::Forecast, asked.run).await?;
    let scope = asked.scope()?;
    let models = runs::forecast_parts(connection, organisation, run.id, Some(part.id)).await?;
    let wanted = (Some(part.id), scope);
    let mut rows = runs::forecast_rows(connection, organisation, run.id, wanted).await?;
    rows.sort_by_key(|row| (row.months, row.month, row.id));
    let changed = changed(connection, organisation, &run, (part.id, scope), &rows).await?;
    let then = match models.iter().find(|how| how.site.is_none()) {
        Some(how) if scope == Scope::Fleet => then(connection, organisation, &run, how).await?,
        _ => None,
    };
    Ok(Json(Forecast {
        run: run.id.0,
        computed_at: run.finished_at,
        part: id,
        models: models.into_iter().map(ForecastModel::from).collect(),
        months: rows.into_iter().map(ForecastMonth::from).collect(),
        changed: changed.map(|changed| ForecastChanged::of(changed, part.unit)),
        looking_back: then.map(|then| ForecastThen::of(&then, &run, part.unit)),
    }))
}
