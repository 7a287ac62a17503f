//! demand.
