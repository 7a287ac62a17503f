//! What a renewal costs, planned and after a failure, in whole units of one currency.

use std::collections::HashMap;

use chrono::NaiveDate;
use fleet::Currency;
use fleet::id::{PartId, SiteId, TaskId};
use fleet::programme::Task;
use fleet::site::PriceKind;
use store::snapshot::Snapshot;

use crate::error::RunError;
use crate::plan::bundle::whole_minutes;
use crate::plan::prices::Prices;

/// Prices of parts in one currency.
pub struct PartPrices {
    by_part: HashMap<PartId, f64>,
}

/// Prices of parts and of what a site's time and boats are worth.
pub struct Costs<'a> {
    pub currency: Currency,
    pub parts: PartPrices,
    by_site: HashMap<SiteId, Prices>,
    tasks: HashMap<TaskId, &'a Task>,
}

impl PartPrices {
    /// By the terms that hold on `today`, the cheapest supplier's; what has no price in `currency`
    /// and no rate to it is left out.
    fn read(snapshot: &Snapshot, currency: Currency, today: NaiveDate) -> Self {
        let mut rates: HashMap<Currency, (NaiveDate, f64)> = HashMap::new();
        for rate in &snapshot.yard.rates {
            if rate.to_currency != currency || rate.on > today {
                continue;
            }
            let known = rates.entry(rate.from_currency).or_insert((rate.on, 0.0));
            if rate.on >= known.0 {
                *known = (rate.on, rate.rate_millionths as f64 / 1e6);
            }
        }
        let mut by_part: HashMap<PartId, f64> = HashMap::new();
        for term in snapshot.stores.terms.iter().filter(|term| term.holds_on(today)) {
            let rate = if term.price.currency == currency {
                1.0
            } else {
                let Some(rate) = rates.get(&term.price.currency) else { continue };
                rate.1
            };
            let whole = major(term.price.minor, term.price.currency) * rate;
            let each = whole / term.price_units.max(1) as f64;
            let known = by_part.entry(term.part).or_insert(each);
            *known = known.min(each);
        }
        Self { by_part }
    }

    /// What `quantity` of a part costs.
    pub fn of(&self, part: PartId, quantity: i64) -> Option<f64> {
        self.by_part.get(&part).map(|each| each * quantity as f64)
    }
}

impl<'a> Costs<'a> {
    /// # Errors
    /// A site's prices name two currencies.
    pub fn read(snapshot: &'a Snapshot, today: NaiveDate) -> Result<Self, RunError> {
        let mut by_site = HashMap::new();
        let mut currency = None;
        for site in &snapshot.yard.sites {
            let prices = Prices::of(snapshot, site.id)?;
            // The first site's money is the report's; a site with another one is shown in its
            // shipped figures of that money, since there may be no rate between them.
            currency = currency.or((!site.archived).then_some(prices.currency));
            by_site.insert(site.id, prices);
        }
        let currency = currency.unwrap_or(Currency::EUR);
        by_site.retain(|_, prices| prices.currency == currency);
        Ok(Self {
            currency,
            parts: PartPrices::read(snapshot, currency, today),
            by_site,
            tasks: snapshot.programme.tasks.iter().map(|task| (task.id, task)).collect(),
        })
    }

    /// A site's price of `kind`; of any site's where its own are in another currency.
    pub fn price(&self, site: Option<SiteId>, kind: PriceKind) -> f64 {
        let own = site.and_then(|site| self.by_site.get(&site));
        let any = || self.by_site.iter().min_by_key(|(site, _)| **site).map(|(_, prices)| prices);
        let prices = own.or_else(any);
        prices.map_or(0.0, |prices| major(prices.get(kind), self.currency))
    }

    /// Bench time of a task with its access.
    pub fn bench(&self, site: Option<SiteId>, task: TaskId) -> f64 {
        let minutes = self.tasks.get(&task).map_or(0, |task| whole_minutes(task));
        self.minutes(site, minutes as f64)
    }

    pub fn minutes(&self, site: Option<SiteId>, minutes: f64) -> f64 {
        self.price(site, PriceKind::BenchHour) * minutes / 60.0
    }

    pub fn task(&self, task: TaskId) -> Option<&'a Task> {
        self.tasks.get(&task).copied()
    }
}

/// Minor units as whole ones.
pub fn major(minor: i64, currency: Currency) -> f64 {
    minor as f64 / 10_f64.powi(i32::try_from(currency.digits()).unwrap_or(2))
}
