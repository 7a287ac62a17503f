//! What every handler may use.

use std::sync::Arc;

use chrono::{DateTime, Utc};
use runs::outlook::Outlooks;
use store::Store;

/// Shared by all requests; nothing in it is a request's own.
#[derive(Clone)]
pub struct ApiState {
    pub store: Arc<Store>,
    /// Fleets as the latest due runs saw them.
    pub(crate) outlooks: Arc<Outlooks>,
}

impl ApiState {
    pub fn new(store: Arc<Store>) -> Self {
        Self { store, outlooks: Arc::default() }
    }

    /// The one place where the service asks the clock.
    pub fn now(&self) -> DateTime<Utc> {
        Utc::now()
    }
}
