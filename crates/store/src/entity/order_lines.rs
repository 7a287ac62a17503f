//! What is ordered of one part.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, Date, DeriveEntityModel, DerivePrimaryKey, DeriveRelation, EntityTrait,
    EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "order_lines")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub version: i64,
    pub order_id: Uuid,
    pub part_id: Uuid,
    pub quantity: i64,
    pub price_minor: i64,
    pub price_units: i64,
    pub cancelled: i64,
    pub expected_on: Option<Date>,
    pub note: Option<String>,
    pub returned: i64,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
