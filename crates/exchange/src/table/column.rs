//! Columns that a table may have.

/// Whether a file may leave a column out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Presence {
    Required,
    Optional,
}

/// A column: its name in the header and what it means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Column {
    pub name: &'static str,
    pub presence: Presence,
    /// One line for the person who fills the file in.
    pub about: &'static str,
}

impl Column {
    /// A column the header must have. Its fields may still be empty where the parsing function asks
    /// with one of the `optional_` getters.
    pub const fn required(name: &'static str, about: &'static str) -> Self {
        Self { name, presence: Presence::Required, about }
    }

    /// A column the file may leave out; then its fields read as empty.
    pub const fn optional(name: &'static str, about: &'static str) -> Self {
        Self { name, presence: Presence::Optional, about }
    }
}
