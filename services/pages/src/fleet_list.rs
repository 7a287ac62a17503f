//! Fleet: the engines, where they sit and what they have run.

use askama::Template;

use crate::form::{Choice, Column, Mark};
use crate::frame::{Frame, Link};

#[derive(Template)]
#[template(path = "fleet_list.html")]
pub struct FleetPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub find: String,
    pub pools: Vec<Choice>,
    pub columns: Vec<Column>,
    pub rows: Vec<EngineRow>,
    pub nothing: String,
    pub more: Option<Link>,
}

#[derive(Clone, Debug)]
pub struct EngineRow {
    pub engine: Link,
    pub mark: Option<Mark>,
    pub boat: String,
    pub model: String,
    pub pool: String,
    pub hours: String,
    pub read: String,
}
