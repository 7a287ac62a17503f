//! Rows of results of runs.

use fleet::id::{
    EngineId, OrganisationId, PartId, PoolId, RunId, RunRowId, SiteId, SupplierId, TaskId,
};
use sea_orm::entity::prelude::Uuid;

use crate::entity::{due_rows, forecast_parts, forecast_rows, order_advice_rows};
use crate::error::StoreError;
use crate::record::Record;
use crate::runs::{AdviceRow, DueRow, ForecastPart, ForecastRow};
use crate::value::{money, word};

impl Record for DueRow {
    type Entity = due_rows::Entity;
    type Row = due_rows::Model;
    type Id = RunRowId;
    const ORGANISATION: due_rows::Column = due_rows::Column::OrganisationId;
    const ID: due_rows::Column = due_rows::Column::Id;
    const NOUN: &'static str = "due row";

    fn id(&self) -> RunRowId {
        self.id
    }

    fn key(id: RunRowId) -> Uuid {
        id.0
    }

    fn from_row(row: due_rows::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: RunRowId(row.id),
            run: RunId(row.run_id),
            engine: EngineId(row.engine_id),
            task: TaskId(row.task_id),
            governing: word(&row.governing)?,
            due_early_on: row.due_early_on,
            due_on: row.due_on,
            due_late_on: row.due_late_on,
            months_due_on: row.months_due_on,
            hours_left_seconds: row.hours_left_seconds,
            hours_length_seconds: row.hours_length_seconds,
            hours_at_seconds: row.hours_at_seconds,
            counts_from_on: row.counts_from_on,
            days_left: row.days_left,
            used_permille: row.used_permille,
            source: row.source,
            explanation: row.explanation,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> due_rows::Model {
        due_rows::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            run_id: self.run.0,
            engine_id: self.engine.0,
            task_id: self.task.0,
            governing: self.governing.as_str().to_owned(),
            due_early_on: self.due_early_on,
            due_on: self.due_on,
            due_late_on: self.due_late_on,
            months_due_on: self.months_due_on,
            hours_left_seconds: self.hours_left_seconds,
            hours_length_seconds: self.hours_length_seconds,
            hours_at_seconds: self.hours_at_seconds,
            counts_from_on: self.counts_from_on,
            days_left: self.days_left,
            used_permille: self.used_permille,
            source: self.source.clone(),
            explanation: self.explanation.clone(),
        }
    }
}

impl Record for ForecastPart {
    type Entity = forecast_parts::Entity;
    type Row = forecast_parts::Model;
    type Id = RunRowId;
    const ORGANISATION: forecast_parts::Column = forecast_parts::Column::OrganisationId;
    const ID: forecast_parts::Column = forecast_parts::Column::Id;
    const NOUN: &'static str = "forecast part";

    fn id(&self) -> RunRowId {
        self.id
    }

    fn key(id: RunRowId) -> Uuid {
        id.0
    }

    fn from_row(row: forecast_parts::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: RunRowId(row.id),
            run: RunId(row.run_id),
            part: PartId(row.part_id),
            site: row.site_id.map(SiteId),
            model: row.model,
            reason: row.reason,
            scores: row.scores,
            history: row.history,
            hindcast: row.hindcast,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> forecast_parts::Model {
        forecast_parts::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            run_id: self.run.0,
            part_id: self.part.0,
            site_id: self.site.map(|id| id.0),
            model: self.model.clone(),
            reason: self.reason.clone(),
            scores: self.scores.clone(),
            history: self.history.clone(),
            hindcast: self.hindcast.clone(),
        }
    }
}

impl Record for ForecastRow {
    type Entity = forecast_rows::Entity;
    type Row = forecast_rows::Model;
    type Id = RunRowId;
    const ORGANISATION: forecast_rows::Column = forecast_rows::Column::OrganisationId;
    const ID: forecast_rows::Column = forecast_rows::Column::Id;
    const NOUN: &'static str = "forecast row";

    fn id(&self) -> RunRowId {
        self.id
    }

    fn key(id: RunRowId) -> Uuid {
        id.0
    }

    fn from_row(row: forecast_rows::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: RunRowId(row.id),
            run: RunId(row.run_id),
            part: PartId(row.part_id),
            site: row.site_id.map(SiteId),
            pool: row.pool_id.map(PoolId),
            month: row.month,
            months: row.months,
            mean: row.mean,
            planned: row.planned,
            on_finding: row.on_finding,
            unplanned: row.unplanned,
            quantiles: row.quantiles,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> forecast_rows::Model {
        forecast_rows::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            run_id: self.run.0,
            part_id: self.part.0,
            site_id: self.site.map(|id| id.0),
            pool_id: self.pool.map(|id| id.0),
            month: self.month,
            months: self.months,
            mean: self.mean,
            planned: self.planned,
            on_finding: self.on_finding,
            unplanned: self.unplanned,
            quantiles: self.quantiles.clone(),
        }
    }
}

impl Record for AdviceRow {
    type Entity = order_advice_rows::Entity;
    type Row = order_advice_rows::Model;
    type Id = RunRowId;
    const ORGANISATION: order_advice_rows::Column = order_advice_rows::Column::OrganisationId;
    const ID: order_advice_rows::Column = order_advice_rows::Column::Id;
    const NOUN: &'static str = "advice row";

    fn id(&self) -> RunRowId {
        self.id
    }

    fn key(id: RunRowId) -> Uuid {
        id.0
    }

    fn from_row(row: order_advice_rows::Model) -> Result<Self, StoreError> {
        Ok(Self {
            id: RunRowId(row.id),
            run: RunId(row.run_id),
            part: PartId(row.part_id),
            supplier: SupplierId(row.supplier_id),
            site: row.site_id.map(SiteId),
            quantity: row.quantity,
            order_by: row.order_by,
            unit_price: money(row.unit_price_minor, &row.unit_price_currency)?,
            total: money(row.total_minor, &row.total_currency)?,
            fill_rate_permille: row.fill_rate_permille,
            reason: row.reason,
            detail: row.detail,
        })
    }

    fn to_row(&self, organisation: OrganisationId) -> order_advice_rows::Model {
        order_advice_rows::Model {
            organisation_id: organisation.0,
            id: self.id.0,
            run_id: self.run.0,
            part_id: self.part.0,
            supplier_id: self.supplier.0,
            site_id: self.site.map(|id| id.0),
            quantity: self.quantity,
            order_by: self.order_by,
            unit_price_minor: self.unit_price.minor,
            unit_price_currency: self.unit_price.currency.code().to_owned(),
            total_minor: self.total.minor,
            total_currency: self.total.currency.code().to_owned(),
            fill_rate_permille: self.fill_rate_permille,
            reason: self.reason.clone(),
            detail: self.detail.clone(),
        }
    }
}
