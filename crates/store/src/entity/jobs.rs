//! Work on one engine in one visit.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, Date, DateTimeUtc, DeriveEntityModel, DerivePrimaryKey, DeriveRelation,
    EntityTrait, EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "jobs")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub version: i64,
    pub number: i32,
    pub engine_id: Uuid,
    pub site_id: Uuid,
    pub finding_id: Option<Uuid>,
    pub status: String,
    pub reason: Option<String>,
    pub stood_over_until: Option<Date>,
    pub planned_on: Option<Date>,
    pub bay_id: Option<Uuid>,
    pub person_id: Option<Uuid>,
    pub note: Option<String>,
    pub created_at: DateTimeUtc,
    pub released_at: Option<DateTimeUtc>,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
