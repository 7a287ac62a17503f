//! life.
