//! Something kept on a shelf. A kit is a part whose contents are known.

use sea_orm::entity::prelude::{
    ActiveModelBehavior, DeriveEntityModel, DerivePrimaryKey, DeriveRelation, EntityTrait,
    EnumIter, PrimaryKeyTrait, Uuid,
};

#[derive(Clone, Debug, PartialEq, DeriveEntityModel)]
#[sea_orm(table_name = "parts")]
pub struct Model {
    #[sea_orm(primary_key, auto_increment = false)]
    pub organisation_id: Uuid,
    #[sea_orm(primary_key, auto_increment = false)]
    pub id: Uuid,
    pub version: i64,
    pub number: String,
    pub maker: Option<String>,
    pub name: String,
    pub kind: String,
    pub unit: String,
    pub compound: Option<String>,
    pub shelf_life_months: Option<i32>,
    pub shelf_life_source: Option<String>,
    pub sealing: bool,
    pub returnable: bool,
    pub boat_days_lost_hundredths: Option<i32>,
    pub family: Option<String>,
    pub archived: bool,
}

#[derive(Copy, Clone, Debug, EnumIter, DeriveRelation)]
pub enum Relation {}

impl ActiveModelBehavior for ActiveModel {}
