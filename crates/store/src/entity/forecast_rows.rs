//! Demand of one part in a month, or in the first so many months together.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, Date, DeriveEntityModel, DerivePrimaryKey, DeriveRelation, EntityTrait,
    EnumIter, Json, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "forecast_rows")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub run_id: Uuid,
    pub part_id: Uuid,
    pub site_id: Option<Uuid>,
    pub pool_id: Option<Uuid>,
    pub month: Date,
    pub months: i32,
    pub mean: f64,
    pub planned: f64,
    pub on_finding: f64,
    pub unplanned: f64,
    pub quantiles: Json,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
