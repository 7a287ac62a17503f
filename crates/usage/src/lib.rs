//! usage.
