//! An engine that must not be hired.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, DateTimeUtc, DeriveEntityModel, DerivePrimaryKey, DeriveRelation,
    EntityTrait, EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "holds")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub version: i64,
    pub engine_id: Uuid,
    pub finding_id: Option<Uuid>,
    pub safety: bool,
    pub reason: String,
    pub placed_at: DateTimeUtc,
    pub placed_by_id: Option<Uuid>,
    pub cleared_at: Option<DateTimeUtc>,
    pub cleared_by_id: Option<Uuid>,
    pub clearing_note: Option<String>,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
