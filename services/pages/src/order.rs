//! What to order, by supplier, with the reason of each line.

use askama::Template;

use crate::form::Mark;
use crate::frame::{Frame, Link};

#[derive(Template)]
#[template(path = "order.html")]
pub struct OrderPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    pub suppliers: Vec<SupplierLines>,
    pub nothing: String,
    pub uncovered: Vec<String>,
}

#[derive(Clone, Debug)]
pub struct SupplierLines {
    pub name: String,
    pub says: String,
    pub lines: Vec<AdviceLine>,
    pub total: String,
}

#[derive(Clone, Debug)]
pub struct AdviceLine {
    pub part: Link,
    pub name: String,
    pub quantity: String,
    pub by: String,
    pub mark: Option<Mark>,
    pub money: String,
    pub why: String,
}
