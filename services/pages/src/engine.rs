//! One engine: holds first, then what falls due, hours, findings, services, readings.

use askama::Template;

use crate::afloat::DueRow;
use crate::chart::Picture;
use crate::form::{Fact, Mark};
use crate::frame::{Frame, Link};

#[derive(Template)]
#[template(path = "engine.html")]
pub struct EnginePage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub holds: Vec<HoldLine>,
    pub acts: Vec<Link>,
    pub due: Vec<DueRow>,
    pub nothing_due: String,
    pub picture: Picture,
    pub usage_says: String,
    pub findings: Vec<FindingLine>,
    pub services: Vec<String>,
    pub readings: Vec<ReadingRow>,
    pub facts: Vec<Fact>,
}

#[derive(Clone, Debug)]
pub struct HoldLine {
    pub sentence: String,
    /// Where to clear it; empty for those who may not.
    pub clear_to: String,
}

#[derive(Clone, Debug)]
pub struct FindingLine {
    pub mark: Option<Mark>,
    pub sentence: String,
}

#[derive(Clone, Debug)]
pub struct ReadingRow {
    pub day: String,
    pub what: String,
    pub meter: String,
    pub life: String,
}
