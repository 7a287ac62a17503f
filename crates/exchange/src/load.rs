//! The files a fleet is loaded from: for each kind its columns, an example, and what a row means.
//!
//! Rows carry natural keys (serial, part number, names): whoever has the database looks them up.
//! Rules here need no more than the row and the present time; the others are the database's.
//!
//! Invariant: every column is explained in the template, and every template's example is a row that
//! its kind accepts (tested for all).

mod buying;
mod checks;
mod engine;
mod hire;
mod part;
mod programme;
mod yard;

use std::str::FromStr;

use chrono::{DateTime, Utc};
use fleet::person::Role;
use serde::Serialize;

use crate::table::{Column, Presence, Refused, Row, TableWriter};

pub use buying::{OrderRow, ReceiptRow, StockRow, SupplierRow, SupplierSeasonRow, TermRow};
pub use engine::{
    EngineRow, FittingRow, ModelRow, ReadingRow, StandstillRow, TestFigureRow, TorqueRow,
};
pub use hire::{BoatRow, BookingRow, HireRow, PoolMinimumRow, PoolRow};
pub use part::{KitRow, PartRow, SupersessionRow};
pub use programme::{
    FindingKindRow, FindingRow, ModelName, ProgrammeRow, ServiceRow, TaskPartRow, TaskRow,
};
pub use yard::{
    AbsenceRow, BayRow, CalendarDayRow, CalendarRow, CurrencyRateRow, PersonRow, SitePriceRow,
    SiteRow,
};

/// A row of one kind of file.
pub trait LoadRow: Sized + Serialize + Send {
    const KIND: Kind;
    const COLUMNS: &'static [Column];
    /// An invented row, a field for each column.
    const EXAMPLE: &'static [&'static str];

    /// Reads a row; `now` tells what lies in the future.
    fn parse(row: &Row<'_>, now: DateTime<Utc>) -> Result<Self, Refused>;
}

/// What a file holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    Calendars,
    CalendarDays,
    Sites,
    SitePrices,
    Bays,
    People,
    Absences,
    Pools,
    PoolMinimums,
    Boats,
    Models,
    Torques,
    TestFigures,
    Engines,
    Fittings,
    Standstills,
    Readings,
    Bookings,
    Hire,
    Parts,
    Kits,
    Supersessions,
    Tasks,
    Programme,
    TaskParts,
    FindingKinds,
    Services,
    Findings,
    CurrencyRates,
    Suppliers,
    SupplierSeasons,
    Terms,
    Orders,
    Receipts,
    Stock,
}

/// A word that names no kind of file.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("\"{given}\" can't be loaded; write one of: {}", kind_names())]
pub struct UnknownKind {
    pub given: String,
}

impl UnknownKind {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        "kind-unknown"
    }
}

impl Kind {
    /// Every kind, each after those that its rows may name.
    pub const ALL: [Self; 35] = [
        Self::Calendars,
        Self::CalendarDays,
        Self::Sites,
        Self::SitePrices,
        Self::Bays,
        Self::People,
        Self::Absences,
        Self::Pools,
        Self::PoolMinimums,
        Self::Boats,
        Self::Models,
        Self::Torques,
        Self::TestFigures,
        Self::Engines,
        Self::Fittings,
        Self::Standstills,
        Self::Readings,
        Self::Bookings,
        Self::Hire,
        Self::Parts,
        Self::Kits,
        Self::Supersessions,
        Self::Tasks,
        Self::Programme,
        Self::TaskParts,
        Self::FindingKinds,
        Self::Services,
        Self::Findings,
        Self::CurrencyRates,
        Self::Suppliers,
        Self::SupplierSeasons,
        Self::Terms,
        Self::Orders,
        Self::Receipts,
        Self::Stock,
    ];

    /// The word for it on a command line or in an address.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Calendars => "calendars",
            Self::CalendarDays => "calendar-days",
            Self::Sites => "sites",
            Self::SitePrices => "site-prices",
            Self::Bays => "bays",
            Self::People => "people",
            Self::Absences => "absences",
            Self::Pools => "pools",
            Self::PoolMinimums => "pool-minimums",
            Self::Boats => "boats",
            Self::Models => "models",
            Self::Torques => "torques",
            Self::TestFigures => "test-figures",
            Self::Engines => "engines",
            Self::Fittings => "fittings",
            Self::Standstills => "standstills",
            Self::Readings => "readings",
            Self::Bookings => "bookings",
            Self::Hire => "hire",
            Self::Parts => "parts",
            Self::Kits => "kits",
            Self::Supersessions => "supersessions",
            Self::Tasks => "tasks",
            Self::Programme => "programme",
            Self::TaskParts => "task-parts",
            Self::FindingKinds => "finding-kinds",
            Self::Services => "services",
            Self::Findings => "findings",
            Self::CurrencyRates => "currency-rates",
            Self::Suppliers => "suppliers",
            Self::SupplierSeasons => "supplier-seasons",
            Self::Terms => "terms",
            Self::Orders => "orders",
            Self::Receipts => "receipts",
            Self::Stock => "stock",
        }
    }

    /// One line on what its file holds.
    pub const fn about(self) -> &'static str {
        match self {
            Self::Calendars => "working hours by weekday",
            Self::CalendarDays => "days on which a calendar differs from its week",
            Self::Sites => "yards and hire stations with time zone, calendar and season",
            Self::SitePrices => "what a day late, a failure or a boat short costs a site",
            Self::Bays => "places where one engine is worked on",
            Self::People => "people with role, skills and bench time",
            Self::Absences => "days on which somebody is away",
            Self::Pools => "engines that can stand in for one another on hire",
            Self::PoolMinimums => "boats that a pool should keep in service, by days",
            Self::Boats => "boats by name, with pool and place on the jetty",
            Self::Models => "engine models with oils, fuel and the source of each figure",
            Self::Torques => "how tight a model's fasteners are, each with its source",
            Self::TestFigures => "what a model's tests are done at, each with its source",
            Self::Engines => "outboards by serial, with model and pool",
            Self::Fittings => "which engine sat on which boat, from when to when",
            Self::Standstills => "days on which engines are known to stand still",
            Self::Readings => "what hour meters showed, and meter swaps",
            Self::Bookings => "boats wanted, by pool and time",
            Self::Hire => "boats out on hire, from when to when",
            Self::Parts => "parts, kits and fluids by number",
            Self::Kits => "what a kit holds, a row for each part in it",
            Self::Supersessions => "part numbers that stand in for others",
            Self::Tasks => "what is done to an engine, how long it takes, what it includes",
            Self::Programme => "when tasks fall due on a model, with source and parts",
            Self::TaskParts => "the parts that a task uses, a row for each",
            Self::FindingKinds => "what can be found on an engine and what it calls for",
            Self::Services => "tasks done on engines, with the parts used",
            Self::Findings => "what was found on engines",
            Self::CurrencyRates => "what a currency was worth in another on a day",
            Self::Suppliers => "whoever parts are bought from",
            Self::SupplierSeasons => "a supplier's pre-season windows",
            Self::Terms => "on which terms a supplier sells a part",
            Self::Orders => "orders, a row for each part ordered",
            Self::Receipts => "what orders delivered; a record only, the shelf is loaded as stock",
            Self::Stock => "what was counted on the shelf",
        }
    }

    /// Who may load it.
    pub const fn role(self) -> Role {
        match self {
            Self::Calendars
            | Self::CalendarDays
            | Self::Sites
            | Self::SitePrices
            | Self::CurrencyRates
            | Self::People => Role::Owner,
            Self::Readings | Self::Hire | Self::Services | Self::Findings => Role::Technician,
            Self::Parts
            | Self::Kits
            | Self::Supersessions
            | Self::Suppliers
            | Self::SupplierSeasons
            | Self::Terms
            | Self::Orders
            | Self::Receipts
            | Self::Stock => Role::Buyer,
            Self::Bays
            | Self::Absences
            | Self::Pools
            | Self::PoolMinimums
            | Self::Boats
            | Self::Models
            | Self::Torques
            | Self::TestFigures
            | Self::Engines
            | Self::Fittings
            | Self::Standstills
            | Self::Bookings
            | Self::Tasks
            | Self::Programme
            | Self::TaskParts
            | Self::FindingKinds => Role::Planner,
        }
    }

    pub const fn columns(self) -> &'static [Column] {
        self.shape().0
    }

    /// An invented row, a field for each column.
    pub const fn example(self) -> &'static [&'static str] {
        self.shape().1
    }

    /// The file to fill in: each column explained, an example, the header.
    ///
    /// The example is a comment like the explanations, so that nobody loads it by forgetting it.
    pub fn template(self) -> String {
        let mut text = format!("# {}: {}.\n", self.name(), self.about());
        text.push_str("# Dates are YYYY-MM-DD. Lines above the header that begin with # are passed over.\n#\n");
        for column in self.columns() {
            let optional = match column.presence {
                Presence::Required => "",
                Presence::Optional => " (may be left out)",
            };
            text.push_str(&format!("# {}{optional}: {}\n", column.name, column.about));
        }
        text.push_str(&format!("#\n# Example: {}\n", line(self.example())));
        let names: Vec<_> = self.columns().iter().map(|column| column.name).collect();
        text.push_str(&line(&names));
        text.push('\n');
        text
    }

    const fn shape(self) -> (&'static [Column], &'static [&'static str]) {
        const fn of<T: LoadRow>() -> (&'static [Column], &'static [&'static str]) {
            (T::COLUMNS, T::EXAMPLE)
        }
        match self {
            Self::Calendars => of::<CalendarRow>(),
            Self::CalendarDays => of::<CalendarDayRow>(),
            Self::Sites => of::<SiteRow>(),
            Self::SitePrices => of::<SitePriceRow>(),
            Self::Bays => of::<BayRow>(),
            Self::People => of::<PersonRow>(),
            Self::Absences => of::<AbsenceRow>(),
            Self::Pools => of::<PoolRow>(),
            Self::PoolMinimums => of::<PoolMinimumRow>(),
            Self::Boats => of::<BoatRow>(),
            Self::Models => of::<ModelRow>(),
            Self::Torques => of::<TorqueRow>(),
            Self::TestFigures => of::<TestFigureRow>(),
            Self::Engines => of::<EngineRow>(),
            Self::Fittings => of::<FittingRow>(),
            Self::Standstills => of::<StandstillRow>(),
            Self::Readings => of::<ReadingRow>(),
            Self::Bookings => of::<BookingRow>(),
            Self::Hire => of::<HireRow>(),
            Self::Parts => of::<PartRow>(),
            Self::Kits => of::<KitRow>(),
            Self::Supersessions => of::<SupersessionRow>(),
            Self::Tasks => of::<TaskRow>(),
            Self::Programme => of::<ProgrammeRow>(),
            Self::TaskParts => of::<TaskPartRow>(),
            Self::FindingKinds => of::<FindingKindRow>(),
            Self::Services => of::<ServiceRow>(),
            Self::Findings => of::<FindingRow>(),
            Self::CurrencyRates => of::<CurrencyRateRow>(),
            Self::Suppliers => of::<SupplierRow>(),
            Self::SupplierSeasons => of::<SupplierSeasonRow>(),
            Self::Terms => of::<TermRow>(),
            Self::Orders => of::<OrderRow>(),
            Self::Receipts => of::<ReceiptRow>(),
            Self::Stock => of::<StockRow>(),
        }
    }
}

impl FromStr for Kind {
    type Err = UnknownKind;

    fn from_str(text: &str) -> Result<Self, UnknownKind> {
        let found = Self::ALL.into_iter().find(|kind| kind.name() == text);
        found.ok_or_else(|| UnknownKind { given: text.to_owned() })
    }
}

impl std::fmt::Display for Kind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name())
    }
}

fn kind_names() -> String {
    Kind::ALL.map(Kind::name).join(", ")
}

/// Fields as a line of CSV. Writing to memory does not fail.
fn line(fields: &[&str]) -> String {
    let written = TableWriter::new(Vec::new(), fields).and_then(TableWriter::finish);
    let text = written.ok().and_then(|bytes| String::from_utf8(bytes).ok()).unwrap_or_default();
    text.trim_end().to_owned()
}

#[cfg(test)]
mod tests;
