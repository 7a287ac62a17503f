//! ordering.
