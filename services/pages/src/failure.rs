//! Pages for what went wrong. They say what happened and what now, and never the cause of a fault
//! of ours: that is logged.

use askama::Template;

use crate::frame::{Frame, Link};

#[derive(Template)]
#[template(path = "failure.html")]
pub struct FailurePage {
    pub frame: Frame,
    pub heading: String,
    pub sentence: String,
    pub onward: Link,
}
