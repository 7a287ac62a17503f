//! tests.
