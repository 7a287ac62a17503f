//! What a part's demand will be, as the last run left it.

use axum::Json;
use axum::extract::State;
use chrono::{DateTime, NaiveDate, Utc};
use fleet::id::PartId;
use fleet::part::Part;
use fleet::run::RunKind;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use store::record;
use store::runs::{self, ForecastPart, ForecastRow};
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
}

impl From<ForecastPart> for ForecastModel {
    fn from(part: ForecastPart) -> Self {
        let ForecastPart { id: _, run: _, part: _, site, model, reason, scores, history } = part;
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
/// As of the last good run. Role: viewer.
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
    let models = runs::forecast_parts(connection, organisation, run.id, Some(part.id)).await?;
    let mut rows = runs::forecast_rows(connection, organisation, run.id, Some(part.id)).await?;
    rows.sort_by_key(|row| (row.site, row.pool, row.months, row.month, row.id));
    Ok(Json(Forecast {
        run: run.id.0,
        computed_at: run.finished_at,
        part: id,
        models: models.into_iter().map(ForecastModel::from).collect(),
        months: rows.into_iter().map(ForecastMonth::from).collect(),
    }))
}
