//! An engine model of a maker, in one printing of its manual.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, DeriveEntityModel, DerivePrimaryKey, DeriveRelation, EntityTrait,
    EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "engine_models")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub version: i64,
    pub maker: String,
    pub name: String,
    pub strokes: i32,
    pub power_watts: Option<i32>,
    pub premix_ratio: Option<i32>,
    pub engine_oil_grade: Option<String>,
    pub engine_oil_ml: Option<i32>,
    pub fuel_system: String,
    pub gear_oil_grade: Option<String>,
    pub gear_oil_ml: Option<i32>,
    pub last_made_in: Option<i32>,
    pub manual_edition: Option<String>,
    pub source: String,
    pub archived: bool,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
