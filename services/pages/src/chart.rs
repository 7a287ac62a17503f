//! The parts that pictures are drawn from: a sheet with its scales, and columns, steps, bands,
//! limits and marks on it.
//!
//! A picture is drawn twice, once for a wide screen and once anew for a phone (its own box, fewer
//! columns, text of 12 px at least), and the stylesheet shows one of the two. Colours are classes,
//! so that light, dark and print are matters of the stylesheet alone; hatching is an attribute,
//! because a stylesheet would look for the pattern in its own file.
//!
//! Own parts rather than a chart crate: hatching, and colours that follow the reader's setting, are
//! what those do not have.

pub mod boats;
pub mod curve;
pub mod fan;
pub mod hours;
pub mod life;
pub mod load;
pub mod scale;
pub mod sheet;
pub mod tide;

pub use scale::Scale;
pub use sheet::{Anchor, Fill, Sheet};

/// A finished picture: both drawings and the sentence that says the same.
#[derive(Clone, Debug, Default)]
pub struct Picture {
    /// For screens wider than a phone's; SVG text.
    pub wide: String,
    /// For 390 px; SVG text.
    pub narrow: String,
    /// What is seen, which columns mean what.
    pub caption: String,
    /// The same figures, for those who want or need them as a table.
    pub table: Table,
}

/// The figures behind a picture. The first cell of a row is its heading.
#[derive(Clone, Debug, Default)]
pub struct Table {
    pub head: Vec<String>,
    pub rows: Vec<Vec<String>>,
}

impl Table {
    /// The name of a column, for a cell that stands without its head on a phone.
    pub fn column(&self, at: &usize) -> &str {
        self.head.get(*at).map_or("", String::as_str)
    }
}
