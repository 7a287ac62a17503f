//! A task done on an engine.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, Date, DateTimeUtc, DeriveEntityModel, DerivePrimaryKey, DeriveRelation,
    EntityTrait, EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "services")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub engine_id: Uuid,
    pub task_id: Uuid,
    pub done_on: Date,
    pub life_seconds: Option<i64>,
    pub reason: String,
    pub job_id: Option<Uuid>,
    pub done_by_id: Option<Uuid>,
    pub spent_minutes: Option<i32>,
    pub note: Option<String>,
    pub source: String,
    pub recorded_at: DateTimeUtc,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
