//! Stores: the list of parts, with a search that finds one among many.

use askama::Template;

use crate::form::{Column, Mark};
use crate::frame::{Frame, Link};

#[derive(Template)]
#[template(path = "stores.html")]
pub struct StoresPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub find: String,
    pub columns: Vec<Column>,
    pub rows: Vec<PartRow>,
    pub nothing: String,
    pub more: Option<Link>,
}

#[derive(Clone, Debug)]
pub struct PartRow {
    pub part: Link,
    pub name: String,
    pub mark: Option<Mark>,
    pub on_hand: String,
    pub on_order: String,
    pub needed: String,
}
