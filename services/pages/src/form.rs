//! What forms and tables of several pages have in common.

/// One choice of a list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Choice {
    pub value: String,
    pub text: String,
    pub chosen: bool,
}

impl Choice {
    pub fn new(value: impl Into<String>, text: impl Into<String>) -> Self {
        Self { value: value.into(), text: text.into(), chosen: false }
    }
}

/// The choices with the one whose value is `chosen` marked.
pub fn choose(choices: impl IntoIterator<Item = Choice>, chosen: &str) -> Vec<Choice> {
    let mark = |c: Choice| Choice { chosen: c.value == chosen, ..c };
    choices.into_iter().map(mark).collect()
}

/// A word that asks for a person: soon, over, on hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mark {
    pub word: String,
    /// Class of the stylesheet: empty for soon, `stop`, or `plain`.
    pub class: &'static str,
}

impl Mark {
    pub fn soon(word: impl Into<String>) -> Self {
        Self { word: word.into(), class: "" }
    }

    pub fn stop(word: impl Into<String>) -> Self {
        Self { word: word.into(), class: "stop" }
    }

    pub fn plain(word: impl Into<String>) -> Self {
        Self { word: word.into(), class: "plain" }
    }
}

/// A field of a form: what was typed stays, and what is wrong with it stands beside it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Field {
    pub value: String,
    /// Empty when nothing is wrong.
    pub fault: String,
}

impl Field {
    pub fn of(value: impl Into<String>) -> Self {
        Self { value: value.into(), fault: String::new() }
    }

    pub fn wrong(&self) -> bool {
        !self.fault.is_empty()
    }
}

/// A name and what is on record for it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fact {
    pub name: String,
    pub value: String,
}

impl Fact {
    pub fn new(name: impl Into<String>, value: impl Into<String>) -> Self {
        Self { name: name.into(), value: value.into() }
    }
}

/// Something that a button does: a form of hidden fields.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Act {
    pub text: String,
    pub to: String,
    pub fields: Vec<(&'static str, String)>,
}

impl Act {
    pub fn new(text: impl Into<String>, to: impl Into<String>) -> Self {
        Self { text: text.into(), to: to.into(), fields: Vec::new() }
    }

    #[must_use]
    pub fn with(mut self, name: &'static str, value: impl ToString) -> Self {
        self.fields.push((name, value.to_string()));
        self
    }
}

/// The heading of a column that may sort.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Column {
    pub text: String,
    /// Numbers stand to the right.
    pub number: bool,
    /// Where to go to sort by it; empty where it does not sort.
    pub to: String,
    /// `ascending` or `descending` when the table is sorted by it.
    pub sorted: &'static str,
}
