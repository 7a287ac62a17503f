//! What a meter showed. Append-only: corrections are readings of their own.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, DateTimeUtc, DeriveEntityModel, DerivePrimaryKey, DeriveRelation,
    EntityTrait, EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "readings")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub engine_id: Uuid,
    pub kind: String,
    pub read_at: DateTimeUtc,
    pub shown_seconds: i64,
    pub shown_before_seconds: Option<i64>,
    pub source: String,
    pub recorded_by_id: Option<Uuid>,
    pub recorded_at: DateTimeUtc,
    pub note: Option<String>,
    pub corrects_at: Option<DateTimeUtc>,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
