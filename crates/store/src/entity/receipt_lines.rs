//! What a delivery held of an order's line.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, DeriveEntityModel, DerivePrimaryKey, DeriveRelation, EntityTrait,
    EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "receipt_lines")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub receipt_id: Uuid,
    pub line_id: Uuid,
    pub quantity: i64,
    pub invoiced_minor: Option<i64>,
    pub accepted: Option<String>,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
