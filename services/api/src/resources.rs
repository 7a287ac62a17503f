//! Every noun that is kept as it is given, without a rule of its own: how it looks over HTTP.
//!
//! Fields are listed by hand on both sides, so that a new column is a decision here and not an
//! accident.

mod bench;
mod boat;
mod engine;
mod finding;
mod hire;
mod order;
mod part;
mod person;
mod pool;
mod programme;
mod reading;
mod service;
mod site;
mod supplier;
mod visit;

pub use bench::{JobFields, JobPartFields, JobTaskFields};
pub use boat::FittingFields;
pub use finding::{FindingFields, HoldFields};

pub use hire::{HireCheckFields, HireFields};
pub use order::{InvoiceLineFields, OrderFields, OrderLineFields, ReceiptFields};
pub use part::{LotFields, PartFields, ReservationFields, StockMoveFields};
pub use programme::ProgrammeIntervalFields;
pub use reading::{MeterFields, ReadingFields};
pub use service::ServiceFields;
pub use visit::{PlanFields, VisitFields};

use crate::resource::Resources;

/// All of them, for the router and the document.
pub fn all() -> Resources {
    Resources::default()
        .changeable::<site::WorkCalendarFields>()
        .addable::<site::CalendarDayFields>()
        .changeable::<site::SiteFields>()
        .changeable::<site::SitePriceFields>()
        .addable::<site::CurrencyRateFields>()
        .changeable::<person::PersonFields>()
        .changeable::<person::SkillFields>()
        .addable::<person::PersonSkillFields>()
        .addable::<person::AbsenceFields>()
        .changeable::<person::BayFields>()
        .addable::<person::BayClosureFields>()
        .changeable::<engine::EngineModelFields>()
        .changeable::<engine::TorqueFields>()
        .changeable::<engine::TestFigureFields>()
        .changeable::<engine::EngineFields>()
        .readable::<engine::PoolStayFields>()
        .changeable::<engine::StandstillFields>()
        .changeable::<pool::PoolFields>()
        .changeable::<pool::PoolMinimumFields>()
        .changeable::<boat::BoatFields>()
        .readable::<boat::FittingFields>()
        .changeable::<hire::BookingFields>()
        .readable::<hire::HireFields>()
        .readable::<hire::HireCheckFields>()
        .readable::<hire::CheckItemFields>()
        .addable::<reading::MeterFields>()
        .readable::<reading::ReadingFields>()
        .changeable::<part::PartFields>()
        .changeable::<part::KitLineFields>()
        .changeable::<part::SupersessionFields>()
        .readable::<part::LotFields>()
        .readable::<part::StockMoveFields>()
        .readable::<part::StockLevelFields>()
        .readable::<part::ReservationFields>()
        .changeable::<supplier::SupplierFields>()
        .changeable::<supplier::SupplierSeasonFields>()
        .changeable::<supplier::TermFields>()
        .changeable::<supplier::TermBreakFields>()
        .changeable::<supplier::LeadTimeFields>()
        .changeable::<programme::TaskFields>()
        .changeable::<programme::TaskLinkFields>()
        .changeable::<programme::ProgrammeIntervalFields>()
        .changeable::<programme::TaskPartFields>()
        .changeable::<programme::FindingKindFields>()
        .readable::<finding::FindingFields>()
        .readable::<finding::HoldFields>()
        .readable::<bench::JobFields>()
        .readable::<bench::JobTaskFields>()
        .readable::<bench::JobPartFields>()
        .readable::<service::ServiceFields>()
        .readable::<service::ServicePartFields>()
        .readable::<service::GearcaseTestFields>()
        .readable::<visit::PlanFields>()
        .readable::<visit::VisitFields>()
        .readable::<visit::VisitTaskFields>()
        .readable::<order::OrderFields>()
        .readable::<order::OrderLineFields>()
        .readable::<order::ReceiptFields>()
        .readable::<order::ReceiptLineFields>()
        .readable::<order::InvoiceLineFields>()
}
