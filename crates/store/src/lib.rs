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
pub mod history;
pub mod record;
mod rows;
mod store;
mod value;

pub use error::StoreError;
pub use record::{Author, Page, PageOf};
pub use store::{Backend, Connection, Store, Transaction};
