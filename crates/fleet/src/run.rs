//! The computations whose runs are kept.

use crate::word::words;

words! {
    pub enum RunKind {
        /// Due list.
        Due = "due",
        /// Parts demand.
        Forecast = "forecast",
        /// Lay-up or rotation plan.
        Plan = "plan",
        /// What to order.
        OrderAdvice = "order_advice",
        /// Hours model.
        Usage = "usage",
        /// Lives of parts.
        Life = "life",
        /// Records as they stood.
        Snapshot = "snapshot",
    }
}

words! {
    pub enum RunStatus {
        /// Asked for.
        Queued = "queued",
        /// At work.
        Running = "running",
        /// Finished; nothing about it changes any more.
        Done = "done",
        /// Finished without a result.
        Failed = "failed",
    }
}

words! {
    pub enum GoverningLimb {
        /// Hours.
        Hours = "hours",
        /// Months.
        Months = "months",
        /// Last done at an unknown time.
        Unknown = "unknown",
    }
}
