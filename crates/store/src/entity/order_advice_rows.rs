//! A line of advice: what to order.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, Date, DeriveEntityModel, DerivePrimaryKey, DeriveRelation, EntityTrait,
    EnumIter, Json, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "order_advice_rows")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub run_id: Uuid,
    pub part_id: Uuid,
    pub supplier_id: Uuid,
    pub site_id: Option<Uuid>,
    pub quantity: i64,
    pub order_by: Date,
    pub unit_price_minor: i64,
    pub unit_price_currency: String,
    pub total_minor: i64,
    pub total_currency: String,
    pub fill_rate_permille: Option<i32>,
    pub reason: String,
    pub detail: Option<Json>,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
