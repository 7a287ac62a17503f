//! One computation: what went in, by which version, what came out.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, DateTimeUtc, DeriveEntityModel, DerivePrimaryKey, DeriveRelation,
    EntityTrait, EnumIter, Json, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "runs")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub kind: String,
    pub status: String,
    pub site_id: Option<Uuid>,
    pub program_version: String,
    pub seed: i64,
    pub input_digest: Option<Vec<u8>>,
    pub parameters: Json,
    pub scores: Option<Json>,
    pub summary: Option<Json>,
    pub failure: Option<String>,
    pub progress_permille: i32,
    pub progress_note: Option<String>,
    pub requested_by: String,
    pub requested_at: DateTimeUtc,
    pub started_at: Option<DateTimeUtc>,
    pub finished_at: Option<DateTimeUtc>,
    pub stop_asked_at: Option<DateTimeUtc>,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
