//! Everything that the computations start from, as plain values: one consistent view of one
//! organisation.

use chrono::{DateTime, Utc};
use fleet::bench::{Job, JobPart, JobTask};
use fleet::boat::{Boat, Fitting};
use fleet::engine::{Engine, EngineModel, PoolStay, Standstill};
use fleet::finding::{Finding, Hold};
use fleet::hire::{Booking, Hire};
use fleet::id::OrganisationId;
use fleet::order::{Order, OrderLine, Receipt, ReceiptLine};
use fleet::part::{KitLine, Lot, Part, Reservation, StockLevel, Supersession};
use fleet::person::{Absence, Bay, BayClosure, Person, PersonSkill, Skill};
use fleet::pool::{Pool, PoolMinimum};
use fleet::programme::{FindingKind, ProgrammeInterval, Task, TaskLink, TaskPart};
use fleet::reading::{Meter, Reading};
use fleet::service::{Service, ServicePart};
use fleet::site::{CalendarDay, CurrencyRate, Site, SitePrice, WorkCalendar};
use fleet::supplier::{LeadTime, Supplier, SupplierSeason, Term, TermBreak};
use fleet::visit::{Plan, Visit, VisitTask};
use serde::Serialize;
use sha2::{Digest as _, Sha256};

use crate::error::StoreError;
use crate::record::{self, Record};
use crate::stock::{self, LotLevel};
use crate::{Store, Transaction};

/// The records of an organisation at one moment. Each list is in the order of its ids.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Snapshot {
    pub organisation: OrganisationId,
    pub taken_at: DateTime<Utc>,
    pub yard: Yard,
    pub fleet: Fleet,
    pub programme: Programme,
    pub work: Work,
    pub stores: Stores,
}

/// Sites, people and when they work.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Yard {
    pub sites: Vec<Site>,
    pub prices: Vec<SitePrice>,
    pub calendars: Vec<WorkCalendar>,
    pub calendar_days: Vec<CalendarDay>,
    pub rates: Vec<CurrencyRate>,
    pub people: Vec<Person>,
    pub skills: Vec<Skill>,
    pub person_skills: Vec<PersonSkill>,
    pub absences: Vec<Absence>,
    pub bays: Vec<Bay>,
    pub bay_closures: Vec<BayClosure>,
}

/// Engines and boats, their hours and their hire.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Fleet {
    pub models: Vec<EngineModel>,
    pub pools: Vec<Pool>,
    pub pool_minimums: Vec<PoolMinimum>,
    pub engines: Vec<Engine>,
    pub pool_stays: Vec<PoolStay>,
    pub standstills: Vec<Standstill>,
    pub boats: Vec<Boat>,
    pub fittings: Vec<Fitting>,
    pub bookings: Vec<Booking>,
    pub hires: Vec<Hire>,
    pub meters: Vec<Meter>,
    pub readings: Vec<Reading>,
}

/// What is due when, and what it needs.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Programme {
    pub tasks: Vec<Task>,
    pub task_links: Vec<TaskLink>,
    pub intervals: Vec<ProgrammeInterval>,
    pub task_parts: Vec<TaskPart>,
    pub finding_kinds: Vec<FindingKind>,
}

/// What was found, done and planned.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Work {
    pub findings: Vec<Finding>,
    pub holds: Vec<Hold>,
    pub jobs: Vec<Job>,
    pub job_tasks: Vec<JobTask>,
    pub job_parts: Vec<JobPart>,
    pub services: Vec<Service>,
    pub service_parts: Vec<ServicePart>,
    pub plans: Vec<Plan>,
    pub visits: Vec<Visit>,
    pub visit_tasks: Vec<VisitTask>,
}

/// Parts, what is there of them, and on which terms more can be had.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Stores {
    pub parts: Vec<Part>,
    pub kit_lines: Vec<KitLine>,
    pub supersessions: Vec<Supersession>,
    pub suppliers: Vec<Supplier>,
    pub supplier_seasons: Vec<SupplierSeason>,
    pub terms: Vec<Term>,
    pub term_breaks: Vec<TermBreak>,
    pub lead_times: Vec<LeadTime>,
    /// Each with its last good day, where anything tells it.
    pub lots: Vec<Lot>,
    pub stock_levels: Vec<StockLevel>,
    pub lot_levels: Vec<LotLevel>,
    pub reservations: Vec<Reservation>,
    pub orders: Vec<Order>,
    pub order_lines: Vec<OrderLine>,
    pub receipts: Vec<Receipt>,
    pub receipt_lines: Vec<ReceiptLine>,
}

/// Takes a snapshot in a transaction of its own.
pub async fn take(
    store: &Store,
    organisation: OrganisationId,
    now: DateTime<Utc>,
) -> Result<Snapshot, StoreError> {
    store.read(async |transaction: &Transaction| within(transaction, organisation, now).await).await
}

/// Takes a snapshot whose long lists are empty: hires, readings, parts used at services. Most of a
/// snapshot's rows are in them, and whoever has the fleet's hours fitted already needs none.
pub async fn take_without_logs(
    store: &Store,
    organisation: OrganisationId,
    now: DateTime<Utc>,
) -> Result<Snapshot, StoreError> {
    let read = async |tx: &Transaction| read(tx, organisation, now, Logs::LeftOut).await;
    store.read(read).await
}

/// Takes a snapshot within a transaction.
pub async fn within(
    transaction: &Transaction,
    organisation: OrganisationId,
    now: DateTime<Utc>,
) -> Result<Snapshot, StoreError> {
    read(transaction, organisation, now, Logs::Read).await
}

/// What becomes of the long lists.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Logs {
    Read,
    LeftOut,
}

impl Logs {
    async fn of<R: Record>(
        self,
        tx: &Transaction,
        of: OrganisationId,
    ) -> Result<Vec<R>, StoreError> {
        match self {
            Self::Read => record::all(tx, of).await,
            Self::LeftOut => Ok(Vec::new()),
        }
    }
}

async fn read(
    transaction: &Transaction,
    organisation: OrganisationId,
    now: DateTime<Utc>,
    logs: Logs,
) -> Result<Snapshot, StoreError> {
    Ok(Snapshot {
        organisation,
        taken_at: now,
        yard: yard(transaction, organisation).await?,
        fleet: fleet(transaction, organisation, logs).await?,
        programme: programme(transaction, organisation).await?,
        work: work(transaction, organisation, logs).await?,
        stores: stores(transaction, organisation).await?,
    })
}

impl Snapshot {
    /// SHA-256 of the records, without the moment: equal records, equal digest.
    pub fn digest(&self) -> Vec<u8> {
        let mut sink = Sink(Sha256::new());
        let Self { organisation, taken_at: _, yard, fleet, programme, work, stores } = self;
        let records = (organisation, yard, fleet, programme, work, stores);
        serde_json::to_writer(&mut sink, &records).expect("plain values become JSON");
        sink.0.finalize().to_vec()
    }
}

/// Hashes what is written to it, so that the text never stands in memory.
struct Sink(Sha256);

impl std::io::Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

async fn yard(tx: &Transaction, of: OrganisationId) -> Result<Yard, StoreError> {
    Ok(Yard {
        sites: record::all(tx, of).await?,
        prices: record::all(tx, of).await?,
        calendars: record::all(tx, of).await?,
        calendar_days: record::all(tx, of).await?,
        rates: record::all(tx, of).await?,
        people: record::all(tx, of).await?,
        skills: record::all(tx, of).await?,
        person_skills: record::all(tx, of).await?,
        absences: record::all(tx, of).await?,
        bays: record::all(tx, of).await?,
        bay_closures: record::all(tx, of).await?,
    })
}

async fn fleet(tx: &Transaction, of: OrganisationId, logs: Logs) -> Result<Fleet, StoreError> {
    Ok(Fleet {
        models: record::all(tx, of).await?,
        pools: record::all(tx, of).await?,
        pool_minimums: record::all(tx, of).await?,
        engines: record::all(tx, of).await?,
        pool_stays: record::all(tx, of).await?,
        standstills: record::all(tx, of).await?,
        boats: record::all(tx, of).await?,
        fittings: record::all(tx, of).await?,
        bookings: record::all(tx, of).await?,
        hires: logs.of(tx, of).await?,
        meters: record::all(tx, of).await?,
        readings: logs.of(tx, of).await?,
    })
}

async fn programme(tx: &Transaction, of: OrganisationId) -> Result<Programme, StoreError> {
    Ok(Programme {
        tasks: record::all(tx, of).await?,
        task_links: record::all(tx, of).await?,
        intervals: record::all(tx, of).await?,
        task_parts: record::all(tx, of).await?,
        finding_kinds: record::all(tx, of).await?,
    })
}

async fn work(tx: &Transaction, of: OrganisationId, logs: Logs) -> Result<Work, StoreError> {
    Ok(Work {
        findings: record::all(tx, of).await?,
        holds: record::all(tx, of).await?,
        jobs: record::all(tx, of).await?,
        job_tasks: record::all(tx, of).await?,
        job_parts: record::all(tx, of).await?,
        services: record::all(tx, of).await?,
        service_parts: logs.of(tx, of).await?,
        plans: record::all(tx, of).await?,
        visits: record::all(tx, of).await?,
        visit_tasks: record::all(tx, of).await?,
    })
}

async fn stores(tx: &Transaction, of: OrganisationId) -> Result<Stores, StoreError> {
    let parts: Vec<Part> = record::all(tx, of).await?;
    let lots = stock::aged(record::all(tx, of).await?, &parts);
    Ok(Stores {
        parts,
        kit_lines: record::all(tx, of).await?,
        supersessions: record::all(tx, of).await?,
        suppliers: record::all(tx, of).await?,
        supplier_seasons: record::all(tx, of).await?,
        terms: record::all(tx, of).await?,
        term_breaks: record::all(tx, of).await?,
        lead_times: record::all(tx, of).await?,
        lots,
        stock_levels: record::all(tx, of).await?,
        lot_levels: stock::lot_levels(tx, of).await?,
        reservations: record::all(tx, of).await?,
        orders: record::all(tx, of).await?,
        order_lines: record::all(tx, of).await?,
        receipts: record::all(tx, of).await?,
        receipt_lines: record::all(tx, of).await?,
    })
}
