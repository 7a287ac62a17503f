//! A gearcase test as it was read. Append-only; a retest names what it repeats.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, DateTimeUtc, DeriveEntityModel, DerivePrimaryKey, DeriveRelation,
    EntityTrait, EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "gearcase_tests")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub engine_id: Uuid,
    pub job_id: Option<Uuid>,
    pub kind: String,
    pub tested_at: DateTimeUtc,
    pub tested_by_id: Option<Uuid>,
    pub start_pa: i32,
    pub end_pa: i32,
    pub hold_seconds: i32,
    pub start_millicelsius: Option<i32>,
    pub end_millicelsius: Option<i32>,
    pub ambient_pa: i32,
    pub gauge_division_pa: i32,
    pub limit_pa: Option<i32>,
    pub drive_shaft_turned: bool,
    pub propeller_shaft_turned: bool,
    pub shifted: bool,
    pub drained: bool,
    pub outcome: String,
    pub reason: String,
    pub leak_at: Option<String>,
    pub retest_of_id: Option<Uuid>,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
