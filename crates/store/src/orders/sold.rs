//! What a supplier asks for parts on a day.

use std::collections::HashMap;

use chrono::NaiveDate;
use fleet::id::{OrganisationId, PartId};
use fleet::order::OrderError;
use fleet::supplier::{Supplier, SupplierSeason, Term, TermBreak};
use fleet::terms::{LeadTime, LeadTimes, Terms, TermsError};
use sea_orm::ConnectionTrait;

use crate::entity::supplier_seasons;
use crate::error::StoreError;
use crate::{parts, record};

/// A part as one supplier sells it.
#[derive(Clone, Debug, PartialEq)]
pub struct Sold {
    pub term: Term,
    /// In bought units, with the window that is open on the day.
    pub terms: Terms,
    on: NaiveDate,
}

impl From<TermsError> for StoreError {
    fn from(error: TermsError) -> Self {
        Self::Broken { rule: error.rule(), what: error.to_string() }
    }
}

/// Those of `of` that the supplier sells on that day, with what is asked for them.
///
/// # Errors
/// Terms that break a rule.
pub async fn sold(
    connection: &impl ConnectionTrait,
    organisation: OrganisationId,
    supplier: &Supplier,
    of: &[PartId],
    on: NaiveDate,
) -> Result<HashMap<PartId, Sold>, StoreError> {
    let mut terms = parts::terms(connection, organisation, of).await?;
    terms.retain(|term| term.supplier == supplier.id && term.holds_on(on));
    let ids: Vec<_> = terms.iter().map(|term| term.id).collect();
    let breaks = parts::term_breaks(connection, organisation, &ids).await?;
    let column = supplier_seasons::Column::SupplierId;
    let seasons: Vec<SupplierSeason> =
        record::by_column(connection, organisation, column, &[supplier.id.0]).await?;
    let window = seasons.iter().map(SupplierSeason::window).find(|window| window.is_open(on));
    let mut sold = HashMap::new();
    for term in terms {
        let own: Vec<TermBreak> =
            breaks.iter().filter(|step| step.term == term.id).cloned().collect();
        let median_days = term.lead_days_median.max(0).unsigned_abs();
        let worst = term.lead_days_worst.map_or(median_days, |days| days.max(0).unsigned_abs());
        let stated = LeadTime { median_days, worst_days: worst.max(median_days) };
        let terms = term.in_bought_units(&own, LeadTimes::all_year(stated), window)?;
        sold.insert(term.part, Sold { term, terms, on });
    }
    Ok(sold)
}

impl Sold {
    /// What a quantity of stock units costs: minor units, for how many stock units.
    pub fn price(&self, quantity: i64) -> (i64, i64) {
        let unit = i64::from(self.terms.unit_size);
        let bought = u64::try_from(quantity / unit.max(1)).unwrap_or(0);
        let price = self.terms.price_at(bought);
        let window = self.terms.pre_season.filter(|window| window.is_open(self.on));
        (window.map_or(price, |window| window.discounted(price)).minor, unit)
    }

    /// # Errors
    /// No whole pack, or less than the least that is sold; the next quantity that can be bought is
    /// named.
    pub fn check(&self, quantity: i64) -> Result<(), OrderError> {
        let unit = i64::from(self.terms.unit_size.max(1));
        let wanted = u64::try_from((quantity + unit - 1) / unit).unwrap_or(0);
        let next = self.terms.round_up(wanted);
        let next = i64::try_from(next).unwrap_or(i64::MAX).saturating_mul(unit);
        if next == quantity {
            return Ok(());
        }
        let Terms { pack, minimum, .. } = self.terms;
        let pack = i64::from(pack) * unit;
        let least = i64::from(minimum) * unit;
        let rule = format!("packs of {pack}, at least {least}");
        Err(OrderError::NotAsSold { quantity, rule, next })
    }
}
