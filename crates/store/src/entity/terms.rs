//! On which terms a supplier sells a part.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, Date, DeriveEntityModel, DerivePrimaryKey, DeriveRelation, EntityTrait,
    EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "terms")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub version: i64,
    pub part_id: Uuid,
    pub supplier_id: Uuid,
    pub supplier_number: Option<String>,
    pub pack: i64,
    pub minimum: i64,
    pub price_minor: i64,
    pub price_currency: String,
    pub price_units: i64,
    pub lead_days_median: i32,
    pub lead_days_worst: Option<i32>,
    pub review_days: Option<i32>,
    pub policy: Option<String>,
    pub target_permille: Option<i32>,
    pub valid_from: Date,
    pub valid_until: Option<Date>,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
