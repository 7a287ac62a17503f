//! What was on the shelves at a moment, and the moves that made it so.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use fleet::id::{LotId, OrganisationId, PartId, SiteId};
use fleet::part::{Lot, Part, StockMove};
use sea_orm::sea_query::{Expr, ExprTrait as _};
use sea_orm::{
    ColumnTrait as _, ConnectionTrait, QueryFilter as _, QueryOrder as _, QuerySelect as _,
    prelude::Uuid,
};

use super::shelf::{aged_lots, without_lot};
use crate::entity::stock_moves;
use crate::error::StoreError;
use crate::record::{self, Page, PageOf, Record as _};
use crate::value::to_microseconds;

/// What a site had of a lot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ShelfRow {
    pub site: SiteId,
    /// With its last good day; see [`super::lot_of`] for what lies there without a lot.
    pub lot: Lot,
    pub on_hand: i64,
}

/// What was on the shelves at a moment, part by part; `next` is the last part of the page.
pub async fn at(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    at: DateTime<Utc>,
    (site, part): (Option<SiteId>, Option<PartId>),
    wanted: PageOf,
) -> Result<Page<ShelfRow>, StoreError> {
    let (parts, next) = match part {
        Some(part) => (vec![record::get::<Part>(connection, organisation, part).await?.id], None),
        None => {
            let page = record::page::<Part>(connection, organisation, wanted).await?;
            (page.rows.iter().map(|part| part.id).collect(), page.next)
        }
    };
    let lots = aged_lots(connection, organisation, &parts).await?;
    let lots: BTreeMap<LotId, Lot> = lots.into_iter().map(|lot| (lot.id, lot)).collect();
    let mut rows = Vec::new();
    for (part, of, lot, on_hand) in sums_at(connection, organisation, at, site, &parts).await? {
        let lot = match lot {
            None => without_lot(part),
            Some(id) => lots.get(&id).cloned().ok_or(StoreError::Missing { noun: Lot::NOUN })?,
        };
        rows.push(ShelfRow { site: of, lot, on_hand });
    }
    rows.sort_by_key(|row| (row.lot.part, row.site, row.lot.expires_on, row.lot.id));
    Ok(Page { rows, next })
}

async fn sums_at(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    at: DateTime<Utc>,
    site: Option<SiteId>,
    parts: &[PartId],
) -> Result<Vec<(PartId, SiteId, Option<LotId>, i64)>, StoreError> {
    use stock_moves::Column::{LotId as InLot, MovedAt, PartId as Of, Quantity, SiteId as AtSite};
    // PostgreSQL sums big integers to a numeric.
    let sum = Expr::col(Quantity).sum().cast_as("bigint");
    let mut query = record::of::<StockMove>(organisation)
        .filter(MovedAt.lte(to_microseconds(at)))
        .filter(Of.is_in(parts.iter().map(|id| id.0)));
    if let Some(site) = site {
        query = query.filter(AtSite.eq(site.0));
    }
    let rows: Vec<(Uuid, Uuid, Option<Uuid>, i64)> = query
        .select_only()
        .columns([Of, AtSite, InLot])
        .column_as(sum, "on_hand")
        .group_by(Of)
        .group_by(AtSite)
        .group_by(InLot)
        .into_tuple()
        .all(connection)
        .await?;
    let row = |(part, site, lot, sum): (Uuid, Uuid, Option<Uuid>, i64)| {
        (PartId(part), SiteId(site), lot.map(LotId), sum)
    };
    Ok(rows.into_iter().map(row).filter(|(.., sum)| *sum != 0).collect())
}

/// The last `size` moves of a part until a moment, the latest first.
pub async fn moves_of(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    part: PartId,
    until: DateTime<Utc>,
    size: u64,
) -> Result<Vec<StockMove>, StoreError> {
    let rows = record::of::<StockMove>(organisation)
        .filter(stock_moves::Column::PartId.eq(part.0))
        .filter(stock_moves::Column::MovedAt.lte(to_microseconds(until)))
        .order_by_desc(stock_moves::Column::MovedAt)
        .order_by_desc(stock_moves::Column::Id)
        .limit(std::cmp::min(size, PageOf::SIZE_MAX))
        .all(connection)
        .await?;
    rows.into_iter().map(StockMove::from_row).collect()
}
