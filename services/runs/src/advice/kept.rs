//! What is kept of an advice: its lines, and beside them the curve, the months of a yard that is
//! short of cash, what is too much, kits, and how long suppliers take.

use chrono::Datelike as _;
use fleet::Money;
use fleet::id::{RunId, RunRowId};
use fleet::part::Part;
use fleet::supplier::Term;
use ordering::{Advice, CashLine, CashPlan, PartToStock, Settings, plan_cash};
use serde_json::{Value, json};
use store::runs::AdviceRow;

use super::kits::Kits;
use super::{Market, refused};
use crate::error::RunError;
use crate::execute::{Computed, Task};
use crate::parameters;

/// Months into which a yard that is short of cash lays its orders.
const CASH_MONTHS: usize = 6;
/// Parts of which too much is there, in one list: those that tie up most.
const OVERSTOCK_MAX: usize = 500;
/// Fewer expected to expire than this are not worth a line.
const EXPIRING_LEAST: f64 = 0.5;

pub struct Kept<'a> {
    pub task: &'a Task,
    pub market: &'a Market,
    pub asked: &'a [(&'a Part, PartToStock<'a>)],
    pub advice: &'a Advice,
    pub settings: &'a Settings,
}

impl Kept<'_> {
    pub fn computed(&self, forecast: RunId) -> Result<Computed, RunError> {
        let cash = self.cash()?;
        let mut rows = Vec::new();
        for (at, line) in self.advice.lines.iter().enumerate() {
            if line.quantity > 0 {
                rows.extend(self.row(at, cash.as_ref())?);
            }
        }
        let curve: Vec<Value> = self
            .advice
            .curve
            .iter()
            .map(|point| json!({ "money_minor": point.money, "boat_days_lost": point.lost }))
            .collect();
        let kits = Kits {
            snapshot: &self.task.snapshot,
            asked: self.asked,
            advice: self.advice,
            on: self.task.today,
        };
        let summary = json!({
            "forecast": forecast,
            "on": self.task.today,
            "lines": rows.len(),
            "currency": self.market.base.code(),
            "curve": curve,
            "chosen": {
                "goods_minor": self.advice.chosen.money,
                "money_minor": self.advice.money.minor,
                "boat_days_lost": self.advice.chosen.lost,
            },
            "rates": self.rates(),
            "orders": self.orders(),
            "cash": cash.as_ref().map(|it| it.shown()),
            "overstock": self.overstock(),
            "kits": kits.rows()?,
            "lead_times": self.lead_times(),
        });
        Ok(Computed { advice: rows, summary: Some(summary), ..Computed::default() })
    }

    fn row(&self, at: usize, cash: Option<&Cash>) -> Result<Option<AdviceRow>, RunError> {
        let line = &self.advice.lines[at];
        let Some(supplier) = line.supplier.and_then(|place| self.market.suppliers.get(place))
        else {
            return Ok(None);
        };
        let Ok(quantity) = i64::try_from(line.quantity) else { return Ok(None) };
        let base = self.settings.to_base(line.money.minor, line.money.currency).map_err(refused)?;
        let mut detail = json!({
            "late": line.late,
            "boat_days_lost": line.boat_days_lost,
            "boat_days_lost_without": line.boat_days_lost_without,
            "waiting_costs": line.waiting_costs,
            "money_base_minor": base,
        });
        if let Some((month, risk)) = cash.and_then(|cash| cash.of(at)) {
            detail["buy_in_month"] = json!(month);
            detail["waiting_risks"] = json!(risk);
        }
        Ok(Some(AdviceRow {
            id: RunRowId::fresh(),
            run: self.task.run.id,
            part: self.asked[line.part].0.id,
            supplier: supplier.0,
            site: None,
            quantity,
            order_by: line.order_by.unwrap_or(self.task.today),
            unit_price: line.unit_price,
            total: line.money,
            fill_rate_permille: Some((line.expected_fill_rate * 1_000.0).round() as i32),
            reason: line.reason.clone(),
            detail: Some(detail),
        }))
    }

    /// The lines laid into months, where the yard has so much to spend in each.
    fn cash(&self) -> Result<Option<Cash>, RunError> {
        let parameters = &self.task.run.parameters;
        let limit = parameters::amount(parameters, "month_limit", self.market.base)?;
        let Some(limit) = limit else { return Ok(None) };
        let now = months_from(self.task.today, self.task.today);
        let (mut places, mut lines) = (Vec::new(), Vec::new());
        for (at, line) in self.advice.lines.iter().enumerate() {
            if line.quantity == 0 {
                continue;
            }
            let by = line.order_by.unwrap_or(self.task.today);
            let money =
                self.settings.to_base(line.money.minor, line.money.currency).map_err(refused)?;
            let month = months_from(self.task.today, by).max(now);
            let Some(supplier) = line.supplier else { continue };
            let waiting_costs = line.waiting_costs.clone();
            lines.push(CashLine { money, supplier, month, waiting_costs });
            places.push(at);
        }
        let freight: Vec<i64> = self
            .market
            .suppliers
            .iter()
            .map(|(_, terms)| {
                let freight = terms.freight.map_or(0, |freight| freight.minor);
                self.settings.to_base(freight, terms.currency).map_err(refused)
            })
            .collect::<Result<_, _>>()?;
        let limits = [limit.minor; CASH_MONTHS];
        let plan = plan_cash(&lines, &freight, &limits).map_err(refused)?;
        Ok(Some(Cash { places, plan, limit }))
    }

    fn rates(&self) -> Vec<Value> {
        let used = |rate: &&ordering::ExchangeRate| {
            self.advice.lines.iter().any(|line| line.money.currency == rate.currency)
        };
        let mut latest: Vec<&ordering::ExchangeRate> = Vec::new();
        for rate in self.settings.rates.iter().filter(used) {
            latest.retain(|other| other.currency != rate.currency);
            latest.push(rate);
        }
        let row = |rate: &&ordering::ExchangeRate| json!({ "currency": rate.currency.code(), "in_base": rate.in_base, "on": rate.on });
        latest.iter().map(row).collect()
    }

    fn orders(&self) -> Vec<Value> {
        let row = |order: &ordering::SupplierOrder| {
            let supplier = self.market.suppliers.get(order.supplier)?.0;
            Some(json!({
                "supplier": supplier,
                "value_minor": order.value.minor,
                "freight_minor": order.freight.minor,
                "added_minor": order.added.minor,
                "below_minimum_minor": order.below_minimum.map(|money| money.minor),
                "currency": order.value.currency.code(),
                "order_by": order.order_by,
            }))
        };
        self.advice.orders.iter().filter_map(row).collect()
    }

    fn overstock(&self) -> Vec<Value> {
        let too_much = |line: &&ordering::Line| {
            let of = &line.overstock;
            of.excess > 0 || of.expiring >= EXPIRING_LEAST || of.expired > 0
        };
        let mut lines: Vec<&ordering::Line> = self.advice.lines.iter().filter(too_much).collect();
        let tied = |line: &ordering::Line| {
            line.overstock.excess_money.minor + line.overstock.expiring_money.minor
        };
        lines.sort_by(|a, b| tied(b).cmp(&tied(a)).then(a.part.cmp(&b.part)));
        let row = |line: &&ordering::Line| {
            let of = &line.overstock;
            json!({
                "part": self.asked[line.part].0.id,
                "excess": of.excess,
                "excess_minor": of.excess_money.minor,
                "dead": of.dead,
                "expiring": of.expiring,
                "expiring_minor": of.expiring_money.minor,
                "expired": of.expired,
                "currency": of.excess_money.currency.code(),
            })
        };
        lines.iter().take(OVERSTOCK_MAX).map(row).collect()
    }

    fn lead_times(&self) -> Value {
        let holds = |term: &&Term| term.holds_on(self.task.today);
        let terms: Vec<&Term> = self.task.snapshot.stores.terms.iter().filter(holds).collect();
        self.market.learned.kept(&terms)
    }
}

/// Calendar months from the month of one day to that of another.
fn months_from(from: chrono::NaiveDate, to: chrono::NaiveDate) -> usize {
    let count = |day: chrono::NaiveDate| day.year() * 12 + day.month0() as i32;
    usize::try_from(count(to) - count(from)).unwrap_or(0)
}

/// The months of a yard that is short of cash.
struct Cash {
    /// Lines of the advice that were laid into months.
    places: Vec<usize>,
    plan: CashPlan,
    limit: Money,
}

impl Cash {
    /// Month from now (`None`: no month has the money) and what waiting risks.
    fn of(&self, line: usize) -> Option<(Option<usize>, f64)> {
        let at = self.places.iter().position(|place| *place == line)?;
        Some((self.plan.month[at], self.plan.risk[at]))
    }

    fn shown(&self) -> Value {
        json!({
            "month_limit_minor": self.limit.minor,
            "spent_minor": self.plan.spent,
            "freight_minor": self.plan.freight,
            "risk_in_all": self.plan.risk_in_all,
        })
    }
}
