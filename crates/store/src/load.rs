//! Files into the store: each kind of `exchange::load`, in one transaction.
//!
//! A load reads its file in a stream, some thousand rows at a time: what the rows name is looked up
//! for all of them at once, what is on record is compared, what is new is written.
//!
//! Invariants: with any fault nothing is kept, unless the caller asked to leave faulty rows out; a
//! row that is on record with the same values changes nothing, one with other values is a fault that
//! shows both, so loading twice is loading once; a dry run does all of it and rolls back. Whatever
//! interrupts a load leaves the database as it was.

mod buying;
mod differences;
mod engines;
mod hire;
mod names;
mod parts;
mod programme;
mod readings;
mod shelf;
mod work;
mod yard;

use std::io::Read;

use chrono::{DateTime, Utc};
use exchange::load::{
    AbsenceRow, BayRow, BoatRow, BookingRow, CalendarDayRow, CalendarRow, CurrencyRateRow,
    EngineRow, FindingKindRow, FindingRow, FittingRow, HireRow, Kind, KitRow, LoadRow, ModelRow,
    OrderRow, PartRow, PersonRow, PoolMinimumRow, PoolRow, ProgrammeRow, ReadingRow, ReceiptRow,
    ServiceRow, SitePriceRow, SiteRow, StandstillRow, StockRow, SupersessionRow, SupplierRow,
    SupplierSeasonRow, TaskPartRow, TaskRow, TermRow, TestFigureRow, TorqueRow,
};
use exchange::table::{Faults, Limits, Placed, RowFault, Rows, Table};
use fleet::id::OrganisationId;
use serde::Serialize;

use crate::error::StoreError;
use crate::record::Author;
use crate::store::{Store, Transaction};
use names::{Lookup, Names, Needs};

/// A file's bytes, and what they are.
pub enum Input {
    /// CSV of any usual dialect.
    Text(Box<dyn Read + Send>),
    /// Newline-delimited JSON.
    Objects(Box<dyn Read + Send>),
    /// XLSX; the sheet may be left out where only one is filled in.
    Workbook { bytes: Vec<u8>, sheet: Option<String> },
}

/// What becomes of a file with faulty rows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FaultyRows {
    /// Nothing of it is kept.
    #[default]
    RefuseFile,
    /// The good rows are kept, the others listed.
    LeaveOut,
}

/// Whether a load that went well is kept.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Ending {
    #[default]
    Keep,
    /// All is done and then rolled back: a dry run.
    RollBack,
}

/// What to load, for whom, and how.
#[derive(Clone, Debug)]
pub struct LoadRequest {
    pub organisation: OrganisationId,
    /// Who loads it; `author.at` is the present, which nothing in the file may lie after.
    pub author: Author,
    pub kind: Kind,
    pub faulty: FaultyRows,
    pub ending: Ending,
}

/// What a load did.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LoadReport {
    pub kind: Kind,
    /// Rows read, faulty ones too.
    pub read: u64,
    /// Rows that were new; where nothing was kept, that would have been.
    pub added: u64,
    /// Rows that were on record already.
    pub unchanged: u64,
    pub faults: Faults,
    /// Whether what was added is on record now.
    pub kept: bool,
}

/// Loads a file. `progress` is told the number of rows read so far, now and then.
///
/// # Errors
/// Only of the database: what is wrong with the file is in the report.
pub async fn load(
    store: &Store,
    request: &LoadRequest,
    input: Input,
    progress: &mut (dyn FnMut(u64) + Send),
) -> Result<LoadReport, StoreError> {
    match request.kind {
        Kind::Calendars => run::<CalendarRow>(store, request, input, progress).await,
        Kind::CalendarDays => run::<CalendarDayRow>(store, request, input, progress).await,
        Kind::Sites => run::<SiteRow>(store, request, input, progress).await,
        Kind::SitePrices => run::<SitePriceRow>(store, request, input, progress).await,
        Kind::Bays => run::<BayRow>(store, request, input, progress).await,
        Kind::People => run::<PersonRow>(store, request, input, progress).await,
        Kind::Absences => run::<AbsenceRow>(store, request, input, progress).await,
        Kind::Pools => run::<PoolRow>(store, request, input, progress).await,
        Kind::PoolMinimums => run::<PoolMinimumRow>(store, request, input, progress).await,
        Kind::Boats => run::<BoatRow>(store, request, input, progress).await,
        Kind::Models => run::<ModelRow>(store, request, input, progress).await,
        Kind::Torques => run::<TorqueRow>(store, request, input, progress).await,
        Kind::TestFigures => run::<TestFigureRow>(store, request, input, progress).await,
        Kind::Engines => run::<EngineRow>(store, request, input, progress).await,
        Kind::Fittings => run::<FittingRow>(store, request, input, progress).await,
        Kind::Standstills => run::<StandstillRow>(store, request, input, progress).await,
        Kind::Readings => run::<ReadingRow>(store, request, input, progress).await,
        Kind::Bookings => run::<BookingRow>(store, request, input, progress).await,
        Kind::Hire => run::<HireRow>(store, request, input, progress).await,
        Kind::Parts => run::<PartRow>(store, request, input, progress).await,
        Kind::Kits => run::<KitRow>(store, request, input, progress).await,
        Kind::Supersessions => run::<SupersessionRow>(store, request, input, progress).await,
        Kind::Tasks => run::<TaskRow>(store, request, input, progress).await,
        Kind::Programme => run::<ProgrammeRow>(store, request, input, progress).await,
        Kind::TaskParts => run::<TaskPartRow>(store, request, input, progress).await,
        Kind::FindingKinds => run::<FindingKindRow>(store, request, input, progress).await,
        Kind::Services => run::<ServiceRow>(store, request, input, progress).await,
        Kind::Findings => run::<FindingRow>(store, request, input, progress).await,
        Kind::CurrencyRates => run::<CurrencyRateRow>(store, request, input, progress).await,
        Kind::Suppliers => run::<SupplierRow>(store, request, input, progress).await,
        Kind::SupplierSeasons => run::<SupplierSeasonRow>(store, request, input, progress).await,
        Kind::Terms => run::<TermRow>(store, request, input, progress).await,
        Kind::Orders => run::<OrderRow>(store, request, input, progress).await,
        Kind::Receipts => run::<ReceiptRow>(store, request, input, progress).await,
        Kind::Stock => run::<StockRow>(store, request, input, progress).await,
    }
}

/// Rows looked up, compared and written together.
const CHUNK: usize = 2_000;

/// How rows of a kind become records.
trait Loaded: LoadRow {
    /// What a row becomes: records that are written together.
    type Entry: Send;
    /// What is on record, and what of the file has been taken, as far as rows must be compared.
    type State: Send;
    /// What rows name, to be looked up.
    const NEEDS: &'static [Needs];
    /// Kinds whose rows name one another are taken whole.
    const CHUNK: usize = CHUNK;

    async fn begin(
        transaction: &Transaction,
        organisation: OrganisationId,
    ) -> Result<Self::State, StoreError>;

    /// Makes names of the file's own known to its other rows.
    fn announce(&self, _names: &mut Names) {}

    /// Looks up what the row names; `None` with a fault in `at`.
    fn entry(self, at: &mut Lookup<'_>) -> Option<Self::Entry>;

    /// Looks up what is on record beside these entries, where `begin` has not.
    async fn prepare(
        _transaction: &Transaction,
        _organisation: OrganisationId,
        _state: &mut Self::State,
        _entries: &[(u64, Self::Entry)],
    ) -> Result<(), StoreError> {
        Ok(())
    }

    fn judge(state: &mut Self::State, entry: &Self::Entry, at: &mut Lookup<'_>) -> Verdict;

    async fn write(
        transaction: &Transaction,
        organisation: OrganisationId,
        author: &Author,
        state: &mut Self::State,
        entries: Vec<Self::Entry>,
    ) -> Result<(), StoreError>;
}

/// What becomes of a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Verdict {
    New,
    Unchanged,
    /// Why has been noted.
    Refused,
}

/// Why a load's transaction rolls back.
enum RolledBack {
    Report(Box<LoadReport>),
    Failed(StoreError),
}

impl From<StoreError> for RolledBack {
    fn from(error: StoreError) -> Self {
        Self::Failed(error)
    }
}

async fn run<K: Loaded>(
    store: &Store,
    request: &LoadRequest,
    input: Input,
    progress: &mut (dyn FnMut(u64) + Send),
) -> Result<LoadReport, StoreError> {
    let (read, added, unchanged) = (0, 0, 0);
    let faults = Faults::none(Limits::default().faults);
    let mut report = LoadReport { kind: K::KIND, read, added, unchanged, faults, kept: false };
    let table = match open::<K>(input) {
        Ok(table) => table,
        Err(faults) => return Ok(LoadReport { faults, ..report }),
    };
    let sheet = table.sheet().map(str::to_owned);
    let now = request.author.at;
    let mut rows = table.rows(|row| K::parse(row, now));
    let work = async |transaction: &Transaction| {
        let mut load = Load::<K>::begin(transaction, request, sheet).await?;
        loop {
            let chunk = next_chunk::<K, _, _>(&mut rows, &mut report);
            if chunk.is_empty() {
                break;
            }
            if !load.take(transaction, chunk, &mut report).await? {
                return Err(RolledBack::Report(Box::new(report)));
            }
            progress(report.read);
        }
        let refused = request.faulty == FaultyRows::RefuseFile && !report.faults.is_empty();
        if refused || request.ending == Ending::RollBack {
            return Err(RolledBack::Report(Box::new(report)));
        }
        report.kept = true;
        Ok(report)
    };
    match store.write(work).await {
        Ok(report) => Ok(report),
        Err(RolledBack::Report(report)) => Ok(*report),
        Err(RolledBack::Failed(error)) => Err(error),
    }
}

fn open<K: Loaded>(input: Input) -> Result<Table<Box<dyn Read + Send>>, Faults> {
    match input {
        Input::Text(reader) => Table::open(reader, K::COLUMNS),
        Input::Objects(reader) => Ok(Table::open_objects(reader, K::COLUMNS)),
        Input::Workbook { bytes, sheet } => {
            Table::open_workbook(&bytes, sheet.as_deref(), K::COLUMNS)
        }
    }
}

/// The next good rows; faults of others go to the report.
fn next_chunk<K, R, F>(rows: &mut Rows<R, F>, report: &mut LoadReport) -> Vec<Placed<K>>
where
    K: Loaded,
    Rows<R, F>: Iterator<Item = Result<Placed<K>, Vec<RowFault>>>,
{
    let mut chunk = Vec::new();
    while chunk.len() < K::CHUNK {
        match rows.next() {
            None => break,
            Some(Ok(row)) => chunk.push(row),
            Some(Err(faults)) => {
                report.read += 1;
                report.faults.extend(faults);
            }
        }
    }
    report.read += chunk.len() as u64;
    chunk
}

/// A load under way.
struct Load<'a, K: Loaded> {
    organisation: OrganisationId,
    author: &'a Author,
    names: Names,
    state: K::State,
    sheet: Option<String>,
    refuses_file: bool,
}

impl<'a, K: Loaded> Load<'a, K> {
    async fn begin(
        transaction: &Transaction,
        request: &'a LoadRequest,
        sheet: Option<String>,
    ) -> Result<Self, StoreError> {
        let organisation = request.organisation;
        let names = Names::read(transaction, organisation, K::NEEDS).await?;
        let state = K::begin(transaction, organisation).await?;
        let refuses_file = request.faulty == FaultyRows::RefuseFile;
        Ok(Self { organisation, author: &request.author, names, state, sheet, refuses_file })
    }

    /// Takes rows; `false` where the database refused them, after which nothing more can be done in
    /// this transaction.
    async fn take(
        &mut self,
        transaction: &Transaction,
        chunk: Vec<Placed<K>>,
        report: &mut LoadReport,
    ) -> Result<bool, StoreError> {
        let (first, last) = (chunk[0].line, chunk[chunk.len() - 1].line);
        chunk.iter().for_each(|row| row.value.announce(&mut self.names));
        let mut entries = Vec::with_capacity(chunk.len());
        for row in chunk {
            let mut at = Lookup::new(&self.names, row.line, self.author.at);
            let entry = row.value.entry(&mut at);
            report.faults.extend(at.into_faults(self.sheet.as_deref()));
            entries.extend(entry.map(|entry| (row.line, entry)));
        }
        K::prepare(transaction, self.organisation, &mut self.state, &entries).await?;
        let mut fresh = Vec::with_capacity(entries.len());
        for (line, entry) in entries {
            let mut at = Lookup::new(&self.names, line, self.author.at);
            match K::judge(&mut self.state, &entry, &mut at) {
                Verdict::New => fresh.push(entry),
                Verdict::Unchanged => report.unchanged += 1,
                Verdict::Refused => {}
            }
            report.faults.extend(at.into_faults(self.sheet.as_deref()));
        }
        let added = fresh.len() as u64;
        let (organisation, author) = (self.organisation, self.author);
        match K::write(transaction, organisation, author, &mut self.state, fresh).await {
            Ok(()) => report.added += added,
            // A row names another of the file that has been refused, which the report tells already.
            Err(StoreError::Dangling { .. }) if self.refuses_file && !report.faults.is_empty() => {
                return Ok(false);
            }
            // Rules that only the database knows, and rows that came in beside this load.
            Err(
                error @ (StoreError::Taken { .. }
                | StoreError::Refused { .. }
                | StoreError::Dangling { .. }
                | StoreError::Broken { .. }),
            ) => {
                let message = format!("{error}; the row is one of lines {first} to {last}");
                report.faults.push(RowFault::of_row(first, error.rule(), message));
                return Ok(false);
            }
            Err(error) => return Err(error),
        }
        Ok(true)
    }
}

/// An instant of the load as a fresh record carries it.
fn recorded_at(author: &Author) -> DateTime<Utc> {
    crate::value::to_microseconds(author.at)
}
