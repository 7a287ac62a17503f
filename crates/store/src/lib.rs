//! The rows of all organisations, on SQLite and on PostgreSQL alike.
//!
//! [`Store`] opens a database, brings its schema up to date and runs transactions. What all nouns
//! have in common (find, list, page, create, change, remove) is in [`record`]; what only one has
//! stands in the module of its name. Every function takes the connection first, then the
//! organisation.
//!
//! Invariants: no query without organisation, but for those by which a secret is looked up; nothing
//! outside this crate and `migrations` knows SQL; rows become the values of `fleet` here.

mod entity;
mod error;
mod rows;
mod store;
mod value;

pub mod between_nights;
pub mod boats;
pub mod engines;
pub mod feeds;
pub mod findings;
pub mod hire;
pub mod history;
pub mod jobs;
pub mod load;
pub mod meters;
pub mod once;
pub mod orders;
pub mod organisations;
pub mod parts;
pub mod people;
pub mod plans;
pub mod readings;
pub mod record;
pub mod ring;
pub mod runs;
pub mod secret;
pub mod services;
pub mod sessions;
pub mod sites;
pub mod snapshot;
pub mod stock;
pub mod tokens;

pub use error::StoreError;
pub use record::{Author, Page, PageOf};
pub use store::{Backend, Connection, Store, Transaction};
