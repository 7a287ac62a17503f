//! Parts that lie at another site: what of them is free there, and how they come to where a job
//! waits.

use chrono::NaiveDate;
use fleet::id::{LotId, OrganisationId, PartId, SiteId};
use fleet::part::Part;
use fleet::stock::{LotOnHand, Purpose};
use sea_orm::ConnectionTrait;

use super::moved::{Moved, move_stock};
use crate::error::StoreError;
use crate::record::{self, Author};
use crate::stock::{self, At, Order, Wish, lot_of};
use crate::{Transaction, sites};

/// Parts that go from one site to another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Transfer {
    pub part: PartId,
    pub from: SiteId,
    pub to: SiteId,
    pub quantity: i64,
    pub reason: Option<String>,
}

/// What of a part is free at a site and may be fitted on `today`: promised to no job, in date, and
/// of a seal of known age and never used.
pub async fn free_at(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    (part, site): (&Part, SiteId),
    today: NaiveDate,
) -> Result<i64, StoreError> {
    let lots = free_lots(connection, organisation, (part, site), today).await?;
    Ok(lots.iter().map(|(_, free)| free).sum())
}

/// The same by lot, what expires first first.
async fn free_lots(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    (part, site): (&Part, SiteId),
    today: NaiveDate,
) -> Result<Vec<(Option<LotId>, i64)>, StoreError> {
    let purpose = if part.sealing { Purpose::Sealing } else { Purpose::Other };
    let mut shelves = stock::shelves(connection, organisation, site, &[part.id]).await?;
    let shelf = shelves.remove(&part.id).unwrap_or_default();
    let good =
        |one: &&LotOnHand| one.free() > 0 && one.lot.check_issue(purpose, today, None).is_ok();
    let free = shelf.iter().filter(good);
    Ok(free.map(|one| (lot_of(one.lot.id), i64::from(one.free()))).collect())
}

/// Moves what is free at one site to another, what expires first first, and kits the jobs that wait
/// for it there.
///
/// # Errors
/// `stock-short` where less is free; `same-site`, `stock-nothing-moved`.
pub async fn move_between(
    transaction: &Transaction,
    organisation: OrganisationId,
    who: &Author,
    wanted: &Transfer,
) -> Result<Moved, StoreError> {
    let Transfer { part, from, to, quantity, reason } = wanted;
    // Always in one order, so that two transfers across each other never wait in a ring.
    let mut places = [*from, *to];
    places.sort_unstable();
    for site in places {
        stock::lock(transaction, organisation, site, &[*part]).await?;
    }
    let today = sites::today(transaction, organisation, *from, who.at).await?;
    let known = record::get::<Part>(transaction, organisation, *part).await?;
    let lots = free_lots(transaction, organisation, (&known, *from), today).await?;
    let free: i64 = lots.iter().map(|(_, free)| free).sum();
    if *quantity > free {
        let what = format!("{quantity} can't be moved, {free} are free there");
        return Err(StoreError::Broken { rule: "stock-short", what });
    }
    let mut moved = Moved::default();
    let mut left = *quantity;
    // Nothing at all is refused by the transfer itself, with its own rule.
    let lots = if left < 1 { vec![(None, 0)] } else { lots };
    for (lot, free) in lots {
        let taken = left.min(free);
        let at = At { part: *part, site: *from, lot };
        let order = Order {
            wish: Wish::Transfer { at, to: *to, quantity: taken },
            moved_at: who.at,
            reason: reason.clone(),
            overruled: None,
        };
        let one = move_stock(transaction, organisation, who, order).await?;
        moved.booked.moves.extend(one.booked.moves);
        moved.kitted.extend(one.kitted);
        moved.short.extend(one.short);
        left -= taken;
        if left == 0 {
            break;
        }
    }
    Ok(moved)
}
