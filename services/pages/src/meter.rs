//! A meter was swapped: two numbers.

use askama::Template;

use crate::form::Field;
use crate::frame::{Frame, Link};

#[derive(Template)]
#[template(path = "meter.html")]
pub struct MeterPage {
    pub frame: Frame,
    pub engine: Link,
    pub heading: String,
    pub lead: String,
    pub action: String,
    /// Where to go on afterwards.
    pub onward: String,
    pub old_hint: String,
    pub old_last: Field,
    pub new_first: Field,
    pub swapped_at: Field,
}
