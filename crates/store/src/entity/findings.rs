//! Something found on an engine.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, DateTimeUtc, DeriveEntityModel, DerivePrimaryKey, DeriveRelation,
    EntityTrait, EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "findings")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub version: i64,
    pub engine_id: Uuid,
    pub kind_id: Option<Uuid>,
    pub title: String,
    pub urgency: String,
    pub safety: bool,
    pub status: String,
    pub found_at: DateTimeUtc,
    pub found_by_id: Option<Uuid>,
    pub life_seconds: Option<i64>,
    pub note: Option<String>,
    pub closed_at: Option<DateTimeUtc>,
    pub closing_note: Option<String>,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
