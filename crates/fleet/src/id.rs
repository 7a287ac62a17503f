//! Identities. Each noun has a type of its own, so that two ids can't be swapped.
//!
//! Invariant: a new id is a UUID version 7 (RFC 9562), so ids sort by the time of their making.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

macro_rules! identities {
    ($($(#[$doc:meta])* $name:ident),+ $(,)?) => {$(
        $(#[$doc])*
        #[derive(
            Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
        )]
        #[serde(transparent)]
        pub struct $name(pub Uuid);

        impl $name {
            /// A fresh id, later than all made before it on this machine.
            pub fn fresh() -> Self {
                Self(Uuid::now_v7())
            }
        }

        impl From<Uuid> for $name {
            fn from(id: Uuid) -> Self {
                Self(id)
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                self.0.fmt(out)
            }
        }

        impl std::str::FromStr for $name {
            type Err = uuid::Error;
            fn from_str(text: &str) -> Result<Self, Self::Err> {
                text.parse().map(Self)
            }
        }
    )+};
}

identities! {
    /// Whose rows they are.
    OrganisationId,
    /// A yard or hire station with its own zone and calendar.
    SiteId,
    PersonId,
    /// An engine model of a maker, in one printing of its manual.
    ModelId,
    /// Engines that can stand in for one another on hire.
    PoolId,
    BoatId,
    EngineId,
    FittingId,
    BookingId,
    MeterId,
    ReadingId,
    TaskId,
    IntervalId,
    ServiceId,
    FindingId,
    HoldId,
    JobId,
    PartId,
    KitId,
    SupplierId,
    TermId,
    LotId,
    StockMoveId,
    ReservationId,
    OrderId,
    OrderLineId,
    ReceiptId,
    PlanId,
    RunId,
    /// A row of a run's result.
    RunRowId,
    AbsenceId,
    BayClosureId,
    BayId,
    CalendarDayId,
    CalendarId,
    CheckItemId,
    CurrencyRateId,
    FeedId,
    FindingKindId,
    GearcaseTestId,
    HireCheckId,
    HireId,
    InvoiceLineId,
    JobPartId,
    JobTaskId,
    KitLineId,
    LeadTimeId,
    PersonSkillId,
    PoolMinimumId,
    PoolStayId,
    ReceiptLineId,
    ServicePartId,
    SessionId,
    SitePriceId,
    SkillId,
    StandstillId,
    StockLevelId,
    SupersessionId,
    SupplierSeasonId,
    TaskLinkId,
    TaskPartId,
    TermBreakId,
    TestFigureId,
    TokenId,
    TorqueId,
    VisitId,
    VisitTaskId,
}
