//! Something was found on an engine; a safety finding holds it.

use askama::Template;

use crate::form::{Field, Mark};
use crate::frame::{Frame, Link};

#[derive(Template)]
#[template(path = "finding.html")]
pub struct FindingPage {
    pub frame: Frame,
    pub engine: Link,
    pub heading: String,
    pub lead: String,
    pub action: String,
    pub kinds: Vec<KindChoice>,
    pub kind: Field,
    pub note: Field,
    pub hold: bool,
}

#[derive(Clone, Debug)]
pub struct KindChoice {
    pub value: String,
    pub text: String,
    pub chosen: bool,
    pub mark: Option<Mark>,
    /// What is done about it.
    pub work: String,
}
