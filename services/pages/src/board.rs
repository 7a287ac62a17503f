//! Hours from the board: one list in jetty order, the last value shown, a fall asked about at once.

use askama::Template;

use crate::form::{Choice, Field};
use crate::frame::{Frame, Link};

#[derive(Template)]
#[template(path = "board.html")]
pub struct BoardPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub sites: Vec<Choice>,
    pub site: String,
    pub read_at: Field,
    pub groups: Vec<Jetty>,
    pub nothing: String,
}

#[derive(Clone, Debug)]
pub struct Jetty {
    pub name: String,
    pub lines: Vec<BoardLine>,
}

/// One engine on the board.
#[derive(Clone, Debug)]
pub struct BoardLine {
    pub id: String,
    /// The boat, as written on the board.
    pub name: String,
    pub engine: String,
    pub field: Field,
    /// Asked about and not saved, rather than only unusual.
    pub refused: bool,
    /// It is unusual but possible: a tick keeps it.
    pub may_confirm: bool,
    /// The last reading, as the site writes hours.
    pub last: String,
    /// The same in decimal hours, for the script.
    pub last_h: String,
    /// The most that can have been gained since, in decimal hours.
    pub most_h: String,
    pub last_says: String,
    pub swap_to: String,
}
