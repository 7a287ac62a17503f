//! A change of what is on a shelf. Append-only.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, DateTimeUtc, DeriveEntityModel, DerivePrimaryKey, DeriveRelation,
    EntityTrait, EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "stock_moves")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub part_id: Uuid,
    pub site_id: Uuid,
    pub lot_id: Option<Uuid>,
    pub kind: String,
    pub quantity: i64,
    pub moved_at: DateTimeUtc,
    pub job_id: Option<Uuid>,
    pub receipt_line_id: Option<Uuid>,
    pub moved_by_id: Option<Uuid>,
    pub together: Option<Uuid>,
    pub reason: Option<String>,
    pub reference: Option<String>,
    pub recorded_at: DateTimeUtc,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
