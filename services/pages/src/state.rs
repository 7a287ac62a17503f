//! What every page may use.

use std::sync::Arc;

use chrono::{DateTime, Utc};
use runs::outlook::Outlooks;
use store::Store;

use crate::attempts::Attempts;
use crate::files::Uploads;

/// How cookies travel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cookies {
    /// Only over TLS: whatever can be reached from another machine.
    Secure,
    /// Also without: for plain HTTP on loopback.
    Loopback,
}

/// Shared by all requests; nothing in it is a request's own.
#[derive(Clone)]
pub struct PagesState {
    pub store: Arc<Store>,
    pub cookies: Cookies,
    clock: Clock,
    pub(crate) outlooks: Arc<Outlooks>,
    pub(crate) attempts: Arc<Attempts>,
    pub(crate) uploads: Arc<Uploads>,
}

type Clock = Arc<dyn Fn() -> DateTime<Utc> + Send + Sync>;

impl PagesState {
    pub fn new(store: Arc<Store>, cookies: Cookies) -> Self {
        Self {
            store,
            cookies,
            clock: Arc::new(Utc::now),
            outlooks: Arc::default(),
            attempts: Arc::default(),
            uploads: Arc::default(),
        }
    }

    /// The same with another clock: a demo may stand at the last day of its records.
    pub fn with_clock(self, clock: impl Fn() -> DateTime<Utc> + Send + Sync + 'static) -> Self {
        Self { clock: Arc::new(clock), ..self }
    }

    /// The one place where the pages ask the clock.
    pub fn now(&self) -> DateTime<Utc> {
        (self.clock)()
    }
}
