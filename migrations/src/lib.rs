//! migrations.
