//! pages.
