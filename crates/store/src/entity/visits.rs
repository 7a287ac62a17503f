//! One engine, a bundle of tasks, from a day on.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, Date, DeriveEntityModel, DerivePrimaryKey, DeriveRelation, EntityTrait,
    EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "visits")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub version: i64,
    pub plan_id: Uuid,
    pub engine_id: Uuid,
    pub bay_id: Option<Uuid>,
    pub person_id: Option<Uuid>,
    pub starts_on: Option<Date>,
    pub ends_on: Option<Date>,
    pub bench_minutes: i32,
    pub boat_out: bool,
    pub locked: bool,
    pub reason: Option<String>,
    pub job_id: Option<Uuid>,
    pub mode: Option<String>,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
