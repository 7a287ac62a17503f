//! When a task falls due on a model: whichever limb comes first.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, DeriveEntityModel, DerivePrimaryKey, DeriveRelation, EntityTrait,
    EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "programme_intervals")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub version: i64,
    pub task_id: Uuid,
    pub model_id: Option<Uuid>,
    pub every_seconds: Option<i64>,
    pub every_months: Option<i32>,
    pub first_seconds: Option<i64>,
    pub first_months: Option<i32>,
    pub severity_on_months: bool,
    pub basis: String,
    pub source: String,
    pub page: Option<String>,
    pub serial_from: Option<String>,
    pub serial_until: Option<String>,
    pub verified_by: Option<String>,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
