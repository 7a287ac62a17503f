//! One engine × task of a due run.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, Date, DeriveEntityModel, DerivePrimaryKey, DeriveRelation, EntityTrait,
    EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "due_rows")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub run_id: Uuid,
    pub engine_id: Uuid,
    pub task_id: Uuid,
    pub governing: String,
    pub due_early_on: Option<Date>,
    pub due_on: Option<Date>,
    pub due_late_on: Option<Date>,
    pub months_due_on: Option<Date>,
    pub hours_left_seconds: Option<i64>,
    pub hours_length_seconds: Option<i64>,
    pub counts_from_on: Option<Date>,
    pub days_left: Option<i32>,
    pub used_permille: i32,
    pub source: Option<String>,
    pub explanation: Option<String>,
    pub hours_at_seconds: Option<i64>,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
