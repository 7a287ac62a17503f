//! What an order advice keeps beside its lines, as pages read it.

use chrono::NaiveDate;
use fleet::Money;
use fleet::id::{PartId, SupplierId};
use fleet::money::Currency;
use serde::Deserialize;
use store::runs::Run;

/// The summary of a run of the kind. What an older run did not keep is empty.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default)]
pub struct AdviceKept {
    pub currency: String,
    pub curve: Vec<KeptPoint>,
    pub chosen: Option<KeptChosen>,
    pub rates: Vec<KeptRate>,
    pub orders: Vec<KeptOrder>,
    pub cash: Option<KeptCash>,
    pub overstock: Vec<KeptOverstock>,
    pub kits: Vec<KeptKit>,
    pub lead_times: Vec<KeptLeadTime>,
}

#[derive(Clone, Copy, Debug, Deserialize)]
pub struct KeptPoint {
    pub money_minor: i64,
    pub boat_days_lost: f64,
}

/// Where the advice stands on the curve.
#[derive(Clone, Copy, Debug, Deserialize)]
pub struct KeptChosen {
    pub goods_minor: i64,
    /// With freight.
    pub money_minor: i64,
    pub boat_days_lost: f64,
}

#[derive(Clone, Debug, Deserialize)]
pub struct KeptRate {
    pub currency: String,
    pub in_base: f64,
    pub on: NaiveDate,
}

#[derive(Clone, Debug, Deserialize)]
pub struct KeptOrder {
    pub supplier: SupplierId,
    pub freight_minor: i64,
    pub added_minor: i64,
    pub below_minimum_minor: Option<i64>,
    pub currency: String,
}

#[derive(Clone, Debug, Deserialize)]
pub struct KeptCash {
    pub month_limit_minor: i64,
    pub spent_minor: Vec<i64>,
    /// Of what is spent; older runs counted goods alone.
    #[serde(default)]
    pub freight_minor: Vec<i64>,
    pub risk_in_all: f64,
}

#[derive(Clone, Debug, Deserialize)]
pub struct KeptOverstock {
    pub part: PartId,
    pub excess: i64,
    pub excess_minor: i64,
    pub dead: bool,
    pub expiring: f64,
    pub expiring_minor: i64,
    pub expired: i64,
    pub currency: String,
}

#[derive(Clone, Debug, Deserialize)]
pub struct KeptKit {
    pub kit: PartId,
    pub reason: String,
}

#[derive(Clone, Debug, Deserialize)]
pub struct KeptLeadTime {
    pub supplier: SupplierId,
    /// `None`: over all parts of the supplier.
    pub part: Option<PartId>,
    pub median_days: u32,
    pub worst_days: u32,
    pub received: usize,
    pub open: usize,
    /// January first.
    pub by_month: Vec<Option<KeptMonth>>,
}

#[derive(Clone, Copy, Debug, Deserialize)]
pub struct KeptMonth {
    pub median_days: u32,
    pub worst_days: u32,
    pub received: usize,
}

impl AdviceKept {
    pub fn of(run: Option<&Run>) -> Self {
        let summary = run.and_then(|run| run.summary.clone());
        summary.and_then(|summary| serde_json::from_value(summary).ok()).unwrap_or_default()
    }

    /// An amount in the currency in which the advice adds up; `None` where the run kept none.
    pub fn money(&self, minor: i64) -> Option<Money> {
        money(&self.currency, minor)
    }
}

pub fn money(currency: &str, minor: i64) -> Option<Money> {
    Some(Money::new(minor, Currency::parse(currency).ok()?))
}

const MONTHS: [&str; 12] =
    ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

impl KeptLeadTime {
    /// `half in 12 days, nineteen in twenty in 30; by 14 deliveries, 2 awaited`.
    pub fn says(&self) -> String {
        let basis = match (self.received, self.open) {
            (0, 0) => "as stated, no delivery on record".to_owned(),
            (received, 0) => format!("by {received} deliveries and what is stated"),
            (received, open) => {
                format!("by {received} deliveries, {open} awaited, and what is stated")
            }
        };
        format!(
            "half in {} days, nineteen in twenty in {} ({basis})",
            self.median_days, self.worst_days
        )
    }

    /// Month, median, worst, deliveries: of the months that differ from the rest.
    pub fn months(&self) -> Vec<Vec<String>> {
        let row = |(name, month): (&&str, &Option<KeptMonth>)| {
            let month = (*month)?;
            Some(vec![
                (*name).to_owned(),
                month.median_days.to_string(),
                month.worst_days.to_string(),
                month.received.to_string(),
            ])
        };
        MONTHS.iter().zip(&self.by_month).filter_map(row).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_older_run_that_kept_less_is_read_all_the_same() {
        let kept: AdviceKept = serde_json::from_value(serde_json::json!({
            "currency": "EUR", "curve": [{"money_minor": 5, "boat_days_lost": 1.5}],
            "forecast": "x", "lines": 3,
        }))
        .unwrap();
        assert_eq!(kept.curve.len(), 1);
        assert!(kept.overstock.is_empty() && kept.cash.is_none());
        assert_eq!(kept.money(1250).unwrap().to_string(), "12.50 EUR");
    }

    #[test]
    fn only_months_that_were_learned_are_listed() {
        let month = |days| Some(KeptMonth { median_days: days, worst_days: days, received: 6 });
        let mut by_month = vec![None; 12];
        by_month[1] = month(40);
        let lead = KeptLeadTime {
            supplier: SupplierId::fresh(),
            part: None,
            median_days: 12,
            worst_days: 30,
            received: 14,
            open: 2,
            by_month,
        };
        assert_eq!(lead.months(), [["Feb", "40", "40", "6"]]);
        assert!(lead.says().contains("14 deliveries, 2 awaited"));
    }
}
