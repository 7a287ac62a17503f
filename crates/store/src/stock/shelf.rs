//! What lies on the shelf of a site, lot by lot.
//!
//! What left without naming its lot is taken to have been what expires first: that is what people
//! are told to take, and no lot is shown with more than can be there.

use std::collections::BTreeMap;

use fleet::bench::JobPart;
use fleet::id::{LotId, OrganisationId, PartId, SiteId};
use fleet::part::{DatedBy, Lot, LotCondition, Part, Reservation, ReservationStatus, StockMove};
use fleet::shelf_life::Freshness;
use fleet::stock::LotOnHand;
use sea_orm::sea_query::{Expr, ExprTrait as _};
use sea_orm::{
    ColumnTrait as _, ConnectionTrait, QueryFilter as _, QuerySelect as _, prelude::Uuid,
};

use crate::entity::{reservations, stock_moves};
use crate::error::StoreError;
use crate::parts;
use crate::record;

/// The lots of one part at one site, what lies there without a lot among them.
pub type Shelf = Vec<LotOnHand>;

/// Stands for what lies on a shelf without a lot; see [`lot_of`].
const NO_LOT: LotId = LotId(Uuid::nil());

/// The lot that a pick names; `None` for what lies there without one.
pub fn lot_of(pick: LotId) -> Option<LotId> {
    (pick != NO_LOT).then_some(pick)
}

/// What lies at `site` of `parts`, by part.
pub async fn shelves(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    site: SiteId,
    of: &[PartId],
) -> Result<BTreeMap<PartId, Shelf>, StoreError> {
    let known: BTreeMap<LotId, Lot> = aged_lots(connection, organisation, of)
        .await?
        .into_iter()
        .map(|lot| (lot.id, lot))
        .collect();
    let held = held_at(connection, organisation, site, of).await?;
    let mut shelves: BTreeMap<PartId, Shelf> = BTreeMap::new();
    let mut owed: BTreeMap<PartId, i64> = BTreeMap::new();
    for ((part, lot), on_hand) in sums(connection, organisation, site, of).await? {
        if on_hand < 0 {
            *owed.entry(part).or_default() -= on_hand;
        }
        let lot = match lot {
            None => without_lot(part),
            Some(id) => match known.get(&id) {
                Some(lot) => lot.clone(),
                None => return Err(StoreError::Missing { noun: "lot" }),
            },
        };
        let reserved = held.get(&(part, lot.id)).copied().unwrap_or(0);
        let (on_hand, reserved) = (pieces(on_hand), pieces(reserved));
        shelves.entry(part).or_default().push(LotOnHand { lot, on_hand, reserved });
    }
    for (part, shelf) in &mut shelves {
        shelf.sort_by_key(|one| first_out(&one.lot));
        take_owed(shelf, owed.get(part).copied().unwrap_or(0));
    }
    Ok(shelves)
}

/// All lots of parts, each with its last good day.
pub async fn aged_lots(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    of: &[PartId],
) -> Result<Vec<Lot>, StoreError> {
    let parts = record::by_ids::<Part>(connection, organisation, of).await?;
    Ok(aged(parts::lots(connection, organisation, of).await?, &parts))
}

/// Lots of `parts`, each with its last good day.
pub(crate) fn aged(lots: Vec<Lot>, parts: &[Part]) -> Vec<Lot> {
    let months: BTreeMap<PartId, u32> = parts
        .iter()
        .filter_map(|part| Some((part.id, u32::try_from(part.shelf_life_months?).ok()?)))
        .collect();
    let aged = |lot: Lot| {
        let months = months.get(&lot.part).copied();
        lot.aged(months)
    };
    lots.into_iter().map(aged).collect()
}

/// The sums of all moves at a site, by part and lot.
pub(super) async fn sums(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    site: SiteId,
    of: &[PartId],
) -> Result<BTreeMap<(PartId, Option<LotId>), i64>, StoreError> {
    use stock_moves::Column::{LotId as InLot, PartId as Part, Quantity, SiteId as Site};
    // PostgreSQL sums big integers to a numeric.
    let sum = Expr::col(Quantity).sum().cast_as("bigint");
    let rows: Vec<(Uuid, Option<Uuid>, i64)> = record::of::<StockMove>(organisation)
        .filter(Site.eq(site.0))
        .filter(Part.is_in(of.iter().map(|id| id.0)))
        .select_only()
        .columns([Part, InLot])
        .column_as(sum, "on_hand")
        .group_by(Part)
        .group_by(InLot)
        .into_tuple()
        .all(connection)
        .await?;
    let row = |(part, lot, sum): (Uuid, Option<Uuid>, i64)| ((PartId(part), lot.map(LotId)), sum);
    Ok(rows.into_iter().map(row).collect())
}

/// The promises of parts at a site that hold.
pub async fn held_of(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    site: SiteId,
    of: &[PartId],
) -> Result<Vec<Reservation>, StoreError> {
    let query = record::of::<Reservation>(organisation)
        .filter(reservations::Column::SiteId.eq(site.0))
        .filter(reservations::Column::PartId.is_in(of.iter().map(|id| id.0)))
        .filter(reservations::Column::Status.eq(ReservationStatus::Held.as_str()));
    record::select(connection, query).await
}

/// What is promised of each lot at a site.
async fn held_at(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    site: SiteId,
    of: &[PartId],
) -> Result<BTreeMap<(PartId, LotId), i64>, StoreError> {
    let mut held = BTreeMap::new();
    for one in held_of(connection, organisation, site, of).await? {
        *held.entry((one.part, one.lot.unwrap_or(NO_LOT))).or_insert(0) += one.quantity;
    }
    Ok(held)
}

/// What came without a lot: nothing is known of its age.
pub fn without_lot(part: PartId) -> Lot {
    Lot {
        id: NO_LOT,
        version: 1,
        part,
        code: None,
        cured_on: None,
        received_on: None,
        expires_on: None,
        dated_by: DatedBy::Unknown,
        condition: LotCondition::New,
        donor: None,
        receipt_line: None,
    }
}

fn first_out(lot: &Lot) -> (bool, u8, chrono::NaiveDate, LotId) {
    let (class, day) = match lot.freshness() {
        Freshness::Until { day, .. } => (0, day),
        Freshness::Unlimited => (1, chrono::NaiveDate::MAX),
        Freshness::Unknown { .. } => (2, chrono::NaiveDate::MAX),
    };
    (lot.condition == LotCondition::Used, class, day, lot.id)
}

fn take_owed(shelf: &mut Shelf, owed: i64) {
    let mut owed = pieces(owed);
    for one in shelf.iter_mut() {
        let taken = std::cmp::min(one.on_hand, owed);
        one.on_hand -= taken;
        owed -= taken;
    }
    shelf.retain(|one| one.on_hand > 0 || one.reserved > 0);
}

fn pieces(quantity: i64) -> u32 {
    u32::try_from(std::cmp::max(quantity, 0)).unwrap_or(u32::MAX)
}

/// What must be booked so that what left without its lot, or out of a lot that had less, is taken
/// off the lots that it is taken to have come from: by lot, the change.
pub(super) async fn unsettled(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    site: SiteId,
    part: PartId,
) -> Result<Vec<(Option<LotId>, i64)>, StoreError> {
    let raw = sums(connection, organisation, site, &[part]).await?;
    let shelves = shelves(connection, organisation, site, &[part]).await?;
    let shelf = shelves.get(&part).map_or(&[][..], Vec::as_slice);
    let seen = |lot: Option<LotId>| {
        let found = shelf.iter().find(|one| lot_of(one.lot.id) == lot);
        found.map_or(0, |one| i64::from(one.on_hand))
    };
    let mut changes: Vec<_> =
        raw.into_iter().map(|((_, lot), sum)| (lot, seen(lot) - sum)).collect();
    changes.retain(|(_, change)| *change != 0);
    // More left than ever came: what no lot can bear stays where it is.
    let off: i64 = changes.iter().map(|(_, change)| -change).filter(|taken| *taken > 0).sum();
    let mut left = off;
    for (_, change) in changes.iter_mut().filter(|(_, change)| *change > 0) {
        *change = std::cmp::min(*change, left);
        left -= *change;
    }
    changes.retain(|(_, change)| *change != 0);
    Ok(changes)
}

/// What a job still needs of a part: neither promised to it nor gone to it yet.
pub fn outstanding(part: &JobPart, held: i64, issued: i64) -> u32 {
    pieces(part.quantity - held - issued)
}
