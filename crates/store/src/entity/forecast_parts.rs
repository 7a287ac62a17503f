//! How one part was forecast, and how well such forecasts did before.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, DeriveEntityModel, DerivePrimaryKey, DeriveRelation, EntityTrait,
    EnumIter, Json, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "forecast_parts")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub run_id: Uuid,
    pub part_id: Uuid,
    pub site_id: Option<Uuid>,
    pub model: String,
    pub reason: String,
    pub scores: Json,
    pub history: Json,
    pub hindcast: Option<Json>,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
