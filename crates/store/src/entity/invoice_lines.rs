//! What a supplier's invoice asks for of an order's line.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, Date, DateTimeUtc, DeriveEntityModel, DerivePrimaryKey, DeriveRelation,
    EntityTrait, EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "invoice_lines")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub order_id: Uuid,
    pub line_id: Option<Uuid>,
    pub invoice: String,
    pub invoiced_on: Date,
    pub quantity: i64,
    pub amount_minor: i64,
    pub agreed_minor: i64,
    pub reason: Option<String>,
    pub recorded_by_id: Option<Uuid>,
    pub recorded_at: DateTimeUtc,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
