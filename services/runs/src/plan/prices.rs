//! What a day late, a failure, a boat short cost a site: its own prices, else those shipped.

use fleet::Currency;
use fleet::Money;
use fleet::id::SiteId;
use fleet::site::PriceKind;
use serde::{Deserialize, Serialize};
use store::snapshot::Snapshot;

use crate::error::RunError;

/// A price in force, and what it rests on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Price {
    pub kind: PriceKind,
    pub amount: Money,
    pub basis: String,
    /// Set by the site, not shipped.
    pub own: bool,
}

/// The prices of one site, all in one currency, minor units.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Prices {
    pub currency: Currency,
    pub shown: Vec<Price>,
}

/// Shipped until the site sets its own; of the size that such a yard pays, hundredths of a unit of
/// money. None of them has a source: each says what it was thought of.
const SHIPPED: [(PriceKind, i64, &str); 7] = [
    (PriceKind::DayLate, 400, "a due service a day late: wear and a warranty at risk"),
    (PriceKind::Failure, 25_000, "a tow and what is given back; the repair itself comes on top"),
    (PriceKind::BoatShort, 11_000, "a day's hire"),
    (PriceKind::VisitLeftOut, 30_000, "an engine that starts its season unserviced"),
    (PriceKind::OvertimeHour, 5_500, "a mechanic's hour with half as much again"),
    (PriceKind::BenchHour, 3_800, "a mechanic's hour with all that goes with it"),
    (PriceKind::NewEngine, 180_000, "an engine of the size that a hire boat carries"),
];

/// What a boat-day lost costs, in minor units of `base`: the dearest of the sites that are open, the
/// shipped figure where none has set its own, `None` where they are in another currency.
pub(crate) fn boat_day(snapshot: &Snapshot, base: Currency) -> Option<i64> {
    let open = snapshot.yard.sites.iter().filter(|site| !site.archived);
    let prices = open.filter_map(|site| Prices::of(snapshot, site.id).ok());
    prices
        .filter(|prices| prices.currency == base)
        .map(|prices| prices.get(PriceKind::BoatShort))
        .max()
}

impl Prices {
    /// # Errors
    /// A site's prices name two currencies.
    pub fn of(snapshot: &Snapshot, site: SiteId) -> Result<Self, RunError> {
        let own: Vec<_> = snapshot.yard.prices.iter().filter(|it| it.site == site).collect();
        let seller = snapshot.stores.suppliers.iter().find(|it| !it.archived);
        let first = own.first().map(|it| it.amount.currency);
        let currency = first.or(seller.map(|it| it.currency)).unwrap_or(Currency::EUR);
        if let Some(other) = own.iter().find(|it| it.amount.currency != currency) {
            return Err(RunError::Refused {
                rule: "prices-two-currencies",
                what: format!(
                    "the site's prices are in {currency} and in {}: a plan adds them up, so give \
                     all of them in one currency",
                    other.amount.currency
                ),
            });
        }
        let digits = currency.digits();
        let price = |&(kind, hundredths, about): &(PriceKind, i64, &str)| {
            if let Some(own) = own.iter().find(|it| it.kind == kind) {
                return Price { kind, amount: own.amount, basis: own.basis.clone(), own: true };
            }
            let minor = hundredths * 10_i64.pow(digits) / 100;
            let basis = format!("{about} (common practice, no source)");
            Price { kind, amount: Money::new(minor, currency), basis, own: false }
        };
        Ok(Self { currency, shown: SHIPPED.iter().map(price).collect() })
    }

    /// Minor units.
    pub fn get(&self, kind: PriceKind) -> i64 {
        self.shown.iter().find(|price| price.kind == kind).map_or(0, |price| price.amount.minor)
    }

    /// What `minutes` on the bench cost.
    pub fn bench(&self, minutes: i64) -> i64 {
        self.get(PriceKind::BenchHour) * minutes / 60
    }
}
