//! A page that has nothing to show before something else is on record: what, and where to begin.

use askama::Template;

use crate::frame::{Frame, Link};

#[derive(Template)]
#[template(path = "not_yet.html")]
pub struct NotYetPage {
    pub frame: Frame,
    pub heading: String,
    pub says: String,
    pub onward: Link,
}

/// Where records come in as files.
pub fn load_files() -> Link {
    Link::new("Load files", "/yard/files")
}

/// What goes first, so that each file finds what it names.
pub const SHELF_FIRST: &str = "Load the sites first, then the parts; a receipt, a count or a file of the stock puts them on \
     the shelf.";
pub const ENGINES_FIRST: &str =
    "Load the sites first, then pools, models, boats and engines; their hours are entered here.";
