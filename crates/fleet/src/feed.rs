//! The kinds of calendar feeds.

use crate::word::words;

words! {
    pub enum FeedKind {
        /// All of a site.
        Site = "site",
        /// One bay.
        Bay = "bay",
        /// One person.
        Person = "person",
    }
}
