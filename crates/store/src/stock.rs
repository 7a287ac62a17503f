//! The ledger of what is on the shelf.
//!
//! Invariants: a level is the sum of its moves, and both change in one transaction; what is reserved
//! is on hand, so the same piece is never promised twice, however many ask at once. Moves are never
//! changed or removed.

mod history;
mod moves;
mod promise;
mod shelf;
mod to_job;

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use fleet::change::ChangeKind;
use fleet::id::{JobId, LotId, OrganisationId, PartId, ReservationId, SiteId, StockLevelId};
use fleet::part::{Part, Reservation, ReservationStatus, StockLevel, StockMove};
use sea_orm::sea_query::{Expr, ExprTrait as _, OnConflict};
use sea_orm::{
    ColumnTrait as _, ConnectionTrait, EntityTrait as _, IntoActiveModel as _, QueryFilter as _,
    QueryOrder as _, QuerySelect as _, Set, prelude::Uuid,
};
use serde::Serialize;

use crate::Transaction;
use crate::entity::{reservations, stock_levels, stock_moves};
use crate::error::StoreError;
use crate::history::{self as changes, Change};
use crate::record::{self, Author, Record as _};
use crate::value::to_microseconds;

pub use history::{ShelfRow, at, moves_of};
pub use moves::{At, Booked, NewLot, Order, Wish, carry_out};
pub use promise::{ForJob, Promised, Wanted, give_back, lock, promise, promise_anew, wants};
pub(crate) use shelf::aged;
pub use shelf::{Shelf, aged_lots, held_of, lot_of, outstanding, shelves, without_lot};
pub use to_job::{issue, issued_to, let_go, person_behind};

/// What is there of parts, at every site.
pub async fn levels(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    parts: &[PartId],
) -> Result<Vec<StockLevel>, StoreError> {
    let keys: Vec<_> = parts.iter().map(|id| id.0).collect();
    record::by_column(connection, organisation, stock_levels::Column::PartId, &keys).await
}

/// What was there at a moment: pieces by part and site.
pub async fn levels_at(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    at: DateTime<Utc>,
) -> Result<BTreeMap<(PartId, SiteId), i64>, StoreError> {
    // Moves are added up here: PostgreSQL adds 64-bit numbers up to a decimal, SQLite does not.
    let moves: Vec<(Uuid, Uuid, i64)> = stock_moves::Entity::find()
        .filter(stock_moves::Column::OrganisationId.eq(organisation.0))
        .filter(stock_moves::Column::MovedAt.lte(to_microseconds(at)))
        .select_only()
        .columns([
            stock_moves::Column::PartId,
            stock_moves::Column::SiteId,
            stock_moves::Column::Quantity,
        ])
        .into_tuple()
        .all(connection)
        .await?;
    let mut levels = BTreeMap::new();
    for (part, site, quantity) in moves {
        *levels.entry((PartId(part), SiteId(site))).or_insert(0) += quantity;
    }
    Ok(levels)
}

/// Books moves and brings the levels up to date.
///
/// # Errors
/// `stock-below-zero` where more would leave than is there, unless every move of that part off the
/// shelf names a person and a reason; `stock-promised` where it is there, but promised to a job.
pub async fn book(
    transaction: &Transaction,
    organisation: OrganisationId,
    moves: &[StockMove],
) -> Result<(), StoreError> {
    book_as(transaction, organisation, Vouch::ByMove, moves).await
}

/// Who answers for more leaving a shelf than is free there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Vouch {
    Nobody,
    /// The person that each move names with a reason.
    ByMove,
    /// A count: what is there is there, whoever was promised it.
    Counted,
}

impl Vouch {
    fn covers(self, moves: &[&StockMove]) -> bool {
        let mut off = moves.iter().filter(|one| one.quantity < 0);
        match self {
            Self::Nobody => false,
            Self::ByMove => off.all(|one| one.moved_by.is_some() && one.reason.is_some()),
            Self::Counted => true,
        }
    }
}

pub(crate) async fn book_as(
    transaction: &Transaction,
    organisation: OrganisationId,
    vouch: Vouch,
    moves: &[StockMove],
) -> Result<(), StoreError> {
    let mut by_place: BTreeMap<(PartId, SiteId), Vec<&StockMove>> = BTreeMap::new();
    for one in moves {
        by_place.entry((one.part, one.site)).or_default().push(one);
    }
    let places: Vec<(PartId, SiteId)> = by_place.keys().copied().collect();
    let mut levels = lock_levels(transaction, organisation, &places).await?;
    for (place, moves) in &by_place {
        let level = levels.get_mut(place).ok_or(StoreError::Missing { noun: StockLevel::NOUN })?;
        let before = level.on_hand;
        level.on_hand += moves.iter().map(|one| one.quantity).sum::<i64>();
        if level.on_hand >= before {
            continue;
        }
        let vouched = vouch.covers(moves);
        if level.on_hand < 0 && !vouched {
            let few = (before, before - level.on_hand);
            return Err(too_few(transaction, organisation, "stock-below-zero", place.0, few).await);
        }
        if level.on_hand < level.reserved && !vouched {
            let few = (before - level.reserved, before - level.on_hand);
            return Err(too_few(transaction, organisation, "stock-promised", place.0, few).await);
        }
    }
    check_lots(transaction, organisation, vouch, moves).await?;
    record::append(transaction, organisation, moves).await?;
    keep_levels(transaction, organisation, levels.values()).await
}

/// Keeps where a part lies at a site; an empty text: nowhere that is known.
pub async fn keep_bin(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    (part, site): (PartId, SiteId),
    bin: &str,
) -> Result<(), StoreError> {
    let mut levels = lock_levels(transaction, organisation, &[(part, site)]).await?;
    let Some(level) = levels.get_mut(&(part, site)) else { return Ok(()) };
    let before = level.clone();
    level.bin = Some(bin.trim().to_owned()).filter(|bin| !bin.is_empty());
    if *level == before {
        return Ok(());
    }
    let change = Change {
        noun: StockLevel::NOUN,
        entity: before.id.0,
        kind: ChangeKind::Changed,
        before: changes::values(&before),
        after: changes::values(level),
    };
    keep_levels(transaction, organisation, levels.values()).await?;
    changes::append(transaction, organisation, who, &[change]).await
}

/// A lot never falls below zero, and what is promised of it leaves for its job only. What lies
/// without a lot may: its pieces are then taken to have come out of a lot.
async fn check_lots(
    transaction: &Transaction,
    organisation: OrganisationId,
    vouch: Vouch,
    moves: &[StockMove],
) -> Result<(), StoreError> {
    let mut by_lot: BTreeMap<(SiteId, PartId, LotId), Vec<&StockMove>> = BTreeMap::new();
    for one in moves {
        if let Some(lot) = one.lot {
            by_lot.entry((one.site, one.part, lot)).or_default().push(one);
        }
    }
    for ((site, part, lot), moves) in by_lot {
        let change: i64 = moves.iter().map(|one| one.quantity).sum();
        if change >= 0 || vouch.covers(&moves) {
            continue;
        }
        let shelves = shelves(transaction, organisation, site, &[part]).await?;
        let shelf = shelves.get(&part).map_or(&[][..], Vec::as_slice);
        let there = shelf.iter().find(|one| one.lot.id == lot);
        let (on_hand, free) =
            there.map_or((0, 0), |one| (i64::from(one.on_hand), i64::from(one.free())));
        if on_hand + change < 0 {
            let few = (on_hand, -change);
            return Err(too_few(transaction, organisation, "stock-below-zero", part, few).await);
        }
        if free + change < 0 {
            let few = (free, -change);
            return Err(too_few(transaction, organisation, "stock-promised", part, few).await);
        }
    }
    Ok(())
}

/// Ends a promise: the pieces are free again, or (`Issued`) about to be booked off to the job.
///
/// # Errors
/// `reservation-ended` where it does not hold any more.
pub async fn end_reservation(
    transaction: &Transaction,
    organisation: OrganisationId,
    author: &Author,
    reservation: ReservationId,
    status: ReservationStatus,
) -> Result<Reservation, StoreError> {
    let mut held = record::lock::<Reservation>(transaction, organisation, reservation).await?;
    if held.status != ReservationStatus::Held {
        let what = format!("this reservation is {} already", held.status);
        return Err(StoreError::Broken { rule: "reservation-ended", what });
    }
    let mut levels = lock_levels(transaction, organisation, &[(held.part, held.site)]).await?;
    for level in levels.values_mut() {
        level.reserved -= held.quantity;
    }
    keep_levels(transaction, organisation, levels.values()).await?;
    held.status = status;
    record::change(transaction, organisation, author, &held).await
}

/// What is promised to jobs and still holds.
pub async fn held_for_jobs(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    jobs: &[JobId],
) -> Result<Vec<Reservation>, StoreError> {
    let query = record::of::<Reservation>(organisation)
        .filter(reservations::Column::JobId.is_in(jobs.iter().map(|id| id.0)))
        .filter(reservations::Column::Status.eq(ReservationStatus::Held.as_str()));
    record::select(connection, query).await
}

/// The levels of `places`, made where there are none, and nobody else's until the transaction ends.
async fn lock_levels(
    transaction: &Transaction,
    organisation: OrganisationId,
    places: &[(PartId, SiteId)],
) -> Result<BTreeMap<(PartId, SiteId), StockLevel>, StoreError> {
    if places.is_empty() {
        return Ok(BTreeMap::new());
    }
    let rows = places.iter().map(|(part, site)| {
        let id = StockLevelId::fresh();
        let level = StockLevel { id, part: *part, site: *site, on_hand: 0, reserved: 0, bin: None };
        let mut row = level.to_row(organisation).into_active_model();
        row.id = Set(id.0);
        sea_orm::ActiveModelTrait::reset_all(row)
    });
    let key = [
        stock_levels::Column::OrganisationId,
        stock_levels::Column::PartId,
        stock_levels::Column::SiteId,
    ];
    stock_levels::Entity::insert_many(rows)
        .on_conflict(OnConflict::columns(key).do_nothing().to_owned())
        .exec_without_returning(transaction)
        .await
        .map_err(|cause| StoreError::on(StockLevel::NOUN, cause))?;
    // Always in the order of ids, so that two transactions never wait for each other in a ring.
    let query = record::of::<StockLevel>(organisation)
        .filter(stock_levels::Column::PartId.is_in(places.iter().map(|(part, _)| part.0)))
        .order_by_asc(stock_levels::Column::Id)
        .lock_exclusive();
    let mut levels = BTreeMap::new();
    for row in query.all(transaction).await? {
        let level = StockLevel::from_row(row)?;
        if places.contains(&(level.part, level.site)) {
            levels.insert((level.part, level.site), level);
        }
    }
    Ok(levels)
}

/// Writes levels back in one statement.
async fn keep_levels(
    transaction: &Transaction,
    organisation: OrganisationId,
    levels: impl Iterator<Item = &StockLevel>,
) -> Result<(), StoreError> {
    let rows: Vec<_> = levels
        .map(|level| {
            let row = level.to_row(organisation).into_active_model();
            sea_orm::ActiveModelTrait::reset_all(row)
        })
        .collect();
    if rows.is_empty() {
        return Ok(());
    }
    let key = [
        stock_levels::Column::OrganisationId,
        stock_levels::Column::PartId,
        stock_levels::Column::SiteId,
    ];
    let kept =
        [stock_levels::Column::OnHand, stock_levels::Column::Reserved, stock_levels::Column::Bin];
    stock_levels::Entity::insert_many(rows)
        .on_conflict(OnConflict::columns(key).update_columns(kept).to_owned())
        .exec_without_returning(transaction)
        .await
        .map_err(|cause| StoreError::on(StockLevel::NOUN, cause))?;
    Ok(())
}

/// Names the part of which there is too little: whoever books a whole job sees only this.
async fn too_few(
    transaction: &Transaction,
    organisation: OrganisationId,
    rule: &'static str,
    part: PartId,
    (free, wanted): (i64, i64),
) -> StoreError {
    let part = match record::get::<Part>(transaction, organisation, part).await {
        Ok(part) => part,
        Err(error) => return error,
    };
    let said = |quantity| part.unit.with(quantity);
    let what = format!(
        "{} ({}): {} wanted, {} free",
        part.number,
        part.name,
        said(wanted),
        said(Ord::max(free, 0))
    );
    StoreError::Broken { rule, what }
}

/// What is on the shelf of one lot of a part at a site; what came without a lot is one too.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct LotLevel {
    pub part: PartId,
    pub site: SiteId,
    pub lot: Option<LotId>,
    pub on_hand: i64,
}

/// What is on the shelves by lot: the sums of all moves, lots that are used up left out.
pub async fn lot_levels(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
) -> Result<Vec<LotLevel>, StoreError> {
    use stock_moves::Column::{LotId as Lot, PartId as Part, Quantity, SiteId as Site};
    // PostgreSQL sums big integers to a numeric.
    let sum = Expr::col(Quantity).sum().cast_as("bigint");
    let rows: Vec<(Uuid, Uuid, Option<Uuid>, i64)> = record::of::<StockMove>(organisation)
        .select_only()
        .columns([Part, Site, Lot])
        .column_as(sum, "on_hand")
        .group_by(Part)
        .group_by(Site)
        .group_by(Lot)
        .into_tuple()
        .all(connection)
        .await?;
    let level = |(part, site, lot, on_hand): (Uuid, Uuid, Option<Uuid>, i64)| LotLevel {
        part: PartId(part),
        site: SiteId(site),
        lot: lot.map(LotId),
        on_hand,
    };
    let mut levels: Vec<LotLevel> =
        rows.into_iter().map(level).filter(|level| level.on_hand != 0).collect();
    // Sorted here: the databases disagree on where a missing lot stands.
    levels.sort_by_key(|level| (level.part, level.site, level.lot));
    Ok(levels)
}
