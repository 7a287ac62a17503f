//! What is asked of one supplier.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, Date, DateTimeUtc, DeriveEntityModel, DerivePrimaryKey, DeriveRelation,
    EntityTrait, EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "orders")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub version: i64,
    pub number: String,
    pub supplier_id: Uuid,
    pub site_id: Uuid,
    pub status: String,
    pub currency: String,
    pub ordered_on: Option<Date>,
    pub expected_on: Option<Date>,
    pub approved_by_id: Option<Uuid>,
    pub run_id: Option<Uuid>,
    pub note: Option<String>,
    pub created_at: DateTimeUtc,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
