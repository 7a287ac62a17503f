//! A part number that stands in for another.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, Date, DeriveEntityModel, DerivePrimaryKey, DeriveRelation, EntityTrait,
    EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "supersessions")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub version: i64,
    pub old_part_id: Uuid,
    pub new_part_id: Uuid,
    pub two_way: bool,
    pub new_for_old_numerator: i32,
    pub new_for_old_denominator: i32,
    pub use_up_old: bool,
    pub effective_on: Date,
    pub source: Option<String>,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
