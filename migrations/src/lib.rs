//! The schema, forward and back, on SQLite and on PostgreSQL.
//!
//! A migration works with the code before it: expand, move, contract. One file a migration: its
//! name in the database is the file's.

mod m0001_people;
mod m0002_fleet;
mod m0003_parts;
mod m0004_programme;
mod m0005_runs;
mod m0006_work;
mod m0007_stock;
mod m0008_bench;
mod m0009_plan_steps;
mod m0014_purchasing;
mod m0015_lives;
mod m0016_due_limits;
mod m0017_hindcast;
mod m0018_swap_corrected;
mod table;

use sea_orm_migration::prelude::{MigrationTrait, async_trait};

pub use sea_orm_migration::prelude::MigratorTrait;

/// All migrations, in order.
pub struct Migrator;

#[async_trait::async_trait]
impl MigratorTrait for Migrator {
    fn migrations() -> Vec<Box<dyn MigrationTrait>> {
        vec![
            Box::new(m0001_people::Migration),
            Box::new(m0002_fleet::Migration),
            Box::new(m0003_parts::Migration),
            Box::new(m0004_programme::Migration),
            Box::new(m0005_runs::Migration),
            Box::new(m0006_work::Migration),
            Box::new(m0007_stock::Migration),
            Box::new(m0008_bench::Migration),
            Box::new(m0009_plan_steps::Migration),
            Box::new(m0014_purchasing::Migration),
            Box::new(m0015_lives::Migration),
            Box::new(m0016_due_limits::Migration),
            Box::new(m0017_hindcast::Migration),
            Box::new(m0018_swap_corrected::Migration),
        ]
    }
}
