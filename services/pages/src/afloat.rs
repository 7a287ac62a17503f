//! Afloat: what falls due, which boats are there, what is on hold.

use askama::Template;

use crate::chart::Picture;
use crate::chart::tide::Strip;
use crate::form::{Choice, Mark};
use crate::frame::{Frame, Link};

#[derive(Template)]
#[template(path = "afloat.html")]
pub struct AfloatPage {
    pub frame: Frame,
    pub heading: String,
    pub lead: String,
    pub paths: Vec<Link>,
    /// A sentence per pool and day that is short.
    pub thin_days: Vec<String>,
    /// The thing most people will do.
    pub act: Option<Link>,
    /// The chosen date as `2026-07-12`.
    pub by: String,
    pub pools: Vec<Choice>,
    pub sites: Vec<Choice>,
    pub nothing_due: String,
    pub band_says: String,
    pub rows: Vec<DueRow>,
    pub more: Option<Link>,
    pub unknown: Vec<UnknownRow>,
    pub unknown_lead: String,
    pub unknown_count: String,
    pub boats: Vec<PoolBoats>,
    pub held: Vec<HeldRow>,
}

/// One task of one engine that falls due.
#[derive(Clone, Debug)]
pub struct DueRow {
    pub engine: Link,
    pub task: String,
    pub mark: Option<Mark>,
    pub strip: Strip,
    /// Governing limb first.
    pub sentence: String,
    pub aside: String,
}

/// A task of which it is not known when it was last done.
#[derive(Clone, Debug)]
pub struct UnknownRow {
    pub engine: Link,
    pub task: String,
    pub by: String,
    pub why: String,
}

#[derive(Clone, Debug)]
pub struct PoolBoats {
    pub name: String,
    pub says: String,
    pub picture: Picture,
}

#[derive(Clone, Debug)]
pub struct HeldRow {
    pub engine: Link,
    pub sentence: String,
}
