//! What every page has around it: head, rooms, who is here, and what just happened.

use crate::look;

/// The six rooms of the house.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Room {
    Afloat,
    LayUp,
    Bench,
    Stores,
    Fleet,
    Yard,
}

impl Room {
    /// Those that hold something real, in the order of the navigation.
    pub const BUILT: [Self; 6] =
        [Self::Afloat, Self::LayUp, Self::Bench, Self::Stores, Self::Fleet, Self::Yard];

    pub const fn name(self) -> &'static str {
        match self {
            Self::Afloat => "Afloat",
            Self::LayUp => "Lay-up",
            Self::Bench => "Bench",
            Self::Stores => "Stores",
            Self::Fleet => "Fleet",
            Self::Yard => "Yard",
        }
    }

    pub const fn path(self) -> &'static str {
        match self {
            Self::Afloat => "/afloat",
            Self::LayUp => "/lay-up",
            Self::Bench => "/bench",
            Self::Stores => "/stores",
            Self::Fleet => "/fleet",
            Self::Yard => "/yard",
        }
    }
}

/// A line of the navigation.
#[derive(Clone, Debug)]
pub struct Link {
    pub text: String,
    pub to: String,
    pub here: bool,
}

impl Link {
    pub fn new(text: impl Into<String>, to: impl Into<String>) -> Self {
        Self { text: text.into(), to: to.into(), here: false }
    }

    /// The same link as seen from the page at `path`: marked where it leads there.
    pub fn seen_from(self, path: &str) -> Self {
        Self { here: self.to == path, ..self }
    }
}

/// What just happened, to what, and what now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Notice {
    pub text: String,
    pub tone: Tone,
    /// Name of the form whose kept typing can now be dropped; empty for none.
    pub saved: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tone {
    Done,
    Wrong,
}

impl Notice {
    pub fn done(text: impl Into<String>) -> Self {
        Self { text: text.into(), tone: Tone::Done, saved: String::new() }
    }

    pub fn wrong(text: impl Into<String>) -> Self {
        Self { text: text.into(), tone: Tone::Wrong, saved: String::new() }
    }

    pub fn is_wrong(&self) -> bool {
        self.tone == Tone::Wrong
    }
}

/// Who is signed in, for the head of the page.
#[derive(Clone, Debug)]
pub struct Who {
    pub name: String,
    pub role: String,
    /// Proof that a form came from our own page.
    pub form_key: String,
}

/// The frame of one page.
#[derive(Clone, Debug)]
pub struct Frame {
    pub title: String,
    pub rooms: Vec<Link>,
    pub who: Option<Who>,
    pub notice: Option<Notice>,
    pub stylesheet: &'static str,
    pub script: &'static str,
}

impl Frame {
    /// The frame of a page in `room`, for somebody who is signed in.
    pub fn of(title: impl Into<String>, room: Room, who: Who) -> Self {
        let link = |r: Room| Link::new(r.name(), r.path()).seen_from(room.path());
        let rooms = Room::BUILT.into_iter().map(link).collect();
        Self { rooms, who: Some(who), ..Self::bare(title) }
    }

    /// The frame of a page that anybody may see.
    pub fn bare(title: impl Into<String>) -> Self {
        Self {
            title: title.into(),
            rooms: Vec::new(),
            who: None,
            notice: None,
            stylesheet: look::STYLESHEET.path,
            script: look::SCRIPT.path,
        }
    }

    pub fn with_notice(self, notice: Option<Notice>) -> Self {
        Self { notice, ..self }
    }

    /// The key that every form of this page carries.
    pub fn form_key(&self) -> &str {
        self.who.as_ref().map_or("", |who| &who.form_key)
    }
}
