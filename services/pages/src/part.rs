//! One part: what was used, what is expected and why, what is there, what to order.

use askama::Template;

use crate::chart::{Picture, Table};
use crate::form::Fact;
use crate::frame::Frame;

#[derive(Template)]
#[template(path = "part.html")]
pub struct PartPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    /// The decision first.
    pub decision: Vec<String>,
    pub fan: Option<Picture>,
    pub fan_says: String,
    pub no_forecast: String,
    pub reasons: Vec<String>,
    pub scores: Table,
    pub lines: Vec<String>,
    pub facts: Vec<Fact>,
    pub lots: Table,
}
